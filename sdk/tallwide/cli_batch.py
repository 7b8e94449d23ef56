"""The command `tallwide batch`: lines of jobs in, lines of answers out, and on where it broke off."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import IO, Any

from tallwide.cli import DONE, REFUSED, UsageError, add_command, client_of, reaches_service

# Of a file of answers: it may be cut within the first, or be that of an empty batch.
BEGINNINGS = (b'{"line":1,', b'{"end":')


def add_commands(commands: Any) -> None:
    """Add the command."""
    command = add_command(
        commands,
        "batch",
        run_batch,
        "answer many jobs, a line of JSON each: id, endpoint, job",
        "tallwide batch jobs.ndjson --out answers.ndjson",
    )
    command.add_argument("lines", nargs="?", default="-", help="file of lines; - or nothing is standard input")
    command.add_argument(
        "--out", type=Path, help="file for the answers; one that broke off is gone on with (default: standard output)"
    )
    reaches_service(command)


def run_batch(options: argparse.Namespace) -> int:
    """Answer a batch, or the rest of one."""
    with ExitStack() as stack:
        source = sys.stdin.buffer if options.lines == "-" else stack.enter_context(Path(options.lines).open("rb"))
        lines = (line for line in source if line.strip())
        counts = {"lines": 0, "answers": 0, "problems": 0}
        if options.out is None:
            out: IO[bytes] = sys.stdout.buffer
        else:
            out = stack.enter_context(options.out.open("ab+"))
            go_on(out, lines, counts, options)
        for answer in client_of(options).batch(lines, answered=counts["lines"]):
            count(counts, answer.status)
            out.write(answer.written + b"\n")
            out.flush()
        out.write(json.dumps({"end": True, "complete": True, **counts}, separators=(",", ":")).encode() + b"\n")
        out.flush()
    return REFUSED if counts["problems"] else DONE


def count(counts: dict[str, int], status: int) -> None:
    """Count one line of an answer."""
    counts["lines"] += 1
    counts["answers" if status == 200 else "problems"] += 1


def go_on(out: IO[bytes], lines: Iterator[bytes], counts: dict[str, int], options: argparse.Namespace) -> None:
    """Pass over the lines whose answers a file has, count those, and set the file to the end of the last whole one.

    Raises
    ------
    UsageError
        If the file holds anything but the beginning of this batch's answers.
    """
    out.seek(0)
    end, is_own = 0, True
    for written in out:
        is_own = end > 0 or written.startswith(BEGINNINGS)
        answer = _answer_in(written)
        if answer is None or answer.get("end"):
            break
        asked = next(lines, None)
        if asked is None or not _is_answer_to(asked, counts["lines"] + 1, answer):
            raise UsageError(f"{options.out} does not hold answers to {options.lines}, from the first line on")
        count(counts, answer.get("status", 0))
        end += len(written)
    if not is_own:
        raise UsageError(f"{options.out} is there, and is no answer to a batch")
    out.truncate(end)
    out.seek(end)


def _answer_in(written: bytes) -> dict[str, Any] | None:
    """Return what one line of answers says; nothing where it was cut."""
    try:
        answer = json.loads(written)
    except (ValueError, RecursionError):
        return None
    return answer if isinstance(answer, dict) and written.endswith(b"\n") else None


def _is_answer_to(line: bytes, number: int, answer: dict[str, Any]) -> bool:
    """Whether an answer is this line's; one that was refused for its name, or could not be read, has none."""
    is_named = answer.get("id") == _id_in(line) or (answer.get("id") is None and answer.get("status") != 200)
    return is_named and answer.get("line") == number


def _id_in(line: bytes) -> Any:
    """Return the name that a caller gave a line."""
    try:
        asked = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return asked.get("id") if isinstance(asked, dict) else None
