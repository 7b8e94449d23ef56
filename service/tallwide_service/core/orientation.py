"""Orientation: whether to crop, to turn the camera on its side, to shoot twice, or to take another mode.

A plan is a few passes, each one capture at one roll, and every deliverable comes out of one of
them. It is feasible where each deliverable reaches its minimum oversampling (one without a raster
asks for nothing) and the time and storage that are stated suffice.
"""

from __future__ import annotations

from dataclasses import dataclass

from tallwide.answers import (
    BreakEven,
    Considered,
    Plan,
    PlanCost,
    PlanCriteria,
    PlannedPass,
    Reason,
    Recommendation,
    Size,
    Skipped,
    WhatWouldChange,
)
from tallwide.job import Job, Production, exact
from tallwide_service.core.cautions import TURNED_CAMERA
from tallwide_service.core.criteria import Measured, beaten, measure, order_of, rank_key
from tallwide_service.core.passes import DEFAULT_ROLLS, Passes, State, Taken, states_of
from tallwide_service.core.plans import find_plans
from tallwide_service.core.what_would_change import tightest_of, what_would_change
from tallwide_service.errors import CannotBeMet
from tallwide_service.limits import LIMITS

DEFAULT_PASSES = 2


@dataclass(frozen=True, slots=True)
class OrientationAdvice:
    """Plans, best first, the one to take, what would change the decision, and what was looked at."""

    plans: tuple[Plan, ...]
    recommended: Recommendation
    break_even: tuple[BreakEven, ...]
    what_would_change: WhatWouldChange
    considered: Considered
    cautions: tuple[str, ...]


def orientation(job: Job) -> OrientationAdvice:
    """Return all plans of the allowed captures, rolls and passes, best first, and which to take.

    Raises
    ------
    CannotBeMet
        If no plan places every deliverable.
    """
    passes = Passes(job, states_of(job))
    allowed = job.passes or DEFAULT_PASSES
    found = find_plans(passes, allowed)
    if not found.candidates:
        raise _no_plan(passes)
    order = order_of(job.prefer)
    ranked = sorted(
        (measure(candidate, passes.states, job) for candidate in found.candidates),
        key=lambda plan: (rank_key(plan, order), [place for place, _ in plan.candidate.passes]),
    )
    listed, by = _listed(ranked)
    plans = tuple(_plan(job, plan, passes.states, other) for plan, other in zip(listed, by, strict=True))
    return OrientationAdvice(
        plans=plans,
        recommended=recommend(plans, listed[0], passes.states, job),
        break_even=tuple(break_even(index, passes) for index in range(len(job.deliverables))),
        what_would_change=what_would_change(job, listed, passes.states, order),
        considered=Considered(
            complete=found.complete,
            plans=len(ranked),
            rule=found.rule,
            rolls=job.rolls or DEFAULT_ROLLS,
            passes=allowed,
            prefer=order,
            skipped=tuple(_skipped(passes)),
        ),
        cautions=TURNED_CAMERA if any(plan.cost.turned_passes for plan in plans) else (),
    )


def _listed(ranked: list[Measured]) -> tuple[list[Measured], list[int | None]]:
    """Return as many plans as are listed, in order, and the place of one that beats each.

    Plans that nothing beats go before others where there is no room for all.
    """
    by = beaten(ranked)
    places = sorted(range(len(ranked)), key=lambda place: (by[place] is not None, place))[: LIMITS.plans_listed]
    places.sort()
    now: dict[int | None, int | None] = {None: None}
    now.update((place, at) for at, place in enumerate(places))
    return [ranked[place] for place in places], [now[by[place]] for place in places]


def _no_plan(passes: Passes) -> CannotBeMet:
    """Return why nothing places every deliverable: the first refusal, of all together or of one alone."""
    everything = (1 << len(passes.job.deliverables)) - 1
    for subset in (everything, *(1 << index for index in range(len(passes.job.deliverables)))):
        for (_, asked), result in list(passes.solved.items()):
            if asked == subset and isinstance(result, CannotBeMet):
                return result
    return CannotBeMet("no plan of the allowed captures, rolls and passes places every deliverable")


def _skipped(passes: Passes) -> list[Skipped]:
    """Return captures and rolls at which deliverables could not be placed, each with the first reason."""
    result = []
    labels = [deliverable.label for deliverable in passes.job.deliverables]
    for place, state in enumerate(passes.states):
        refused = [
            (subset, found)
            for (at, subset), found in passes.solved.items()
            if at == place and isinstance(found, CannotBeMet)
        ]
        if refused:
            subset, error = max(refused, key=lambda item: (-item[0].bit_count(), -item[0]))
            alone = {asked for asked, _ in refused if asked.bit_count() == 1}
            named = [
                label
                for index, label in enumerate(labels)
                if (1 << index) in alone or (not alone and subset >> index & 1)
            ]
            result.append(Skipped(state.capture.label, state.index, state.roll, tuple(named), str(error)))
    return result


def _plan(job: Job, plan: Measured, states: tuple[State, ...], by: int | None) -> Plan:
    minutes = None if plan.minutes is None else float(plan.minutes)
    megabytes = None if plan.megabytes is None else float(plan.megabytes)
    smallest = None if plan.smallest_oversampling is None else float(plan.smallest_oversampling)
    return Plan(
        passes=tuple(_pass(states[place], tuple(items.values())) for place, items in plan.candidate.passes),
        feasible=plan.is_feasible,
        smallest_oversampling=smallest,
        reasons=tuple(_reasons(job, plan, states)),
        cost=PlanCost(plan.passes, plan.turned_passes, plan.passes == 1, plan.changeovers, minutes, megabytes),
        criteria=PlanCriteria(
            enough_pixels=plan.has_enough_pixels,
            passes=plan.passes,
            changeovers=plan.changeovers,
            lens_covers=plan.lens_covers,
            minutes=minutes,
            megabytes=megabytes,
            smallest_oversampling=smallest,
            reframe_room=None if plan.reach is None else float(plan.reach),
            same_moment=plan.passes == 1,
        ),
        dominated_by=by,
    )


def _pass(state: State, items: tuple[Taken, ...]) -> PlannedPass:
    return PlannedPass(
        capture=state.capture.label,
        capture_index=state.index,
        roll=state.roll,
        deliverables=tuple(item.deliverable.label for item in items),
        extractions=tuple(item.extraction for item in items),
        margins=tuple(item.margin for item in items),
    )


def _reasons(job: Job, plan: Measured, states: tuple[State, ...]) -> list[Reason]:
    used = [states[place] for place, _ in plan.candidate.passes]
    return [
        _moment_reason(plan),
        *_turn_reasons(used),
        *_production_reasons(job.production or Production(), plan),
        *(_lens_reason(item) for _, item in plan.candidate.takes if item.is_cut_by_the_lens),
        *(_margin_reason(item) for _, item in plan.candidate.takes if item.reach is not None),
    ]


def _moment_reason(plan: Measured) -> Reason:
    if plan.passes == 1:
        return Reason("one_pass", "All frames come out of one take and show the same moment.")
    count = {2: "Two", 3: "Three"}[plan.passes]
    return Reason(
        {2: "two_passes", 3: "three_passes"}[plan.passes],
        f"{count} passes never show the same performance, and the rig is changed over between them.",
        numbers={"passes": plan.passes, "changeovers": plan.changeovers},
    )


def _turn_reasons(used: list[State]) -> list[Reason]:
    reasons = [
        Reason(
            "turned",
            f"The camera is turned on its side, by {state.roll} degrees clockwise.",
            numbers={"roll": state.roll},
        )
        for state in used
        if state.capture.is_on_its_side
    ]
    reasons.extend(
        Reason("upside_down", "The camera hangs upside down.", numbers={"roll": 180})
        for state in used
        if state.roll == 180
    )
    reasons.extend(
        Reason(
            "squeeze_turns",
            f"The squeeze of {state.capture.squeeze:g} lies along the {_axis(state)}, which stands "
            f"{'upright' if _is_squeezed_upright(state) else 'level'} in this pass: "
            "a lens turned in its mount is another capture.",
            numbers={"squeeze": state.capture.squeeze},
        )
        for state in used
        if state.capture.squeeze != 1 and state.capture.is_on_its_side
    )
    return reasons


def _axis(state: State) -> str:
    return "sensor's width" if state.capture.squeeze_axis == "sensor_width" else "sensor's height"


def _is_squeezed_upright(state: State) -> bool:
    return (state.capture.squeeze_axis == "sensor_width") == state.capture.is_on_its_side


def _production_reasons(production: Production, plan: Measured) -> list[Reason]:
    reasons = []
    for value, available, fits, name, unit in (
        (plan.minutes, production.minutes_available, plan.fits_time, "time", "minutes"),
        (plan.megabytes, production.megabytes_available, plan.fits_storage, "storage", "megabytes"),
    ):
        if available is not None and value is None:
            reasons.append(Reason(f"{name}_unknown", f"Too little is stated to know the plan's {unit}."))
        elif value is not None:
            reasons.append(
                Reason(
                    f"enough_{name}" if fits else f"too_little_{name}",
                    f"It takes {float(value):,.6g} {unit}"
                    + ("." if available is None else f"; {available:,} are available."),
                    numbers={unit: float(value), **({} if available is None else {"available": available})},
                )
            )
    return reasons


def _lens_reason(item: Taken) -> Reason:
    return Reason(
        "lens_cuts",
        f'The image circle keeps "{item.deliverable.label}" from being larger.',
        deliverable=item.deliverable.label,
    )


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


def recommend(plans: tuple[Plan, ...], best: Measured, states: tuple[State, ...], job: Job) -> Recommendation:
    """Return the first plan and why, in at most three sentences."""
    what = _what(best, states, several=bool(job.alternatives))
    if best.is_feasible:
        if best.smallest_oversampling is None:
            return Recommendation(0, f"Shoot {what}: no deliverable names a raster, so none can fall short.")
        tightest = f"the tightest {float(best.smallest_oversampling):.3g} of native"
        return Recommendation(0, f"Shoot {what}: every deliverable has enough pixels, {tightest}." + _cost_of(best))
    codes = ("too_few_pixels", "too_little_time", "too_little_storage")
    missing = {reason.code: reason for reason in reversed(plans[0].reasons) if reason.code in codes}
    if not best.has_enough_pixels:
        tightest_label = tightest_of(best).deliverable.label
        missing["too_few_pixels"] = next(
            reason
            for reason in plans[0].reasons
            if reason.code == "too_few_pixels" and reason.deliverable == tightest_label
        )
        lead = "No plan gives every deliverable enough pixels"
        if any(plan.criteria.enough_pixels for plan in plans):
            lead = "No plan has enough pixels, time and storage together"
    else:
        lead = "No plan with enough pixels fits into the time and storage"
    texts = [missing[code].text for code in codes if code in missing][:2]
    return Recommendation(0, f"{lead}; {what} misses least. {' '.join(texts)}")


def _cost_of(best: Measured) -> str:
    if best.passes == 1:
        return ""
    return f" It costs {best.changeovers} change-over{'s' * (best.changeovers != 1)}, and no moment is shared."


def _what(plan: Measured, states: tuple[State, ...], *, several: bool) -> str:
    used = [states[place] for place, _ in plan.candidate.passes]
    count = {1: "one pass", 2: "two passes", 3: "three passes"}[plan.passes]
    return f"{count}, " + " and ".join(_position(state, several=several) for state in used)


def _position(state: State, *, several: bool) -> str:
    name = state.capture.label or ("the job's own capture" if state.index == 0 else f"alternative {state.index}")
    turn = {0: "upright", 180: "upside down"}.get(state.roll, f"turned by {state.roll} degrees")
    return f'{turn} with "{name}"' if several else turn


def break_even(index: int, passes: Passes) -> BreakEven:
    """Return the largest rasters that one deliverable's crop fills, upright and turned, and their ratio.

    Of the job's own capture, out of a pass of all deliverables where there is one, else out of a pass of its own.
    """
    everything = (1 << len(passes.job.deliverables)) - 1
    upright: Taken | None = None
    turned: Taken | None = None
    for place, state in enumerate(passes.states):
        if state.index != 0 or state.roll == 180:
            continue
        taken = (passes.is_joint and passes.whole(place, everything)) or passes.whole(place, 1 << index) or {}
        item = taken.get(index)
        if item is None:
            continue
        if state.roll == 0:
            upright = item
        elif turned is None or item.fill > turned.fill:
            turned = item
    return BreakEven(
        deliverable=passes.job.deliverables[index].label,
        upright=None if upright is None else largest_raster(upright),
        turned=None if turned is None else largest_raster(turned),
        gain_of_turning=None if upright is None or turned is None else float(turned.fill / upright.fill),
    )


def largest_raster(item: Taken) -> Size:
    """Return the largest delivery raster of its aspect that a crop fills at its minimum oversampling, whole px."""
    width = item.fill / exact(item.deliverable.minimum_oversampling)
    pixel_ratio = item.deliverable.ratio / exact(item.deliverable.pixel_aspect)
    return Size(int(width), int(width / pixel_ratio))
