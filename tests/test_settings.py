"""Settings: read once, unknown ones refused, secrets never shown."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path

import pytest

from tallwide_service.serving import hand_down
from tallwide_service.settings import Settings, WrongSetting, read_settings, shown

SECRET = "harbour-crane-0123456789"  # noqa: S105 - opens nothing


def test_without_variables_everything_has_its_default():
    assert read_settings({"HOME": "/nowhere", "TALLWIDES": "x"}) == Settings()


def test_the_sdks_own_variables_are_no_strangers():
    assert read_settings({"TALLWIDE_URL": "http://framing.example", "TALLWIDE_TOKEN": "x"}) == Settings()


@pytest.mark.parametrize(
    ("name", "written", "value"),
    [
        ("PORT", "9000", 9000),
        ("THREADS", "4", 4),
        ("DEADLINE_S", "2.5", 2.5),
        ("DRAIN_S", "0", 0.0),
        ("LOG", "off", False),
        ("TRUST_PROXY", "On", True),
        ("ALLOWED_ORIGINS", "https://a.example, http://b.example:8080", ("https://a.example", "http://b.example:8080")),
        ("ALLOWED_ORIGINS", "*", ("*",)),
        ("TOKENS", f"{SECRET},{SECRET}2", (SECRET, f"{SECRET}2")),
    ],
)
def test_a_variable_sets_its_member(name, written, value):
    assert getattr(read_settings({f"TALLWIDE_{name}": written}), name.lower()) == value


@pytest.mark.parametrize(
    ("name", "nearest"),
    [
        ("TALLWIDE_DEADLINE", "TALLWIDE_DEADLINE_S"),
        ("TALLWIDE_TOKEN_FILE", "TALLWIDE_TOKENS_FILE"),
        ("TALLWIDE_ORIGINS", "TALLWIDE_ALLOWED_ORIGINS"),
        ("TALLWIDE_port", "TALLWIDE_PORT"),
    ],
)
def test_a_variable_that_nobody_reads_is_refused_with_the_nearest_name(name, nearest):
    with pytest.raises(WrongSetting, match=f"{name}; the nearest name is {nearest}$"):
        read_settings({name: "1"})


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("PORT", "0"),
        ("PORT", "65536"),
        ("PORT", "8o80"),
        ("PORT", ""),
        ("PORT", "٨٠"),
        ("PORT", "9" * 5000),
        ("DEADLINE_S", "0"),
        ("DEADLINE_S", "inf"),
        ("DEADLINE_S", "1e3"),
        ("DEADLINE_S", "-1"),
        ("LOG", "maybe"),
        ("HOST", " "),
        ("ALLOWED_ORIGINS", "panels.example"),
        ("ALLOWED_ORIGINS", "https://a.example/path"),
        ("ALLOWED_ORIGINS", "* https://a.example"),
        ("ALLOWED_ORIGINS", "null"),
    ],
)
def test_a_value_that_makes_no_sense_is_refused_by_name(name, written):
    with pytest.raises(WrongSetting, match=f"^TALLWIDE_{name} must"):
        read_settings({f"TALLWIDE_{name}": written})


@pytest.mark.parametrize("written", ["short", f"{SECRET}!", f"{SECRET} tooshort", "", "ä" * 20, "x" * 513])
def test_a_wrong_token_is_refused_and_not_repeated(written):
    with pytest.raises(WrongSetting) as refusal:
        read_settings({"TALLWIDE_TOKENS": written})
    assert SECRET not in str(refusal.value)
    assert not written or written not in str(refusal.value)


def test_secrets_are_neither_printed_nor_shown():
    settings = read_settings({"TALLWIDE_TOKENS": SECRET})
    assert SECRET not in repr(settings) + json.dumps(shown(settings))
    assert shown(settings)["TALLWIDE_TOKENS"] == "*** (1)"


def test_every_setting_is_shown():
    assert set(shown(Settings())) == {f"TALLWIDE_{each.name.upper()}" for each in fields(Settings)}


def test_the_readme_lists_every_setting_with_its_default_and_meaning():
    text = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(TALLWIDE_\w+)` \| ([^|]*) \| (.*) \|$", text, re.MULTILINE)
    assert [(name, meaning) for name, _, meaning in rows] == [
        (f"TALLWIDE_{each.name.upper()}", each.metadata["meaning"]) for each in fields(Settings)
    ]
    written = {name: default.strip() for name, default, _ in rows if default.strip()}
    assert read_settings(written) == Settings()


def command(*arguments: str, **variables: str) -> subprocess.CompletedProcess:
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("TALLWIDE_")}
    environment = inherited | variables | {"PYTHONPATH": os.pathsep.join(sys.path)}
    whole = [sys.executable, "-m", "tallwide", *arguments]
    return subprocess.run(whole, env=environment, capture_output=True, text=True, timeout=60, check=False)


def test_the_command_prints_effective_values_with_secrets_masked():
    done = command("settings", TALLWIDE_TOKENS=SECRET, TALLWIDE_THREADS="3")
    assert done.returncode == 0
    assert SECRET not in done.stdout + done.stderr
    printed = json.loads(done.stdout)
    assert (printed["TALLWIDE_THREADS"], printed["TALLWIDE_PORT"]) == (3, 8080)


@pytest.mark.parametrize("name", ["serve", "settings"])
def test_commands_refuse_a_variable_that_nobody_reads(name):
    done = command(name, TALLWIDE_TOKNES=SECRET)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "there is no setting TALLWIDE_TOKNES; the nearest name is TALLWIDE_TOKENS\n"


@pytest.mark.parametrize(
    ("name", "default", "other"), [("host", "127.0.0.1", "::1"), ("workers", 1, 4), ("threads", 2, 8)]
)
def test_workers_get_what_the_command_line_says_and_not_what_the_environment_says(monkeypatch, name, default, other):
    monkeypatch.setattr(os, "environ", {f"TALLWIDE_{name.upper()}": str(other), "TALLWIDE_WAITING": "3"})
    assert getattr(read_settings(os.environ), name) == other
    hand_down(replace(read_settings(os.environ), **{name: default}))
    assert getattr(read_settings(os.environ), name) == default
    assert read_settings(os.environ).waiting == 3
