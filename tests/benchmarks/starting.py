"""How long it takes to start: the command, the SDK, the service; each beside what it cannot do without.

python tests/benchmarks/starting.py   processor time of each part of the service's start
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

import claims
from measure import Claim, Row, in_turn, timed

# Imports everything that the service loads and that is not its own, in the same order.
LOADED = """
import json, sys
from tallwide_service import create_app
create_app()
kept = [name for name, module in sys.modules.items() if not name.startswith(("tallwide", "__"))]
print(json.dumps([name for name in kept if getattr(sys.modules[name], "__spec__", None)]))
"""
IMPORT_ALL = """
import importlib
for name in {names}:
    try:
        importlib.import_module(name)
    except ImportError:
        pass
"""
# What a start is made of, in an order in which no part loads another.
PARTS = {
    "vocabulary": ("tallwide.job", "tallwide.answers"),
    "wire, limits, check, compare": ("tallwide.wire", "tallwide_service.limits", "tallwide.check", "tallwide.compare"),
    "core": ("tallwide_service.core", "tallwide_service.core.safe_areas", "tallwide_service.core.reading"),
    "schemas, readers, endpoints": ("tallwide_service.api.app",),
}
START_IN_PARTS = """
import importlib, time
from pathlib import Path

def part(name, load):
    began = time.process_time()
    load()
    print(f"{{(time.process_time() - began) * 1e3:6.0f}} ms  {{name}}")

part("libraries", lambda: exec(Path({libraries!r}).read_text()))
for name, modules in {parts}.items():
    part(name, lambda: [importlib.import_module(module) for module in modules])
from tallwide_service import create_app
part("create_app()", create_app)
"""


def rows(rounds: int) -> list[Row]:
    """Return the start of command, SDK and service."""
    command = Path(sys.executable).with_name("tallwide")
    version = [str(command), "--version"] if command.exists() else [sys.executable, "-m", "tallwide", "--version"]
    python = [sys.executable, "-c"]
    requests = ("import requests", [*python, "import requests"])
    with tempfile.TemporaryDirectory() as folder:
        libraries = script_of_libraries(Path(folder))
        return [
            beside(claims.START_VERSION, version, "bare Python", [*python, "pass"], rounds),
            beside(claims.START_SDK, [*python, "import tallwide"], *requests, rounds),
            beside(claims.START_CLIENT, [*python, "from tallwide import Client"], *requests, rounds),
            beside(
                *(claims.START_SERVICE, [*python, "from tallwide_service import create_app; create_app()"]),
                *("its libraries", [sys.executable, str(libraries)], rounds),
            ),
        ]


def script_of_libraries(folder: Path) -> Path:
    """Write a script that imports what the service loads and that is not its own."""
    names = subprocess.run([sys.executable, "-c", LOADED], check=True, capture_output=True, text=True).stdout
    script = folder / "libraries.py"
    script.write_text(IMPORT_ALL.format(names=json.loads(names)), encoding="utf-8")
    return script


def main() -> None:
    """Print what each part of the service's start takes."""
    with tempfile.TemporaryDirectory() as folder:
        libraries = str(script_of_libraries(Path(folder)))
        subprocess.run([sys.executable, "-c", START_IN_PARTS.format(libraries=libraries, parts=PARTS)], check=True)


def beside(claim: Claim, command: Sequence[str], peer: str, peer_command: Sequence[str], rounds: int) -> Row:
    """Return the row of one start beside another."""
    seconds, peer_seconds = in_turn(rounds, run(command), run(peer_command))
    return Row(
        claim=claim,
        measured=f"{seconds * 1e3:.0f} ms",
        peer=f"{peer} {peer_seconds * 1e3:.0f} ms",
        value=seconds / peer_seconds,
    )


def run(command: Sequence[str]) -> Callable[[], float]:
    """Return a measure of one run of a command, with compiled modules kept as an installation has them."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return lambda: timed(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment))


if __name__ == "__main__":
    main()
