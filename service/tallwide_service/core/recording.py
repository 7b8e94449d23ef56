"""Recording: what a mode records at its frame rate, and how much data that is.

Lines are recorded pixels; data are megabytes of 10^6 bytes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from math import gcd

from tallwide.answers import DataVolume
from tallwide.job import Capture, Number, Production, Raster, exact
from tallwide_service.errors import CannotBeMet, Fault

Corner = tuple[Fraction, Fraction]


def as_recorded(capture: Capture, pointer: str = "/capture") -> Capture:
    """Return a capture with the lines that its mode records at its frame rate, centred on its full height.

    The shape of a pixel is kept: of a mode that scales, the most lines that are whole photosites.

    Raises
    ------
    CannotBeMet
        If the mode states no height for so high a rate.

    Examples
    --------
    >>> from tallwide.job import RateLimit
    >>> limits = (RateLimit(60, 3200), RateLimit(120, 1600))
    >>> as_recorded(Capture(Raster(4800, 3200), frames_per_second=100, rate_limits=limits)).raster.height
    1600
    """
    if not capture.rate_limits or capture.frames_per_second is None:
        return capture
    rate = exact(capture.frames_per_second)
    heights = [limit.height for limit in capture.rate_limits if exact(limit.frames_per_second) >= rate]
    if not heights:
        fastest = max(exact(limit.frames_per_second) for limit in capture.rate_limits)
        detail = f"the mode records up to {float(fastest):g} frames per second, not {float(rate):g}"
        raise CannotBeMet(detail, (Fault(f"{pointer}/frames_per_second", detail),))
    return with_lines(capture, max(heights), pointer)


def refuse_lines_not_recorded(capture: Capture) -> None:
    """Refuse to place frames on lines that the mode does not record at its frame rate.

    Raises
    ------
    CannotBeMet
        If the raster is the mode's full one, and its frame rate leaves fewer lines.
    """
    if not capture.rate_limits:
        return
    recorded = as_recorded(capture).raster
    if recorded != capture.raster:
        detail = (
            f"at {capture.frames_per_second:g} frames per second this mode records {recorded.height:,} of its "
            f"{capture.raster.height:,} lines: give the raster that is recorded"
        )
        raise CannotBeMet(detail, (Fault("/capture/raster/height", detail),))


def with_lines(capture: Capture, lines: int, pointer: str = "/capture") -> Capture:
    """Return a capture that records the middle lines of its raster, at most so many."""
    raster, imager = capture.raster, capture.imager
    if lines >= raster.height:
        return capture
    step = raster.height // gcd(raster.height, imager.height)
    kept = lines // step * step
    if kept == 0:
        detail = f"{lines} lines are no whole number of photosites"
        raise CannotBeMet(detail, (Fault(f"{pointer}/rate_limits", detail),))
    photosites = capture.photosites and Raster(imager.width, imager.height * kept // raster.height)
    return replace(
        capture,
        raster=Raster(raster.width, kept),
        photosites=photosites,
        usable_area=_shifted(capture.usable_area, raster.height, kept, pointer),
        readout_ms=None if capture.readout_ms is None else float(exact(capture.readout_ms) * kept / raster.height),
        rate_limits=None,
    )


def _shifted(
    area: tuple[tuple[Number, Number], ...] | None, lines: int, kept: int, pointer: str
) -> tuple[tuple[Number, Number], ...] | None:
    """Return a convex usable area cut to the middle lines, in their own coordinates."""
    if area is None:
        return None
    above = Fraction(lines - kept, 2)
    corners = [(exact(x), exact(y) - above) for x, y in area]
    for bound, inside_is_below in ((Fraction(0), True), (Fraction(kept), False)):
        corners = _cut(corners, bound, inside_is_below=inside_is_below)
    if len(corners) < 3:
        detail = "the lines that are recorded at this frame rate do not meet the usable area"
        raise CannotBeMet(detail, (Fault(f"{pointer}/usable_area", detail),))
    # A corner that the cut made has any rational x; a millionth of a pixel is nearer than any grid.
    return tuple((float(round(x, 6)), float(y)) for x, y in corners)


def _cut(corners: list[Corner], bound: Fraction, *, inside_is_below: bool) -> list[Corner]:
    """Return a polygon's part on one side of a level line (Sutherland and Hodgman, 1974)."""

    def is_in(corner: Corner) -> bool:
        return corner[1] >= bound if inside_is_below else corner[1] <= bound

    kept: list[Corner] = []
    for i, corner in enumerate(corners):
        before = corners[i - 1]
        if is_in(before) != is_in(corner):
            share = (bound - before[1]) / (corner[1] - before[1])
            kept.append((before[0] + share * (corner[0] - before[0]), bound))
        if is_in(corner):
            kept.append(corner)
    return [corner for i, corner in enumerate(kept) if corner != kept[i - 1]]


def data_volume(captures: Iterable[Capture], production: Production | None) -> DataVolume | None:
    """Return what passes record together; `None` without a data rate of each. A day is all takes of all shots."""
    a_minute = megabytes_a_minute(captures)
    if a_minute is None:
        return None
    take = None if production is None or production.minutes_per_take is None else exact(production.minutes_per_take)
    rolling = None if production is None else rolling_minutes(production)
    return DataVolume(
        float(a_minute),
        None if take is None else float(a_minute * take),
        None if rolling is None else float(a_minute * rolling),
    )


def megabytes_a_minute(captures: Iterable[Capture]) -> Fraction | None:
    """Return what a minute of each capture records in all, exact; `None` where one has no data rate."""
    total = Fraction(0)
    for capture in captures:
        if capture.data_rate_mb_s is None:
            return None
        total += 60 * exact(capture.data_rate_mb_s)
    return total


def rolling_minutes(production: Production) -> Fraction | None:
    """Return the minutes that the camera rolls in one pass of all shots; `None` where a take's are not known."""
    if production.minutes_per_take is None:
        return None
    return exact(production.minutes_per_take) * (production.shots or 1) * (production.takes_per_shot or 1)
