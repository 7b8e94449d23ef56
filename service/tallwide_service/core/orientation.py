"""Orientation: whether to crop, to turn the camera on its side, to take another mode, or to shoot more than once.

A plan is one or more passes, each with one capture at one roll, and every deliverable comes out of
one of them. A plan is feasible where each deliverable reaches its minimum oversampling (one without
a raster asks for nothing) and the day has the time and the storage, as far as they are given.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from tallwide.answers import (
    BreakEven,
    Considered,
    Plan,
    PlanCost,
    PlanCriteria,
    PlannedPass,
    Recommendation,
    RigCheck,
    Size,
    WhatWouldChange,
)
from tallwide.job import Job, Rig, Roll, exact
from tallwide_service.core.cautions import TURNED_CAMERA
from tallwide_service.core.plans import PASSES, Found, Table, find_plans, listed_places
from tallwide_service.core.position_change import changeover_steps
from tallwide_service.core.positions import ROLLS, Pass, Searches, Take, refuse_a_long_search
from tallwide_service.core.production import captures_of
from tallwide_service.core.readout import readout_effect
from tallwide_service.core.reasons import day_reasons, in_a_row, passes_in_words, pixels_reason, plan_reasons
from tallwide_service.core.recording import data_volume
from tallwide_service.core.rig import rig_check, rig_faults
from tallwide_service.core.standing import UNASKED, Draft, order_of
from tallwide_service.core.what_would_change import what_would_change
from tallwide_service.errors import CannotBeMet, Fault
from tallwide_service.limits import LIMITS

_RULES = {
    "exhausted": "every way to share the deliverables out over the allowed captures, rolls and passes was weighed",
    "bounded": "of each set of passes the plans that promise most were solved; no other plan can come before the "
    "recommended one, since none has a frame larger than the best of its passes gives it alone",
    "none": "of each set of passes the plans that promise most were solved, as far as the bound on work goes; a better "
    "plan may be left",
}


@dataclass(frozen=True, slots=True)
class OrientationAdvice:
    """Plans, best first, the one to take, and what would change the decision."""

    plans: tuple[Plan, ...]
    recommended: Recommendation
    break_even: tuple[BreakEven, ...]
    cautions: tuple[str, ...]
    what_would_change: WhatWouldChange
    considered: Considered
    rig: tuple[RigCheck, ...]


def orientation(job: Job, searches: Searches | None = None) -> OrientationAdvice:
    """Return the plans for a job, best first, and which to take; the searches may know the job's own solution.

    Raises
    ------
    CannotBeMet
        If no plan places every deliverable, or there are more plans than are weighed in time.
    """
    _refuse_too_many(job)
    searches = searches or Searches(job)
    found = find_plans(job, searches)
    places = listed_places(found.beaten_by, LIMITS.plans_listed)
    drafts = tuple(found.drafts[place] for place in places)
    beaten_by = [_place_in(places, found.beaten_by[place]) for place in places]
    plans = tuple(
        _plan(job, one, beater, None if beater is None else drafts[beater])
        for one, beater in zip(drafts, beaten_by, strict=True)
    )
    listed = set(places)
    left = [place for place in range(len(found.drafts)) if place not in listed]
    everything, is_beaten = (*places, *left), [beater is not None for beater in found.beaten_by]
    change = what_would_change(
        searches,
        tuple(found.drafts[place] for place in everything),
        order_of(job),
        listed=len(drafts),
        beaten={at for at, place in enumerate(everything) if is_beaten[place]},
    )
    return OrientationAdvice(
        plans=plans,
        recommended=recommend(job, found, drafts),
        break_even=break_evens(job, found.own),
        cautions=TURNED_CAMERA if job.rig is not None or any(plan.cost.turned_passes for plan in plans) else (),
        what_would_change=change,
        considered=_considered(job, found, len(drafts)),
        rig=() if job.rig is None else _rig_checks(job.rig, plans),
    )


def _considered(job: Job, found: Found, listed: int) -> Considered:
    undominated = sum(place is None for place in found.beaten_by)
    return Considered(
        complete=found.proof == "exhausted" and undominated <= listed,
        proof=found.proof,
        rule=_RULES[found.proof],
        positions=found.positions,
        passes_solved=found.passes_solved,
        plans_weighed=float(found.weighed),
        plans_possible=float(found.possible),
        plans_undominated=undominated,
        rolls=tuple(dict.fromkeys(job.rolls or ROLLS)),
        passes=job.passes or PASSES,
        prefer=order_of(job),
        skipped=found.skipped,
    )


def _refuse_too_many(job: Job) -> None:
    """Refuse more sets of positions than are weighed in time."""
    positions = len(captures_of(job)) * len(dict.fromkeys(job.rolls or ROLLS))
    passes = min(job.passes or PASSES, len(job.deliverables))
    sets = sum(math.comb(positions, size) for size in range(1, passes + 1))
    if sets > LIMITS.position_sets:
        detail = (
            f"{positions} captures at a roll and {passes} passes are {sets:,} sets; {LIMITS.position_sets:,} are "
            "weighed: leave out alternatives, rolls or passes"
        )
        at = ("/passes", "/alternatives", "/rolls")
        raise CannotBeMet(detail, tuple(Fault(each, detail, LIMITS.position_sets, sets) for each in at))
    at_rolls = [capture for _, capture in captures_of(job) for _ in dict.fromkeys(job.rolls or ROLLS)]
    refuse_a_long_search(at_rolls, len(job.deliverables), ("/deliverables", "/alternatives", "/rolls"))


def _place_in(places: tuple[int, ...], place: int | None) -> int | None:
    return None if place is None else places.index(place)


def _plan(job: Job, plan: Draft, beaten_by: int | None, better: Draft | None) -> Plan:
    cost, value = plan.cost, plan.value
    minutes = None if cost.minutes is None else float(cost.minutes)
    megabytes = None if cost.megabytes is None else float(cost.megabytes)
    smallest = None if value.over == UNASKED else float(value.over)
    return Plan(
        passes=tuple(_pass(job, one) for one in plan.passes),
        feasible=plan.is_feasible,
        smallest_oversampling=smallest,
        reasons=plan_reasons(job, plan, beaten_by, better),
        smallest_reach=None if value.reach == UNASKED else float(value.reach),
        cost=PlanCost(len(plan.passes), plan.turned, len(plan.passes) == 1, cost.changeovers, minutes, megabytes),
        criteria=PlanCriteria(
            enough_pixels=value.reach >= 1,
            passes=len(plan.passes),
            changeovers=cost.changeovers,
            lens_covers=bool(value.covered),
            minutes=minutes,
            megabytes=megabytes,
            smallest_oversampling=smallest,
            reframe_room=float(value.room),
            same_moment=len(plan.passes) == 1,
        ),
        dominated_by=beaten_by,
        changeover=changeover_steps(job, [(one.position.number, one.position.capture) for one in plan.passes]),
        data=data_volume((one.position.capture for one in plan.passes), job.production),
    )


def _pass(job: Job, one: Pass) -> PlannedPass:
    capture = one.position.capture
    covered = [take.covered for take in one.takes if take.covered is not None]
    effects = (readout_effect(take.extraction, capture, job.movement) for take in one.takes)
    return PlannedPass(
        capture=capture.label,
        roll=one.position.roll,
        deliverables=tuple(take.deliverable.label for take in one.takes),
        extractions=tuple(take.extraction for take in one.takes),
        margins=tuple(take.margin for take in one.takes),
        capture_index=one.position.number,
        recorded=Size(capture.raster.width, capture.raster.height),
        lens_covers=all(covered) if covered else None,
        readout=tuple(effect for effect in effects if effect is not None),
        data=data_volume((capture,), job.production),
        minimums="verdict" if one.unheld is None else "held",
    )


def _rig_checks(rig: Rig, plans: tuple[Plan, ...]) -> tuple[RigCheck, ...]:
    """Return how the rig fits at every roll of the plans."""
    rolls: list[Roll] = sorted({one.roll for plan in plans for one in plan.passes})
    return tuple(rig_check(rig, roll) for roll in rolls)


def recommend(job: Job, found: Found, drafts: tuple[Draft, ...]) -> Recommendation:
    """Return the first plan and why, in at most three sentences."""
    best = drafts[0]
    what = passes_in_words(best, job)
    if not best.is_feasible:
        return Recommendation(0, f"{_why_none(job, found)}; {what} misses least. {_missing(job, best)}")
    takes = [take for one in best.passes for take in one.takes if take.over is not None]
    if not takes:
        text = f"Shoot {what}: no deliverable names a raster, so none can fall short."
    else:
        tightest = min(takes, key=lambda take: take.reach or Fraction(0))
        over = float(tightest.over or 0)
        text = (
            f'Shoot {what}: every deliverable has enough pixels, the tightest is "{tightest.deliverable.label}" '
            f"with an oversampling of {over:.3g}."
        )
    return Recommendation(0, " ".join((text, *_why_not_cheaper(job, drafts), *_price(job, best))))


def _why_none(job: Job, found: Found) -> str:
    """Return why no plan is feasible: of all that were weighed, none has the pixels, or none fits into the day too."""
    if found.proof == "bounded" and job.production is not None:  # of a plan that was not solved only its worth is known
        return "No plan gives every deliverable enough pixels and fits into the day"
    weighed = "No plan" if found.proof != "none" else "No plan of those weighed"
    if all(draft.value.reach < 1 for draft in found.drafts):
        return f"{weighed} gives every deliverable enough pixels"
    if job.production is not None and all(draft.fit < 1 for draft in found.drafts):
        return f"{weighed} fits into the day"
    return f"{weighed} gives every deliverable enough pixels and fits into the day"


def _missing(job: Job, best: Draft) -> str:
    """Return what the least bad plan lacks, and by how much, in at most two sentences."""
    sentences = []
    worst = _shortest(best)
    if worst is not None:
        spare = worst.margin.spare_px
        assert spare is not None  # noqa: S101 - it has a reach
        text = f"{pixels_reason(worst).text[:-1]}, {max(-spare.x, 0):,} x {max(-spare.y, 0):,} px are missing."
        sentences.append(text)
    sentences += [reason.text for reason in day_reasons(job, best) if reason.code.startswith("too_little")]
    return " ".join(sentences[:2])


def _shortest(plan: Draft) -> Take | None:
    """Return the deliverable that lacks the largest share of its pixels; `None` where none lacks any."""
    takes = [take for one in plan.passes for take in one.takes if take.reach is not None and take.reach < 1]
    return min(takes, key=lambda take: take.reach or Fraction(0), default=None)


def _why_not_cheaper(job: Job, drafts: tuple[Draft, ...]) -> Iterator[str]:
    """Say what the first plan of fewer passes or turns lacks."""
    best = drafts[0]
    simpler = (
        place
        for place, draft in enumerate(drafts)
        if draft.value.reach < 1 and (len(draft.passes), draft.turned) < (len(best.passes), best.turned)
    )
    place = next(simpler, None)
    worst = None if place is None else _shortest(drafts[place])
    if place is not None and worst is not None:
        text = f"With {passes_in_words(drafts[place], job)}, {pixels_reason(worst).text}"
        yield text


def _price(job: Job, best: Draft) -> Iterator[str]:
    """Say what has to be borne, in one sentence."""
    costs = []
    if len(best.passes) > 1:
        costs.append("the passes do not show the same performance")
    unfit = [] if job.rig is None else [str(one.position.roll) for one in best.passes if _is_unfit(job.rig, one)]
    if unfit:
        costs.append(f"the rig does not fit as it is at roll {in_a_row(tuple(dict.fromkeys(unfit)))}")
    if costs:
        text = ", and ".join(costs)
        yield f"{text[0].upper()}{text[1:]}."


def _is_unfit(rig: Rig, one: Pass) -> bool:
    return bool(rig_faults(rig_check(rig, one.position.roll)))


def break_evens(job: Job, tables: Mapping[Roll, Table]) -> tuple[BreakEven, ...]:
    """Return, for every deliverable alone on the job's own capture, the largest rasters that its crop fills."""
    return tuple(_break_even(job, index, tables) for index in range(len(job.deliverables)))


def _break_even(job: Job, index: int, tables: Mapping[Roll, Table]) -> BreakEven:
    takes = {roll: take for roll, table in tables.items() if isinstance(take := table[index], Take)}
    sides = {
        "upright": max((take for roll, take in takes.items() if roll in (0, 180)), key=_fill, default=None),
        "turned": max((take for roll, take in takes.items() if roll in (90, 270)), key=_fill, default=None),
    }
    upright, turned = sides["upright"], sides["turned"]
    return BreakEven(
        deliverable=job.deliverables[index].label,
        upright=None if upright is None else largest_raster(upright),
        turned=None if turned is None else largest_raster(turned),
        gain_of_turning=None if upright is None or turned is None else float(turned.fill / upright.fill),
    )


def _fill(take: Take) -> Fraction:
    return take.fill


def largest_raster(take: Take) -> Size:
    """Return the largest delivery raster of its aspect that a crop fills at its minimum oversampling, whole px."""
    width = take.fill / exact(take.deliverable.minimum_oversampling)
    pixel_ratio = take.deliverable.ratio / exact(take.deliverable.pixel_aspect)
    return Size(int(width), int(width / pixel_ratio))
