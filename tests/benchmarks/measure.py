"""Measuring in turn: two things of one run, A, B, A, B, ..., compared by their medians.

Absolute times of one machine move by a factor of two from run to run; ratios of what was measured in turn far less.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Claim:
    """What a figure is held to: a ratio to its peer, or a figure of its own where there is a unit.

    `aim` is what was asked for and is not reached yet.
    """

    part: str
    way: Literal["at most", "at least"]
    bound: float
    unit: str = ""
    aim: float | None = None
    in_readme: bool = True

    @property
    def held_to(self) -> str:
        """The bound in words."""
        words = f"{self.way} {self.bound:g}{self.unit}"
        return words if self.aim is None else f"{words}, aim {self.aim:g}{self.unit}"


@dataclass(frozen=True)
class Row:
    """One line of the table: what was measured, against what, for which claim; `value` is what the bound is on."""

    claim: Claim
    measured: str
    peer: str
    value: float

    def is_met(self, slack: float = 1.0) -> bool:
        """Whether the bound holds, loosened by a factor."""
        if self.claim.way == "at most":
            return self.value <= self.claim.bound * slack
        return self.value >= self.claim.bound / slack

    def cells(self, slack: float) -> tuple[str, ...]:
        """Return the row as text."""
        value = f"{self.value:.3g}{self.claim.unit}"
        verdict = "met" if self.is_met(slack) else "MISSED"
        return self.claim.part, self.measured, self.peer, value, self.claim.held_to, verdict


def retried(tries: int, part: Callable[[], Sequence[Row]], slack: float) -> list[Row]:
    """Return the rows of a part, those that miss their bound from as many tries as it takes to meet it.

    A shared machine may stand still for as long as one try lasts. What is too slow by itself misses every one.
    """
    rows = list(part())
    for _ in range(tries - 1):
        if all(row.is_met(slack) for row in rows):
            break
        rows = [one if one.is_met(slack) else another for one, another in zip(rows, part(), strict=True)]
    return rows


HEADINGS = ("part", "measured", "beside it", "value", "held to", "")


def table(rows: Sequence[Row], slack: float = 1.0) -> str:
    """Return rows as a table."""
    return aligned(HEADINGS, (row.cells(slack) for row in rows))


def aligned(headings: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    """Return cells as a table in Markdown, aligned for a terminal too."""
    lines = [headings, *rows]
    widths = [max(len(line[column]) for line in lines) for column in range(len(headings))]
    ruled = [lines[0], tuple("-" * width for width in widths), *lines[1:]]
    return "\n".join(
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) + " |" for line in ruled
    )


def in_turn(rounds: int, *measures: Callable[[], float]) -> list[float]:
    """Return the median of each measure, all taken in turn; the first round warms up and is dropped."""
    taken: list[list[float]] = [[] for _ in measures]
    for number in range(rounds + 1):
        for measure, values in zip(measures, taken, strict=True):
            value = measure()
            if number:
                values.append(value)
    return [statistics.median(values) for values in taken]


def timed(call: Callable[[], object]) -> float:
    """Return the seconds that a call takes."""
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def quantile(values: Sequence[float], share: float) -> float:
    """Return the smallest value that this share of all values does not pass."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, max(0, round(share * len(ordered)) - 1))]
