"""Dial-in: a frame as the numbers that are typed by hand into a monitor or finder.

Every number is the multiple of the device's step nearest to the exact one (half a step: away from
zero); what that costs is the distance of each edge, as dialled, from where it belongs. Exact
arithmetic throughout; places from the centre are of the frame's own centre, x right, y down.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from tallwide.answers import DialIns, DialRow, EdgeErrors, Extraction, FeedPlace, RealRect
from tallwide.job import DialIn, Job, Picture, exact
from tallwide_service.core.view import Box, View, feed_view, recorded_view, upright_view, view_of


def dial_in(job: Job, extractions: tuple[Extraction, ...]) -> tuple[FeedPlace, tuple[DialIns, ...]]:
    """Return where the recording stands in the feed, and each frame's numbers.

    The feed is the job's monitor; without one, the picture itself. Numbers for the recording are
    of the upright picture where the feed is turned or the upright view is asked for.
    """
    steps = job.dial_in or DialIn()
    picture = job.picture or Picture(view="recorded")
    feed = feed_view(job.capture, picture.monitor) if picture.monitor else view_of(job, extractions, picture)
    recording = recorded_view(job.capture) if feed.roll == 0 else upright_view(job.capture)
    place = FeedPlace(feed.width, feed.height, real_rect(feed.recording))
    return place, tuple(frame_numbers(extraction, feed, recording, steps) for extraction in extractions)


def frame_numbers(extraction: Extraction, feed: View, recording: View, steps: DialIn) -> DialIns:
    """Return all rows of one frame: feed and recording, pixels and percent, from corner and centre."""
    box = feed.box(extraction.rect)
    rows = (
        *rows_of("feed", box, feed, steps),
        *rows_of("recording", recording.box(extraction.rect), recording, steps),
    )
    whole = box.left >= 0 and box.top >= 0 and box.right <= feed.width and box.bottom <= feed.height
    return DialIns(extraction.deliverable, real_rect(box), whole, rows)


def rows_of(picture: str, box: Box, view: View, steps: DialIn) -> Iterator[DialRow]:
    """Yield the four rows of one picture."""
    for unit, step, unit_px in (
        ("px", exact(steps.step_px), (Fraction(1), Fraction(1))),
        ("percent", exact(steps.step_pct), (Fraction(view.width, 100), Fraction(view.height, 100))),
    ):
        width, height = nearest(box.width / unit_px[0], step), nearest(box.height / unit_px[1], step)
        corner = nearest(box.left / unit_px[0], step), nearest(box.top / unit_px[1], step)
        dialled = Box(corner[0], corner[1], corner[0] + width, corner[1] + height)
        yield row(picture, unit, "corner", step, (*corner, width, height), errors(dialled, unit_px, box))
        middle = (
            nearest(((box.left + box.right) / 2 - Fraction(view.width, 2)) / unit_px[0], step),
            nearest(((box.top + box.bottom) / 2 - Fraction(view.height, 2)) / unit_px[1], step),
        )
        half = view.width / unit_px[0] / 2, view.height / unit_px[1] / 2
        dialled = Box(
            half[0] + middle[0] - width / 2,
            half[1] + middle[1] - height / 2,
            half[0] + middle[0] + width / 2,
            half[1] + middle[1] + height / 2,
        )
        yield row(picture, unit, "centre", step, (*middle, width, height), errors(dialled, unit_px, box))


def nearest(value: Fraction, step: Fraction) -> Fraction:
    """Return the multiple of `step` nearest to a value; half a step goes away from zero.

    Examples
    --------
    >>> nearest(Fraction("12.34"), Fraction("0.1")), nearest(Fraction(-5, 2), Fraction(1))
    (Fraction(123, 10), Fraction(-3, 1))
    """
    steps = abs(value) / step
    whole = (2 * steps.numerator + steps.denominator) // (2 * steps.denominator)
    return (whole if value >= 0 else -whole) * step


def errors(dialled: Box, unit_px: tuple[Fraction, Fraction], box: Box) -> tuple[Fraction, ...]:
    """Return how far each edge, as dialled, lies from its place: px, to the right and down positive."""
    return (
        dialled.left * unit_px[0] - box.left,
        dialled.top * unit_px[1] - box.top,
        dialled.right * unit_px[0] - box.right,
        dialled.bottom * unit_px[1] - box.bottom,
    )


def row(
    picture: str, unit: str, origin: str, step: Fraction, numbers: tuple[Fraction, ...], off: tuple[Fraction, ...]
) -> DialRow:
    """Return one row as the answer carries it; a decimal step gives decimals that read as they are typed."""
    x, y, width, height = (plain(number) for number in numbers)
    return DialRow(
        picture,  # type: ignore[arg-type]
        unit,  # type: ignore[arg-type]
        origin,  # type: ignore[arg-type]
        plain(step),
        x,
        y,
        width,
        height,
        EdgeErrors(*(float(edge) for edge in off)),
        float(max(abs(edge) for edge in off)),
    )


def plain(number: Fraction) -> float:
    """Return a number as JSON carries it: whole where it is whole."""
    return int(number) if number.denominator == 1 else float(number)


def real_rect(box: Box) -> RealRect:
    """Return a box as a place and a size."""
    return RealRect(plain(box.left), plain(box.top), plain(box.width), plain(box.height))
