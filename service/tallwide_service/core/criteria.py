"""Criteria: how plans are weighed against each other, exactly.

A plan beats another in every criterion where it is at least as good by all of them and better by
one. Plans are ordered by whether they are feasible, then criterion by criterion in the preferred
order, so a plan never stands before one that beats it. What is not known counts as worst.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import get_args

from tallwide.job import Criterion, Job, Production, exact
from tallwide_service.core.passes import State
from tallwide_service.core.plans import Candidate

ALL_CRITERIA: tuple[Criterion, ...] = get_args(Criterion)
Key = tuple[Fraction | int, ...]


@dataclass(frozen=True, slots=True)
class Measured:
    """A plan by every criterion, exact; `reach` is the smallest oversampling over its minimum."""

    candidate: Candidate
    passes: int
    turned_passes: int
    changeovers: int
    lens_covers: bool
    minutes: Fraction | None
    megabytes: Fraction | None
    smallest_oversampling: Fraction | None
    reach: Fraction | None
    fits_time: bool
    fits_storage: bool

    @property
    def has_enough_pixels(self) -> bool:
        """Whether every deliverable reaches its minimum oversampling."""
        return self.reach is None or self.reach >= 1

    @property
    def is_feasible(self) -> bool:
        """Whether there are enough pixels, enough time and enough storage, as far as they are stated."""
        return self.has_enough_pixels and self.fits_time and self.fits_storage

    def cost(self, criterion: Criterion) -> tuple[Fraction | int, ...]:
        """Return how bad the plan is by one criterion; smaller is better."""
        match criterion:
            case "enough_pixels":
                return (0 if self.has_enough_pixels else 1, -min(self.reach or 1, Fraction(1)))
            case "passes":
                return (self.passes,)
            case "changeovers":
                return (self.changeovers,)
            case "lens_covers":
                return (not self.lens_covers,)
            case "minutes":
                return _known(self.minutes)
            case "megabytes":
                return _known(self.megabytes)
            case "smallest_oversampling":
                return (-(self.smallest_oversampling or 0),)
            case "reframe_room":
                return (-(self.reach or 0),)
            case "same_moment":
                return (self.passes > 1,)


def _known(value: Fraction | None) -> tuple[Fraction | int, ...]:
    return (1, 0) if value is None else (0, value)


def measure(candidate: Candidate, states: tuple[State, ...], job: Job) -> Measured:
    """Return a plan by every criterion."""
    production = job.production or Production()
    used = [states[place] for place, _ in candidate.passes]
    takes = [taken for _, taken in candidate.takes]
    shots = production.shots or 1
    # Consecutive shots run their passes in alternate order; a camera that is never upright is turned once.
    changeovers = shots * (len(used) - 1) + all(state.roll != 0 for state in used)
    minutes = _minutes(production, len(used), changeovers)
    megabytes = _megabytes(production, used)
    return Measured(
        candidate=candidate,
        passes=len(used),
        turned_passes=sum(state.roll != 0 for state in used),
        changeovers=changeovers,
        lens_covers=not any(taken.is_cut_by_the_lens for taken in takes),
        minutes=minutes,
        megabytes=megabytes,
        smallest_oversampling=min((taken.over for taken in takes if taken.over is not None), default=None),
        reach=min((taken.reach for taken in takes if taken.reach is not None), default=None),
        fits_time=_fits(minutes, production.minutes_available),
        fits_storage=_fits(megabytes, production.megabytes_available),
    )


def rolling_minutes(production: Production) -> Fraction | None:
    """Return the minutes that the camera rolls in one pass of all shots; `None` where a take's are not known."""
    if production.minutes_per_take is None:
        return None
    return exact(production.minutes_per_take) * (production.shots or 1) * (production.takes_per_shot or 1)


def _minutes(production: Production, passes: int, changeovers: int) -> Fraction | None:
    rolling = rolling_minutes(production)
    if rolling is None or (changeovers and production.minutes_per_changeover is None):
        return None
    return rolling * passes + changeovers * exact(production.minutes_per_changeover or 0)


def _megabytes(production: Production, used: Iterable[State]) -> Fraction | None:
    rolling = rolling_minutes(production)
    total = Fraction(0)
    for state in used:
        if rolling is None or state.capture.data_rate_mb_s is None:
            return None
        total += rolling * 60 * exact(state.capture.data_rate_mb_s)
    return total


def _fits(value: Fraction | None, available: int | float | None) -> bool:
    return value is None or available is None or value <= exact(available)


def order_of(prefer: tuple[Criterion, ...] | None) -> tuple[Criterion, ...]:
    """Return all criteria, the preferred ones first."""
    return tuple(dict.fromkeys((*(prefer or ()), *ALL_CRITERIA)))


def rank_key(plan: Measured, order: tuple[Criterion, ...]) -> Key:
    """Return what plans are sorted by; a smaller one stands first."""
    return (not plan.is_feasible, *(part for criterion in order for part in plan.cost(criterion)))


def beaten(plans: list[Measured]) -> list[int | None]:
    """Return for each of some ordered plans the first that beats it in every criterion; `None` where none does."""
    costs = [tuple(plan.cost(criterion) for criterion in ALL_CRITERIA) for plan in plans]
    front: dict[tuple[tuple[Fraction | int, ...], ...], int] = {}
    result: list[int | None] = []
    for place, cost in enumerate(costs):
        by = next((at for other, at in front.items() if other != cost and _is_no_worse(other, cost)), None)
        result.append(by)
        if by is None:
            front.setdefault(cost, place)
    return result


def _is_no_worse(one: tuple[tuple[Fraction | int, ...], ...], other: tuple[tuple[Fraction | int, ...], ...]) -> bool:
    return all(mine <= yours for mine, yours in zip(one, other, strict=True))
