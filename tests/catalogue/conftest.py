"""A small archive of clips, and the command that solves it."""

from __future__ import annotations

import json
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from clip_archive import WANTED, archive
from tallwide.cli import main


@pytest.fixture
def wanted(tmp_path):
    path = tmp_path / "wanted.json"
    path.write_text(json.dumps(WANTED), encoding="utf-8")
    return path


@pytest.fixture
def clips(tmp_path):
    """A folder with two Parquet files of several row groups."""
    folder = tmp_path / "clips"
    folder.mkdir()
    table = archive(7_000)
    pq.write_table(table.slice(0, 4_500), folder / "a.parquet", row_group_size=500)
    pq.write_table(table.slice(4_500), folder / "b.parquet", row_group_size=700)
    return folder


@pytest.fixture
def solve(wanted, capsys):
    """Run the command in this process; the exit code must be 0."""

    def run(clips, out, *options):
        arguments = ["catalogue", "run", str(clips), "--deliverables", str(wanted), "--out", str(out), *options]
        assert main(arguments) == 0, capsys.readouterr().err
        return Path(out)

    return run


@pytest.fixture
def clean_environment(monkeypatch):
    for name in ("TALLWIDE_URL", "TALLWIDE_TOKEN"):
        monkeypatch.delenv(name, raising=False)
