"""Standing: what a plan is worth in each criterion, and how plans are put in order.

Every value is larger for the better plan. Plans are ordered by how nearly they are feasible, then by the
criteria, in the order that is preferred.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import get_args

from tallwide.job import Criterion, Job, Production
from tallwide_service.core.positions import Pass, Take
from tallwide_service.core.production import DayCost, day_cost, fit

PREFER: tuple[Criterion, ...] = get_args(Criterion)
Worth = Fraction | int | float  # float for the infinities alone
UNASKED = Fraction(10**9)  # a deliverable without a raster asks for nothing, and has more than any other


@dataclass(frozen=True, slots=True)
class Value:
    """What the frames of a plan are worth: the least of each over its deliverables."""

    reach: Fraction
    covered: int
    over: Fraction
    room: Worth


@dataclass(frozen=True, slots=True)
class Draft:
    """A plan before it is written out: its passes, what its frames are worth, and what it costs."""

    passes: tuple[Pass, ...]
    value: Value
    cost: DayCost
    fit: Fraction

    @property
    def turned(self) -> int:
        """How many passes are turned."""
        return sum(one.position.roll != 0 for one in self.passes)

    @property
    def is_feasible(self) -> bool:
        """Whether pixels, time and storage suffice."""
        return self.value.reach >= 1 and self.fit == 1


def draft(passes: tuple[Pass, ...], production: Production | None, *, value: Value | None = None) -> Draft:
    """Return the draft of a plan; a camera starts upright, so that what it shoots upright comes first."""
    passes = tuple(sorted(passes, key=lambda one: one.position.roll != 0))
    cost = day_cost([(one.position.number, one.position.capture) for one in passes], production)
    return Draft(passes, value or value_of([take for one in passes for take in one.takes]), cost, fit(cost, production))


def value_of(takes: Sequence[Take]) -> Value:
    """Return what some frames are worth."""
    return Value(
        reach=min((take.reach for take in takes if take.reach is not None), default=UNASKED),
        covered=int(all(take.covered is not False for take in takes)),
        over=min((take.over for take in takes if take.over is not None), default=UNASKED),
        room=min(take.room for take in takes),
    )


def standing(plan: Draft, *, scale: Fraction = Fraction(1)) -> dict[Criterion, Worth]:
    """Return what a plan is worth in each criterion; `scale` multiplies every minimum oversampling.

    Short of pixels, nearer is better; beyond enough, more counts as oversampling alone.
    """
    cost, passes = plan.cost, len(plan.passes)
    return {
        "enough_pixels": min(plan.value.reach / scale, Fraction(1)),
        "passes": -passes,
        "changeovers": -cost.changeovers,
        "lens_covers": plan.value.covered,
        "minutes": -math.inf if cost.minutes is None else -cost.minutes,
        "megabytes": -math.inf if cost.megabytes is None else -cost.megabytes,
        "smallest_oversampling": plan.value.over,
        "reframe_room": plan.value.room,
        "same_moment": int(passes == 1),
    }


def order_of(job: Job) -> tuple[Criterion, ...]:
    """Return all criteria, those that the job prefers first."""
    return tuple(dict.fromkeys((*(job.prefer or ()), *PREFER)))


def worth(plan: Draft, order: Sequence[Criterion], *, scale: Fraction = Fraction(1)) -> tuple[Worth, ...]:
    """Return the value by which plans are ordered, larger for the better: how nearly feasible, then the criteria."""
    found = standing(plan, scale=scale)
    return (min(found["enough_pixels"], plan.fit), *(found[name] for name in order))
