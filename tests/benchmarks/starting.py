"""How long it takes to start: the command, the SDK, the service; each beside what it cannot do without."""

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


def rows(rounds: int) -> list[Row]:
    """Return the start of command, SDK and service."""
    command = Path(sys.executable).with_name("tallwide")
    version = [str(command), "--version"] if command.exists() else [sys.executable, "-m", "tallwide", "--version"]
    python = [sys.executable, "-c"]
    requests = ("import requests", [*python, "import requests"])
    with tempfile.TemporaryDirectory() as folder:
        libraries = Path(folder, "libraries.py")
        names = subprocess.run([*python, LOADED], check=True, capture_output=True, text=True).stdout
        libraries.write_text(IMPORT_ALL.format(names=json.loads(names)), encoding="utf-8")
        return [
            beside(claims.START_VERSION, version, "bare Python", [*python, "pass"], rounds),
            beside(claims.START_SDK, [*python, "import tallwide"], *requests, rounds),
            beside(claims.START_CLIENT, [*python, "from tallwide import Client"], *requests, rounds),
            beside(
                *(claims.START_SERVICE, [*python, "from tallwide_service import create_app; create_app()"]),
                *("its libraries", [sys.executable, str(libraries)], rounds),
            ),
        ]


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
