"""Sweeps: one member of a job through a range of values, so that a trade between frames can be drawn.

Values are exact shares of the range, each then the nearest double. A step that cannot be met keeps
its place and says why. All steps share one allowance of work.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from copy import deepcopy
from fractions import Fraction
from typing import Any

from tallwide.answers import SweepFrame, SweepStep
from tallwide.job import Job, Sweep, exact
from tallwide.wire import to_wire
from tallwide_service.core.allowance import Allowance
from tallwide_service.core.conflict import first_reason
from tallwide_service.core.extraction import solve
from tallwide_service.core.margin import margins
from tallwide_service.errors import CannotBeMet, Fault

Read = Callable[[Any], Job]
_INDEX = re.compile(r"0|[1-9][0-9]*", re.ASCII)


def sweep_steps(job: Job, sweep: Sweep, read: Read, allowance: Allowance) -> tuple[SweepStep, ...]:
    """Return sizes and margins of each frame for each value of the swept member, as far as an allowance goes.

    `read` makes a job of a document and refuses what no job may hold.
    """
    document = to_wire(job)
    document.pop("sweep", None)
    steps = []
    for done, value in enumerate(sweep_values(sweep)):
        changed = read(with_member(document, sweep.member, value))
        own = allowance.part(changed, sweep.steps - done)
        steps.append(_step(changed, value, own))
        allowance.taken += own.taken
    return tuple(steps)


def sweep_values(sweep: Sweep) -> list[float]:
    """Return the values of a sweep, both ends included."""
    first, last = exact(sweep.from_), exact(sweep.to)
    values = [first + (last - first) * Fraction(place, sweep.steps - 1) for place in range(sweep.steps)]
    return [int(value) if value.denominator == 1 else float(value) for value in values]


def _step(job: Job, value: float, allowance: Allowance) -> SweepStep:
    try:
        solution = solve(job, allowance, explains=False)
    except CannotBeMet as error:
        return SweepStep(value, (), str(error) if error.faults else first_reason(job, allowance))
    frames = tuple(
        SweepFrame(
            deliverable=margin.deliverable,
            width=extraction.upright_rect.width,
            height=extraction.upright_rect.height,
            x=extraction.upright_rect.x,
            y=extraction.upright_rect.y,
            oversampling=None if margin.oversampling is None else margin.oversampling.smaller,
            spare_pct=margin.spare_pct,
            verdict=margin.verdict,
        )
        for extraction, margin in zip(solution.extractions, margins(job, solution), strict=True)
    )
    return SweepStep(value, frames, None, solution.certificate.gap)


def with_member(document: dict[str, Any], pointer: str, value: float) -> dict[str, Any]:
    """Return a copy of a job's document with one number set.

    Raises
    ------
    CannotBeMet
        If the pointer names no number of the job.
    """
    changed = deepcopy(document)
    *path, last = (step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:])
    place: Any = changed
    try:
        for step in path:
            place = place[_index(step)] if isinstance(place, list) else place.setdefault(step, {})
        key: Any = _index(last) if isinstance(place, list) else last
        old = place[key] if isinstance(place, list) else place.get(key)
        if old is not None and (isinstance(old, bool) or not isinstance(old, int | float)):
            raise KeyError(last)
        place[key] = value
    except (KeyError, IndexError, ValueError, AttributeError, TypeError) as error:
        detail = f"{pointer!r} names no number of the job"
        raise CannotBeMet(detail, (Fault("/sweep/member", detail),)) from error
    return changed


def _index(step: str) -> int:
    """Return the place in a list that a step of a pointer names (RFC 6901, 4): digits, no zero before others."""
    if not _INDEX.fullmatch(step):
        raise ValueError(step)
    return int(step)
