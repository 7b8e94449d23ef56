"""Many SDK calls at a time, each with an answer of its own, and whether each came and was right."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from typing import Any

from findings import Finding
from tallwide import Client, TallwideError

CALLERS = 12
ENDPOINTS = ("extractions", "margins")
Event = Callable[[], object]


def job(number: int) -> dict[str, Any]:
    """Return a job like no other, so that no answer can stand for another one's."""
    return {
        "id": f"clip-{number}",
        "capture": {
            "label": "A",
            "raster": {"width": 4800 + 2 * (number % 5000), "height": 3200 + 2 * (number // 5000)},
        },
        "deliverables": [
            {"label": "wide", "raster": {"width": 3840, "height": 2160}},
            {"label": "tall", "raster": {"width": 1080, "height": 1920}, "protection": {"each_side": 0.05}},
        ],
    }


def ask(client: Client, number: int) -> Any:
    """Return the answer to a job, from one endpoint or the other."""
    return getattr(client, ENDPOINTS[number % 2])(job(number))


@cache
def in_process() -> Client:
    """Return a client that needs no service: what it says is what is right."""
    return Client()


@dataclass
class Outcome:
    """What became of many calls."""

    number: int
    wrong: int
    errors: list[str]
    tries: int
    longest_s: float
    lasted_s: float

    def finding(self, what: str, more: str = "") -> Finding:
        """Return whether every answer has come and is right."""
        right = self.number - self.wrong - len(self.errors)
        seen = f"{right:,} of {self.number:,}; {self.tries} tried again, longest {self.longest_s:.1f} s"
        told = f" ({self.errors[0][:80]})" if self.errors else ""
        return Finding(what, seen + more + told, "all, each right", right == self.number)


class Tries(logging.Handler):
    """Counts what the SDK tried again."""

    def __init__(self) -> None:
        super().__init__(logging.INFO)
        self.number = 0

    def emit(self, record: logging.LogRecord) -> None:
        self.number += "again in" in record.getMessage()

    def __enter__(self) -> Tries:
        log = logging.getLogger("tallwide")
        self._level = log.level
        log.setLevel(logging.INFO)
        log.addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        log = logging.getLogger("tallwide")
        log.removeHandler(self)
        log.setLevel(self._level)


def many(url: str, number: int, events: Mapping[int, Event] | None = None, *, retries: int = 3) -> Outcome:
    """Make calls, some at a time; an event comes before the call of its number, in the midst of the others."""
    events = events or {}

    def one(at: int) -> tuple[Any, float]:
        if at in events:
            events[at]()
        began_s = time.monotonic()
        try:
            answer: Any = ask(client, at)
        except TallwideError as error:
            answer = error
        return answer, time.monotonic() - began_s

    began_s = time.monotonic()
    with Client(url, retries=retries) as client, Tries() as tries, ThreadPoolExecutor(CALLERS) as callers:
        answers = list(callers.map(one, range(number)))
    lasted_s = time.monotonic() - began_s
    errors = [repr(answer) for answer, _ in answers if isinstance(answer, TallwideError)]
    wrong = sum(
        answer != ask(in_process(), at)
        for at, (answer, _) in enumerate(answers)
        if not isinstance(answer, TallwideError)
    )
    return Outcome(number, wrong, errors, tries.number, max(taken_s for _, taken_s in answers), lasted_s)
