"""What the project brings along: licences, the bill of materials, and what an audit may claim."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / ".ci" / "supply.py"
SPEC = importlib.util.spec_from_file_location("supply", SCRIPT)
supply = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(supply)


def run(*arguments: str) -> subprocess.CompletedProcess:
    whole = [sys.executable, SCRIPT, *arguments]
    return subprocess.run(whole, capture_output=True, text=True, timeout=300, check=False)


def test_every_package_that_an_installation_brings_has_a_licence_of_the_list():
    done = run("licences")
    assert done.returncode == 0, done.stdout
    listed = {line.split()[0] for line in done.stdout.splitlines()}
    assert {"flask", "granian", "numpy", "orjson", "pyarrow", "requests", "shapely", "werkzeug"} <= listed
    assert "pytest" not in listed


@pytest.mark.parametrize(
    ("said", "spdx"),
    [
        ("MIT License", "MIT"),
        ("Apache Software License", "Apache-2.0"),
        ("GNU General Public License v3 (GPLv3)", "GNU General Public License v3 (GPLv3)"),
        ("Mozilla Public License 2.0 (MPL 2.0)", "MPL-2.0"),
        ("3-Clause BSD License", "BSD-3-Clause"),
        ("Commercial", "Commercial"),
    ],
)
def test_licences_are_known_however_they_are_said_and_strange_ones_stay_strange(said, spdx):
    assert supply.spdx_of(said) == spdx
    assert (spdx in supply.ALLOWED) is not said.startswith(("GNU", "Commercial"))


def test_a_package_without_a_licence_is_refused(monkeypatch, capsys):
    monkeypatch.setattr(supply, "brought", lambda: {"no-such-package"})
    assert supply.licences() == 1
    assert "none stated  REFUSED" in capsys.readouterr().out


def test_the_bill_of_materials_lists_what_the_service_stands_on(tmp_path):
    file = tmp_path / "sbom.json"
    assert run("sbom", str(file)).returncode == 0
    bill = json.loads(file.read_text(encoding="utf-8"))
    assert (bill["bomFormat"], bill["specVersion"]) == ("CycloneDX", "1.6")
    assert bill["metadata"]["component"]["name"] == "tallwide"
    assert supply.brought() <= {each["name"].lower().replace("_", "-").replace(".", "-") for each in bill["components"]}


FAULT = {"id": "PYSEC-0000-1", "fix_versions": ["2.0"], "aliases": [], "description": ""}


@pytest.mark.parametrize(
    ("packages", "code", "words"),
    [
        ([{"name": "a", "version": "1", "vulns": []}], 0, "1 packages looked up, 0 with known faults"),
        ([{"name": "a", "version": "1", "vulns": [FAULT]}], 1, "a 1: PYSEC-0000-1, mended in 2.0"),
        ([{"name": "a", "skip_reason": "not found"}], 0, "NOT AUDITED"),
        ([{"name": "a", "skip_reason": "x"}, {"name": "b", "version": "1", "vulns": []}], 0, "1 not looked up"),
    ],
)
def test_an_audit_fails_on_findings_and_claims_nothing_of_what_it_could_not_look_up(packages, code, words, capsys):
    assert supply.told(packages) == code
    assert words in capsys.readouterr().out
