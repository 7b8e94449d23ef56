"""Extractions: the rectangle of a recorded raster that becomes one deliverable.

Lengths are recorded pixels, origin top left, y down; ratios are width over height and exact. A
frame alone is the largest candidate that fits anywhere on the grid; then its align point goes as
near as the grid allows to the same fraction of the region's box.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from tallwide.answers import AchievedAspect, Certificate, Extraction, RealRect, Rect
from tallwide.geometry import (
    Sides,
    combined_area,
    common_area,
    recorded_ratio,
    recorded_to_upright,
    shown_ratio,
    upright_fraction_to_recorded,
    upright_sides_to_recorded,
)
from tallwide.job import Capture, Deliverable, Job, exact
from tallwide_service.core.candidates import Shape, largest_first
from tallwide_service.core.optics import image_facts
from tallwide_service.core.region import Region, Span, protected, spans, usable_region
from tallwide_service.core.snap import nearest_step
from tallwide_service.errors import CannotBeMet, Fault, NotServedYet


@dataclass(frozen=True, slots=True)
class Solution:
    """All extractions of a job, in the order of its deliverables, and what is known of them together."""

    extractions: tuple[Extraction, ...]
    common_area: Rect | None
    combined_area: Rect
    certificate: Certificate


@dataclass(frozen=True, slots=True)
class Frame:
    """One deliverable's frame as the solver sees it, everything turned to the recorded raster."""

    deliverable: Deliverable
    pointer: str
    shape: Shape
    align: tuple[Fraction, Fraction]
    protection: Sides


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a frame came to lie, what held it, and how many candidate sizes were looked at."""

    rect: Rect
    bound_by: tuple[str, ...]
    cases: int


def solve(job: Job) -> Solution:
    """Return the extraction of each deliverable of a job.

    Raises
    ------
    NotServedYet
        If the job uses a member that this version does not compute.
    CannotBeMet
        If no candidate of a deliverable fits.
    """
    refuse_unserved(job)
    region = usable_region(job.capture)
    placements = [place_alone(frame, job.capture, region) for frame in frames(job)]
    rects = [placement.rect for placement in placements]
    total = sum(rect.area for rect in rects)
    return Solution(
        extractions=tuple(
            describe(frame, placement, job.capture) for frame, placement in zip(frames(job), placements, strict=True)
        ),
        common_area=common_area(rects),
        combined_area=combined_area(rects),
        certificate=Certificate(
            objective="each_largest",
            value=total,
            upper_bound=total,
            gap=0,
            proof="exhausted",
            cases=sum(placement.cases for placement in placements),
        ),
    )


def refuse_unserved(job: Job) -> None:
    """Refuse, by pointer, members that would change the answer and are not computed."""
    lens, framing = job.capture.lens, job.framing
    unserved = {
        "/capture/usable_area": job.capture.usable_area is not None,
        "/capture/lens/image_circle_mm": lens is not None and lens.image_circle_mm is not None,
        "/framing/arrangement": framing.arrangement != "independent",
        "/framing/subject": framing.subject is not None,
    }
    faults = tuple(
        Fault(pointer, "this version does not compute with it yet") for pointer, is_used in unserved.items() if is_used
    )
    if faults:
        raise NotServedYet("the job uses " + ", ".join(fault.pointer for fault in faults), faults)


def frames(job: Job) -> tuple[Frame, ...]:
    """Return the solver's view of each deliverable."""
    return tuple(
        frame_of(deliverable, f"/deliverables/{index}", job) for index, deliverable in enumerate(job.deliverables)
    )


def frame_of(deliverable: Deliverable, pointer: str, job: Job) -> Frame:
    """Return one deliverable's frame, turned from the upright picture to the recorded raster."""
    capture = job.capture
    align = deliverable.align
    return Frame(
        deliverable=deliverable,
        pointer=pointer,
        shape=Shape(recorded_ratio(deliverable.ratio, capture), exact(job.framing.aspect_tolerance), capture.grid),
        align=upright_fraction_to_recorded(exact(align.x), exact(align.y), capture.roll),
        protection=upright_sides_to_recorded(deliverable.protection.shares(), capture.roll),
    )


def place_alone(frame: Frame, capture: Capture, region: Region) -> Placement:
    """Return the largest candidate that fits, at the grid place nearest to its align point.

    Of equally large ones the smaller aspect error, then the wider upright one.
    """
    horizontal, vertical = spans(region.box, capture.grid, frame.protection)
    most_width, most_height = horizontal.longest(capture.grid.width), vertical.longest(capture.grid.height)
    best: list[tuple[int, int]] = []
    for size in largest_first(frame.shape, most_width, most_height):
        if best and size[0] * size[1] < best[0][0] * best[0][1]:
            break
        best.append(size)
    if not best:
        raise no_candidate(frame, most_width, most_height)
    width, height = min(best, key=lambda size: (frame.shape.error(*size), _narrowness(size, capture)))
    rect = Rect(
        nearest_place(horizontal, width, frame.align[0]),
        nearest_place(vertical, height, frame.align[1]),
        width,
        height,
    )
    return Placement(rect, bound_by(rect, capture, horizontal, vertical), cases=len(best) + 1)


def _narrowness(size: tuple[int, int], capture: Capture) -> int:
    """Sort key that puts the wider upright size first."""
    return -size[1] if capture.is_on_its_side else -size[0]


def nearest_place(span: Span, side: int, align: Fraction) -> int:
    """Return the grid place of a side that brings its align point nearest to the span's; ties the smaller."""
    places = span.places(side)
    if places is None:
        raise ValueError(f"a side of {side} px has no place between {span.start} and {span.stop}")
    wanted = span.start + align * (span.stop - span.start - side)
    return nearest_step(wanted, span.step, lowest=places[0], highest=places[1])


def no_candidate(frame: Frame, most_width: int, most_height: int) -> CannotBeMet:
    """Return the error for a frame that has no candidate, with what would be needed."""
    grid = frame.shape.grid
    if most_width == 0 or most_height == 0:
        side = "width" if most_width == 0 else "height"
        step = grid.width if most_width == 0 else grid.height
        detail = f"one grid step of {side}, {step} px, does not fit in the region with the frame's protection"
    else:
        detail = (
            f"no size on the grid up to {most_width} x {most_height} recorded px is within the aspect tolerance "
            f"of {float(frame.deliverable.ratio):.6g}"
        )
    return CannotBeMet(
        f'"{frame.deliverable.label}" has no frame: {detail}',
        (Fault(frame.pointer, detail), Fault("/capture/grid", detail), Fault("/framing/aspect_tolerance", detail)),
    )


def bound_by(rect: Rect, capture: Capture, horizontal: Span, vertical: Span) -> tuple[str, ...]:
    """Name what keeps a frame from being larger, axis by axis on the recorded raster.

    An axis binds where its side could not be one grid step longer. Edges are named as they lie on
    the recorded raster; `grid` where a finer grid would leave room on that axis, or where no axis
    binds and only the grid and the tolerance hold the frame back.
    """
    grid = capture.grid
    names = [
        *_axis_bound_by(horizontal, rect.width, grid.width, ("raster_left", "raster_right")),
        *_axis_bound_by(vertical, rect.height, grid.height, ("raster_top", "raster_bottom")),
    ]
    return tuple(dict.fromkeys(names)) or ("grid",)


def _axis_bound_by(span: Span, side: int, step: int, edges: tuple[str, str]) -> list[str]:
    longer = side + step
    if span.places(longer) is not None:
        return []
    names = list(edges)
    bare = Span(span.start, span.stop, span.step)
    if bare.places(longer) is not None:
        names.append("protection")
    fine = Span(span.start, span.stop, 1, span.before, span.after)
    if fine.places(side + 1) is not None:
        names.append("grid")
    return names


def describe(frame: Frame, placement: Placement, capture: Capture) -> Extraction:
    """Return the answer for one placed frame."""
    rect, raster = placement.rect, capture.raster
    requested = frame.deliverable.ratio
    achieved = shown_ratio(rect.width, rect.height, capture)
    facts = image_facts(rect, capture)
    return Extraction(
        deliverable=frame.deliverable.label,
        rect=rect,
        upright_rect=recorded_to_upright(rect, capture),
        ideal_rect=ideal_rect(rect, frame),
        protection_rect=protected(rect, frame.protection),
        aspect=AchievedAspect(float(requested), float(achieved), float(achieved / requested - 1)),
        bound_by=placement.bound_by,
        share_of_raster=rect.area / (raster.width * raster.height),
        sensor_mm=facts.size_mm,
        diagonal_mm=facts.diagonal_mm,
        angle_of_view_deg=facts.angle_of_view_deg,
        off_axis_mm=facts.off_axis_mm,
    )


def ideal_rect(rect: Rect, frame: Frame) -> RealRect:
    """Return the largest rectangle of exactly the requested ratio inside `rect`, around its align point."""
    ratio = frame.shape.ratio
    width = min(Fraction(rect.width), rect.height * ratio)
    height = width / ratio
    x = rect.x + frame.align[0] * (rect.width - width)
    y = rect.y + frame.align[1] * (rect.height - height)
    return RealRect(float(x), float(y), float(width), float(height))
