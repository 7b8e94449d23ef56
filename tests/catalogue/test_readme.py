"""The README's part on archives, and the guide's part on farms: their commands run, their names are the real ones."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest

from clip_archive import WANTED, archive, environment, output
from tallwide.cli import main
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
    for first in (0, 120, 240):
        pq.write_table(archive(300).slice(first, 120), tmp_path / "clips" / f"{first}.parquet")  # each makes a part
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


# Slurm's `sbatch` as far as the guide uses it, by its manual as remembered: --wrap is a shell script of its own, and
# SLURM_CPUS_PER_TASK is set only where --cpus-per-task was given. The last task comes first.
SBATCH = """
import argparse, os, subprocess
parser = argparse.ArgumentParser(allow_abbrev=False)
parser.add_argument("--wait", action="store_true", required=True)
parser.add_argument("--array", required=True)
parser.add_argument("--wrap", required=True)
parser.add_argument("--cpus-per-task")
options = parser.parse_args()
first, last = map(int, options.array.split("-"))
cores = {"SLURM_CPUS_PER_TASK": options.cpus_per_task} if options.cpus_per_task else {}
for task in range(last, first - 1, -1):
    own = {**os.environ, **cores, "SLURM_ARRAY_TASK_ID": str(task)}
    subprocess.run(["sh", "-c", options.wrap], check=True, env=own)
"""
SHARDS = 3


@pytest.fixture
def farm(here):
    """The guide's commands as written, run by a shell, but for the folder and the number of shards."""
    programs = here / "programs"
    programs.mkdir()
    (here / "sbatch.py").write_text(SBATCH, encoding="utf-8")
    for name, call in (("tallwide", "-m tallwide"), ("sbatch", shlex.quote(str(here / "sbatch.py")))):
        program = programs / name
        program.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} {call} "$@"\n', encoding="utf-8")
        program.chmod(0o755)
    own = environment()

    def run(script, **variables):
        script = (
            script.replace("/archive/", f"{here}/").replace("0-199", f"0-{SHARDS - 1}").replace("/200", f"/{SHARDS}")
        )
        path = f"{programs}{os.pathsep}{own['PATH']}"
        done = subprocess.run(
            ["sh", "-euc", script], check=False, env={**own, "PATH": path, **variables}, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr

    return run


def test_a_slurm_array_and_a_plain_farm_do_what_one_run_does(here, farm):
    array, task = blocks(GUIDE)
    plan, _, merge = array.splitlines()
    assert main(shlex.split(blocks(PART)[0].splitlines()[0].replace("--out answers", "--out whole"))[1:]) == 0
    farm(array)
    assert output(here / "answers") == output(here / "whole")
    shutil.rmtree(here / "answers")
    farm(plan)
    for number in (1, 2, 0):
        farm(task, TASK=str(number))
    farm(merge)
    assert output(here / "answers") == output(here / "whole")
