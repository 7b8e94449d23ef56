"""Pages: the display list of what is printed on paper, in mm, from which PDF and SVG are drawn.

Origin the sheet's top left, x right, y down. A page holds filled shapes and lines of text in
drawing order; every stroke is a filled shape, so that its edges lie exactly where they are said to.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from tallwide.answers import RealRect
from tallwide_service.render.palette import Colour
from tallwide_service.render.type_setting import text_width

Anchor = Literal["start", "middle", "end"]
Corner = tuple[float, float]
# Text is measured once at this size and scaled; glyph widths of an outline font are proportional.
_MEASURED_PX = 100


@dataclass(frozen=True, slots=True)
class Area:
    """Polygons of one colour, each by its corners; `kind` is the SVG class, `label` whom it belongs to.

    Filled by the non-zero rule: a polygon that runs the other way round inside another is a hole.
    """

    polygons: tuple[tuple[Corner, ...], ...]
    colour: Colour
    kind: str
    label: str | None = None
    opacity: float = 1.0
    clip: RealRect | None = None


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text: its baseline point, size of the em in mm, colour, anchor, clockwise turn in degrees."""

    text: str
    x: float
    y: float
    size_mm: float
    colour: Colour
    anchor: Anchor = "start"
    turn: int = 0

    @property
    def width_mm(self) -> float:
        """Width of the line."""
        return width_mm(self.text, self.size_mm)


@dataclass(frozen=True, slots=True)
class Photo:
    """A photograph as JPEG and the place that it fills."""

    jpeg: bytes
    place: RealRect


Item = Area | Words | Photo


@dataclass(frozen=True, slots=True)
class Page:
    """A sheet of paper and what is printed on it."""

    width_mm: float
    height_mm: float
    title: str
    description: str
    items: tuple[Item, ...]


def width_mm(text: str, size_mm: float) -> float:
    """Return the width of one line of text, mm."""
    return text_width(text, _MEASURED_PX) * size_mm / _MEASURED_PX


def oblong(x: float, y: float, width: float, height: float) -> tuple[Corner, ...]:
    """Return the corners of a rectangle."""
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def areas(
    polygons: Iterable[tuple[Corner, ...]], colour: Colour, kind: str, label: str | None = None
) -> tuple[Area, ...]:
    """Return polygons as one item; nothing where there are none."""
    kept = tuple(polygons)
    return (Area(kept, colour, kind, label),) if kept else ()


def wrapped(text: str, size_mm: float, most_mm: float) -> list[str]:
    """Return a text in lines that are not wider than there is room; a word that is wider is broken."""
    lines: list[str] = []
    for paragraph in text.splitlines() or [""]:
        line = ""
        for word in paragraph.split():
            longer = f"{line} {word}" if line else word
            if width_mm(longer, size_mm) <= most_mm:
                line = longer
                continue
            if line:
                lines.append(line)
            line = word
            while width_mm(line, size_mm) > most_mm and len(line) > 1:
                cut = max(fitting(line, size_mm, most_mm), 1)
                lines.append(line[:cut])
                line = line[cut:]
        lines.append(line)
    return lines


def shortened(text: str, size_mm: float, most_mm: float) -> str:
    """Return a line of text cut with an ellipsis where it is wider than there is room."""
    if width_mm(text, size_mm) <= most_mm:
        return text
    return text[: fitting(text, size_mm, most_mm - width_mm("…", size_mm))] + "…"


def fitting(text: str, size_mm: float, most_mm: float) -> int:
    """Return how many of a text's first characters there is room for; few looks, however long it is."""
    return max(bisect_right(range(len(text) + 1), most_mm, key=lambda count: width_mm(text[:count], size_mm)) - 1, 0)
