"""What the project brings along: known faults, a bill of materials, licences.

python .ci/supply.py audit         pip-audit over this environment: fails on findings, says what it could not look up
python .ci/supply.py sbom FILE     a bill of materials of this environment (CycloneDX 1.6, JSON)
python .ci/supply.py licences      each package that an installation brings, with its licence; fails on a strange one
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Any

import tomllib
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PROJECT = tomllib.loads(Path(__file__).parents[1].joinpath("pyproject.toml").read_text(encoding="utf-8"))["project"]
# What an installation may bring; tools that only test are not handed on.
EXTRAS = ("service", "arrow", "catalogue", "tracing", "demo")
# Licences under which a studio may run and hand on what it installs, without opening its own code. MPL-2.0 binds the
# files that it covers alone.
ALLOWED = {
    *("MIT", "MIT-0", "MIT-CMU", "HPND", "0BSD", "BSD", "BSD-2-Clause", "BSD-3-Clause", "ISC", "Zlib", "CC0-1.0"),
    *("Apache-2.0", "PSF-2.0", "Python-2.0", "MPL-2.0", "Unlicense", "ZPL-2.1"),
}
# How metadata from before SPDX expressions (PEP 639) says the same; the first that matches counts.
SPOKEN = (
    (r"mozilla public license 2\.0|^mpl", "MPL-2.0"),
    (r"mit-cmu", "MIT-CMU"),
    (r"\bmit\b", "MIT"),
    (r"apache", "Apache-2.0"),
    (r"3-clause|new bsd|modified bsd", "BSD-3-Clause"),
    (r"2-clause|simplified bsd", "BSD-2-Clause"),
    (r"bsd", "BSD"),
    (r"python software foundation|psf", "PSF-2.0"),
    (r"\bisc\b", "ISC"),
    (r"zope|zpl", "ZPL-2.1"),
    (r"unlicense", "Unlicense"),
)


def main() -> int:
    """Run one of the commands."""
    command, arguments = (sys.argv[1:2] or [""])[0], sys.argv[2:]
    if command == "audit" and not arguments:
        return audit()
    if command == "sbom" and len(arguments) == 1:
        return sbom(Path(arguments[0]))
    if command == "licences" and not arguments:
        return licences()
    print(__doc__, file=sys.stderr)
    return 2


def audit() -> int:
    """Fail where a package has a fault that is known; claim nothing of packages that could not be looked up."""
    run = [sys.executable, "-m", "pip_audit", "--format", "json", "--progress-spinner", "off", "--timeout", "15"]
    try:
        done = subprocess.run(run, capture_output=True, text=True, check=False, timeout=400)
    except subprocess.TimeoutExpired:
        print("NOT AUDITED: the database of known faults did not answer in time")
        return 0
    try:
        packages = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError):
        print(f"NOT AUDITED: pip-audit gave no report: {(done.stderr.strip().splitlines() or ['nothing said'])[-1]}")
        return 0
    return told(packages)


def told(packages: list[dict[str, Any]]) -> int:
    """Print what an audit found, and return its exit code."""
    looked_up = [each for each in packages if "skip_reason" not in each]
    faulty = [each for each in looked_up if each["vulns"]]
    for each in faulty:
        for fault in each["vulns"]:
            better = ", ".join(fault["fix_versions"]) or "no release yet"
            print(f"{each['name']} {each['version']}: {fault['id']}, mended in {better}")
    unknown = len(packages) - len(looked_up)
    if not looked_up:
        print(f"NOT AUDITED: the database of known faults knows none of the {len(packages)} packages from here")
        return 0
    print(f"{len(looked_up)} packages looked up, {len(faulty)} with known faults; {unknown} not looked up")
    return 1 if faulty else 0


def sbom(file: Path) -> int:
    """Write the bill of materials."""
    run = ["cyclonedx_py", "environment", "--output-reproducible", "--output-format", "JSON", "--spec-version", "1.6"]
    project = Path(__file__).parents[1] / "pyproject.toml"
    whole = [sys.executable, "-m", *run, "--pyproject", str(project), "--output-file", str(file), sys.executable]
    return subprocess.run(whole, check=False, timeout=400).returncode


def licences() -> int:
    """Print each package with its licence, and fail on one that is not in the list."""
    refused = 0
    for name in sorted(brought()):
        found = licence_of(name)
        is_allowed = bool(found) and found <= ALLOWED
        refused += not is_allowed
        print(f"{name:40} {' AND '.join(sorted(found)) or 'none stated'}{'' if is_allowed else '  REFUSED'}")
    return 1 if refused else 0


def brought(extras: tuple[str, ...] = EXTRAS) -> set[str]:
    """Return the packages that an installation with these extras brings into this environment."""
    ahead = [*PROJECT["dependencies"], *(line for extra in extras for line in PROJECT["optional-dependencies"][extra])]
    seen: set[tuple[str, frozenset[str]]] = set()
    waiting = [Requirement(line) for line in ahead]
    while waiting:
        wanted = waiting.pop()
        name, of_it = canonicalize_name(wanted.name), frozenset(wanted.extras)
        if name == "tallwide" or (name, of_it) in seen:
            continue
        seen.add((name, of_it))
        inner = [Requirement(line) for line in distribution(name).requires or ()]
        waiting += [each for each in inner if is_meant(each, of_it)]
    return {name for name, _ in seen}


def is_meant(wanted: Requirement, extras: frozenset[str]) -> bool:
    """Whether a requirement is one of this interpreter with these extras."""
    return wanted.marker is None or any(wanted.marker.evaluate({"extra": extra}) for extra in (*extras, ""))


def licence_of(name: str) -> set[str]:
    """Return the licences that must all be kept, as SPDX has them; of alternatives, one that is allowed."""
    try:
        metadata = distribution(name).metadata
    except PackageNotFoundError:
        return set()
    expression = metadata.get("License-Expression")
    if expression:
        parts = re.split(r"\s+AND\s+", expression.replace("(", "").replace(")", ""))
        return {next((one for one in part.split(" OR ") if one in ALLOWED), part) for part in parts}
    classified = [
        one.rpartition("::")[2].strip() for one in metadata.get_all("Classifier") or () if "License ::" in one
    ]
    said = [one for one in classified if one != "OSI Approved"] or (metadata.get("License") or "").splitlines()[:1]
    return {spdx_of(one) for one in said}


def spdx_of(said: str) -> str:
    """Return the SPDX name of a licence as somebody said it, or what was said."""
    return next((spdx for pattern, spdx in SPOKEN if re.search(pattern, said.lower())), said)


if __name__ == "__main__":
    sys.exit(main())
