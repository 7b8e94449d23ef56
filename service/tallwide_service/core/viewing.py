"""Viewing: how many of a picture's rows can be seen where it is shown, and what limits them.

Lengths are mm. An eye of one arc minute is that of ITU-R BT.500's design viewing distance: two
neighbouring rows are one arc minute apart, at the screen's centre. A count of rows is rounded down.
"""

from __future__ import annotations

import math
from fractions import Fraction

from tallwide.answers import Extraction, EyeLimit
from tallwide.job import Deliverable, Display, Number, exact
from tallwide_service.core.optics import ARC_MINUTE_DEG
from tallwide_service.core.verdict import verdict_of

INCH_MM = Fraction(254, 10)


def eye_limit(deliverable: Deliverable, extraction: Extraction) -> EyeLimit | None:
    """Return what can be seen of a deliverable; `None` where nothing is said of where it is shown.

    Of equal limits the one nearer to the viewer is named: the eye, the screen, the delivery.
    """
    display = deliverable.display
    if display is None:
        return None
    delivered = None if deliverable.raster is None else deliverable.raster.height
    extracted = extraction.upright_rect.height
    eye = None
    if display.height_mm is not None and display.viewing_distance_mm is not None:
        eye = resolvable_rows(display.height_mm, display.viewing_distance_mm)
    screen = screen_rows(display, deliverable.ratio)
    known = {"eye": eye, "screen": screen, "delivery": delivered}
    limits = {name: rows for name, rows in known.items() if rows is not None}
    asked = min(limits.values(), default=extracted)
    limited_by = min({**limits, "extraction": extracted}.items(), key=lambda item: item[1])[0]
    return EyeLimit(
        rows=eye,
        screen_rows=screen,
        rows_delivered=delivered,
        rows_extracted=extracted,
        limited_by=limited_by,  # type: ignore[arg-type] # one of the four names above
        verdict=verdict_of(extracted, asked),
        extraction_enough_from_mm=None if eye is None else enough_from_mm(display.height_mm, extracted),
        delivered_pixels_per_inch=None if delivered is None else pixels_per_inch(delivered, display.height_mm),
        extracted_pixels_per_inch=pixels_per_inch(extracted, display.height_mm),
    )


def resolvable_rows(height_mm: Number, distance_mm: Number) -> int:
    """Return how many rows an eye of one arc minute tells apart on a picture so high, from so far.

    ITU-R BT.500 defines the design viewing distance by one arc minute a line; visual acuity 6/6.

    Examples
    --------
    >>> resolvable_rows(1720, 4000)
    1478
    """
    return int(height_mm / row_mm(distance_mm))


def row_mm(distance_mm: float) -> float:
    """Return how far apart two rows are that the eye just tells apart from a distance."""
    return 2 * distance_mm * math.tan(math.radians(ARC_MINUTE_DEG / 2))


def enough_from_mm(height_mm: Number | None, rows: int) -> float | None:
    """Return the distance from which the eye tells no more than so many rows apart."""
    return None if height_mm is None else height_mm / (rows * row_mm(1))


def screen_rows(display: Display, ratio: Fraction) -> int | None:
    """Return the rows of the screen that the picture fills, whole: an LED wall's, or a hand-held screen's."""
    if display.screen is not None:
        return int(min(Fraction(display.screen.height), display.screen.width / ratio))
    if display.pixel_pitch_mm is not None and display.height_mm is not None:
        return int(exact(display.height_mm) / exact(display.pixel_pitch_mm))
    return None


def pixels_per_inch(rows: int, height_mm: Number | None) -> float | None:
    """Return how many rows an inch of the picture's height has, as printers count."""
    return None if height_mm is None else float(rows * INCH_MM / exact(height_mm))
