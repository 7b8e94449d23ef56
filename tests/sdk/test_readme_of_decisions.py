"""The README's section on the decision: its Python and its shell run, and say what they promise."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
SECTION = TEXT[TEXT.index("## Decide: ") :].split("\n## ", 1)[0]
(PYTHON,) = re.findall(r"```python\n(.*?)```", SECTION, re.DOTALL)
(SHELL,) = re.findall(r"```sh\n(.*?)```", SECTION, re.DOTALL)

pytestmark = pytest.mark.usefixtures("clean_environment")


def test_the_larger_mode_is_recommended_for_one_pass(capsys):
    exec(compile(PYTHON, "README.md", "exec"), {})  # noqa: S102 - the README's own code
    text, plan = capsys.readouterr().out.splitlines()
    assert text.startswith('Shoot one pass, upright on "B"')
    assert plan == "B True"


def test_the_rental_order_is_a_table(tmp_path):
    command = tmp_path / "tallwide"
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m tallwide "$@"\n', encoding="utf-8")
    command.chmod(0o755)
    paths = {"PATH": f"{tmp_path}{os.pathsep}{os.environ['PATH']}", "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        ["sh", "-eu"],
        input=SHELL,
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
        env={**os.environ, **paths},
    )
    rows = json.loads(done.stdout)
    assert [(row["lens"], row["focal_length_mm"], row["covered"]) for row in rows] == [
        ("32", 32, True),
        ("28-70", 28, False),
        ("28-70", 70, None),
    ]
