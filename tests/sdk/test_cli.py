"""The command line: JSON in and out, exit codes, words on stderr."""

from __future__ import annotations

import io
import json
import os
import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from tallwide import Client, __version__, to_wire
from tallwide.cli import main, parser

pytestmark = pytest.mark.usefixtures("clean_environment")


@pytest.fixture
def job_file(tmp_path, job):
    corners = [[100, 100], [1000, 100], [1000, 800], [100, 800]]
    job["picture"] = {"monitor": {"width": 1920, "height": 1080}}
    job["chart"] = {"reading": {"frames": [{"deliverable": "wide", "corners": corners}]}}
    job["deliverables"][0]["safe_areas"] = [{"label": "titles", "left": 0.1}]
    job["capture"]["lens"] = {"focal_length_mm": 32}
    job["match"] = {"capture": {"raster": {"width": 4096, "height": 2304}, "photosite_pitch_um": 5}}
    path = tmp_path / "job.json"
    path.write_text(json.dumps(job), encoding="utf-8")
    return str(path)


ANSWERING = (
    *("extractions", "margins", "orientation", "safe-areas", "dial-in", "chart-read"),
    *("coverage", "match", "optics"),
)


@pytest.mark.parametrize("command", ANSWERING)
def test_a_command_prints_the_answer_as_json(capsys, job_file, job, command):
    assert main([command, job_file]) == 0
    answer = getattr(Client(), command.replace("-", "_"))(job)
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(to_wire(answer)))


@pytest.mark.parametrize("command", ANSWERING)
def test_a_table_is_flat(capsys, job_file, command):
    assert main([command, job_file, "--table"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert rows
    assert all(not isinstance(value, dict | list) for row in rows for value in row.values())
    assert len({tuple(row) for row in rows}) == 1


def test_a_table_can_be_csv(capsys, job_file, job):
    assert main(["margins", job_file, "--csv"]) == 0
    assert capsys.readouterr().out == Client().rows_csv(job)
    with pytest.raises(SystemExit):
        main(["margins", job_file, "--csv", "--table"])


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
    assert Image.open(io.BytesIO(out.read_bytes())).size == (1920, 1080)


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


@pytest.mark.parametrize(
    ("content", "why"),
    [
        pytest.param(None, "No such file", id="no file"),
        pytest.param(b"not json", "Expecting value", id="words"),
        pytest.param(b"", "Expecting value", id="nothing"),
        pytest.param(b"\xff{}", "utf-8", id="another encoding"),
        pytest.param(b'{"capture": NaN}', "NaN is no number", id="NaN"),
        pytest.param(b'{"capture": -Infinity}', "-Infinity is no number", id="infinity"),
        pytest.param(b'{"capture": 1e400}', "1e400 is too large", id="more than a double holds"),
        pytest.param(b'{"id": "a", "id": "b"}', "'id' stands twice", id="a name twice"),
        pytest.param(b"[" * 100_000, "nested too deep", id="depth"),
    ],
)
def test_a_file_that_is_no_job_exits_2_and_says_why(capsys, tmp_path, content, why):
    path = tmp_path / "job.json"
    if content is not None:
        path.write_bytes(content)
    assert main(["margins", str(path)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "job.json" in captured.err
    assert why in captured.err


@pytest.mark.parametrize("where", ["no/such/folder/overlay.svg", "."])
def test_a_picture_that_cannot_be_written_exits_2(capsys, monkeypatch, tmp_path, job_file, where):
    monkeypatch.chdir(tmp_path)
    assert main(["overlay", job_file, "--out", where]) == 2
    assert capsys.readouterr().err.startswith(where)


@pytest.mark.parametrize(
    "option", [("--timeout-s", "0"), ("--timeout-s", "nan"), ("--url", "localhost:8080"), ("--url", "ftp://x")]
)
def test_an_option_that_makes_no_sense_exits_2(capsys, job_file, option):
    assert main(["margins", job_file, *option]) == 2
    assert capsys.readouterr().err


def test_wrong_usage_exits_2():
    for arguments in (["nonsense"], [], ["overlay", "--media-type", "image/webp"]):
        with pytest.raises(SystemExit) as stop:
            main(arguments)
        assert stop.value.code == 2


def test_an_unreachable_service_exits_3(capsys, job_file, monkeypatch):
    monkeypatch.setattr("time.sleep", lambda _: None)
    assert main(["margins", job_file, "--url", "http://127.0.0.1:1"]) == 3
    assert "could not be reached" in capsys.readouterr().err


@pytest.mark.parametrize(("status", "code"), [(422, 1), (413, 1), (404, 1), (429, 3), (503, 3), (500, 3)], ids=str)
def test_exit_codes_tell_a_refused_job_from_a_service_in_trouble(
    capsys, job_file, monkeypatch, misbehaving, status, code
):
    monkeypatch.setattr("time.sleep", lambda _: None)
    problem = {"title": "No", "detail": "because", "request_id": "r1"}
    server = misbehaving((status, {"Content-Type": "application/problem+json"}, json.dumps(problem).encode()))
    assert main(["margins", job_file, "--url", server.url]) == code
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "because" in captured.err


def started(*arguments, **options):
    return subprocess.Popen([sys.executable, "-m", "tallwide", *arguments], **options)


def test_a_reader_that_has_seen_enough_is_no_failure(job_file):
    command = started("orientation", job_file, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    command.stdout.close()
    assert command.stderr.read() == b""
    command.stderr.close()
    assert command.wait(30) == 0


def test_a_full_disk_is_said_and_exits_2(job_file):
    with Path("/dev/full").open("wb") as full:
        command = started("orientation", job_file, stdout=full, stderr=subprocess.PIPE)
    assert command.communicate(timeout=30)[1] == b"standard output: No space left on device\n"
    assert command.returncode == 2


def test_answers_are_utf_8_whatever_the_terminal_speaks(tmp_path, job):
    job["deliverables"][0]["label"] = "Plakat \u00fcber Eck \u20ac"
    path = tmp_path / "job.json"
    path.write_text(json.dumps(job), encoding="utf-8")
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    command = started("extractions", str(path), stdout=subprocess.PIPE, env=environment)
    answer = json.loads(command.communicate(timeout=30)[0].decode("utf-8"))
    assert answer["extractions"][0]["deliverable"] == job["deliverables"][0]["label"]


def test_serving_where_something_listens_already_is_refused(capsys):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert main(["serve", "--port", str(port)]) == 2
    assert capsys.readouterr().err == f"127.0.0.1 port {port}: Address already in use\n"


def test_serving_at_an_address_of_another_machine_is_refused(capsys):
    assert main(["serve", "--host", "192.0.2.1"]) == 2  # RFC 5737: an address for documentation alone
    assert "192.0.2.1 port 8080" in capsys.readouterr().err


@pytest.mark.parametrize("option", ["--port", "--workers", "--threads"])
@pytest.mark.parametrize("value", ["0", "-1", "1.5", "x", "9999999", "\u0663"])
def test_serving_with_numbers_that_make_no_sense_exits_2(option, value):
    with pytest.raises(SystemExit) as stop:
        main(["serve", f"{option}={value}"])
    assert stop.value.code == 2


@pytest.mark.parametrize(("command", "module", "extra"), [("serve", "granian", "service"), ("demo", "skimage", "demo")])
def test_a_missing_extra_is_named(capsys, monkeypatch, command, module, extra):
    for name in [name for name in sys.modules if name.split(".")[0] == module or name.endswith(("serving", ".demo"))]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, module, None)  # as Python marks a module that cannot be imported
    assert main([command]) == 2
    assert f"tallwide[{extra}]" in capsys.readouterr().err


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
    listed = subprocess.run([sys.executable, "-m", "tallwide", "--help"], capture_output=True, text=True, check=True)
    commands = re.findall(r"^    ([a-z-]+) ", listed.stdout, re.MULTILINE)
    assert set(ANSWERING) | {"overlay", "limits", "version", "serve", "demo"} <= set(commands)
    for command in commands:
        done = subprocess.run(
            [sys.executable, "-m", "tallwide", command, "--help"], capture_output=True, text=True, check=True
        )
        assert f"example: tallwide {command}" in done.stdout


def test_every_operation_of_the_service_has_a_command():
    document = json.loads((Path(__file__).parents[2] / "openapi" / "openapi.json").read_text(encoding="utf-8"))
    operations = {
        operation["operationId"]
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
        if method in ("get", "post") and path.startswith("/v1/")
    }
    shorter = {"read-handoff": "read"}
    (commands,) = [action.choices for action in parser()._actions if action.choices]
    for name in sorted(operations):
        command = name.removesuffix("_by_query").replace("_", "-")
        assert shorter.get(command, command) in commands
