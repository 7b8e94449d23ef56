"""Scenes: the display list of an overlay, from which every picture of it is drawn.

A scene has the size of its picture and holds, in drawing order: rings, which are outlines of convex
shapes; bands, which are solid rectangles of whole pixels (every line, dash, tick, cross and shade
is made of them); and plates, which are labels. All but shades is opaque, and shades lie under
everything else, so that each writer comes to the same pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tallwide.answers import Rect
from tallwide.job import Roll, Theme
from tallwide_service.render.palette import Colour

BandKind = Literal[
    "shade",
    "edge",
    "centre-edge",
    "line",
    "tick",
    "protection",
    "centre",
    "common-area",
    "safe-area",
    "subject",
    "swatch",
]
RingKind = Literal["image-circle", "usable-area", "edge"]
Spans = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Band:
    """A solid rectangle of whole pixels; `frame` is the place of the deliverable that it belongs to, if any."""

    kind: BandKind
    frame: int | None
    rect: Rect
    colour: Colour
    alpha: int = 255


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse whose axes lie along the picture's."""

    x: float
    y: float
    across: float
    down: float

    @property
    def reach(self) -> tuple[float, float]:
        """Top and bottom."""
        return self.y - self.down, self.y + self.down

    def spans(self, rows: Spans) -> tuple[Spans, Spans]:
        """Return where some horizontal lines enter and leave; the first is not below the second where they miss."""
        inside = 1 - ((rows - self.y) / self.down) ** 2
        half = self.across * np.sqrt(np.maximum(inside, 0))
        half[inside <= 0] = -1
        return self.x - half, self.x + half


@dataclass(frozen=True, slots=True)
class Polygon:
    """A convex polygon by its corners."""

    corners: tuple[tuple[float, float], ...]

    @property
    def reach(self) -> tuple[float, float]:
        """Top and bottom."""
        ys = [y for _, y in self.corners]
        return min(ys), max(ys)

    def spans(self, rows: Spans) -> tuple[Spans, Spans]:
        """Return where some horizontal lines enter and leave; the first is not below the second where they miss."""
        first, last = np.full(len(rows), np.inf), np.full(len(rows), -np.inf)
        for (ax, ay), (bx, by) in zip(self.corners, (*self.corners[1:], self.corners[0]), strict=True):
            if ay == by:
                continue
            crossed = (rows >= min(ay, by)) & (rows < max(ay, by))
            at = ax + (rows - ay) * (bx - ax) / (by - ay)
            first = np.where(crossed, np.minimum(first, at), first)
            last = np.where(crossed, np.maximum(last, at), last)
        return first, last


@dataclass(frozen=True, slots=True)
class Ring:
    """What lies inside `outer` and not inside `inner`: the outline of a convex shape, wholly outside of it."""

    kind: RingKind
    colour: Colour
    outer: Ellipse | Polygon
    inner: Ellipse | Polygon


@dataclass(frozen=True, slots=True)
class TextLine:
    """One line of a plate: left edge and baseline from the plate's upright top-left corner, width, size; px."""

    text: str
    left: int
    baseline: int
    width: int
    size: int


@dataclass(frozen=True, slots=True)
class Plate:
    """A label: a plate with a sample of its line and upright text, turned back by `turn` degrees.

    `rect` lies on the picture that the scene draws; `swatch` and `lines` count from the upright
    plate's top-left corner.
    """

    kind: Literal["label", "tag"]
    frame: int | None
    rect: Rect
    turn: Roll
    colour: Colour
    swatch: tuple[Rect, ...]
    lines: tuple[TextLine, ...]

    @property
    def size(self) -> tuple[int, int]:
        """Upright width and height."""
        return (self.rect.height, self.rect.width) if self.turn in (90, 270) else (self.rect.width, self.rect.height)

    @property
    def corner(self) -> tuple[int, int]:
        """Where the upright plate's top-left corner lies on the picture."""
        rect = self.rect
        return {
            0: (rect.x, rect.y),
            90: (rect.x, rect.bottom),
            180: (rect.right, rect.bottom),
            270: (rect.right, rect.y),
        }[self.turn]


@dataclass(frozen=True, slots=True)
class Scene:
    """A picture to draw: its size, its words for those who cannot see it, and its things in drawing order."""

    width: int
    height: int
    title: str
    description: str
    labels: tuple[str, ...]
    bands: tuple[Band, ...]
    rings: tuple[Ring, ...]
    plates: tuple[Plate, ...]
    theme: Theme = "dark"
    id_prefix: str = "tallwide"
