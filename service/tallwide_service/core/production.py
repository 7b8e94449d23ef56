"""Production: what a plan costs the day in change-overs, minutes and megabytes, and whether the day has it.

Every pass of every shot is taken. Consecutive shots run their passes in alternate order, so that a
change-over is counted inside a shot alone; a camera that is never upright is turned once. What the
job says too little of is not known, and bounds nothing. Minutes and megabytes (10^6 bytes) are exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from tallwide.job import Capture, Job, Production, exact
from tallwide_service.core.recording import megabytes_a_minute, rolling_minutes


@dataclass(frozen=True, slots=True)
class DayCost:
    """Change-overs in the day; minutes and megabytes, `None` where the job does not say enough."""

    changeovers: int
    minutes: Fraction | None
    megabytes: Fraction | None


def captures_of(job: Job) -> list[tuple[str, Capture]]:
    """Return the job's own capture and its alternatives, each with its pointer."""
    others = ((f"/alternatives/{index}", each) for index, each in enumerate(job.alternatives or ()))
    return [("/capture", job.capture), *others]


def day_cost(positions: Sequence[tuple[int, Capture]], production: Production | None) -> DayCost:
    """Return what passes cost, each given as its capture's number and the capture at its roll.

    Passes of one position follow each other, so that a shot has as many change-overs as positions, less one.
    """
    given = production or Production()
    different = {(number, capture.roll) for number, capture in positions}
    is_never_upright = all(roll != 0 for _, roll in different)
    changes = (given.shots or 1) * (len(different) - 1) + is_never_upright
    rolling = rolling_minutes(given)
    minutes = megabytes = None
    if rolling is not None:
        if not changes or given.minutes_per_changeover is not None:
            minutes = minutes_taken(rolling, len(positions), changes, exact(given.minutes_per_changeover or 0))
        a_minute = megabytes_a_minute(capture for _, capture in positions)
        megabytes = None if a_minute is None else a_minute * rolling
    return DayCost(changes, minutes, megabytes)


def minutes_taken(rolling: Fraction, passes: int, changeovers: int, minutes_per_changeover: Fraction) -> Fraction:
    """Return what passes take of the day, in each of which the camera rolls for so many minutes."""
    return rolling * passes + changeovers * minutes_per_changeover


def fit(cost: DayCost, production: Production | None) -> Fraction:
    """Return the smaller of what is available over what is needed, minutes and megabytes, at most 1."""
    fits = [Fraction(1)]
    if production is not None:
        for needed, available in (
            (cost.minutes, production.minutes_available),
            (cost.megabytes, production.megabytes_available),
        ):
            if needed and available is not None:
                fits.append(exact(available) / needed)
    return min(fits)
