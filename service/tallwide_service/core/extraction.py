"""Extractions: the rectangle of a recorded raster that becomes one deliverable.

Lengths are recorded pixels, origin top left, y down; ratios are width over height and exact. A
frame alone is the largest candidate that fits anywhere on the grid; then its align point goes as
near as the grid allows to the same fraction of the region's box.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from tallwide.answers import AchievedAspect, Certificate, Extraction, RealRect, Rect, Room, SubjectRoom
from tallwide.geometry import (
    Sides,
    combined_area,
    common_area,
    covered_area_px,
    pixel_shape,
    recorded_ratio,
    recorded_to_upright,
    upright_fraction_to_recorded,
    upright_sides_to_recorded,
    upright_to_recorded,
)
from tallwide.job import Capture, Deliverable, Grid, Job, exact
from tallwide_service.core.allowance import Allowance
from tallwide_service.core.candidates import Shape, chain_sides, largest_first
from tallwide_service.core.optics import image_facts
from tallwide_service.core.plain import aspect_numbers, ideal_numbers, place_plain
from tallwide_service.core.recording import refuse_lines_not_recorded
from tallwide_service.core.region import Circle, Region, Span, image_circle, protected, spans, usable_region
from tallwide_service.core.snap import nearest_step, nearest_step_of
from tallwide_service.errors import CannotBeMet, Fault

_EVERY_PIXEL = Grid(1, 1, 1, 1)
# Of so many columns one is asked for a place before all those near the best ones are.
_COLUMNS_APART = 32
# Rows are whole, the region's edge is not: each of two bounds is less than one row off.
_ROUNDING_ROWS = 4


@dataclass(frozen=True, slots=True)
class Solution:
    """All extractions of a job, in the order of its deliverables, and what is known of them together."""

    extractions: tuple[Extraction, ...]
    common_area: Rect | None
    combined_area: Rect
    certificate: Certificate


@dataclass(frozen=True, slots=True)
class Frame:
    """One deliverable's frame as the solver sees it: all turned to the recorded raster but the aspect `requested`."""

    deliverable: Deliverable
    pointer: str
    shape: Shape
    align: tuple[Fraction, Fraction]
    protection: Sides
    requested: Fraction


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a frame came to lie, what held it, and how many candidate sizes were looked at."""

    rect: Rect
    bound_by: tuple[str, ...]
    cases: int


@dataclass(frozen=True, slots=True)
class Ground:
    """What all frames of a job have in common: capture, region, and the subject on the recorded raster."""

    capture: Capture
    region: Region
    subject: Rect | None

    def spans(self, frame: Frame) -> tuple[Span, Span]:
        """Return the axes of the region's box for one frame."""
        return spans(self.region.pixels, self.capture.grid, frame.protection, self.subject)


def solve(job: Job, allowance: Allowance | None = None, *, explains: bool = True) -> Solution:
    """Return the extraction of each deliverable of a job.

    A search of frames on one point takes what it needs of an `allowance`, or of its own. Whoever throws the error
    of frames on one point away does not ask that it `explains` what stands in the way.

    Raises
    ------
    CannotBeMet
        If the job's constraints are in conflict; its faults name them.
    """
    refuse_lines_not_recorded(job.capture)
    ground = ground_of(job)
    views = frames(job)
    if job.framing.arrangement == "shared_point":
        # The joint solver builds on this module.
        from tallwide_service.core.joint import solve_together  # noqa: PLC0415

        placements, certificate = solve_together(job, views, ground, allowance or Allowance.of(job), explains=explains)
    else:
        placements = placed_alone(job, views, ground, allowance or Allowance.of(job), explains=explains)
        certificate = alone_certificate(placements)
    rects = [placement.rect for placement in placements]
    return Solution(
        extractions=tuple(
            describe(frame, placement, ground) for frame, placement in zip(views, placements, strict=True)
        ),
        common_area=common_area(rects),
        combined_area=combined_area(rects),
        certificate=certificate,
    )


def alone_certificate(placements: list[Placement]) -> Certificate:
    """Return the certificate of frames that lie alone: each is the largest of all that fit."""
    total = sum(placement.rect.area for placement in placements)
    return Certificate(
        objective="each_largest",
        value=total,
        upper_bound=total,
        gap=0,
        proof="exhausted",
        cases=sum(placement.cases for placement in placements),
    )


def ground_of(job: Job) -> Ground:
    """Return what a job's frames have in common.

    Raises
    ------
    CannotBeMet
        If the subject does not lie in the picture.
    """
    capture, subject = job.capture, job.framing.subject
    held = None
    if subject is not None:
        picture = capture.upright_raster
        upright = Rect(subject.x, subject.y, subject.width, subject.height)
        if upright.right > picture.width or upright.bottom > picture.height:
            detail = (
                f"the subject ends at {upright.right}, {upright.bottom}; the upright picture is "
                f"{picture.width} x {picture.height} px"
            )
            raise CannotBeMet(detail, (Fault("/framing/subject", detail),))
        held = upright_to_recorded(upright, capture)
    return Ground(capture, usable_region(capture), held)


def frames(job: Job) -> tuple[Frame, ...]:
    """Return the solver's view of each deliverable."""
    return tuple(
        frame_of(deliverable, f"/deliverables/{index}", job) for index, deliverable in enumerate(job.deliverables)
    )


def frame_of(deliverable: Deliverable, pointer: str, job: Job) -> Frame:
    """Return one deliverable's frame, turned from the upright picture to the recorded raster."""
    capture = job.capture
    align, requested = deliverable.align, deliverable.ratio
    return Frame(
        deliverable=deliverable,
        pointer=pointer,
        shape=Shape(recorded_ratio(requested, capture), exact(job.framing.aspect_tolerance), capture.grid),
        align=upright_fraction_to_recorded(exact(align.x), exact(align.y), capture.roll),
        protection=upright_sides_to_recorded(deliverable.protection.shares(), capture.roll),
        requested=requested,
    )


def placed_alone(
    job: Job, views: Sequence[Frame], ground: Ground, allowance: Allowance, *, explains: bool, tells_bounds: bool = True
) -> list[Placement]:
    """Return each frame as it lies with nothing beside it, and where it `tells_bounds` what holds it.

    Raises
    ------
    CannotBeMet
        If one has none; its faults name all that stands in the way where it `explains`, as far as the allowance goes.
    """
    placements = []
    for index, frame in enumerate(views):
        try:
            placements.append(place_alone(frame, ground, tells_bounds=tells_bounds))
        except CannotBeMet as error:
            if not explains:
                raise
            # It solves jobs like this one.
            from tallwide_service.core.conflict import also_in_the_way  # noqa: PLC0415

            raise also_in_the_way(job, index, error, allowance) from error
    return placements


def place_alone(frame: Frame, ground: Ground, *, tells_bounds: bool = True) -> Placement:
    """Return the largest candidate that fits, at the grid place nearest to its align point.

    What holds it is only named where it `tells_bounds`: in a curved region that takes longer than many a search.

    Raises
    ------
    CannotBeMet
        If no candidate fits, or none that holds the subject.
    """
    placed = _place_plain(frame, ground)
    return placed or _place_anywhere(frame, ground, tells_bounds=tells_bounds)


def _place_plain(frame: Frame, ground: Ground) -> Placement | None:
    """Return the place of a frame that holds no subject on a whole raster; `None` where it takes a search."""
    if not ground.region.is_plain or ground.subject is not None:
        return None
    raster, grid, (x, y) = ground.region.raster, ground.capture.grid, frame.align
    placed = place_plain(
        (raster.width, raster.height),
        (grid.x, grid.y, grid.width, grid.height),
        frame.shape.ratio.as_integer_ratio(),
        frame.shape.tolerance.as_integer_ratio(),
        (x.numerator, x.denominator, y.numerator, y.denominator),
        whole_shares(frame.protection),
    )
    return None if placed is None else Placement(Rect(*placed[:4]), placed.bound_by, 1)


def whole_shares(sides: Sides) -> tuple[int, int, int, int, int, int, int, int] | None:
    """Return numerators and denominators of the shares by side; `None` where all of them are zero."""
    if not any(sides):
        return None
    left, top, right, bottom = (side.as_integer_ratio() for side in sides)
    return *left, *top, *right, *bottom


def _place_anywhere(frame: Frame, ground: Ground, *, tells_bounds: bool = True) -> Placement:
    """Return the largest candidate that fits in any region, around any subject."""
    horizontal, vertical = axes = ground.spans(frame)
    grid = ground.capture.grid
    most = horizontal.longest(grid.width), vertical.longest(grid.height)
    cases = 0
    for width, height in _sizes(frame, ground, most):
        cases += 1
        if not horizontal.places(width) or not vertical.places(height):
            continue
        rect = nearest_place(frame, ground, width, height, axes)
        if rect is not None:
            return Placement(rect, bound_by(rect, frame, ground, axes) if tells_bounds else (), cases)
    raise no_frame(frame, ground, most)


def is_larger_elsewhere(frame: Frame, ground: Ground, rect: Rect) -> bool:
    """Whether a frame that was found in a part of a region has a place in all of it where it is larger."""
    if ground.region.is_plain:
        free = place_alone(frame, ground).rect
        return (free.width, free.height) != (rect.width, rect.height)
    horizontal, vertical = ground.spans(frame)
    grid, searched = ground.capture.grid, _searched(ground)
    widths, heights = chain_sides(frame.shape, horizontal.longest(grid.width), vertical.longest(grid.height))
    first = bisect_right(range(len(widths)), rect.area, key=lambda place: int(widths[place]) * int(heights[place]))
    for place in range(first, len(widths)):
        width, height = int(widths[place]), int(heights[place])
        if not _has_place(frame, searched, width, height):
            return False
        if searched is ground or _has_place(frame, ground, width, height):
            return True
    return False


def _searched(ground: Ground) -> Ground:
    """Return the places among which a smaller candidate has one wherever a larger one has.

    With places on every pixel a smaller candidate that holds the subject fits inside a larger one that does.
    """
    return ground if ground.subject is None else replace(ground, capture=replace(ground.capture, grid=_EVERY_PIXEL))


def _sizes(frame: Frame, ground: Ground, most: tuple[int, int]) -> Iterator[tuple[int, int]]:
    """Yield candidate sizes, largest first, from the first that may fit in the region."""
    if ground.region.is_plain:
        yield from largest_first(frame.shape, *most)
        return
    widths, heights = chain_sides(frame.shape, *most)
    subject = ground.subject
    least = 0
    if subject is not None:
        least = int(max(np.searchsorted(widths, subject.width), np.searchsorted(heights, subject.height)))
    # So those that fit are the first that are large enough: from a guess up or down in doubling strides until one fits
    # and one does not, then between the two.
    searched = _searched(ground)
    fits, fails = least - 1, len(widths)
    tried, stride = int(np.searchsorted(heights, _likely_height(frame, ground), side="right")) - 1, 1
    while fails - fits > 1:
        tried = min(max(tried, fits + 1), fails - 1)
        if _has_place(frame, searched, int(widths[tried]), int(heights[tried])):
            fits, tried = tried, tried + stride
        else:
            fails, tried = tried, tried - stride
        if fits >= least and fails < len(widths):
            tried = (fits + fails) // 2
        stride *= 2
    for place in range(fits, least - 1, -1):
        yield int(widths[place]), int(heights[place])


def _likely_height(frame: Frame, ground: Ground) -> float:
    """Return how high a frame would be in the middle of the region's box and of its circles; a guess in doubles."""
    box, ratio, around = ground.region.box, float(frame.shape.ratio), frame.protection
    across = ratio * float(1 + around.left + around.right)
    down = float(1 + around.top + around.bottom)
    rooms = [float(box.right - box.left) / across, float(box.bottom - box.top) / down]
    circles = (cut for cut in ground.region.cuts if isinstance(cut, Circle))
    rooms.extend(2 / math.hypot(across / float(cut.half_width), down / float(cut.half_height)) for cut in circles)
    return min(rooms)


def _has_place(frame: Frame, ground: Ground, width: int, height: int) -> bool:
    """Whether a size has a place in a curved region.

    A region is convex, so the rows that a size has to spare grow and then shrink from column to column, but for their
    rounding. Where none of a few columns has a place, those that have one lie beside the best of the few.
    """
    found = _places_by_column(frame, ground, width, height, _COLUMNS_APART)
    if found is None:
        return False
    if (found.first <= found.last).any():
        return True
    between = None
    if found.is_inside.any():
        most = int(found.spare[found.is_inside].max())
        near = np.flatnonzero(found.spare >= min(0, most) - _ROUNDING_ROWS)
        ends = max(int(near[0]) - 1, 0), min(int(near[-1]) + 1, len(found.xs) - 1)
        between = int(found.xs[ends[0]]), int(found.xs[ends[1]])
    found = _places_by_column(frame, ground, width, height, 1, between)
    return found is not None and bool((found.first <= found.last).any())


def nearest_place(
    frame: Frame, ground: Ground, width: int, height: int, axes: tuple[Span, Span] | None = None
) -> Rect | None:
    """Return a size at the grid place that brings its align point nearest to the same share of the region's box.

    Least squared distance, then the smaller y, then the smaller x; `None` where the size has no place.
    """
    if ground.region.is_plain:
        horizontal, vertical = axes or ground.spans(frame)
        x = _nearest_on_axis(horizontal, frame.align[0], width)
        y = _nearest_on_axis(vertical, frame.align[1], height)
        return None if x is None or y is None else Rect(x, y, width, height)
    wanted_x, wanted_y = wanted_place(frame, ground, width, height)
    xs, first, last = _columns_of_places(frame, ground, width, height)
    if not xs.size:
        return None
    step = ground.capture.grid.y
    ys = np.clip(np.rint(float(wanted_y) / step) * step, first, last)
    distance = (xs - float(wanted_x)) ** 2 + (ys - float(wanted_y)) ** 2
    # Doubles leave a few columns to be compared exactly.
    near = np.flatnonzero(distance <= distance.min() * (1 + 1e-9) + 1e-3)
    best = min(
        ((x - wanted_x) ** 2 + (y - wanted_y) ** 2, y, x)
        for x, y in (
            (int(xs[i]), nearest_step(wanted_y, step, lowest=int(first[i]), highest=int(last[i]))) for i in near
        )
    )
    return Rect(best[2], best[1], width, height)


def _nearest_on_axis(span: Span, align: Fraction, side: int) -> int | None:
    """Return the place on one axis of a plain raster; in integers, since most frames are placed here."""
    places = span.places(side)
    if places is None:
        return None
    share, unit = align.numerator, align.denominator
    wanted = span.start * unit + share * (span.stop - span.start - side)
    return nearest_step_of(wanted, unit, span.step, lowest=places[0], highest=places[1])


def wanted_place(frame: Frame, ground: Ground, width: int, height: int) -> tuple[Fraction, Fraction]:
    """Return the exact corner that puts a frame's align point at the same share of the region's box."""
    box = ground.region.box
    return (
        box.left + frame.align[0] * (box.right - box.left - width),
        box.top + frame.align[1] * (box.bottom - box.top - height),
    )


def _columns_of_places(
    frame: Frame, ground: Ground, width: int, height: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the grid columns where a size has a place in a curved region, and its first and last row there."""
    found = _places_by_column(frame, ground, width, height, 1)
    if found is None:
        nowhere = np.empty(0, dtype=np.int64)
        return nowhere, nowhere, nowhere
    keep = found.first <= found.last
    return found.xs[keep], found.first[keep], found.last[keep]


class _PlacesByColumn(NamedTuple):
    """Grid columns, the first and the last row of a size there, and how many rows it has to spare.

    The first row lies below the last where it has no place. `is_inside` tells where its sides touch the region at all.
    """

    xs: np.ndarray
    first: np.ndarray
    last: np.ndarray
    spare: np.ndarray
    is_inside: np.ndarray


def _places_by_column(
    frame: Frame, ground: Ground, width: int, height: int, every: int, between: tuple[int, int] | None = None
) -> _PlacesByColumn | None:
    """Return where a size could lie, column by column; `None` where it is too large by itself.

    Of so many columns only `every` one is looked at, and the last one; of those `between` two, where they are given.
    """
    horizontal, vertical = ground.spans(frame)
    columns, rows = horizontal.places(width), vertical.places(height)
    if columns is None or rows is None:
        return None
    grown = protected(Rect(0, 0, width, height), frame.protection)
    begin, end = between or columns
    xs = np.arange(begin, end + 1, horizontal.step * every, dtype=np.int64)
    if xs[-1] != end:
        xs = np.append(xs, end)
    left, right = xs + grown.x, xs + grown.right
    first_row, last_row = ground.region.first_row, ground.region.last_row
    assert first_row is not None and last_row is not None  # noqa: S101, PT018 - asked in curved regions alone
    is_inside = (first_row[left] <= last_row[left]) & (first_row[right] <= last_row[right])
    top = np.maximum(np.maximum(first_row[left], first_row[right]) - grown.y, rows[0])
    bottom = np.minimum(np.minimum(last_row[left], last_row[right]) - grown.bottom, rows[1])
    step = vertical.step
    return _PlacesByColumn(xs, -(-top // step) * step, bottom // step * step, bottom - top, is_inside)


def no_frame(frame: Frame, ground: Ground, most: tuple[int, int]) -> CannotBeMet:
    """Return the error for a frame that has no candidate, with what is in conflict and by how much."""
    grid, label = ground.capture.grid, frame.deliverable.label
    subject = ground.subject
    faults: tuple[Fault, ...]
    if min(most) == 0:
        side, step = ("width", grid.width) if most[0] == 0 else ("height", grid.height)
        detail = f"one grid step of {side}, {step} px, does not fit in the region with the frame's protection"
        faults = (Fault(frame.pointer, detail), Fault("/capture/grid", detail))
    elif next(largest_first(frame.shape, *most), None) is None:
        detail = (
            f"no size on the grid up to {most[0]} x {most[1]} recorded px is within the aspect tolerance of "
            f"{float(frame.deliverable.ratio):.6g}"
        )
        faults = tuple(Fault(at, detail) for at in (frame.pointer, "/capture/grid", "/framing/aspect_tolerance"))
    elif subject is not None:
        alone = place_alone(frame, replace(ground, subject=None)).rect
        width, height = alone.width, alone.height
        missing = max(subject.width - width, 0), max(subject.height - height, 0)
        detail = (
            f"the subject is {subject.width} x {subject.height} recorded px; the frame is at most {width} x {height}"
            + (f", {missing[0]} x {missing[1]} px too small" if any(missing) else " and cannot lie around it")
        )
        faults = (Fault("/framing/subject", detail), Fault(frame.pointer, detail))
    else:
        detail = "no candidate size fits inside the lens's circle and the usable area"
        faults = tuple(
            Fault(at, detail)
            for at, is_there in (
                ("/capture/lens/image_circle_mm", image_circle(ground.capture) is not None),
                ("/capture/lens/covered_mm", covered_area_px(ground.capture) is not None),
                ("/capture/usable_area", ground.capture.usable_area is not None),
                (frame.pointer, True),
            )
            if is_there
        )
    return CannotBeMet(f'"{label}" has no frame: {detail}', faults)


def bound_by(rect: Rect, frame: Frame, ground: Ground, axes: tuple[Span, Span] | None = None) -> tuple[str, ...]:
    """Name what keeps a frame from being larger.

    On a plain raster axis by axis: an axis binds where its side could not be one grid step longer.
    In a curved region, what the next larger size breaks where it would come to lie.
    """
    if not ground.region.is_plain:
        return broken_around(rect, frame, ground) or ("grid",)
    grid = ground.capture.grid
    horizontal, vertical = axes or ground.spans(frame)
    names = [
        *_axis_bound_by(horizontal, rect.width, grid.width, ("raster_left", "raster_right")),
        *_axis_bound_by(vertical, rect.height, grid.height, ("raster_top", "raster_bottom")),
    ]
    return tuple(dict.fromkeys(names)) or ("grid",)


def _axis_bound_by(span: Span, side: int, step: int, edges: tuple[str, str]) -> list[str]:
    longer = side + step
    if span.places(longer) is not None:
        return []
    if span.held is not None and span.bare.places(longer) is not None:
        return ["subject"]
    names = list(edges)
    is_protected = span.before or span.after
    if is_protected and Span(span.start, span.stop, span.step).places(longer) is not None:
        names.append("protection")
    if Span(span.start, span.stop, 1, span.before, span.after).places(side + 1) is not None:
        names.append("grid")
    return names


def broken_around(rect: Rect, frame: Frame, ground: Ground) -> tuple[str, ...]:
    """Name what a frame one grid step larger, around the same align point, breaks; empty where nothing."""
    grid, region = ground.capture.grid, ground.region
    names: list[str] = []
    for width, height in ((rect.width + grid.width, rect.height), (rect.width, rect.height + grid.height)):
        x = rect.x - int(frame.align[0] * (width - rect.width))
        y = rect.y - int(frame.align[1] * (height - rect.height))
        bare = Rect(x, y, width, height)
        names.extend(region.broken_by(bare))
        guarded = protected(bare, frame.protection)
        if guarded != bare and region.holds(bare) and not region.holds(guarded):
            names.extend((*region.broken_by(guarded), "protection"))
    return tuple(dict.fromkeys(names))


def describe(frame: Frame, placement: Placement, ground: Ground) -> Extraction:
    """Return the answer for one placed frame."""
    capture = ground.capture
    rect, raster = placement.rect, capture.raster
    facts = image_facts(rect, capture)
    return Extraction(
        deliverable=frame.deliverable.label,
        rect=rect,
        upright_rect=recorded_to_upright(rect, capture),
        ideal_rect=ideal_rect(rect, frame),
        protection_rect=protected(rect, frame.protection),
        aspect=achieved_aspect(rect, frame, capture),
        bound_by=placement.bound_by,
        share_of_raster=rect.area / (raster.width * raster.height),
        subject_room=subject_room(rect, ground),
        sensor_mm=facts.size_mm,
        diagonal_mm=facts.diagonal_mm,
        angle_of_view_deg=facts.angle_of_view_deg,
        off_axis_mm=facts.off_axis_mm,
    )


def achieved_aspect(rect: Rect, frame: Frame, capture: Capture) -> AchievedAspect:
    """Return the aspect that was asked for beside that of a rectangle, as shown."""
    ratio, shape = frame.shape.ratio.as_integer_ratio(), pixel_shape(capture).as_integer_ratio()
    numbers = aspect_numbers(rect.width, rect.height, ratio, shape, is_on_its_side=capture.is_on_its_side)
    return AchievedAspect(float(frame.requested), *numbers)


def ideal_rect(rect: Rect, frame: Frame) -> RealRect:
    """Return the largest rectangle of exactly the requested ratio inside `rect`, around its align point."""
    (x, y), ratio = frame.align, frame.shape.ratio.as_integer_ratio()
    align = x.numerator, x.denominator, y.numerator, y.denominator
    return RealRect(*ideal_numbers(rect.x, rect.y, rect.width, rect.height, ratio, align))


def subject_room(rect: Rect, ground: Ground) -> SubjectRoom | None:
    """Return the room around the subject in a frame, upright: pixels, and shares of the frame's sides."""
    if ground.subject is None:
        return None
    frame = recorded_to_upright(rect, ground.capture)
    subject = recorded_to_upright(ground.subject, ground.capture)
    left, top = subject.x - frame.x, subject.y - frame.y
    right, bottom = frame.right - subject.right, frame.bottom - subject.bottom
    return SubjectRoom(
        px=Room(left, top, right, bottom),
        share=Room(left / frame.width, top / frame.height, right / frame.width, bottom / frame.height),
    )
