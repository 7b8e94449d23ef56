"""Regions: the part of the recorded raster that may be used, and which rectangles fit in it.

A region answers two questions, both exactly: does a rectangle lie inside it, and on which grid
places can a size, grown by its protection, lie. Lengths are recorded pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from tallwide.answers import Rect
from tallwide.geometry import Sides
from tallwide.job import Capture, Grid
from tallwide_service.core.snap import ceil_share, ceil_to_step, floor_to_step


@dataclass(frozen=True, slots=True)
class Region:
    """The usable part of one recorded raster."""

    box: Rect

    def holds(self, rect: Rect) -> bool:
        """Whether a rectangle of whole pixels lies inside; edges may touch."""
        return self.box.holds(rect)


def usable_region(capture: Capture) -> Region:
    """Return the region of a capture."""
    return Region(Rect(0, 0, capture.raster.width, capture.raster.height))


def protected(rect: Rect, protection: Sides) -> Rect:
    """Return a rectangle grown by its protection: ceil(share x side) whole pixels on each side."""
    left, right = ceil_share(protection.left, rect.width), ceil_share(protection.right, rect.width)
    top, bottom = ceil_share(protection.top, rect.height), ceil_share(protection.bottom, rect.height)
    return Rect(rect.x - left, rect.y - top, rect.width + left + right, rect.height + top + bottom)


@dataclass(frozen=True, slots=True)
class Span:
    """One axis of a region's box, the place step on it, and the protection before and after a side."""

    start: int
    stop: int
    step: int
    before: Fraction = Fraction(0)
    after: Fraction = Fraction(0)

    def places(self, side: int) -> tuple[int, int] | None:
        """Return the first and last grid place of a side with its protection; `None` where there is none."""
        first = ceil_to_step(self.start + ceil_share(self.before, side), self.step)
        last = floor_to_step(self.stop - ceil_share(self.after, side) - side, self.step)
        return (first, last) if first <= last else None

    def longest(self, step: int) -> int:
        """Return the longest side, a multiple of `step`, that has a place; 0 where none has."""
        fits, fails = 0, (self.stop - self.start) // step + 1
        while fails - fits > 1:
            middle = (fits + fails) // 2
            if self.places(middle * step) is None:
                fails = middle
            else:
                fits = middle
        return fits * step


def spans(box: Rect, grid: Grid, protection: Sides) -> tuple[Span, Span]:
    """Return the horizontal and the vertical span of a box."""
    return (
        Span(box.x, box.right, grid.x, protection.left, protection.right),
        Span(box.y, box.bottom, grid.y, protection.top, protection.bottom),
    )
