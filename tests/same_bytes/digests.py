"""Digests of the answers to every example job, which are the same wherever they are computed.

A digest is SHA-256 over status, content type, tag, file name, what was lost, and body. What is drawn, printed or
packed by a library also hangs on that library's release, and numbers on the C library's functions. A file of digests
names both: where others are installed, such an answer that differs is not compared, and that is said.
"""

from __future__ import annotations

import hashlib
import http.client
import importlib.metadata
import platform
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from clip_streams import ARROW
from running import running
from same_bytes.asked import Asked, everything
from tallwide_service import create_app
from tallwide_service.settings import Settings

KEPT = ("Content-Type", "ETag", "Content-Disposition", "Tallwide-Lost", "Tallwide-Still-Orientation")
# What the bytes of a media type hang on, beside the job: the release of a library.
MADE_BY = {
    "application/pdf": ("reportlab", "zlib"),
    "image/png": ("pillow", "zlib-ng", "zlib"),
    "image/jpeg": ("pillow",),
    "image/tiff": ("pillow",),
    "application/zip": ("pillow", "zlib"),
    ARROW: ("pyarrow",),
    "application/x-ndjson": ("reportlab", "pillow", "zlib-ng", "zlib"),
}
PLATFORM = "C library"  # every media type's
Ask = Callable[[Asked], str]


def answer_line(status: int, headers: Any, body: bytes) -> str:
    """Return an answer in one line: status, media type, and the first 64 bits of its digest."""
    kept = [str(status), *(f"{name}: {headers.get(name, '')}" for name in KEPT)]
    digest = _digest("\n".join(kept).encode() + b"\n\n" + body)
    return f"{status} {headers.get('Content-Type', '').partition(';')[0]} {digest}"


def releases() -> dict[str, str]:
    """Return the releases of what bytes hang on here."""
    packages = sorted({name for made_by in MADE_BY.values() for name in made_by} - {"zlib"})
    return {
        **{name: importlib.metadata.version(name) for name in packages},
        "zlib": zlib.ZLIB_RUNTIME_VERSION,
        PLATFORM: " ".join([*platform.libc_ver(), platform.machine()]),
    }


def in_process() -> Ask:
    """Return what asks the application in this process."""
    client = create_app(Settings(log=False)).test_client()

    def ask(asked: Asked) -> str:
        response = client.open(asked.path, method=asked.method, headers=asked.headers, data=asked.body)
        return answer_line(response.status_code, response.headers, response.data)

    return ask


def over_http(port: int) -> Ask:
    """Return what asks a server, on a connection of its own each time, so that any worker may answer."""

    def ask(asked: Asked) -> str:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        try:
            connection.request(asked.method, asked.path, body=asked.body, headers=asked.headers)
            response = connection.getresponse()
            return answer_line(response.status, response.headers, response.read())
        finally:
            connection.close()

    return ask


def answers(workers: int = 0, *, times: int = 1, every: int = 1) -> dict[str, str]:
    """Return the answers by name.

    Parameters
    ----------
    workers
        Processes of a server that is asked; 0 asks in this process.
    times
        How often each is asked, so that several workers answer it.
    every
        2 asks every second only, and so on.

    Raises
    ------
    ValueError
        If the same request gets two answers.
    """
    if workers == 0:
        return _answers(in_process(), times, every)
    with running("--workers", str(workers)) as service:
        return _answers(over_http(service.port), times, every)


def _answers(ask: Ask, times: int, every: int) -> dict[str, str]:
    found: dict[str, str] = {}
    for asked in [*everything()][::every]:
        if asked.name in found:
            raise ValueError(f"two requests are called {asked.name}")
        several = {ask(asked) for _ in range(times)}
        if len(several) > 1:
            raise ValueError(f"{asked.name} got {len(several)} answers from one service")
        (found[asked.name],) = several
    return found


def summed(found: dict[str, str]) -> dict[str, str]:
    """Return answers by what was asked about and media type: how many there are, and a digest of all."""
    groups: dict[tuple[str, str], list[str]] = {}
    for name, answer in found.items():
        groups.setdefault((name.partition(":")[0], answer.split(" ")[1]), []).append(f"{name} {answer}")
    return {
        f"{subject}: {media_type}": f"{len(lines)} {media_type} {_digest(chr(10).join(lines).encode())}"
        for (subject, media_type), lines in groups.items()
    }


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:16]


@dataclass(frozen=True)
class Compared:
    """Names of answers that differ, and of those that were not compared, each with the reason."""

    other: tuple[str, ...]
    not_compared: tuple[str, ...]


def compared(found: dict[str, str], file: dict[str, Any], ours: dict[str, str]) -> Compared:
    """Return how answers made with our releases compare with those of a file."""
    theirs: dict[str, str] = file["releases"]
    other, not_compared = [], []
    for name in sorted(found.keys() | file["answers"].keys()):
        answer, line = found.get(name, "not asked"), file["answers"].get(name, "not in the file")
        if answer == line:
            continue
        hangs_on = (*MADE_BY.get(answer.split(" ")[1], ()), PLATFORM)
        changed = [f"{each} {ours[each]}, not {theirs[each]}" for each in hangs_on if ours[each] != theirs[each]]
        if changed and answer.split(" ")[:2] == line.split(" ")[:2]:
            not_compared.append(f"{name}: made by {'; '.join(changed)}")
        else:
            other.append(f"{name}: {answer}, not {line}")
    return Compared(tuple(other), tuple(not_compared))
