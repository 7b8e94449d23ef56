"""The README's part on archives, and the guide's part on farms: their commands run, their names are the real ones."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest

from clip_archive import WANTED, archive, output
from tallwide.cli import main, parser
from tallwide_service.core.clip_columns import CLIP_COLUMNS

ROOT = Path(__file__).parents[2]
PART = (ROOT / "README.md").read_text(encoding="utf-8").split("## A whole archive")[1].split("\n## ")[0]
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Catalogues")[1].split("\n## ")[0]


def blocks(text):
    return re.findall(r"^```sh\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "wanted.json").write_text(json.dumps(WANTED), encoding="utf-8")
    (tmp_path / "clips").mkdir()
    pq.write_table(archive(300), tmp_path / "clips" / "clips.parquet")
    names = {"raster_width_px": "Width", "raster_height_px": "Height"}
    pa_csv.write_csv(archive(300).rename_columns(names), tmp_path / "clips.csv")
    return tmp_path


def test_the_commands_run_and_leave_what_the_table_says(here):
    for block in blocks(PART):
        for line in block.splitlines():
            assert main(shlex.split(line)[1:]) == 0
    named = {name for row in re.findall(r"^\| (`.*?) \|", PART, re.MULTILINE) for name in re.findall(r"`([^`]+)`", row)}
    there = {path.name + ("/" if path.is_dir() else "") for path in (here / "answers").iterdir()}
    assert named == there - {"done/", "plan.json"}


def test_shards_by_hand_give_the_bytes_of_one_run(here):
    whole, shards = blocks(PART)
    assert main(shlex.split(whole.splitlines()[0].replace("--out answers", "--out whole"))[1:]) == 0
    for line in shards.splitlines():
        assert main(shlex.split(line)[1:]) == 0
    assert output(here / "answers") == output(here / "whole")


def test_every_column_is_named():
    said = set(re.findall(r"`([a-z_]+)`", PART.split("Columns are")[1].split("| in the folder")[0]))
    assert said == {"id", "mode", *CLIP_COLUMNS}


def test_the_farms_commands_are_commands():
    lines = [line for block in blocks(GUIDE) for line in block.splitlines()]
    inner = [line.split("'")[1] if "sbatch" in line else line for line in lines]
    assert len(inner) == 4
    for line in inner:
        numbers = re.sub(r"\$SLURM_ARRAY_TASK_ID|\$TASK|\$SLURM_CPUS_PER_TASK", "7", line)
        program, *arguments = shlex.split(numbers)
        assert program == "tallwide"
        assert parser().parse_args(arguments).out == Path("/archive/answers")
