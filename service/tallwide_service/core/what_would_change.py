"""What would change the decision: thresholds of what is asked, of time, of lens and of mode.

A factor of minimum oversamplings multiplies all of them; a mend is the smallest raster of the
same shape, or the smallest image circle, that makes a plan feasible, found by trying the plan with it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from tallwide.answers import ChangeoverLimit, Flip, Mend, Rect, Size, WhatWouldChange
from tallwide.job import LARGEST_SIDE_PX, Capture, Criterion, Job, Production, Raster, exact
from tallwide_service.core.optics import edges_mm, pixel_mm
from tallwide_service.core.positions import (
    Pass,
    Position,
    Searches,
    Take,
    alone,
    have_enough,
    holding_minimums,
    without_lens_bounds,
)
from tallwide_service.core.production import fit, minutes_taken
from tallwide_service.core.recording import rolling_minutes
from tallwide_service.core.standing import UNASKED, Draft, worth
from tallwide_service.errors import CannotBeMet

JUST_BEYOND = 1 + Fraction(1, 10**12)
PLANS_MENDED = 3
MOST_FRAMES_MENDED = 8  # of a pass on a shared point, which is solved anew at every trial
LARGEST_GROWTH = 4
CIRCLE_STEP_MM = Fraction(1, 10)
Order = Sequence[Criterion]


def what_would_change(
    searches: Searches, drafts: Sequence[Draft], order: Order, *, listed: int, beaten: Collection[int] = ()
) -> WhatWouldChange:
    """Return what would change the decision; of all plans, in order, only the first `listed` are named.

    `beaten` are the places of plans that another beats: no change is sought for them.
    """
    job = searches.job
    return WhatWouldChange(
        stricter=flip(job, drafts, order, listed=listed, stricter=True),
        looser=flip(job, drafts, order, listed=listed, stricter=False),
        changeover=changeover_limit(job, drafts, order, listed=listed, beaten=beaten),
        mends=tuple(mends(searches, drafts[:listed], beaten)),
    )


def flip(job: Job, drafts: Sequence[Draft], order: Order, *, listed: int, stricter: bool) -> Flip | None:
    """Return the factor of all minimum oversamplings nearest to 1 beyond which another plan comes first.

    Whether one plan comes before another changes only where one of them has just enough pixels, or
    lacks as large a share of them as one of them lacks of the day.
    """
    first = drafts[0]
    nearest: Fraction | None = None
    # Of plans that have as many pixels and fit the day as well, only the first can come first.
    for other in {(plan.value.reach, plan.fit): plan for plan in reversed(drafts[1:])}.values():
        for factor in _factors(first, other, stricter=stricter):
            if nearest is not None and (factor >= nearest if stricter else factor <= nearest):
                break
            scale = _beyond(factor, stricter=stricter)
            if worth(other, order, scale=scale) > worth(first, order, scale=scale):
                nearest = factor
                break
    if nearest is None:
        return None
    scale = _beyond(nearest, stricter=stricter)
    place = max(range(len(drafts)), key=lambda place: (worth(drafts[place], order, scale=scale), -place))
    return _flip(job, nearest, place if place < listed else None, stricter=stricter)


def _factors(one: Draft, other: Draft, *, stricter: bool) -> list[Fraction]:
    """Return the factors at which two plans may change places, the nearest to 1 first."""
    reaches = {plan.value.reach for plan in (one, other) if plan.value.reach < UNASKED}
    factors = {reach / share for reach in reaches for share in (Fraction(1), one.fit, other.fit)}
    return sorted((each for each in factors if (each >= 1) is stricter), reverse=not stricter)


def _beyond(factor: Fraction, *, stricter: bool) -> Fraction:
    return factor * JUST_BEYOND if stricter else factor / JUST_BEYOND


def _flip(job: Job, factor: Fraction, place: int | None, *, stricter: bool) -> Flip:
    asked = {exact(each.minimum_oversampling) for each in job.deliverables if each.raster is not None}
    minimum = float(next(iter(asked)) * factor) if len(asked) == 1 else None
    plan = "another plan" if place is None else f"plan {place + 1}"
    threshold = f"{float(factor):.4g} times the minimum oversamplings"
    if minimum is not None:
        threshold = f"a minimum oversampling of {minimum:.4g}"
    text = f"With {threshold} or less, {plan} comes first."
    if stricter:
        text = f"Plan 1 comes first up to {threshold}; where more is asked, {plan} does."
    if job.framing.arrangement == "shared_point":
        text = f"With the frames of every plan where they lie: {text[0].lower()}{text[1:]}"
    return Flip(float(factor), minimum, place, text)


def changeover_limit(
    job: Job, drafts: Sequence[Draft], order: Order, *, listed: int, beaten: Collection[int] = ()
) -> ChangeoverLimit | None:
    """Return how long a change-over may take for the first plan of several passes, and where that decides."""
    production = job.production
    rolling = None if production is None else rolling_minutes(production)
    if production is None or production.minutes_available is None or rolling is None:
        return None
    several = (
        place
        for place, plan in enumerate(drafts[:listed])
        if len(plan.passes) > 1 and plan.cost.changeovers and plan.value.reach >= 1
    )
    place = next(several, None)
    if place is None:
        return None
    plan = drafts[place]
    longest = (exact(production.minutes_available) - rolling * len(plan.passes)) / plan.cost.changeovers
    text = f"Plan {place + 1} fits into the time while a change-over takes at most {float(longest):.4g} minutes."
    if longest < 0:
        text = f"Plan {place + 1} does not fit into the time however quick a change-over is; its takes are too long."
    decides = decisive_changeover(production, drafts, order, beaten)
    if decides is None:
        return ChangeoverLimit(place, float(longest), text)
    minutes, quicker, slower = decides
    places = [next((at for at, each in enumerate(drafts[:listed]) if each is one), None) for one in (quicker, slower)]
    words = ["another plan" if each is None else f"plan {each + 1}" for each in places]
    text += f" Up to {float(minutes):.4g} minutes {words[0]} comes first, beyond that {words[1]}."
    return ChangeoverLimit(place, float(longest), text, float(minutes), *places)


def decisive_changeover(
    production: Production, drafts: Sequence[Draft], order: Order, beaten: Collection[int] = ()
) -> tuple[Fraction, Draft, Draft] | None:
    """Return the minutes of a change-over, nearest to those stated, where several passes start or stop paying.

    With the plan that comes first while change-overs are quicker, and the one where they are slower.
    """
    first = drafts[0]
    minutes, stops = exact(production.minutes_per_changeover or 0), len(first.passes) > 1
    # A beaten plan is beaten on every day. Of plans that cost the day the same and have as many pixels,
    # only the first can come first.
    plans = [plan for place, plan in enumerate(drafts) if place not in beaten]
    rivals = list({_day_of_a_plan(plan): plan for plan in reversed(plans)}.values())
    leader = first
    while True:
        nearest = _next_turn(production, leader, rivals, order, after=minutes, slower=stops)
        if nearest is None:
            return None
        minutes, day = nearest, _day_beyond(production, nearest, slower=stops)
        before, leader = leader, max(reversed(rivals), key=lambda plan: worth(day.of(plan), order))
        if stops and len(leader.passes) < len(first.passes):
            return minutes, before, leader
        if not stops and len(leader.passes) > 1:
            return minutes, leader, before


def _day_of_a_plan(plan: Draft) -> tuple[object, ...]:
    return len(plan.passes), plan.cost.changeovers, plan.cost.megabytes, plan.value.reach


def _next_turn(
    production: Production, leader: Draft, rivals: Sequence[Draft], order: Order, *, after: Fraction, slower: bool
) -> Fraction | None:
    """Return the nearest minutes of a change-over, going up or down, beyond which a rival comes before the leader."""
    nearest: Fraction | None = None
    for other in rivals:
        points = {each for each in _turning_points(production, leader, other) if each >= 0}
        ahead = {each for each in points if (each >= after if slower else each <= after)}
        for minutes in sorted(ahead, reverse=not slower):
            if nearest is not None and (minutes >= nearest if slower else minutes <= nearest):
                break
            day = _day_beyond(production, minutes, slower=slower)
            if worth(day.of(other), order) > worth(day.of(leader), order):
                nearest = minutes
                break
    return nearest


@dataclass(frozen=True, slots=True)
class _Day:
    """A day whose change-overs take so many minutes."""

    production: Production
    minutes_per_changeover: Fraction

    def of(self, plan: Draft) -> Draft:
        """Return what a plan is on this day."""
        rolling = rolling_minutes(self.production) or Fraction(0)
        minutes = minutes_taken(rolling, len(plan.passes), plan.cost.changeovers, self.minutes_per_changeover)
        cost = replace(plan.cost, minutes=minutes)
        return replace(plan, cost=cost, fit=fit(cost, self.production))


def _day_beyond(production: Production, minutes: Fraction, *, slower: bool) -> _Day:
    """Return the day with change-overs a trifle slower than so many minutes, or quicker."""
    trifle = (JUST_BEYOND - 1) * (minutes + 1)
    return _Day(production, minutes + trifle if slower else max(minutes - trifle, Fraction(0)))


def _turning_points(production: Production, one: Draft, other: Draft) -> Iterator[Fraction]:
    """Yield the minutes of a change-over where two plans may change places."""
    rolling, available = rolling_minutes(production) or Fraction(0), exact(production.minutes_available or 0)
    shares = {Fraction(1)}
    for plan in (one, other):
        shares |= {min(plan.value.reach, Fraction(1)), fit(replace(plan.cost, minutes=None), production)}
    for plan in (one, other):
        if plan.cost.changeovers:
            yield from ((available / share - rolling * len(plan.passes)) / plan.cost.changeovers for share in shares)
    changes = one.cost.changeovers - other.cost.changeovers
    if changes:
        yield rolling * (len(other.passes) - len(one.passes)) / changes


def mends(searches: Searches, drafts: Sequence[Draft], beaten: Collection[int] = ()) -> Iterator[Mend]:
    """Yield the smallest change of lens or mode that gives the first plans that lack pixels enough of them."""
    short = [place for place, plan in enumerate(drafts) if plan.value.reach < 1 and place not in beaten]
    for place in short[:PLANS_MENDED]:
        for number, one in enumerate(drafts[place].passes):
            if not one.has_enough:
                yield _mend(_Trial(searches, one), place, number)


def _mend(trial: _Trial, place: int, number: int) -> Mend:
    where = f"Plan {place + 1}, pass {number + 1}"
    if trial.is_too_long:
        text = f"{where}: no change is sought for more than {MOST_FRAMES_MENDED} frames on a shared point."
        return Mend(place, number, None, None, text)
    capture = trial.position.capture
    free = without_lens_bounds(capture)
    if free != capture:
        takes = trial.takes(free)
        if takes is not None and have_enough(takes):
            return _lens_mend(trial, takes, place, number, where)
    larger = smallest_raster(trial, free)
    if larger is None:
        most = grown(free, _most_steps(free))
        text = f"{where}: no larger mode in the shape of this one is enough"
        if most is not None:
            text += f", up to {most.raster.width:,} x {most.raster.height:,} px"
        return Mend(place, number, None, None, text + ".")
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

    searches: Searches
    one: Pass

    @property
    def position(self) -> Position:
        return self.one.position

    @property
    def is_too_long(self) -> bool:
        shared = self.searches.job.framing.arrangement == "shared_point"
        return shared and len(self.one.takes) > MOST_FRAMES_MENDED

    def takes(self, capture: Capture) -> tuple[Take, ...] | None:
        """Return what comes out of the pass with another capture; `None` where a frame does not fit.

        Frames on one point hold their minimums: a plan does where they can be reached.
        """
        position = replace(self.position, capture=capture)
        job = self.searches.job
        if job.framing.arrangement == "shared_point":
            try:
                indices = tuple(take.index for take in self.one.takes)
                return holding_minimums(self.searches, position, indices, asks_for_cover=False).takes
            except CannotBeMet:
                return None
        # Deliverables without a raster ask for nothing.
        asked = tuple(take.deliverable for take in self.one.takes if take.reach is not None)
        found = alone(replace(job, deliverables=asked), position, asks_for_cover=False)
        takes = tuple(item for item in found if isinstance(item, Take))
        return takes if len(takes) == len(asked) else None


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
    most = _most_steps(capture)

    def is_enough(steps: int) -> bool:
        larger = grown(capture, steps)
        takes = None if larger is None else trial.takes(larger)
        return takes is not None and have_enough(takes)

    if not most or not is_enough(most):
        return None
    # No step at all brings a raster that is not on its grid onto it.
    return grown(capture, _smallest(-1, most, is_enough))


def _most_steps(capture: Capture) -> int:
    """Return by how many grid steps of height a raster is let grow: to four times its sides, if rasters go so far."""
    most = (LARGEST_GROWTH - 1) * capture.raster.height // capture.grid.height
    while most and grown(capture, most) is None:
        most -= most // 50 + 1
    return max(most, 0)


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
    radius = edges_mm(rect, capture, pixel).farthest_mm
    return (int(2 * radius / CIRCLE_STEP_MM) + 1) * CIRCLE_STEP_MM


def smallest_circle_mm(trial: _Trial, most: Fraction) -> Fraction:
    """Return the smallest circle, in whole steps, with which a pass is enough; `most` is."""
    capture = trial.position.capture

    def is_enough(steps: int) -> bool:
        lens = capture.lens and replace(capture.lens, covered_mm=None, image_circle_mm=float(steps * CIRCLE_STEP_MM))
        takes = trial.takes(replace(capture, lens=lens))
        return takes is not None and have_enough(takes)

    most_steps = int(most / CIRCLE_STEP_MM)
    # Frames that a circle leaves whole may lie elsewhere in it, so that the first guess is tried too.
    while not is_enough(most_steps):
        most_steps += most_steps // 50 + 1
    return _smallest(0, most_steps, is_enough) * CIRCLE_STEP_MM
