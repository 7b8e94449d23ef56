"""The README's examples of hand-off, run as they stand there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SECTION = (
    (ROOT / "README.md").read_text(encoding="utf-8").partition("## Hand the decision over")[2].partition("\n## ")[0]
)
(SHELL,) = re.findall(r"```sh\n(.*?)```", SECTION, re.DOTALL)
(PYTHON,) = re.findall(r"```python\n(.*?)```", SECTION, re.DOTALL)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder in which the shell example has run, `tallwide` being this tree's."""
    place = tmp_path_factory.mktemp("readme")
    command = place / "bin" / "tallwide"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m tallwide "$@"\n', encoding="utf-8")
    command.chmod(0o755)
    paths = {"PATH": f"{command.parent}:{os.environ['PATH']}", "PYTHONPATH": f"{ROOT / 'sdk'}:{ROOT / 'service'}"}
    done = subprocess.run(
        ["sh", "-eu"], input=SHELL, capture_output=True, text=True, check=False, cwd=place, env={**os.environ, **paths}
    )
    assert done.returncode == 0, done.stderr
    (place / "printed").write_text(done.stdout, encoding="utf-8")
    return place


def test_the_shell_example_prints_what_the_text_says(folder):
    printed = (folder / "printed").read_text(encoding="utf-8")
    exact = re.search(r'`"exact": (\[.*?\])`', SECTION)[1]
    assert exact.replace(" ", "") in re.sub(r"\s", "", printed)
    assert '"same_picture": true' in printed
    assert (folder / "harbour-day-2.fdl").stat().st_size
    assert (folder / "cut.sh").read_text(encoding="utf-8").count("ffmpeg ") == 2


def test_the_python_example_runs(folder):
    done = subprocess.run(
        [sys.executable, "-c", PYTHON], capture_output=True, text=True, check=True, cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT / "sdk")},
    )  # fmt: skip
    assert "harbour-day-2.xmp" in done.stdout
    assert "Fraction(5005, 4), Fraction(833, 2)" in done.stdout


def test_the_readme_names_every_form():
    from tallwide import forms  # noqa: PLC0415 - the table under test

    assert re.findall(r"^\| `([a-z-]+)` \|", SECTION, re.MULTILINE) == list(forms.FORMS)
