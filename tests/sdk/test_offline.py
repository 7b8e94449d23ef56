"""On the farm: a saved answer, a bare virtual environment, no network, no service, nothing but the standard library."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

import pytest

from tallwide import Client, handoff, to_wire
from tallwide.decision import read_answer
from tallwide.job import Places, Space

pytestmark = pytest.mark.usefixtures("clean_environment")
SDK = Path(__file__).parents[2] / "sdk" / "tallwide"
# Any use of the network, and any package that a host application brings itself, ends the process.
GUARD = """
import socket, sys

class Barred:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {"requests", "urllib3", "numpy", "shapely", "PIL", "flask", "tallwide_service"}:
            raise SystemExit(f"{name} was asked for")

sys.meta_path.insert(0, Barred())

def cut(*_, **__):
    raise SystemExit("the network was asked for")

class Cut(socket.socket):
    __init__ = cut

socket.socket, socket.create_connection, socket.getaddrinfo = Cut, cut, cut
"""


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    """A bare environment with the SDK's own files in it, guarded."""
    folder = tmp_path_factory.mktemp("farm")
    venv.create(folder / "env", with_pip=False, symlinks=True)
    python = folder / "env" / "bin" / "python"
    purelib = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()
    shutil.copytree(SDK, Path(purelib) / "tallwide", ignore=shutil.ignore_patterns("__pycache__"))
    (Path(purelib) / "sitecustomize.py").write_text(GUARD, encoding="utf-8")
    cut_off = ["unshare", "-n"] if _may_unshare() else []

    def run(*arguments: str, code: int = 0, stdin: str | None = None) -> str:
        environment = {"PATH": os.environ["PATH"], "PYTHONUTF8": "1"}
        done = subprocess.run(
            [*cut_off, str(python), *arguments],
            capture_output=True, text=True, check=False, cwd=folder, env=environment, input=stdin,
        )  # fmt: skip
        assert done.returncode == code, done.stderr
        return done.stdout

    return run


def _may_unshare() -> bool:
    """Whether this user may make a network namespace of its own."""
    tool = shutil.which("unshare")
    return tool is not None and subprocess.run([tool, "-n", "true"], capture_output=True, check=False).returncode == 0


@pytest.fixture
def answer(job):
    return json.loads(json.dumps(to_wire(Client().extractions({**job, "id": "farm-job"}))))


@pytest.fixture
def answer_file(answer, tmp_path):
    path = tmp_path / "answer.json"
    path.write_text(json.dumps(answer), encoding="utf-8")
    return str(path)


def test_the_guard_guards(farm):
    farm("-c", "import requests", code=1)
    farm("-c", "import socket; socket.socket()", code=1)
    farm("-c", "import numpy", code=1)


@pytest.mark.parametrize("form", handoff.FORMS)
def test_every_form_is_written_from_a_saved_answer(farm, answer, answer_file, form, tmp_path):
    written = tmp_path / "document"
    farm("-m", "tallwide", "handoff", form, "--from", answer_file, "--out", str(written))
    assert written.read_bytes() == handoff.write(read_answer(answer), form).raw


def test_the_bytes_are_those_of_the_service(farm, job, answer_file, tmp_path):
    written = tmp_path / "list.fdl"
    farm("-m", "tallwide", "handoff", "framing-decision-list", "--from", answer_file, "--out", str(written))
    assert written.read_bytes() == Client().handoff_file({**job, "id": "farm-job"}, "framing-decision-list")


def test_points_are_mapped_from_a_saved_answer(farm, job, answer_file):
    spaces = ["--source", "delivery:tall", "--target", "recorded"]
    printed = json.loads(farm("-m", "tallwide", "map", "--from", answer_file, *spaces, "--point", "540,960.5"))
    places = Places(Space("delivery", "tall"), Space("recorded"), points=((540, 960.5),))
    assert printed == json.loads(json.dumps(to_wire(Client().map(job, places).mapped)))


def test_documents_are_read_back_and_compared(farm, answer_file, tmp_path):
    document = tmp_path / "list.fdl"
    farm("-m", "tallwide", "handoff", "framing-decision-list", "--from", answer_file, "--out", str(document))
    reading = json.loads(farm("-m", "tallwide", "read", "framing-decision-list", str(document)))
    assert reading["is_whole_job"]
    form = ["--form", "framing-decision-list"]
    same = farm("-m", "tallwide", "compare", "--from", answer_file, "--with", str(document), *form)
    assert json.loads(same)["same_picture"]
    saved = farm("-m", "tallwide", "compare", "--from", answer_file, "--with", answer_file)
    assert json.loads(saved)["same_picture"]


def test_the_functions_work_without_the_command_line(farm, answer_file):
    script = f"""
import json
from tallwide import handoff
from tallwide.check import check_media
from tallwide.decision import read_answer
from tallwide.job import FileFacts, Space
from tallwide.mapping import matrix
with open({answer_file!r}, encoding="utf-8") as file:
    decision = read_answer(json.load(file))
print(matrix(decision, Space("recorded"), Space("delivery", "wide")).rows[0][0])
print(len(handoff.write(decision, "csv").raw) > 0)
print(check_media(decision, FileFacts(2400, 1600)).verdict)
"""
    assert farm("-c", script).split() == ["4/5", "True", "fits_after"]


def test_a_clip_is_checked_offline(farm, answer_file, tmp_path):
    clip = tmp_path / "clip.mp4"
    source = ["-f", "lavfi", "-i", "testsrc=size=1200x800:rate=1:duration=1"]
    subprocess.run(["ffmpeg", "-v", "error", *source, "-pix_fmt", "yuv420p", str(clip)], check=True)
    printed = farm("-c", CHECK_WITHOUT_PILLOW, str(clip), answer_file)
    assert json.loads(printed)["check"]["reading"]["steps"] == ["scale"]


# The guard ends the process where Pillow is asked for; a farm without it gives an ImportError.
CHECK_WITHOUT_PILLOW = """
import sys
sys.meta_path.pop(0)
from tallwide.cli import main
sys.exit(main(["check", sys.argv[1], "--from", sys.argv[2]]))
"""


@pytest.mark.parametrize(
    ("document", "words"),
    [
        ({}, "no 'job'"),
        ([], "JSON object"),
        ({"job": {}, "extractions": [], "engine_version": "1"}, "Job"),
    ],
)
def test_what_is_no_saved_answer_is_refused_in_words(document, words):
    with pytest.raises(ValueError, match=words):
        read_answer(document)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda answer: answer["extractions"].pop(),
        lambda answer: answer["extractions"].reverse(),
        lambda answer: answer["extractions"][0]["rect"].update(x=-2),
        lambda answer: answer["extractions"][0]["rect"].update(width=9000),
        lambda answer: answer["extractions"][0]["rect"].update(x=0.5),
        lambda answer: answer["extractions"][0]["rect"].update(height=0),
        lambda answer: answer["extractions"][0].pop("protection_rect"),
        lambda answer: answer["job"]["capture"].update(raster={"width": 10, "height": 10}),
        lambda answer: answer["job"].update(unheard_of=1),
    ],
)
def test_a_spoilt_answer_is_refused(answer, spoil):
    spoil(answer)
    with pytest.raises(ValueError):  # noqa: PT011 - each says its own reason
        read_answer(answer)


def test_the_environment_is_this_pythons(farm):
    assert farm("-c", "import sys; print(sys.version_info[:2])").strip() == str(sys.version_info[:2])
