"""The journal: what became of each request, noted in passing, counted and written down beside.

A request costs one step of a queue; threads make numbers and lines of JSON of what has come together. A reader of
standard error that stands still holds nothing up: lines beyond a bound are dropped, and counted.
"""

from __future__ import annotations

import contextlib
import logging
import os
import threading
import weakref
from collections import deque
from collections.abc import Callable, Sequence
from datetime import datetime, timezone
from multiprocessing.util import Finalize
from time import sleep
from typing import IO, Any, NamedTuple

import orjson

EVERY_S = 0.02
MOST_LINES = 20_000
LONGEST_PATH = 200


class Note(NamedTuple):
    """What became of one request."""

    time_s: float  # since 1970
    request_id: str
    trace_id: str
    method: str
    path: str
    route: str
    status: int
    seconds: float
    waited_s: float
    bytes_in: int
    bytes_out: int
    items: int
    problem: str  # its kind, where the answer is one
    gate: str  # at which gate it was turned away
    caller: str


class JsonLines(logging.Formatter):
    """Writes whatever else is logged as lines of JSON, too."""

    def format(self, record: logging.LogRecord) -> str:
        """Return one record as a line."""
        members = {
            "time": datetime.fromtimestamp(record.created, timezone.utc),
            "level": record.levelname.lower(),
            "event": "log",
            "logger": record.name.lstrip("_"),
            "message": record.getMessage(),
        }
        if record.exc_info:
            members["traceback"] = self.formatException(record.exc_info)
        return orjson.dumps(members, default=str, option=orjson.OPT_UTC_Z).decode()


def line_of(note: Note) -> bytes:
    """Return a note as one line of JSON; the query is no part of it, since it may hold a job."""
    members: dict[str, Any] = {
        "time": datetime.fromtimestamp(note.time_s, timezone.utc),
        "level": "info",
        "event": "request",
        "request_id": note.request_id,
        "trace_id": note.trace_id,
        "method": note.method,
        "path": _readable(note.path[:LONGEST_PATH]),
        "route": note.route,
        "status": note.status,
        "seconds": round(note.seconds, 6),
        "waited_s": round(note.waited_s, 6),
        "bytes_in": note.bytes_in,
        "bytes_out": note.bytes_out,
        "caller": note.caller,
    }
    if note.items:
        members["items"] = note.items
    if note.problem:
        members["problem"] = note.problem
    return orjson.dumps(members, option=orjson.OPT_APPEND_NEWLINE | orjson.OPT_UTC_Z)


def _readable(path: str) -> str:
    """Return a path as it was meant; WSGI hands bytes on as if they were Latin-1."""
    return path if path.isascii() else path.encode("latin-1", "replace").decode("utf-8", "replace")


class Journal:
    """Takes notes; a thread counts them, another writes them down.

    Parameters
    ----------
    count
        Told of all notes, some at a time, and of how many lines were dropped; `None` where nobody counts.
    stream
        Where lines go, or `None` for no lines.
    """

    def __init__(self, count: Callable[[Sequence[Note], int], None] | None, stream: IO[str] | None) -> None:
        self._count, self._stream = count, stream
        self._notes: deque[Note] = deque()
        self._lines: deque[Note] = deque()
        self._lock = threading.Lock()
        self._kept_in = 0
        self._is_kept = count is not None or stream is not None

    def note(self, note: Note) -> None:
        """Remember what became of a request."""
        if self._is_kept:
            if self._kept_in != os.getpid():
                self._start()
            self._notes.append(note)

    def _start(self) -> None:
        """Start what works beside: with the first note, and with the first after a fork."""
        with self._lock:
            if self._kept_in != os.getpid():
                self._kept_in = os.getpid()
                for step in (Journal.count, Journal.write):
                    threading.Thread(target=_again, args=(weakref.ref(self), step), name="journal", daemon=True).start()
                # Unlike atexit, also at the end of a worker, which is a child of multiprocessing.
                Finalize(self, _last_words, args=(weakref.ref(self),), exitpriority=1)

    def count(self) -> None:
        """Have all that has been noted counted and lined up to be written."""
        with self._lock:
            notes = [self._notes.popleft() for _ in range(len(self._notes))]
            dropped = 0
            if self._stream is not None:
                room = max(0, MOST_LINES - len(self._lines))
                self._lines.extend(notes[:room])
                dropped = len(notes) - len(notes[:room])
            if self._count is not None and notes:
                self._count(notes, dropped)

    def write(self) -> None:
        """Write down what has been lined up."""
        notes = [self._lines.popleft() for _ in range(len(self._lines))]
        if notes and self._stream is not None:
            with contextlib.suppress(OSError, ValueError):  # whoever read it has gone
                self._stream.write(b"".join(map(line_of, notes)).decode())
                self._stream.flush()


def _again(kept: weakref.ref[Journal], step: Callable[[Journal], None]) -> None:
    while (journal := kept()) is not None:
        step(journal)
        del journal
        sleep(EVERY_S)


def _last_words(kept: weakref.ref[Journal]) -> None:
    journal = kept()
    if journal is not None:
        journal.count()
        journal.write()
