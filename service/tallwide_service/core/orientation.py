"""Orientation: whether to crop, to turn the camera on its side, or to shoot twice.

A plan is one or two passes, each with the camera at one roll, and every deliverable comes out of
one of them. A plan is feasible where each deliverable reaches its minimum oversampling; a
deliverable without a raster asks for nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations

from tallwide.answers import (
    BreakEven,
    Extraction,
    Margin,
    Plan,
    PlanCost,
    PlannedPass,
    Reason,
    Recommendation,
    Size,
)
from tallwide.job import Deliverable, Job, Roll, exact
from tallwide_service.core.cautions import TURNED_CAMERA
from tallwide_service.core.extraction import solve
from tallwide_service.core.margin import margins
from tallwide_service.errors import CannotBeMet

ROLLS: tuple[Roll, ...] = (0, 90, 270)


@dataclass(frozen=True, slots=True)
class OrientationAdvice:
    """Plans, best first, the one to take, and what would change the decision."""

    plans: tuple[Plan, ...]
    recommended: Recommendation
    break_even: tuple[BreakEven, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Taken:
    """One deliverable as it comes out at one roll."""

    deliverable: Deliverable
    extraction: Extraction
    margin: Margin

    @property
    def fill(self) -> Fraction:
        """Width, in delivery pixels, of the largest raster of its aspect that the crop fills at scale 1."""
        pixel_ratio = self.deliverable.ratio / exact(self.deliverable.pixel_aspect)
        return min(Fraction(self.extraction.upright_rect.width), self.extraction.upright_rect.height * pixel_ratio)

    @property
    def reach(self) -> Fraction | None:
        """Smaller oversampling over what is asked: below 1 falls short; `None` without a raster."""
        needed, frame = self.deliverable.raster, self.extraction.upright_rect
        if needed is None:
            return None
        asked = exact(self.deliverable.minimum_oversampling)
        return min(Fraction(frame.width, needed.width), Fraction(frame.height, needed.height)) / asked


Takes = Mapping[Roll, tuple[Taken, ...]]


def orientation(job: Job) -> OrientationAdvice:
    """Return all plans of one or two passes, best first, and which to take.

    Raises
    ------
    CannotBeMet
        If no plan places every deliverable.
    """
    takes = takes_by_roll(job)
    ranked = sorted(plans(job, takes), key=_rank)
    return OrientationAdvice(
        plans=tuple(ranked),
        recommended=recommend(ranked),
        break_even=tuple(break_even(index, takes) for index in range(len(job.deliverables))),
        cautions=TURNED_CAMERA if any(plan.cost.turned_passes for plan in ranked) else (),
    )


def takes_by_roll(job: Job) -> Takes:
    """Return what comes out at each roll at which every deliverable has a frame."""
    takes: dict[Roll, tuple[Taken, ...]] = {}
    refusal: CannotBeMet | None = None
    for roll in ROLLS:
        turned = replace(job, capture=replace(job.capture, roll=roll))
        try:
            solution = solve(turned)
        except CannotBeMet as error:
            refusal = refusal or error
            continue
        takes[roll] = tuple(
            Taken(*parts)
            for parts in zip(job.deliverables, solution.extractions, margins(turned, solution), strict=True)
        )
    if not takes:
        raise refusal or CannotBeMet("no roll places every deliverable")
    return takes


def plans(job: Job, takes: Takes) -> list[Plan]:
    """Return every plan of one pass, and of two passes at different rolls where both are of use."""
    result = [_plan(job, {roll: taken}) for roll, taken in takes.items()]
    for first, second in combinations(takes, 2):
        shared = _shared_out(takes[first], takes[second])
        if all(shared):
            result.append(_plan(job, {first: shared[0], second: shared[1]}))
    return result


def _shared_out(first: Iterable[Taken], second: Iterable[Taken]) -> tuple[tuple[Taken, ...], tuple[Taken, ...]]:
    """Give each deliverable to the pass that fills more of it; equal ones to the first."""
    pairs = list(zip(first, second, strict=True))
    return (
        tuple(one for one, other in pairs if one.fill >= other.fill),
        tuple(other for one, other in pairs if one.fill < other.fill),
    )


def _plan(job: Job, passes: Takes) -> Plan:
    taken = [item for items in passes.values() for item in items]
    reaches = [item.reach for item in taken if item.reach is not None]
    cost = PlanCost(
        passes=len(passes),
        turned_passes=sum(roll != 0 for roll in passes),
        same_moment=len(passes) == 1,
    )
    return Plan(
        passes=tuple(_pass(job, roll, items) for roll, items in passes.items()),
        feasible=all(reach >= 1 for reach in reaches),
        smallest_oversampling=min(
            (item.margin.oversampling.smaller for item in taken if item.margin.oversampling), default=None
        ),
        reasons=(*_cost_reasons(passes), *(_margin_reason(item) for item in taken if item.reach is not None)),
        cost=cost,
    )


def _pass(job: Job, roll: Roll, items: tuple[Taken, ...]) -> PlannedPass:
    return PlannedPass(
        capture=job.capture.label,
        roll=roll,
        deliverables=tuple(item.deliverable.label for item in items),
        extractions=tuple(item.extraction for item in items),
        margins=tuple(item.margin for item in items),
    )


def _cost_reasons(passes: Takes) -> list[Reason]:
    reasons = []
    if len(passes) == 1:
        reasons.append(Reason("one_pass", "All frames come out of one take and show the same moment."))
    else:
        reasons.append(
            Reason(
                "two_passes",
                "Two passes never show the same performance, and the rig is changed over between them.",
                numbers={"passes": len(passes)},
            )
        )
    reasons.extend(
        Reason("turned", f"The camera is turned on its side, by {roll} degrees clockwise.", numbers={"roll": roll})
        for roll in passes
        if roll
    )
    return reasons


def _margin_reason(item: Taken) -> Reason:
    """Say what one deliverable has and needs."""
    frame, needed, margin = item.extraction.upright_rect, item.deliverable.raster, item.margin
    assert needed is not None and margin.oversampling is not None  # noqa: S101, PT018 - asked only where a raster is
    ratio = margin.oversampling.smaller
    text = (
        f'"{item.deliverable.label}" has {frame.width:,} x {frame.height:,} px for {needed.width:,} x '
        f"{needed.height:,}: oversampling {ratio:.3g}, {margin.minimum_oversampling:g} is asked."
    )
    code = {"enough": "enough_pixels", "at_limit": "pixels_at_limit", "short": "too_few_pixels"}
    return Reason(
        code[margin.verdict or "short"],
        text,
        deliverable=item.deliverable.label,
        numbers={"oversampling": ratio, "asked": margin.minimum_oversampling},
    )


def _rank(plan: Plan) -> tuple[object, ...]:
    """Feasible plans by passes, turns, then the larger smallest oversampling; others by how little they miss."""
    smallest = -(plan.smallest_oversampling or 0)
    rolls = tuple(one.roll for one in plan.passes)
    if plan.feasible:
        return (0, plan.cost.passes, plan.cost.turned_passes, smallest, rolls)
    return (1, smallest, plan.cost.passes, plan.cost.turned_passes, rolls)


def recommend(ranked: list[Plan]) -> Recommendation:
    """Return the first plan and why, in at most three sentences."""
    best = ranked[0]
    what = _what(best)
    if not best.feasible:
        missing = [reason for reason in best.reasons if reason.code == "too_few_pixels"]
        return Recommendation(
            0, f"No plan gives every deliverable enough pixels; {what} misses least. {missing[0].text}"
        )
    if best.smallest_oversampling is None:
        return Recommendation(0, f"Shoot {what}: no deliverable names a raster, so none can fall short.")
    return Recommendation(
        0,
        f"Shoot {what}: every deliverable has enough pixels, the tightest {best.smallest_oversampling:.3g} of native.",
    )


def _what(plan: Plan) -> str:
    if plan.cost.passes == 2:
        return "two passes, " + " and ".join(_position(one.roll) for one in plan.passes)
    return "one pass, " + _position(plan.passes[0].roll)


def _position(roll: Roll) -> str:
    return "upright" if roll == 0 else f"turned by {roll} degrees"


def break_even(index: int, takes: Takes) -> BreakEven:
    """Return the largest rasters that one deliverable's crop fills, upright and turned, and their ratio."""
    upright = takes[0][index] if 0 in takes else None
    turned = max((takes[roll][index] for roll in takes if roll != 0), key=lambda item: item.fill, default=None)
    some = upright or turned
    assert some is not None  # noqa: S101 - there is at least one roll
    return BreakEven(
        deliverable=some.deliverable.label,
        upright=None if upright is None else largest_raster(upright),
        turned=None if turned is None else largest_raster(turned),
        gain_of_turning=None if upright is None or turned is None else float(turned.fill / upright.fill),
    )


def largest_raster(item: Taken) -> Size:
    """Return the largest delivery raster of its aspect that a crop fills at its minimum oversampling, whole px."""
    width = item.fill / exact(item.deliverable.minimum_oversampling)
    pixel_ratio = item.deliverable.ratio / exact(item.deliverable.pixel_aspect)
    return Size(int(width), int(width / pixel_ratio))
