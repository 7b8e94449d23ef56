"""Scenes: the display list of an overlay, from which every picture of it is drawn.

A scene has the size of the recorded raster and holds two kinds of things: bands, which are solid
rectangles of whole pixels (every line, dash, tick and cross is made of them), and plates, which
are labels. All is opaque, so that each writer comes to the same pixels. Layout is done in the
upright picture and turned to the recorded raster at the end, so that labels read upright.

A frame's line lies wholly outside its extraction, its inner edge on the extraction's edge; where
less room is left outside than the line is thick, the line is as thick as the room. Where a frame
meets the edge of the picture there is no outside: short ticks stand inside its corners, and its
label says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tallwide.answers import Extraction, Rect
from tallwide.geometry import recorded_to_upright, upright_to_recorded
from tallwide.job import Capture, Job
from tallwide_service.render.palette import EDGE, Colour, frame_colour, frame_dashes
from tallwide_service.render.type_setting import ascent, fitted, line_height, text_width

BandKind = Literal["edge", "line", "tick", "protection", "centre"]
SideName = Literal["left", "top", "right", "bottom"]
SIDES: tuple[SideName, ...] = ("left", "top", "right", "bottom")
PROTECTION_DASHES = (4, 4)
# A line of text this many lines high reads well on a monitor of 1,080 lines; guess, judged by eye.
TEXT_LINES_OF_1080 = 20
LINE_LINES_OF_1080 = 3
SMALLEST_TEXT_PX = 7


@dataclass(frozen=True, slots=True)
class Band:
    """A solid rectangle of whole pixels; `frame` is the place of the deliverable it belongs to."""

    kind: BandKind
    frame: int
    rect: Rect
    colour: Colour


@dataclass(frozen=True, slots=True)
class TextLine:
    """One line of a plate: its left edge and baseline from the plate's upright top-left corner, and its width."""

    text: str
    left: int
    baseline: int
    width: int


@dataclass(frozen=True, slots=True)
class Plate:
    """A label: a dark plate with a swatch of the frame's line and upright text, turned by `turn` degrees.

    `rect` lies on the picture that the scene draws; `size` is the upright width and height.
    """

    frame: int
    rect: Rect
    turn: int
    text_px: int
    lines: tuple[TextLine, ...]

    @property
    def size(self) -> tuple[int, int]:
        """Upright width and height."""
        return (self.rect.height, self.rect.width) if self.turn in (90, 270) else (self.rect.width, self.rect.height)


@dataclass(frozen=True, slots=True)
class Scene:
    """A picture to draw: its size, its words for those who cannot see it, and its things in drawing order."""

    width: int
    height: int
    title: str
    description: str
    labels: tuple[str, ...]
    bands: tuple[Band, ...]
    plates: tuple[Plate, ...]


def overlay_scene(
    job: Job,
    extractions: Sequence[Extraction],
    *,
    line_px: int | None = None,
    labels: bool = True,
    centre_marks: bool = True,
    protection: bool = True,
) -> Scene:
    """Return the overlay of a job's extractions on its recorded raster.

    Parameters
    ----------
    line_px
        Thickness of lines; 3 lines of 1,080 where left out.
    """
    capture = job.capture
    picture = Rect(0, 0, capture.upright_raster.width, capture.upright_raster.height)
    line = line_px or max(1, round(_monitor_height(picture) * LINE_LINES_OF_1080 / 1080))
    bands = [
        band
        for index, extraction in enumerate(extractions)
        for band in _frame_bands(index, extraction, capture, picture, line, centre_marks, protection)
    ]
    # Dark edges first, so that none covers another frame's line.
    bands.sort(key=lambda band: band.kind != "edge")
    plates = _plates(extractions, picture, line) if labels else ()
    return Scene(
        width=capture.raster.width,
        height=capture.raster.height,
        title=f"Framing of {job.id}" if job.id else "Framing",
        description="; ".join(_sentence(extraction) for extraction in extractions),
        labels=tuple(extraction.deliverable for extraction in extractions),
        bands=tuple(replace(band, rect=upright_to_recorded(band.rect, capture)) for band in bands),
        plates=tuple(
            replace(plate, rect=upright_to_recorded(plate.rect, capture), turn=capture.roll) for plate in plates
        ),
    )


def _monitor_height(picture: Rect) -> float:
    """Return the height, in picture pixels, of a 16:9 monitor that shows the whole picture."""
    return max(picture.height, picture.width * 9 / 16)


def _sentence(extraction: Extraction) -> str:
    rect = extraction.rect
    return f"{extraction.deliverable}: {rect.width} x {rect.height} px at x {rect.x}, y {rect.y}"


def _frame_bands(
    index: int,
    extraction: Extraction,
    capture: Capture,
    picture: Rect,
    line: int,
    centre_marks: bool,
    protection: bool,
) -> Iterator[Band]:
    """Yield the bands of one frame in the upright picture."""
    frame, colour = extraction.upright_rect, frame_colour(index)
    guarded = recorded_to_upright(extraction.protection_rect, capture)
    thin, lined = max(1, line // 2), _grown(frame, line, picture)
    for side in SIDES:
        outside = _outside(frame, side, line, picture)
        if outside is None:
            for tick in _ticks(frame, side, line):
                yield Band("tick", index, tick, colour)
            continue
        yield from (Band("line", index, dash, colour) for dash in _dashed(outside, side, frame_dashes(index), line))
        edge = _outside(lined, side, thin, picture)
        if edge is not None:
            yield Band("edge", index, edge, EDGE)
        if protection and guarded != frame:
            clear = _outside(guarded, side, thin, picture)
            if clear is not None:
                dashes = _dashed(clear, side, PROTECTION_DASHES, line)
                yield from (Band("protection", index, dash, colour) for dash in dashes)
    if centre_marks:
        yield from (Band("centre", index, arm, colour) for arm in _cross(frame, line))


def _outside(frame: Rect, side: SideName, line: int, picture: Rect) -> Rect | None:
    """Return the band of a line outside one side, corners included; `None` where there is no room."""
    left, top = max(frame.x - line, picture.x), max(frame.y - line, picture.y)
    right, bottom = min(frame.right + line, picture.right), min(frame.bottom + line, picture.bottom)
    band = {
        "left": Rect(left, top, frame.x - left, bottom - top),
        "top": Rect(left, top, right - left, frame.y - top),
        "right": Rect(frame.right, top, right - frame.right, bottom - top),
        "bottom": Rect(left, frame.bottom, right - left, bottom - frame.bottom),
    }[side]
    return band if band.width > 0 and band.height > 0 else None


def _grown(frame: Rect, line: int, picture: Rect) -> Rect:
    """Return a frame with its line, inside the picture."""
    x, y = max(frame.x - line, picture.x), max(frame.y - line, picture.y)
    return Rect(x, y, min(frame.right + line, picture.right) - x, min(frame.bottom + line, picture.bottom) - y)


def _ticks(frame: Rect, side: SideName, line: int) -> tuple[Rect, ...]:
    """Return the inward corner ticks of a side that has no outside."""
    across, down = min(line, frame.width), min(line, frame.height)
    long_x, long_y = min(12 * line, frame.width // 4 or 1), min(12 * line, frame.height // 4 or 1)
    if side in ("left", "right"):
        x = frame.x if side == "left" else frame.right - across
        return (Rect(x, frame.y, across, long_y), Rect(x, frame.bottom - long_y, across, long_y))
    y = frame.y if side == "top" else frame.bottom - down
    return (Rect(frame.x, y, long_x, down), Rect(frame.right - long_x, y, long_x, down))


def _dashed(band: Rect, side: SideName, dashes: tuple[int, ...], line: int) -> Iterator[Rect]:
    """Yield the marks of a band, from its start; one solid mark where there are no dashes."""
    if not dashes:
        yield band
        return
    is_upright = side in ("left", "right")
    place, end = (band.y, band.bottom) if is_upright else (band.x, band.right)
    step = 0
    while place < end:
        length = min(dashes[step % len(dashes)] * line, end - place)
        if step % 2 == 0:
            if is_upright:
                yield Rect(band.x, place, band.width, length)
            else:
                yield Rect(place, band.y, length, band.height)
        place += length
        step += 1


def _cross(frame: Rect, line: int) -> tuple[Rect, ...]:
    """Return the two arms of a frame's centre mark, as near to its exact centre as whole pixels allow."""
    thick = max(1, line // 2)
    arm = min(8 * line, frame.width // 4, frame.height // 4)
    if arm <= thick:
        return ()
    centre_x, centre_y = frame.x + frame.width // 2, frame.y + frame.height // 2
    return (
        Rect(centre_x - arm, centre_y - thick // 2, 2 * arm, thick),
        Rect(centre_x - thick // 2, centre_y - arm, thick, 2 * arm),
    )


def _plates(extractions: Sequence[Extraction], picture: Rect, line: int) -> tuple[Plate, ...]:
    """Return the labels that find a free place in the upright picture, smaller ones where room is short."""
    text_px = max(SMALLEST_TEXT_PX, round(_monitor_height(picture) * TEXT_LINES_OF_1080 / 1080))
    while text_px >= SMALLEST_TEXT_PX:
        plates = _laid_out(extractions, picture, line, text_px)
        if plates is not None:
            return plates
        text_px = text_px * 7 // 8
    return ()


def _laid_out(extractions: Sequence[Extraction], picture: Rect, line: int, text_px: int) -> tuple[Plate, ...] | None:
    """Return all labels at one text size, or `None` where one has no place."""
    plates: list[Plate] = []
    for index, extraction in enumerate(extractions):
        plate = _plate(index, extraction, picture, text_px)
        places = _places(extraction.upright_rect, plate.rect, picture, 3 * line)
        free = (place for place in places if not any(_overlap(place, other.rect) for other in plates))
        place = next(free, None)
        if place is None:
            return None
        plates.append(replace(plate, rect=place))
    return tuple(plates)


def _plate(index: int, extraction: Extraction, picture: Rect, text_px: int) -> Plate:
    """Return a label of its final size at no place yet."""
    pad, most = text_px // 2, picture.width - 2 * text_px
    swatch = 2 * text_px
    frame = extraction.upright_rect
    texts = [extraction.deliverable, f"{frame.width:,} x {frame.height:,} px   {extraction.aspect.achieved:.4g}"]
    met = [side for side in SIDES if _outside(frame, side, 1, picture) is None]
    if met:
        texts.append("at the edge: " + ", ".join(met))
    texts = [fitted(text, text_px, max(most - swatch - pad, 0)) for text in texts]
    lines = tuple(
        TextLine(text, swatch + pad, pad // 2 + row * line_height(text_px) + ascent(text_px), text_width(text, text_px))
        for row, text in enumerate(texts)
    )
    width = swatch + 2 * pad + max(line.width for line in lines)
    return Plate(index, Rect(0, 0, width, pad + len(lines) * line_height(text_px)), 0, text_px, lines)


def _places(frame: Rect, plate: Rect, picture: Rect, inset: int) -> Iterator[Rect]:
    """Yield where a label may go: inside the frame's corners, then down its sides, then anywhere."""
    left, right = frame.x + inset, frame.right - inset - plate.width
    top, bottom = frame.y + inset, frame.bottom - inset - plate.height
    corners = [(left, top), (right, top), (left, bottom), (right, bottom)]
    sides = [(x, y) for y in range(top, max(bottom, top) + 1, plate.height + inset) for x in (left, right)]
    anywhere = (
        (x, y)
        for y in range(picture.y + inset, max(picture.bottom - plate.height, inset) + 1, plate.height + inset)
        for x in range(picture.x + inset, max(picture.right - plate.width, inset) + 1, plate.width + inset)
    )
    for x, y in (*corners, *sides, *anywhere):
        place = Rect(x, y, plate.width, plate.height)
        if picture.holds(place):
            yield place


def _overlap(one: Rect, other: Rect) -> bool:
    return one.x < other.right and other.x < one.right and one.y < other.bottom and other.y < one.bottom
