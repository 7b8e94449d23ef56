"""The README's part on scripts: its code runs and prints what it says, its commands do what they say."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

from tallwide.cli import main

README = Path(__file__).parents[2] / "README.md"
PART = README.read_text(encoding="utf-8").split("## In scripts and pipelines")[1].split("\n## ")[0]

pytestmark = pytest.mark.usefixtures("clean_environment")


def block(language):
    (code,) = re.findall(rf"^```{language}\n(.*?)^```$", PART, re.MULTILINE | re.DOTALL)
    return code


def test_the_python_example_runs_and_prints_what_it_says(capsys):
    expected = [line.split("  # ")[1] for line in block("python").splitlines() if "print(row" in line]
    exec(compile(block("python"), str(README), "exec"), {})  # noqa: S102 - the README's own code
    assert capsys.readouterr().out.splitlines() == expected


def test_the_commands_run(capsys, monkeypatch, tmp_path, job):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "job.json").write_text(json.dumps(job), encoding="utf-8")
    for line in block("sh").splitlines():
        program, *arguments = shlex.split(line.partition(" --url ")[0])  # nothing listens at the example's address
        assert program == "tallwide"
        assert main(arguments) == 0
    assert (tmp_path / "overlay.png").read_bytes().startswith(b"\x89PNG")
    assert '"verdict": "enough"' in capsys.readouterr().out


def test_the_exit_codes_are_those_of_the_command_line():
    from tallwide import cli  # noqa: PLC0415 - its names are under test

    rows = [int(code) for code in re.findall(r"^\| (\d) \|", PART, re.MULTILINE)]
    assert rows == [cli.DONE, cli.REFUSED, cli.WRONG_USAGE, cli.UNREACHABLE]


def test_the_examples_of_many_jobs_and_of_a_table_run(capsys):
    part = README.read_text(encoding="utf-8").split("## Many jobs at once")[1].split("\n## ")[0]
    for code in re.findall(r"^```python\n(.*?)^```$", part, re.MULTILINE | re.DOTALL):
        exec(compile(code, str(README), "exec"), {})  # noqa: S102 - the README's own code
    *_, table = capsys.readouterr().out.splitlines()
    assert table.startswith(
        "[{'id': 'A001', 'deliverable': 'tall', 'enough': True, 'spare_x_px': 136, 'problem': None}"
    )
