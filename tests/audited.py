"""`python -m audited FILE`: what the service opens and starts while it answers, as Python's audit hooks see it.

Ordinary requests of every operation, hostile ones, and jobs whose every text names FILE as a path, an address or a
command. Prints a line of JSON: what was seen, and what a control that does all of it gave.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from attacks.case import all_cases
from same_bytes.asked import PICTURES, Asked, Contract, everything
from tallwide import handoff
from tallwide_service import create_app

# Of about 84 requests a job; shares no factor with them.
EVERY = 11
# Events of audit hooks that name a file to be looked at, and those that only ever change or start something.
LOOKS = ("open", "os.listdir", "os.scandir", "glob.glob", "sqlite3.connect")
STARTS = ("subprocess.", "os.system", "os.exec", "os.spawn", "os.posix_spawn", "os.fork", "pty.", "socket.", "urllib.")
CHANGES = ("os.remove", "os.rename", "os.rmdir", "os.mkdir", "os.link", "os.symlink", "os.truncate", "os.ch", "shutil.")
# Interpreter and libraries, the project itself, and where ReportLab looks for the system's fonts and for settings of
# whoever runs it.
LIBRARIES = (sys.prefix, sys.base_prefix, "/usr/share/", "/usr/lib/", "/usr/local/", str(Path.home() / ".reportlab_"))
OWN = (*LIBRARIES, str(Path(__file__).parents[1]))
# Members whose text is the caller's.
FREE = ("label", "id", "title", "date", "notes", "deliverable")


class Seen:
    """What happened that must not."""

    def __init__(self) -> None:
        self.events: list[str] = []
        self.opened = 0
        self.is_watching = False
        sys.addaudithook(self)

    def __call__(self, event: str, arguments: tuple[Any, ...]) -> None:
        """Look at one event."""
        if not self.is_watching:
            return
        if event in LOOKS:
            self.opened += 1
            if self._is_foreign(event, arguments):
                self.events.append(f"{event} {arguments!r}")
        elif event.startswith((*STARTS, *CHANGES)):
            self.events.append(f"{event} {arguments!r}")

    @staticmethod
    def _is_foreign(event: str, arguments: tuple[Any, ...]) -> bool:
        """Whether a file is opened for writing, or lies where the service has nothing to look for."""
        path, mode = arguments[0], arguments[1] if event == "open" else "r"
        if isinstance(path, int) or path is None:
            return False
        is_written = mode is not None and any(letter in mode for letter in "wax+")
        return is_written or not str(Path(str(path)).absolute()).startswith(OWN)


def named_in(value: Any, text: str) -> Any:
    """Return a JSON value with a text in the place of every text that is free."""
    if isinstance(value, list):
        return [named_in(item, text) for item in value]
    if isinstance(value, dict):
        if "deliverables" in value:  # no two of one label
            value = {**value, "deliverables": value["deliverables"][:1]}
        return {name: text if name in FREE else named_in(inner, text) for name, inner in value.items()}
    return value


def naming(file: str) -> Iterator[Asked]:
    """Yield requests of every operation whose texts name a file in all ways that a program might follow."""
    contract = Contract()
    for text in (
        file,
        f"file://{file}",
        f"http://127.0.0.1:9{file}",
        f"|cat {file}",
        f"$(cat {file})",
        f"../../..{file}",
    ):
        for path in (*contract.computing(), *PICTURES):
            yield Asked(text, path, body=json.dumps(named_in(contract.example(path), text)).encode())
        for form in handoff.MEDIA_TYPES:
            job = named_in(contract.example("/v1/extractions"), text)
            yield Asked(text, f"/v1/handoff/{form}", body=json.dumps(job | {"handoff": {"source": text}}).encode())
        yield Asked(text, f"/v1/extractions?job={file}", method="GET")
        yield Asked(text, f"/page/..{file}", method="GET")
        yield Asked(text, f"/problems/{file}", method="GET")
        for form in handoff.READERS:
            yield Asked(text, f"/v1/handoff/{form}/read", body=json.dumps({"document": text}).encode())
            entity = f'<!DOCTYPE a [<!ENTITY b SYSTEM "{text}">]><a>&b;</a>'
            yield Asked(text, f"/v1/handoff/{form}/read", body=json.dumps({"document": entity}).encode())


def main() -> None:
    """Ask everything, then do what must not happen, to show that it would have been seen."""
    file = sys.argv[1]
    client = create_app().test_client()
    ordinary, named = [*everything()][::EVERY], [*naming(file)]
    hostile = [case.request() for case in all_cases() if "raw" not in case.send and "recipe" not in case.send]
    seen, answered = Seen(), []
    seen.is_watching = True
    for each in (*ordinary, *named):
        answer = client.open(each.path, method=each.method, data=each.body, headers=each.headers)
        answer.get_data()
        answered.append(answer.status_code)
    for method, path, headers, body in hostile:
        client.open(path, method=method, data=body, headers=headers).get_data()
    answers, opened = list(seen.events), seen.opened
    Path(file).read_bytes()
    Path(f"{file}.new").write_bytes(b"")
    subprocess.run(["true"], check=True)
    with socket.socket() as connection:
        connection.connect_ex(("127.0.0.1", 9))
    seen.is_watching = False
    control = seen.events[len(answers) :]
    report = {
        "asked": len(answered) + len(hostile),
        "named": len(named),
        "named_computed": answered[len(ordinary) :].count(200),
        "opened": opened,
        "seen": answers,
        "control": control,
    }
    sys.stdout.write(json.dumps(report) + "\n")


if __name__ == "__main__":
    main()
