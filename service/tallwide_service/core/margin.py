"""Margins: whether an extraction has pixels to spare for what its deliverable needs.

Widths, heights and sides are upright. A verdict is decided in whole numbers: pixels times a
denominator against needed pixels times a numerator, never by comparing floats.
"""

from __future__ import annotations

from fractions import Fraction

from tallwide.answers import Axes, Extraction, Margin, Oversampling, Rect, ReframeRoom, Size
from tallwide.geometry import Sides, opposite_roll, upright_sides_to_recorded
from tallwide.job import Capture, Deliverable, Job, Raster, exact
from tallwide_service.core.extraction import Solution
from tallwide_service.core.optics import nyquist_lp_mm
from tallwide_service.core.region import Region, usable_region
from tallwide_service.core.verdict import verdict_of
from tallwide_service.core.viewing import eye_limit

Ratios = tuple[Fraction, Fraction]


def margins(job: Job, solution: Solution) -> tuple[Margin, ...]:
    """Return the margin of each extraction, in the order of the deliverables."""
    region = usable_region(job.capture)
    return tuple(
        margin(deliverable, extraction, job.capture, region)
        for deliverable, extraction in zip(job.deliverables, solution.extractions, strict=True)
    )


def margin(deliverable: Deliverable, extraction: Extraction, capture: Capture, region: Region | None = None) -> Margin:
    """Return what one extraction has to spare for its deliverable."""
    frame = extraction.upright_rect
    behind = photosites_behind(extraction.rect, capture)
    asked = exact(deliverable.minimum_oversampling)
    needed = deliverable.raster
    over = photo = None
    if needed is not None:
        over = (Fraction(frame.width, needed.width), Fraction(frame.height, needed.height))
        photo = (behind[0] / needed.width, behind[1] / needed.height)
    decided = None if over is None else verdict_of(min(over), asked)
    return Margin(
        deliverable=deliverable.label,
        pixels=Size(frame.width, frame.height),
        photosites=Size(float(behind[0]), float(behind[1])),
        needed=None if needed is None else Size(needed.width, needed.height),
        minimum_oversampling=deliverable.minimum_oversampling,
        oversampling=None if over is None else oversampling(over),
        spare_px=None if needed is None else spare_px(frame, needed, asked),
        spare_pct=None if over is None else float((min(over) / asked - 1) * 100),
        verdict=decided,
        enough=None if decided is None else decided != "short",
        photosite_oversampling=None if photo is None else oversampling(photo),
        photosite_verdict=None if photo is None else verdict_of(min(photo), asked),
        scale_to_delivery=None if over is None else Axes(float(1 / over[0]), float(1 / over[1])),
        reframe_room=reframe_room(
            extraction.rect,
            capture,
            region or usable_region(capture),
            scale=None if over is None else min(over) / asked,
        ),
        eye_limit=eye_limit(deliverable, extraction),
        nyquist_lp_mm=None if capture.photosite_pitch_um is None else nyquist_lp_mm(capture.photosite_pitch_um),
        detail_factor=capture.detail_factor,
        detail_oversampling=None if over is None else _with_detail(over, exact(capture.detail_factor)),
    )


def _with_detail(over: Ratios, factor: Fraction) -> Oversampling:
    """Return the oversampling that is left where a colour filter array takes detail."""
    return oversampling((over[0] * factor, over[1] * factor))


def photosites_behind(rect: Rect, capture: Capture) -> Ratios:
    """Return the photosites behind a recorded rectangle: upright width and height, exact."""
    imager, raster = capture.imager, capture.raster
    across = Fraction(rect.width * imager.width, raster.width)
    down = Fraction(rect.height * imager.height, raster.height)
    return (down, across) if capture.is_on_its_side else (across, down)


def oversampling(over: Ratios) -> Oversampling:
    """Return exact ratios as the answer carries them."""
    return Oversampling(float(over[0]), float(over[1]), float(min(over)))


def spare_px(frame: Rect, needed: Raster, asked: Fraction) -> Axes:
    """Return whole pixels beyond what is asked on each axis; negative where they are missing."""
    return Axes(
        frame.width - _ceil(asked * needed.width),
        frame.height - _ceil(asked * needed.height),
    )


def _ceil(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)


def reframe_room(rect: Rect, capture: Capture, region: Region, *, scale: Fraction | None) -> ReframeRoom:
    """Return how far a frame can be enlarged, and moved each way, upright, inside the region."""
    recorded = Sides(
        Fraction(_free_way(rect, region, -1, 0)),
        Fraction(_free_way(rect, region, 0, -1)),
        Fraction(_free_way(rect, region, 1, 0)),
        Fraction(_free_way(rect, region, 0, 1)),
    )
    left, top, right, bottom = upright_sides_to_recorded(recorded, opposite_roll(capture.roll))
    return ReframeRoom(
        scale=None if scale is None else float(scale),
        left=int(left),
        top=int(top),
        right=int(right),
        bottom=int(bottom),
    )


def _free_way(rect: Rect, region: Region, dx: int, dy: int) -> int:
    """Return by how many whole pixels a frame can be moved one way; a region is convex, so halving finds it."""
    raster = region.raster
    room = {
        (-1, 0): rect.x - raster.x,
        (1, 0): raster.right - rect.right,
        (0, -1): rect.y - raster.y,
        (0, 1): raster.bottom - rect.bottom,
    }[dx, dy]
    if region.is_plain:
        return room
    fits, fails = 0, room + 1
    while fails - fits > 1:
        middle = (fits + fails) // 2
        if region.holds(Rect(rect.x + dx * middle, rect.y + dy * middle, rect.width, rect.height)):
            fits = middle
        else:
            fails = middle
    return fits
