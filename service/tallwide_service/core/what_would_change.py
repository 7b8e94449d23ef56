"""What would change the decision: stricter or looser minimums, the change-over, a larger mode or circle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from tallwide.answers import Flip, Mend, Size, WhatWouldChange
from tallwide.job import LARGEST_SIDE_PX, Capture, Criterion, Job, Production, Raster, exact
from tallwide_service.core.criteria import Measured, rank_key, rolling_minutes
from tallwide_service.core.passes import State, Taken, taken_by
from tallwide_service.errors import CannotBeMet

# Raster sizes that are tried above the proportional one, for what the grid takes.
_TRIES = 8
_LARGEST_CIRCLE_TENTHS = 10_000


def what_would_change(
    job: Job, plans: Sequence[Measured], states: tuple[State, ...], order: tuple[Criterion, ...]
) -> WhatWouldChange:
    """Return what would change the decision between plans, best first; the first is recommended."""
    return WhatWouldChange(
        stricter=_stricter(plans, order),
        looser=_looser(plans, order),
        changeover_minutes=_changeover_minutes(job.production or Production(), plans),
        mend=_mend(job, plans, states),
    )


def _stricter(plans: Sequence[Measured], order: tuple[Criterion, ...]) -> Flip | None:
    """Return the factor on all minimums beyond which the recommended plan falls behind another."""
    best = plans[0]
    if not best.is_feasible or best.reach is None:
        return None
    # Beyond its own reach the best plan is short; the one that leads then still has enough.
    others = [place for place, plan in enumerate(plans) if plan.is_feasible and (plan.reach or 0) > best.reach]
    if not others:
        return None
    return _flip(best, best.reach, min(others, key=lambda place: rank_key(plans[place], order)))


def _looser(plans: Sequence[Measured], order: tuple[Criterion, ...]) -> Flip | None:
    """Return the largest factor on all minimums, below 1, at which another plan leads."""
    best = plans[0]
    leads = []
    for place, plan in enumerate(plans[1:], start=1):
        if plan.reach is None or plan.reach >= 1 or not (plan.fits_time and plan.fits_storage):
            continue
        if _loosened(plan, plan.reach, order) < _loosened(best, plan.reach, order):
            leads.append((plan.reach, -place))
    if not leads:
        return None
    factor, place = max(leads)
    return _flip(plans[-place], factor, -place)


def _loosened(plan: Measured, factor: Fraction, order: tuple[Criterion, ...]) -> tuple[Fraction | int, ...]:
    return rank_key(replace(plan, reach=None if plan.reach is None else plan.reach / factor), order)


def _flip(deciding: Measured, factor: Fraction, plan: int) -> Flip:
    """Return a flip at the reach of a plan's tightest deliverable."""
    tightest = tightest_of(deciding)
    return Flip(
        factor=float(factor),
        deliverable=tightest.deliverable.label,
        minimum_oversampling=float(factor * exact(tightest.deliverable.minimum_oversampling)),
        plan=plan,
    )


def tightest_of(plan: Measured) -> Taken:
    """Return the deliverable of a plan with the smallest oversampling over its minimum."""
    able = [taken for _, taken in plan.candidate.takes if taken.reach is not None]
    return min(able, key=lambda taken: taken.reach or 0)


def _changeover_minutes(production: Production, plans: Sequence[Measured]) -> float | None:
    """Return the longest change-over at which the best plan of several passes fits into the time."""
    rolling, available = rolling_minutes(production), production.minutes_available
    several = next((plan for plan in plans if plan.passes > 1 and plan.has_enough_pixels), None)
    if rolling is None or available is None or several is None:
        return None
    left = exact(available) - rolling * several.passes
    return float(left / several.changeovers) if left >= 0 else None


def _mend(job: Job, plans: Sequence[Measured], states: tuple[State, ...]) -> Mend | None:
    """Return what would give the first plan that only lacks pixels enough of them, in its tightest pass."""
    short = [
        (place, plan)
        for place, plan in enumerate(plans)
        if not plan.has_enough_pixels and plan.fits_time and plan.fits_storage
    ]
    # With a feasible plan at hand only a cheaper one is worth a change.
    if plans[0].is_feasible:
        short = [(place, plan) for place, plan in short if plan.passes < plans[0].passes]
    if not short:
        return None
    place, plan = short[0]
    lacking = [at for at, items in plan.candidate.passes if any((taken.reach or 1) < 1 for taken in items.values())]
    if len(lacking) > 1:
        return None
    items = dict(plan.candidate.passes)[lacking[0]]
    subset = sum(1 << index for index in items)
    state = states[lacking[0]]
    raster = _larger_mode(job, state.capture, subset, min(taken.reach or Fraction(1) for taken in items.values()))
    circle = _larger_circle(job, state.capture, subset) if any(t.is_cut_by_the_lens for t in items.values()) else None
    if raster is None and circle is None:
        return None
    return Mend(place, state.index, raster, circle)


def _larger_mode(job: Job, capture: Capture, subset: int, reach: Fraction) -> Size | None:
    """Return the raster of the same shape, and as many photosites a pixel, that gives enough pixels."""
    width = -(-capture.raster.width * reach.denominator // reach.numerator)
    for _ in range(_TRIES):
        scale = Fraction(width, capture.raster.width)
        height = _ceil(capture.raster.height * scale)
        if max(width, height) > LARGEST_SIDE_PX:
            return None
        larger = _scaled(capture, Raster(width, height), scale)
        if larger is not None and _is_enough(job, larger, subset):
            return Size(width, height)
        width += capture.grid.width
    return None


def _scaled(capture: Capture, raster: Raster, scale: Fraction) -> Capture | None:
    """Return the capture with a larger raster; one whose lens or usable area bound it is not guessed at."""
    if capture.usable_area is not None or (capture.lens is not None and capture.lens.image_circle_mm is not None):
        return None
    photosites = capture.photosites
    if photosites is not None:
        sides = _ceil(photosites.width * scale), _ceil(photosites.height * scale)
        if max(sides) > LARGEST_SIDE_PX:
            return None
        photosites = Raster(*sides)
    return replace(capture, raster=raster, photosites=photosites)


def _ceil(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)


def _larger_circle(job: Job, capture: Capture, subset: int) -> float | None:
    """Return the smallest circle, in tenths of a mm, with which the pass has enough pixels."""
    assert capture.lens is not None  # noqa: S101 - a lens cuts the frames
    low, high = int(exact(capture.lens.image_circle_mm or 0) * 10), _LARGEST_CIRCLE_TENTHS
    if not _is_enough(job, _with_circle(capture, high), subset):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        if _is_enough(job, _with_circle(capture, middle), subset):
            high = middle
        else:
            low = middle
    return high / 10


def _with_circle(capture: Capture, tenths: int) -> Capture:
    assert capture.lens is not None  # noqa: S101 - a lens cuts the frames
    return replace(capture, lens=replace(capture.lens, image_circle_mm=tenths / 10))


def _is_enough(job: Job, capture: Capture, subset: int) -> bool:
    found = taken_by(job, capture, subset)
    return not isinstance(found, CannotBeMet) and all((taken.reach or 1) >= 1 for taken in found.values())
