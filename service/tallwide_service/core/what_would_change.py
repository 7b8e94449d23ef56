"""What would change the decision: thresholds of what is asked, of time, of lens and of mode.

A factor of minimum oversamplings multiplies all of them; a mend is the smallest raster of the
same shape, or the smallest image circle, that makes a plan feasible, found by trying the plan with it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import hypot

from tallwide.answers import ChangeoverLimit, Flip, Mend, Rect, Size, WhatWouldChange
from tallwide.job import LARGEST_SIDE_PX, Capture, Criterion, Job, Raster, exact
from tallwide_service.core.optics import edges_mm, pixel_mm
from tallwide_service.core.positions import Pass, Position, Take, alone, together, without_lens_bounds
from tallwide_service.core.production import rolling_minutes
from tallwide_service.core.standing import UNASKED, Draft, worth
from tallwide_service.errors import CannotBeMet

JUST_ABOVE = 1 + Fraction(1, 10**9)
PLANS_MENDED = 3
MOST_FRAMES_MENDED = 8  # of a pass on a shared point, which is solved anew at every trial
LARGEST_GROWTH = 4
CIRCLE_STEP_MM = Fraction(1, 10)


def what_would_change(job: Job, drafts: Sequence[Draft], order: Sequence[Criterion], *, listed: int) -> WhatWouldChange:
    """Return what would change the decision; of all plans, in order, only the first `listed` are named."""
    return WhatWouldChange(
        stricter=flip(job, drafts, order, listed=listed, stricter=True),
        looser=flip(job, drafts, order, listed=listed, stricter=False),
        changeover=changeover_limit(job, drafts[:listed]),
        mends=tuple(mends(job, drafts[:listed])),
    )


def flip(job: Job, drafts: Sequence[Draft], order: Sequence[Criterion], *, listed: int, stricter: bool) -> Flip | None:
    """Return the factor of all minimum oversamplings nearest to 1 at which another plan comes first."""
    reaches = sorted({plan.value.reach for plan in drafts if plan.value.reach < UNASKED})
    factors = [each for each in reaches if each >= 1] if stricter else [each for each in reversed(reaches) if each < 1]
    for factor in factors:
        scale = factor * JUST_ABOVE if stricter else factor
        first = max(range(len(drafts)), key=lambda place: (worth(drafts[place], order, scale=scale), -place))
        if first != 0:
            return _flip(job, factor, first if first < listed else None, stricter=stricter)
    return None


def _flip(job: Job, factor: Fraction, place: int | None, *, stricter: bool) -> Flip:
    asked = {exact(each.minimum_oversampling) for each in job.deliverables if each.raster is not None}
    minimum = float(next(iter(asked)) * factor) if len(asked) == 1 else None
    plan = "another plan" if place is None else f"plan {place + 1}"
    threshold = f"every minimum oversampling {float(factor):.4g} times what it is"
    if minimum is not None:
        threshold = f"a minimum oversampling of {minimum:.4g}"
    text = f"With {threshold} or less, {plan} comes first."
    if stricter:
        text = f"Plan 1 comes first up to {threshold}; where more is asked, {plan} does."
    return Flip(float(factor), minimum, place, text)


def changeover_limit(job: Job, drafts: Sequence[Draft]) -> ChangeoverLimit | None:
    """Return how long a change-over may take until the first plan of several passes no longer fits in the day."""
    production = job.production
    rolling = None if production is None else rolling_minutes(production)
    if production is None or production.minutes_available is None or rolling is None:
        return None
    several = (
        (place, plan)
        for place, plan in enumerate(drafts)
        if len(plan.passes) > 1 and plan.cost.changeovers and plan.value.reach >= 1
    )
    found = next(several, None)
    if found is None:
        return None
    place, plan = found
    longest = (exact(production.minutes_available) - rolling * len(plan.passes)) / plan.cost.changeovers
    text = f"Plan {place + 1} stops paying when a change-over takes more than {float(longest):.4g} minutes."
    if longest < 0:
        text = f"Plan {place + 1} does not fit in the day however quick a change-over is; its takes are too long."
    return ChangeoverLimit(place, float(longest), text)


def mends(job: Job, drafts: Sequence[Draft]) -> Iterator[Mend]:
    """Yield the smallest change of lens or mode that gives the first plans that lack pixels enough of them."""
    short = [place for place, plan in enumerate(drafts) if plan.value.reach < 1]
    for place in short[:PLANS_MENDED]:
        for number, one in enumerate(drafts[place].passes):
            if any(take.reach is not None and take.reach < 1 for take in one.takes):
                yield _mend(job, one, place, number)


def _mend(job: Job, one: Pass, place: int, number: int) -> Mend:
    trial = _Trial(job, one)
    where = f"Plan {place + 1}, pass {number + 1}"
    if trial.is_too_long:
        text = f"{where}: no change is sought for more than {MOST_FRAMES_MENDED} frames on a shared point."
        return Mend(place, number, None, None, text)
    capture = one.position.capture
    free = without_lens_bounds(capture)
    if free != capture:
        takes = trial.takes(free)
        if takes is not None and _are_enough(takes):
            return _lens_mend(trial, takes, place, number, where)
    larger = smallest_raster(trial, free)
    if larger is None:
        text = f"{where}: no raster up to {LARGEST_GROWTH} times as large in each direction is enough."
        return Mend(place, number, None, None, text)
    width, height = larger.raster.width, larger.raster.height
    text = (
        f"{where}: a mode of {width:,} x {height:,} px in the shape of this one is the smallest that is enough, "
        f"{width - capture.raster.width:,} x {height - capture.raster.height:,} px more than it records"
        + ("; its lens must cover the frames there." if free != capture else ".")
    )
    return Mend(place, number, Size(width, height), None, text)


def _lens_mend(trial: _Trial, takes: Sequence[Take], place: int, number: int, where: str) -> Mend:
    capture = trial.position.capture
    most = max(covering_circle_mm(take.extraction.protection_rect, capture) for take in takes)
    circle = smallest_circle_mm(trial, most)
    text = f"{where}: a lens whose usable circle is {float(circle):g} mm across gives every frame enough pixels."
    return Mend(place, number, None, float(circle), text)


@dataclass(frozen=True, slots=True)
class _Trial:
    """A pass that is tried with another capture."""

    job: Job
    one: Pass

    @property
    def position(self) -> Position:
        return self.one.position

    @property
    def is_too_long(self) -> bool:
        shared = self.job.framing.arrangement == "shared_point"
        return shared and len(self.one.takes) > MOST_FRAMES_MENDED

    def takes(self, capture: Capture) -> tuple[Take, ...] | None:
        """Return what comes out of the pass with another capture; `None` where a frame does not fit."""
        position = replace(self.position, capture=capture)
        if self.job.framing.arrangement == "shared_point":
            try:
                return together(self.job, position, tuple(take.index for take in self.one.takes)).takes
            except CannotBeMet:
                return None
        # Frames that lie alone do not take from each other: only those that are short can change the verdict.
        short = [take for take in self.one.takes if take.reach is not None and take.reach < 1]
        found = alone(replace(self.job, deliverables=tuple(take.deliverable for take in short)), position)
        takes = tuple(item for item in found if isinstance(item, Take))
        return takes if len(takes) == len(short) else None


def _are_enough(takes: Sequence[Take]) -> bool:
    return all(take.reach is None or take.reach >= 1 for take in takes)


def _smallest(fails: int, holds: int, is_enough: Callable[[int], bool]) -> int:
    """Return the smallest whole number between two that is enough, by halving."""
    while holds - fails > 1:
        middle = (fails + holds) // 2
        if is_enough(middle):
            holds = middle
        else:
            fails = middle
    return holds


def smallest_raster(trial: _Trial, capture: Capture) -> Capture | None:
    """Return the capture with the smallest raster of its shape with which a pass is enough."""
    most = (LARGEST_GROWTH - 1) * capture.raster.height // capture.grid.height

    def is_enough(steps: int) -> bool:
        larger = grown(capture, steps)
        takes = None if larger is None else trial.takes(larger)
        return takes is not None and _are_enough(takes)

    while most and grown(capture, most) is None:
        most //= 2
    if not most or not is_enough(most):
        return None
    return grown(capture, _smallest(0, most, is_enough))


def grown(capture: Capture, steps: int) -> Capture | None:
    """Return a capture in the same shape with so many grid steps of height more; `None` where it is too large."""
    raster, grid = capture.raster, capture.grid
    height = raster.height + steps * grid.height
    width = -(-raster.width * height // raster.height)
    width += -width % grid.width
    if max(width, height) > LARGEST_SIDE_PX:
        return None
    photosites = None
    if capture.photosites is not None:
        photosites = Raster(
            min(-(-capture.photosites.width * width // raster.width), LARGEST_SIDE_PX),
            min(-(-capture.photosites.height * height // raster.height), LARGEST_SIDE_PX),
        )
    area = None
    if capture.usable_area is not None:
        area = tuple(
            (float(exact(x) * width / raster.width), float(exact(y) * height / raster.height))
            for x, y in capture.usable_area
        )
    return replace(capture, raster=Raster(width, height), photosites=photosites, usable_area=area)


def covering_circle_mm(rect: Rect, capture: Capture) -> Fraction:
    """Return the diameter, in whole steps, of the smallest circle around the lens's axis that holds a rectangle."""
    pixel = pixel_mm(capture)
    assert pixel is not None  # noqa: S101 - a lens's bounds need the pitch
    edges = edges_mm(rect, capture, pixel)
    radius = max(hypot(x, y) for x in (edges.left, edges.right) for y in (edges.top, edges.bottom))
    return (int(2 * radius / CIRCLE_STEP_MM) + 1) * CIRCLE_STEP_MM


def smallest_circle_mm(trial: _Trial, most: Fraction) -> Fraction:
    """Return the smallest circle, in whole steps, with which a pass is enough; `most` is."""
    capture = trial.position.capture

    def is_enough(steps: int) -> bool:
        lens = capture.lens and replace(capture.lens, covered_mm=None, image_circle_mm=float(steps * CIRCLE_STEP_MM))
        takes = trial.takes(replace(capture, lens=lens))
        return takes is not None and _are_enough(takes)

    most_steps = int(most / CIRCLE_STEP_MM)
    # Frames that a circle leaves whole may lie elsewhere in it, so that the first guess is tried too.
    while not is_enough(most_steps):
        most_steps += most_steps // 50 + 1
    return _smallest(0, most_steps, is_enough) * CIRCLE_STEP_MM
