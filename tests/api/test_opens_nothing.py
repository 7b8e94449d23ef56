"""The service opens no path, no address and no program that a request names; seen by audit hooks in a process apart."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("canary")
    file = folder / "secret"
    file.write_text("canary")
    path = os.pathsep.join([str(TESTS), os.environ.get("PYTHONPATH", "")])
    # Else Python itself would write what it has compiled.
    environment = {**os.environ, "PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "audited", str(file)]
    ran = subprocess.run(command, check=True, capture_output=True, text=True, env=environment, cwd=folder)
    return json.loads(ran.stdout.splitlines()[-1])


def test_nothing_that_a_request_names_is_opened_written_started_or_called(report):
    assert report["seen"] == []


def test_enough_was_asked_and_texts_that_name_a_file_were_computed_with(report):
    assert report["asked"] > 800
    assert report["opened"] > 100  # modules and fonts, when they are first needed
    assert report["named_computed"] > report["named"] // 2


def test_whatever_had_been_opened_or_started_would_have_been_seen(report):
    kinds = [event.split(" ")[0] for event in report["control"]]
    assert kinds.count("open") == 2
    assert {"subprocess.Popen", "socket.connect"} <= set(kinds)
