"""Batches: many jobs in a few calls, answered in order while the jobs are still being made.

Lines travel in blocks, so that neither side ever has all of them, and that any HTTP library and any proxy will do. What
broke off is asked again from the first line on that has no answer: an answered line is never sent twice.
"""

from __future__ import annotations

import base64
import json
import operator
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from tallwide.errors import (
    BatchCut,
    ConnectionFailed,
    ProblemError,
    ProtocolError,
    TallwideError,
    UnwritableJob,
    problem_error,
)
from tallwide.job import Job
from tallwide.transport import Transport
from tallwide.wire import to_wire

PATH, NDJSON_TYPE = "/v1/batch", "application/x-ndjson"
# A block: as much as is answered in about a second.
BLOCK_BYTES, BLOCK_LINES = 262_144, 1_000
Line = Mapping[str, Any] | bytes
T = TypeVar("T")
_NUMBER = re.compile(rb'\{"line":(\d{1,12}),')


@dataclass(frozen=True, slots=True)
class Answered:
    """One line's answer: JSON, a document, or a problem.

    Parameters
    ----------
    line
        Its number, from 1.
    id
        The caller's name for it.
    status
        What the endpoint would have answered with alone: 200, or a problem's status.
    answer
        A JSON answer; `tallwide.from_wire` makes the endpoint's dataclass of it.
    media_type, document
        A picture or a file.
    problem
        Why there is none of these.
    written
        The line as it came, with its own number.
    """

    line: int
    id: str | int | None
    status: int
    written: bytes
    answer: Any = None
    media_type: str | None = None
    document: bytes | None = None
    problem: Mapping[str, Any] | None = None

    @property
    def error(self) -> ProblemError | None:
        """The error that the endpoint's own method would have raised."""
        return None if self.problem is None else problem_error(self.status, self.problem)


def answered_lines(transport: Transport, lines: Iterable[Line], done: int) -> Iterator[Answered]:
    """Yield the answers of lines that come after so many, in order.

    Raises
    ------
    BatchCut
        If it broke off, and trying again did not help.
    UnwritableJob
        If a line holds something that JSON cannot say.
    """
    for block in blocks_of(lines, done):

        def ask(
            answered: int, block: list[bytes] = block, first: int = done
        ) -> Iterator[tuple[int, Answered, ProblemError | None]]:
            for answer in _block(transport, block[answered - first :], answered):
                yield answer.line, answer, answer.error

        yield from tried(transport, ask, done, done + len(block))
        done += len(block)


def tried(
    transport: Transport, ask: Callable[[int], Iterator[tuple[int, T, ProblemError | None]]], done: int, end: int
) -> Iterator[T]:
    """Yield the answers of a block; what broke off is asked again behind what is answered.

    Parameters
    ----------
    ask
        Given how much is answered, asks for the rest; yields how much is answered then, an answer, and its error, for
        which all is asked again if it may pass.

    Raises
    ------
    BatchCut
        If it broke off before the end, and trying again did not help.
    """
    attempt = 0
    while True:
        before = done
        try:
            for reached, answer, error in ask(done):
                if error is not None and transport.is_worth_another_try(error, attempt):
                    raise error  # which ends the call: nothing is computed for nobody while this side waits
                attempt = 0 if reached > done else attempt
                done = reached
                yield answer
        except TallwideError as error:
            attempt = 0 if done > before else attempt
            if done == end and done > before:
                return
            if not transport.has_waited(error, attempt):
                raise BatchCut(done, error) from error
            attempt += 1
        else:
            return


def _block(transport: Transport, block: list[bytes], done: int) -> Iterator[Answered]:
    """Yield the answers of a block that comes after so many lines."""
    number, is_whole = 0, False
    for written in _lines(transport.stream(PATH, b"".join(block), media_type=NDJSON_TYPE)):
        answer = _read(written, done)
        if is_whole:
            raise ProtocolError(f"{PATH}: something follows the end of an answer")
        if isinstance(answer, Answered):
            number += 1
            if answer.line != done + number:
                raise ProtocolError(f"{PATH}: line {done + number} was due, line {answer.line} came")
            yield answer
        elif not answer.get("complete"):
            problem = answer.get("problem")
            known = problem if isinstance(problem, dict) else {}
            raise problem_error(503, {"title": "The batch was not answered to its end", **known})
        else:
            is_whole = number == len(block)
    if not is_whole:
        raise ConnectionFailed(f"{PATH}: the answer was cut after {number} of {len(block)} lines")


def _lines(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Yield whole lines; what comes after the last line end is none."""
    held = b""
    for piece in pieces:
        *whole, held = (held + piece).split(b"\n")
        yield from whole


def _read(written: bytes, done: int) -> Answered | dict[str, Any]:
    """Return a line's answer, numbered as in the whole batch, or what the last line says."""
    try:
        document = json.loads(written)
        if document.get("end"):
            return dict(document)
        number = operator.index(document["line"]) + done
        kept = base64.b64decode(document["base64"]) if "base64" in document else None
        return Answered(
            line=number,
            id=document["id"],
            status=operator.index(document["status"]),
            written=_NUMBER.sub(b'{"line":%d,' % number, written, count=1),
            answer=document.get("answer"),
            media_type=document.get("media_type"),
            document=kept,
            problem=document.get("problem"),
        )
    except (ValueError, RecursionError, KeyError, TypeError, AttributeError) as error:
        raise ProtocolError(f"{PATH}: this is no line of an answer: {written[:100]!r}") from error


def blocks_of(lines: Iterable[Line], done: int) -> Iterator[list[bytes]]:
    """Yield lines as they are sent, some at a time."""
    block: list[bytes] = []
    size = 0
    for number, line in enumerate(lines, start=done + 1):
        written = _written(number, line)
        if block and (size + len(written) > BLOCK_BYTES or len(block) == BLOCK_LINES):
            yield block
            block, size = [], 0
        block.append(written)
        size += len(written)
    if block:
        yield block


def _written(number: int, line: Line) -> bytes:
    if isinstance(line, bytes):
        if not line.strip() or b"\n" in line.rstrip(b"\n"):
            raise UnwritableJob(f"line {number} is not one line")
        return line.rstrip(b"\n") + b"\n"
    try:
        job = line.get("job")
        whole = {**line, "job": to_wire(job)} if isinstance(job, Job) else line
        return json.dumps(whole, allow_nan=False, separators=(",", ":")).encode("utf-8") + b"\n"
    except (TypeError, ValueError, RecursionError) as error:
        raise UnwritableJob(f"line {number} cannot be written as JSON: {error}") from error
