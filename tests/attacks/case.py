"""Hostile requests as data: a line of `cases/*.jsonl` is one request and the answer that it must get.

A line has `name`, `why`, `send` and `expect`. `send` is either `raw`, the bytes of a connection (`\\xNN` as Latin-1
characters), or a request: `to` (method and path), `headers`, and a body, which is `set` (JSON texts, put into an
ordinary job at JSON pointers), `text`, `hex`, or `recipe` with its arguments, for what is too large to be written down.

`expect` has `status` (for `raw`: `statuses`, of all answers on the connection), and of a problem its `kind` (the last
step of its type, or `about:blank`) and `pointers` that must be among its faults. Of a batch it has `end`, members that
the last line must have, and `lines`, the status of each other line, with the kind where it is a problem.
"""

from __future__ import annotations

import contextlib
import copy
import http.client
import json
import socket
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from attacks import recipes

CASES = Path(__file__).with_name("cases")
ORDINARY_JOB: dict[str, Any] = {
    "capture": {
        "label": "A",
        "raster": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "lens": {"label": "32", "focal_length_mm": 32},
    },
    "deliverables": [
        {"label": "wide", "aspect": "16:9", "raster": {"width": 3840, "height": 2160}},
        {"label": "tall", "raster": {"width": 1080, "height": 1920}},
    ],
}
LONGEST_S = 20.0


@dataclass(frozen=True)
class Answer:
    """What came back: the statuses on the connection, and of the last answer its headers and its body."""

    statuses: list[int]
    headers: dict[str, str]
    body: bytes
    seconds: float


@dataclass(frozen=True)
class Case:
    """One hostile input and what must come of it."""

    name: str
    why: str
    send: dict[str, Any]
    expect: dict[str, Any]

    def asked(self, port: int) -> Answer:
        """Return what a service answers."""
        began = time.monotonic()
        if "raw" in self.send or self.send.get("recipe", {}).get("name") in recipes.CONVERSATIONS:
            received = conversation(port, self._raw())
            statuses, headers, body = read_answers(received)
        else:
            statuses, headers, body = exchange(port, *self.request())
        return Answer(statuses, headers, body, time.monotonic() - began)

    def request(self) -> tuple[str, str, dict[str, str], bytes | None]:
        """Return method, path, headers and body."""
        method, path = self.send.get("to", "POST /v1/extractions").split(" ", 1)
        headers, body = {}, None
        if "recipe" in self.send:
            made = recipes.make(self.send["recipe"])
            path, body = path.replace("{made}", made.query), made.body
            headers = {"Content-Type": made.content_type} if made.content_type else {}
        elif "text" in self.send:
            body = self.send["text"].encode()
        elif "hex" in self.send:
            body = bytes.fromhex(self.send["hex"])
        elif method == "POST" or "set" in self.send:
            body = job_with(self.send.get("set", {}))
        if body is not None:
            headers.setdefault("Content-Type", "application/json")
        headers |= self.send.get("headers", {})
        return method, path, headers, body

    def _raw(self) -> bytes:
        if "recipe" in self.send:
            return recipes.CONVERSATIONS[self.send["recipe"]["name"]](
                **{name: value for name, value in self.send["recipe"].items() if name != "name"}
            )
        return self.send["raw"].encode("latin-1")


def all_cases() -> list[Case]:
    """Return every case of every file."""
    return [
        Case(**json.loads(line))
        for file in sorted(CASES.glob("*.jsonl"))
        for line in file.read_text(encoding="ascii").splitlines()
    ]


def job_with(texts: dict[str, str]) -> bytes:
    """Return the ordinary job with JSON texts in the place of members, whatever they are."""
    job: Any = copy.deepcopy(ORDINARY_JOB)
    marks = {}
    for number, (pointer, text) in enumerate(texts.items()):
        mark = f"here goes text {number}"
        marks[json.dumps(mark)] = text
        *path, last = [step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]]
        place = job
        for step in path:
            place = place[int(step)] if isinstance(place, list) else place.setdefault(step, {})
        if isinstance(place, list):
            place[int(last) : int(last) + 1] = [mark]
        else:
            place[last] = mark
    written = json.dumps(job)
    for mark, text in marks.items():
        written = written.replace(mark, text)
    return written.encode()


def exchange(
    port: int, method: str, path: str, headers: dict[str, str], body: bytes | None
) -> tuple[list[int], dict[str, str], bytes]:
    """Return the answer to one request on a connection of its own."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=LONGEST_S)
    # What http.client would refuse to send is just what is to be sent.
    connection._validate_path = connection._validate_method = lambda _: None  # type: ignore[attr-defined]
    try:
        connection.putrequest(method, path, skip_accept_encoding=True)
        for name, value in headers.items():
            connection.putheader(name, value)
        if body is not None and "Content-Length" not in headers:
            connection.putheader("Content-Length", str(len(body)))
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # answered before all was taken
            connection.endheaders(body)
        response = connection.getresponse()
        return [response.status], {name.lower(): value for name, value in response.getheaders()}, response.read()
    finally:
        connection.close()


def conversation(port: int, raw: bytes) -> bytes:
    """Return all that a server says to some bytes, until it closes or has been silent for half a second."""
    received = b""
    with socket.create_connection(("127.0.0.1", port), timeout=LONGEST_S) as connection:
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            connection.sendall(raw)
        connection.settimeout(0.5)
        with contextlib.suppress(TimeoutError, ConnectionResetError):
            while part := connection.recv(65_536):
                received += part
    return received


def read_answers(received: bytes) -> tuple[list[int], dict[str, str], bytes]:
    """Return the statuses of all answers in some bytes, and headers and body of the last."""
    statuses: list[int] = []
    headers: dict[str, str] = {}
    body = b""
    while received:
        head, _, rest = received.partition(b"\r\n\r\n")
        lines = head.decode("latin-1").split("\r\n")
        assert lines[0].startswith("HTTP/1."), f"not an answer: {received[:200]!r}"
        statuses.append(int(lines[0].split()[1]))
        headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines[1:])}
        length = int(headers.get("content-length", len(rest) if statuses[-1] >= 200 else 0))
        body, received = rest[:length], rest[length:]
    return statuses, headers, body
