"""The command line: JSON in and out, exit codes, words on stderr."""

from __future__ import annotations

import io
import json
import subprocess
import sys

import pytest
from PIL import Image

from tallwide import Client, __version__, to_wire
from tallwide.cli import main

pytestmark = pytest.mark.usefixtures("clean_environment")


@pytest.fixture
def job_file(tmp_path, job):
    path = tmp_path / "job.json"
    path.write_text(json.dumps(job), encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("command", ["extractions", "margins", "orientation"])
def test_a_command_prints_the_answer_as_json(capsys, job_file, job, command):
    assert main([command, job_file]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(to_wire(getattr(Client(), command)(job))))


@pytest.mark.parametrize("command", ["extractions", "margins", "orientation"])
def test_a_table_is_flat(capsys, job_file, command):
    assert main([command, job_file, "--table"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert rows
    assert all(not isinstance(value, dict | list) for row in rows for value in row.values())
    assert len({tuple(row) for row in rows}) == 1


def test_a_job_is_read_from_standard_input(job):
    done = subprocess.run(
        [sys.executable, "-m", "tallwide", "extractions"],
        input=json.dumps(job),
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(done.stdout)["extractions"]
    assert done.stderr == ""


def test_an_overlay_is_written_to_a_file(tmp_path, job_file):
    out = tmp_path / "overlay.png"
    assert main(["overlay", job_file, "--media-type", "image/png", "--out", str(out)]) == 0
    assert Image.open(io.BytesIO(out.read_bytes())).size == (4800, 3200)


@pytest.mark.parametrize("command", ["limits", "version"])
def test_what_the_service_says_of_itself_is_printed(capsys, command):
    assert main([command]) == 0
    assert json.loads(capsys.readouterr().out)


def test_a_refused_job_exits_1_with_the_problem_on_stderr(capsys, tmp_path):
    path = tmp_path / "job.json"
    path.write_text("{}", encoding="utf-8")
    assert main(["extractions", str(path)]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert {error["pointer"] for error in json.loads(captured.err)["errors"]} == {"/capture", "/deliverables"}


@pytest.mark.parametrize("content", [None, "not json"])
def test_a_file_that_is_no_job_exits_2(capsys, tmp_path, content):
    path = tmp_path / "job.json"
    if content:
        path.write_text(content, encoding="utf-8")
    assert main(["margins", str(path)]) == 2
    assert "job.json" in capsys.readouterr().err


def test_wrong_usage_exits_2():
    for arguments in (["nonsense"], [], ["overlay", "--media-type", "image/webp"]):
        with pytest.raises(SystemExit) as stop:
            main(arguments)
        assert stop.value.code == 2


def test_an_unreachable_service_exits_3(capsys, job_file, monkeypatch):
    monkeypatch.setattr("time.sleep", lambda _: None)
    assert main(["margins", job_file, "--url", "http://127.0.0.1:1"]) == 3
    assert "could not be reached" in capsys.readouterr().err


def test_the_version_is_printed_without_loading_anything():
    code = (
        "import sys; sys.argv = ['tallwide', '--version']; before = set(sys.modules)\n"
        "from tallwide.__main__ import main\n"
        "print(main(), *sorted(set(sys.modules) - before))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert shown.splitlines() == [f"tallwide {__version__}", "0 __future__ tallwide tallwide.__main__ tallwide.version"]


def test_the_command_line_knows_its_version(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["--version"])
    assert (stop.value.code, capsys.readouterr().out) == (0, f"tallwide {__version__}\n")


def test_every_command_has_help_with_an_example():
    for command in ("extractions", "margins", "orientation", "overlay", "limits", "version", "serve", "demo"):
        done = subprocess.run(
            [sys.executable, "-m", "tallwide", command, "--help"], capture_output=True, text=True, check=True
        )
        assert f"example: tallwide {command}" in done.stdout
