"""Regions: the part of the recorded raster that may be used, and what lies inside it. All exact.

A region is the raster, cut by what the lens covers (a circle, a rectangle) and by a convex usable
area. A rectangle lies in it where its four corners do, and corners are whole pixels, so a curved
region is kept as the first and the last row of each column that lie inside: whole numbers, decided
in rational arithmetic.
Lengths are recorded pixels, origin top left, y down.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import ceil, floor
from typing import NamedTuple

import numpy as np

from tallwide.answers import Rect
from tallwide.geometry import Sides, covered_area_px, image_circle_px, region_box
from tallwide.job import Capture, Grid, exact
from tallwide_service.core.snap import ceil_share, ceil_to_step, floor_to_step
from tallwide_service.errors import CannotBeMet, Fault

# Doubles place a row to far better than this; what comes nearer to a whole number is decided exactly.
_NEAR = 1e-4
_RAREST = 1e-9
# The same for straight lines, which doubles place still better, if they are no steeper than this.
_NEAREST, _STEEPEST = 1e-9, 1e15


class Box(NamedTuple):
    """A rectangle whose edges need not lie on pixels."""

    left: Fraction
    top: Fraction
    right: Fraction
    bottom: Fraction


@dataclass(frozen=True, slots=True)
class Circle:
    """The image circle on the recorded raster, where it may be an ellipse: centre and half axes, px."""

    x: Fraction
    y: Fraction
    half_width: Fraction
    half_height: Fraction

    name = "image_circle"

    def holds(self, x: int, y: int) -> bool:
        """Whether a corner of pixels lies inside or on the circle."""
        # Everything times all denominators: fractions would take twenty times as long.
        (left, of_left), (top, of_top) = self.x.as_integer_ratio(), self.y.as_integer_ratio()
        (wide, of_wide), (high, of_high) = self.half_width.as_integer_ratio(), self.half_height.as_integer_ratio()
        across = (x * of_left - left) * of_top * high * of_wide
        down = (y * of_top - top) * of_left * wide * of_high
        return across * across + down * down <= (wide * high * of_left * of_top) ** 2

    def cut(self, columns: Columns) -> None:
        """Take away the rows outside the circle."""
        half_height, middle = float(self.half_height), float(self.y)
        places = np.arange(len(columns.first), dtype=np.float64)
        off = (places - float(self.x)) / float(self.half_width)
        left = 1 - off * off
        depth = np.sqrt(np.maximum(left, _RAREST))
        reach = depth * half_height
        upper, lower = middle + reach, middle - reach
        # What doubles may be wrong by: the root is steep near the circle's ends, and large numbers are coarse.
        slack = _NEAR + 1e-14 * (half_height * (1 + np.abs(off)) / depth + abs(middle))
        is_out = left < -_RAREST * (1 + off * off)
        doubtful = np.abs(left) <= _RAREST * (1 + off * off)
        doubtful |= np.abs(upper - np.rint(upper)) < slack
        doubtful |= np.abs(lower - np.rint(lower)) < slack
        doubtful &= ~is_out
        ends = -2.0, columns.height + 2.0
        first = np.ceil(np.clip(lower, *ends)).astype(np.int64)
        last = np.floor(np.clip(upper, *ends)).astype(np.int64)
        first[is_out], last[is_out] = 1, 0
        for column in np.flatnonzero(doubtful).tolist():
            top, bottom = self._rows(column)
            first[column], last[column] = max(top, -2), min(bottom, columns.height + 2)
        columns.keep(first, last)

    def _rows(self, column: int) -> tuple[int, int]:
        """Return the first and last row of a column, exactly; 1 and 0 where there is none.

        In whole parts of a pixel, (row d - y)^2 <= (b^2 (a^2 - (column d - x)^2)) / a^2; the largest whole
        number below the root of a fraction is that below the root of its whole part.
        """
        parts = math.lcm(*(each.denominator for each in (self.x, self.y, self.half_width, self.half_height)))
        x, y, a, b = (int(each * parts) for each in (self.x, self.y, self.half_width, self.half_height))
        inside = a * a - (column * parts - x) ** 2
        if inside < 0:
            return 1, 0
        reach = math.isqrt(b * b * inside // (a * a))
        return -((reach - y) // parts), (y + reach) // parts


class HalfPlane(NamedTuple):
    """One side of a usable area: points with a x + b y <= c are inside."""

    a: Fraction
    b: Fraction
    c: Fraction

    def whole(self) -> tuple[int, int, int]:
        """Return the same side in whole numbers."""
        parts = math.lcm(self.a.denominator, self.b.denominator, self.c.denominator)
        a, b, c = (int(each * parts) for each in self)
        return a, b, c

    def cut(self, columns: Columns) -> None:
        """Take away the rows outside."""
        a, b, c = self.whole()
        count = len(columns.first)
        first, last = np.zeros(count, dtype=np.int64), np.full(count, columns.height, dtype=np.int64)
        if b == 0:
            # a x <= c: up to a column, or from one on.
            inside = slice(0, max(c // a + 1, 0)) if a > 0 else slice(max(-(c // -a), 0), count)
            outside = np.ones(count, dtype=np.bool_)
            outside[inside] = False
            first[outside], last[outside] = 1, 0
            columns.keep(first, last)
            return
        ends = -2, columns.height + 2
        if max(abs(b), abs(c) + abs(a) * count) < 1 << 62:
            left = c - a * np.arange(count)
            bound = np.clip(left // b if b > 0 else -(left // -b), *ends)
        else:
            bound = _rounded_line((a, b, c), count, ends)
        columns.keep(*((first, bound) if b > 0 else (bound, last)))


def _rounded_line(line: tuple[int, int, int], count: int, ends: tuple[int, int]) -> np.ndarray:
    """Return (c - a x) / b at each column, rounded down where b > 0 and up where not, within `ends`.

    In doubles, and exactly wherever these come near a whole number: there the line rises or falls,
    so that columns between two of the same row have that row, too.
    """
    a, b, c = line

    def row(column: int) -> int:
        return min(max((c - a * column) // b if b > 0 else -((c - a * column) // -b), ends[0]), ends[1])

    slope, start = Fraction(a, b), Fraction(c, b)
    if max(abs(slope), abs(start)) > _STEEPEST:
        return np.array([row(column) for column in range(count)], dtype=np.int64)
    edge = float(start) - float(slope) * np.arange(count, dtype=np.float64)
    slack = _NEAREST + 1e-14 * (abs(float(start)) + abs(float(slope)) * count)
    doubtful = np.abs(edge - np.rint(edge)) < slack
    doubtful &= (edge > ends[0] - 1 - slack) & (edge < ends[1] + 1 + slack)
    bound = np.clip(np.floor(edge) if b > 0 else np.ceil(edge), *ends).astype(np.int64)
    places = np.flatnonzero(doubtful)
    runs = [
        (int(run[0]), int(run[-1])) for run in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1) if run.size
    ]
    while runs:
        low, high = runs.pop()
        bound[low], bound[high] = row(low), row(high)
        if bound[low] == bound[high]:
            bound[low : high + 1] = bound[low]
        elif high - low > 1:
            middle = (low + high) // 2
            runs += [(low, middle), (middle, high)]
    return bound


@dataclass(frozen=True, slots=True)
class Polygon:
    """A convex usable area, as its corners and its half planes, these in whole numbers too."""

    corners: tuple[tuple[Fraction, Fraction], ...]
    sides: tuple[HalfPlane, ...]
    whole_sides: tuple[tuple[int, int, int], ...] = field(init=False)

    name = "usable_area"

    def __post_init__(self) -> None:
        # Thousands of corners may be asked for.
        object.__setattr__(self, "whole_sides", tuple(side.whole() for side in self.sides))

    def holds(self, x: int, y: int) -> bool:
        """Whether a corner of pixels lies inside or on the edge."""
        return all(a * x + b * y <= c for a, b, c in self.whole_sides)

    def grown(self, px: int) -> Polygon:
        """Return the area with every side moved outwards by so many pixels, but for the millionth part of one."""
        parts = 10**6
        sides = []
        for a, b, c in self.sides:
            length = Fraction(math.isqrt(int((a * a + b * b) * parts * parts)), parts)
            sides.append(HalfPlane(a, b, c + px * length))
        return Polygon(self.corners, tuple(sides))

    def cut(self, columns: Columns) -> None:
        """Take away the rows outside the area."""
        for side in self.sides:
            side.cut(columns)


@dataclass(frozen=True, slots=True)
class CoveredArea:
    """The rectangle that a lens covers, recorded px; its edges need not lie on pixels."""

    box: Box

    name = "covered_area"

    def holds(self, x: int, y: int) -> bool:
        """Whether a corner of pixels lies inside or on the edge."""
        return self.box.left <= x <= self.box.right and self.box.top <= y <= self.box.bottom

    def cut(self, columns: Columns) -> None:
        """Take away the rows outside."""
        count, box = len(columns.first), self.box
        first = np.full(count, min(max(ceil(box.top), 0), columns.height + 1), dtype=np.int64)
        last = np.full(count, max(min(floor(box.bottom), columns.height), -1), dtype=np.int64)
        left, right = max(ceil(box.left), 0), max(floor(box.right), -1)
        first[:left], last[:left] = 1, 0
        first[right + 1 :], last[right + 1 :] = 1, 0
        columns.keep(first, last)


class Columns:
    """First and last row inside, for each column edge of a raster; first > last where there is none."""

    def __init__(self, width: int, height: int) -> None:
        self.height = height
        self.first = np.zeros(width + 1, dtype=np.int64)
        self.last = np.full(width + 1, height, dtype=np.int64)

    def keep(self, first: np.ndarray, last: np.ndarray) -> None:
        """Keep only the rows that lie between two bounds too."""
        np.maximum(self.first, first, out=self.first)
        np.minimum(self.last, last, out=self.last)


@dataclass(frozen=True, slots=True)
class Region:
    """The usable part of one recorded raster.

    `cuts` are the circle and the usable area, as far as given. `first_row` and `last_row` hold the
    rows inside for each column edge; `None` where nothing cuts the raster.
    """

    raster: Rect
    cuts: tuple[Circle | Polygon | CoveredArea, ...]
    box: Box
    first_row: np.ndarray | None = None
    last_row: np.ndarray | None = None

    @property
    def is_plain(self) -> bool:
        """Whether the region is the whole raster."""
        return not self.cuts

    @property
    def pixels(self) -> Rect:
        """The largest rectangle of whole pixels inside the bounding box."""
        if self.is_plain:
            return self.raster
        left, top = ceil(self.box.left), ceil(self.box.top)
        return Rect(left, top, max(floor(self.box.right) - left, 0), max(floor(self.box.bottom) - top, 0))

    def holds(self, rect: Rect) -> bool:
        """Whether a rectangle of whole pixels lies inside; edges may touch."""
        if not self.raster.holds(rect):
            return False
        if self.first_row is None or self.last_row is None:
            return True
        first, last = self.first_row, self.last_row
        return bool(
            rect.y >= max(first[rect.x], first[rect.right]) and rect.bottom <= min(last[rect.x], last[rect.right])
        )

    def broken_by(self, rect: Rect) -> tuple[str, ...]:
        """Name what a rectangle breaks: edges of the raster, the image circle, the usable area."""
        raster = self.raster
        names = [
            name
            for name, is_out in (
                ("raster_left", rect.x < raster.x),
                ("raster_right", rect.right > raster.right),
                ("raster_top", rect.y < raster.y),
                ("raster_bottom", rect.bottom > raster.bottom),
            )
            if is_out
        ]
        names.extend(cut.name for cut in self.cuts if not all(cut.holds(x, y) for x, y in corners(rect)))
        return tuple(names)


def corners(rect: Rect) -> Iterator[tuple[int, int]]:
    """Yield the four corners of a rectangle."""
    for x in (rect.x, rect.right):
        for y in (rect.y, rect.bottom):
            yield x, y


def usable_region(capture: Capture, grown_px: int = 0) -> Region:
    """Return the region of a capture: its raster, cut by what its lens covers and by the usable area.

    The usable area may be `grown_px` recorded pixels larger on every side.

    Raises
    ------
    CannotBeMet
        If the usable area is not convex; the fault points at the corner that breaks it.
    """
    raster = Rect(0, 0, capture.raster.width, capture.raster.height)
    cuts: list[Circle | Polygon | CoveredArea] = [*lens_bounds(capture)]
    if capture.usable_area is not None:
        area = usable_polygon(capture.usable_area)
        cuts.append(area.grown(grown_px) if grown_px else area)
    whole = Box(Fraction(0), Fraction(0), Fraction(raster.width), Fraction(raster.height))
    if not cuts:
        return Region(raster, (), whole)
    columns = Columns(raster.width, raster.height)
    for cut in cuts:
        cut.cut(columns)
    # A box that is too large does no harm: the columns decide.
    box = Box(*region_box(replace(capture, usable_area=None) if grown_px else capture))
    return Region(raster, tuple(cuts), box, columns.first, columns.last)


def lens_bounds(capture: Capture) -> tuple[Circle | CoveredArea, ...]:
    """Return what the lens covers in recorded pixels, as far as it is given: a circle, a rectangle."""
    circle, covered = image_circle(capture), covered_area_px(capture)
    bounds = (circle, None if covered is None else CoveredArea(Box(*covered)))
    return tuple(bound for bound in bounds if bound is not None)


def image_circle(capture: Capture) -> Circle | None:
    """Return a capture's image circle in recorded pixels; `None` where none is given."""
    circle = image_circle_px(capture)
    return None if circle is None else Circle(*circle)


def usable_polygon(area: tuple[tuple[float, float], ...]) -> Polygon:
    """Return a convex polygon from its corners, in either direction.

    Raises
    ------
    CannotBeMet
        At the first corner that turns the other way, stands twice, or closes the area more than once.
    """
    points = tuple((exact(x), exact(y)) for x, y in area)
    count = len(points)
    edges = [
        (points[(i + 1) % count][0] - points[i][0], points[(i + 1) % count][1] - points[i][1]) for i in range(count)
    ]
    turns = []
    for i in range(count):
        (ax, ay), (bx, by) = edges[i - 1], edges[i]
        turns.append(ax * by - ay * bx)
        if not any(edges[i]):
            raise _not_convex(i, "stands twice")
        if turns[i] == 0 and ax * bx + ay * by < 0:
            raise _not_convex(i, "doubles back")
    direction = next((turn for turn in turns if turn), None)
    if direction is None:
        raise _not_convex(0, "lies on one line with all the others")
    for i, turn in enumerate(turns):
        if turn * direction < 0:
            raise _not_convex(i, "turns inwards")
    # A path that always turns one way may still go round more than once.
    back = [dx < 0 or (dx == 0 and dy < 0) for dx, dy in edges]
    changes = sum(back[i - 1] != back[i] for i in range(count))
    if changes > 2:
        raise _not_convex(count - 1, "closes the area after more than one round")
    sides = []
    for (x, y), (dx, dy) in zip(points, edges, strict=True):
        a, b = (dy, -dx) if direction > 0 else (-dy, dx)
        sides.append(HalfPlane(a, b, a * x + b * y))
    return Polygon(points, tuple(sides))


def _not_convex(corner: int, what: str) -> CannotBeMet:
    detail = f"the usable area is not convex: its corner {corner} {what}"
    return CannotBeMet(detail, (Fault(f"/capture/usable_area/{corner}", detail),))


def protected(rect: Rect, protection: Sides) -> Rect:
    """Return a rectangle grown by its protection: ceil(share x side) whole pixels on each side."""
    left, right = ceil_share(protection.left, rect.width), ceil_share(protection.right, rect.width)
    top, bottom = ceil_share(protection.top, rect.height), ceil_share(protection.bottom, rect.height)
    return Rect(rect.x - left, rect.y - top, rect.width + left + right, rect.height + top + bottom)


@dataclass(frozen=True, slots=True)
class Span:
    """One axis of a region's box: its whole pixels, the place step on it, protection, and what a side must hold."""

    start: int
    stop: int
    step: int
    before: Fraction = Fraction(0)
    after: Fraction = Fraction(0)
    held: tuple[int, int] | None = None

    def places(self, side: int) -> tuple[int, int] | None:
        """Return the first and last grid place of a side with its protection; `None` where there is none."""
        lowest, highest = self.start, self.stop - side
        if self.before:
            lowest += ceil_share(self.before, side)
        if self.after:
            highest -= ceil_share(self.after, side)
        if self.held is not None:
            lowest, highest = max(lowest, self.held[1] - side), min(highest, self.held[0])
        first, last = ceil_to_step(lowest, self.step), floor_to_step(highest, self.step)
        return (first, last) if first <= last else None

    @property
    def bare(self) -> Span:
        """The span of a frame that need not hold anything."""
        return self if self.held is None else Span(self.start, self.stop, self.step, self.before, self.after)

    def _most(self) -> int:
        """Return a side that none is longer than: with its exact protection it just fills the span."""
        before, after = self.before, self.after
        unit = before.denominator * after.denominator
        grown = unit + before.numerator * after.denominator + after.numerator * before.denominator
        return max(self.stop - self.start, 0) * unit // grown

    def longest(self, step: int) -> int:
        """Return the longest side, a multiple of `step`, that fits beside its protection; 0 where none does."""
        bare = self.bare
        most = bare._most() // step
        for fits in range(most, max(most - 3, 0), -1):  # most often the first
            if bare.places(fits * step) is not None:
                return fits * step
        fits, fails = 0, max(most - 2, 1)
        while fails - fits > 1:
            middle = (fits + fails) // 2
            if bare.places(middle * step) is None:
                fails = middle
            else:
                fits = middle
        return fits * step


def spans(box: Rect, grid: Grid, protection: Sides, held: Rect | None = None) -> tuple[Span, Span]:
    """Return the horizontal and the vertical span of a box, for frames that hold `held`."""
    return (
        Span(
            box.x, box.right, grid.x, protection.left, protection.right, None if held is None else (held.x, held.right)
        ),
        Span(
            box.y,
            box.bottom,
            grid.y,
            protection.top,
            protection.bottom,
            None if held is None else (held.y, held.bottom),
        ),
    )
