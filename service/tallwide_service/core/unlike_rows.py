"""Rows that have nothing in common: one deliverable's frame on each, in 64 bits, as the exact solver has it.

Raster, photosites, pitch, circle, squeeze, grid, align point and protection may differ from row to row; only the roll
and whether there is a circle are the same. Numbers are exact fractions (`core.exact_columns`); a row
whose numbers might not fit 64 bits is left to the exact solver, as is one that has no frame.

The circle in closed form. Lengths are counted in parts of a pixel in which centre and half axes a, b of the ellipse are
whole, and a : b = p : q in lowest terms. A rectangle reaches u = max(|left - x|, |right - x|) across and v
down from the centre, and lies inside where (u q)^2 + (v p)^2 <= (a q)^2. The two axes do not
depend on each other, so a size has a place exactly where the place nearest to the centre on each axis
has one. With places on every pixel what fits shrinks with the size, so halving finds the largest
candidate that may fit; from there sizes are stepped down until one has a place on the grid.

The nearest place. Where the place that is nearest on each axis by itself lies inside, it is the answer. Else the places
of the axis that has fewer of them are gone through, each with the best place on the other axis. What is compared is
the difference of two squared distances, a product of two short numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from tallwide.job import LARGEST_SIDE_PX
from tallwide_service.core.exact_columns import Flags, Long, Ratios, common_multiple, is_short, root
from tallwide_service.limits import LIMITS

Rows = npt.NDArray[np.intp]

# What a frame's rows are asked for; whoever needs more goes to the exact solver.
_SHORTER = 12
_STEPS_DOWN = 64
_PLACES = 64


@dataclass(frozen=True, slots=True)
class Side:
    """One axis of many rows: steps of sizes and places, whole pixels of the region's box, protection, align point.

    `low` and `high` are the box's exact ends in `parts` of a pixel, `middle` is the circle's centre, and
    `weight` what a reach on this axis is multiplied by (p or q).
    """

    size_step: Long
    place_step: Long
    start: Long
    stop: Long
    before: Ratios
    after: Ratios
    align: Ratios
    parts: Long
    low: Long
    high: Long
    middle: Long
    weight: Long

    def rows(self, chosen: Rows | Flags) -> Side:
        """Return some of the rows."""
        return self._each(lambda name: _rows(getattr(self, name), chosen))

    def where(self, is_chosen: Flags, other: Side) -> Side:
        """Return these rows where they are chosen, another axis's elsewhere."""
        return self._each(lambda name: _where(is_chosen, getattr(self, name), getattr(other, name)))

    @staticmethod
    def _each(column: Callable[[str], Any]) -> Side:
        return Side(**{field.name: column(field.name) for field in fields(Side)})

    def places(self, side: Long, step: Long | None = None) -> tuple[Long, Long, Long]:
        """Return the first and last place of sides, multiples of a step, and what protection takes before them."""
        by = self.place_step if step is None else step
        before, after = _share(self.before, side), _share(self.after, side)
        first = -(-(self.start + before) // by) * by
        last = (self.stop - side - after) // by * by
        return first, last, before

    def grown(self, side: Long) -> Long:
        """Return sides with their protection."""
        return side + _share(self.before, side) + _share(self.after, side)

    def longest(self) -> tuple[Long, Flags]:
        """Return the longest side, in steps, that has a place in the box, and where that is known."""
        before, after = self.before, self.after
        whole = before.bottom * after.bottom
        taken = whole + before.top * after.bottom + after.top * before.bottom
        steps = np.maximum(self.stop - self.start, 0) * whole // (taken * self.size_step)
        for _ in range(_SHORTER):
            first, last, _ = self.places(steps * self.size_step)
            is_long = (first > last) & (steps > 0)
            if not is_long.any():
                return steps, steps > 0
            steps -= is_long
        first, last, _ = self.places(steps * self.size_step)
        return steps, (first <= last) & (steps > 0)

    def reach(self, place: Long, grown: Long) -> Long:
        """Return how far grown sides reach from the centre, in parts; `place` is where they begin, in pixels."""
        left = place * self.parts
        return np.maximum(self.middle - left, left + grown * self.parts - self.middle)

    def least_reach(self, side: Long, step: Long | None = None) -> tuple[Long, Flags]:
        """Return the least reach of sides with their protection, over their places, and whether they have any."""
        by = self.place_step if step is None else step
        first, last, before = self.places(side, by)
        grown = self.grown(side)
        # The place that brings the grown side's middle nearest to the centre; both halves of a tie reach as far.
        twice = 2 * self.middle - (grown - 2 * before) * self.parts
        unit = by * self.parts
        place = np.clip((twice + unit) // (2 * unit) * by, first, np.maximum(last, first))
        return self.reach(place - before, grown), first <= last

    def wanted(self, side: Long, unit: Long) -> Long:
        """Return where sides would lie by their align point, in 1 / `unit` of a pixel."""
        free = self.high - self.low - side * self.parts
        return self.low * (unit // self.parts) + self.align.top * free * (unit // (self.parts * self.align.bottom))

    def nearest(self, wanted: Long, unit: Long, first: Long, last: Long) -> Long:
        """Return the place nearest to the wanted one between two others, a tie to the smaller."""
        whole = unit * self.place_step
        return np.clip(-((whole - 2 * wanted) // (2 * whole)) * self.place_step, first, last)

    def span(self, reach: Long, side: Long) -> tuple[Long, Long]:
        """Return first and last place of sides that reach no further from the centre than they may."""
        first, last, before = self.places(side)
        lowest, highest = self.within(reach, self.grown(side))
        by = self.place_step
        return np.maximum(first, -(-(lowest + before) // by) * by), np.minimum(last, (highest + before) // by * by)

    def within(self, reach: Long, side: Long) -> tuple[Long, Long]:
        """Return the first and the last pixel where bare sides may begin that reach no further."""
        return -((reach - self.middle) // self.parts), (self.middle + reach) // self.parts - side


def _rows(column: Long | Ratios, chosen: Rows | Flags) -> Long | Ratios:
    return column.rows(chosen) if isinstance(column, Ratios) else column[chosen]


def _where(is_chosen: Flags, one: Any, other: Any) -> Any:
    return one.where(is_chosen, other) if isinstance(one, Ratios) else np.where(is_chosen, one, other)


def _share(share: Ratios, side: Long) -> Long:
    if not share.top.any():
        return np.zeros_like(side)
    return -(-share.top * side // share.bottom)


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sides of many rows, in pixels."""

    width: Long
    height: Long


@dataclass(frozen=True, slots=True)
class UnlikeRows:
    """One deliverable on many rows. `up` : `down` is the frame's longer side in steps to its shorter one, `limit` a q.

    `tolerance` is what the aspect may be off by; `has_circle` holds for all rows or for none.
    """

    across: Side
    along: Side
    up: Long
    down: Long
    is_wide: Flags
    limit: Long
    tolerance: tuple[int, int]
    has_circle: bool

    def rows(self, chosen: Rows | Flags) -> UnlikeRows:
        """Return some of the rows."""
        return UnlikeRows(
            self.across.rows(chosen),
            self.along.rows(chosen),
            self.up[chosen],
            self.down[chosen],
            self.is_wide[chosen],
            self.limit[chosen],
            self.tolerance,
            self.has_circle,
        )

    def cut(self) -> tuple[tuple[Long, Long, Long, Long], Flags]:
        """Return x, y, width and height of every row's frame, and which rows have one; the others' are 0."""
        found = np.zeros((4, len(self.up)), dtype=np.int64)
        sizes, is_found = self._largest()
        rows = np.flatnonzero(is_found)
        width, height = sizes.width[rows], sizes.height[rows]
        x, y, is_placed = self.rows(rows)._placed(Sizes(width, height))
        found[:, rows] = x, y, width, height
        is_found[rows] = is_placed
        found[:, ~is_found] = 0
        return (found[0], found[1], found[2], found[3]), is_found

    def _sizes(self, count: Long, partner: Long) -> Sizes:
        wide, high = np.where(self.is_wide, count, partner), np.where(self.is_wide, partner, count)
        return Sizes(wide * self.across.size_step, high * self.along.size_step)

    def _largest(self) -> tuple[Sizes, Flags]:
        """Return the largest candidate of every row that has a place, and which rows have one."""
        columns, knows_columns = self.across.longest()
        lines, knows_lines = self.along.longest()
        most, most_partner = np.where(self.is_wide, columns, lines), np.where(self.is_wide, lines, columns)
        count = np.minimum(most, (2 * most_partner + 1) * self.up // (2 * self.down))
        if self.has_circle:
            count = self._halved(count)
        found = self._sizes(np.zeros_like(count), np.zeros_like(count))
        is_found = np.zeros(len(count), dtype=np.bool_)
        rows = np.flatnonzero(knows_columns & knows_lines & (count > 0))
        for _ in range(_STEPS_DOWN):
            if not rows.size:
                break
            these = self.rows(rows)
            upper, lower = these._partners(count[rows])
            is_done = np.zeros(len(rows), dtype=np.bool_)
            for partner in (upper, lower):
                sizes = these._sizes(count[rows], partner)
                is_new = ~is_done & (partner > 0) & (partner <= most_partner[rows])
                is_new &= these._keeps_to_aspect(count[rows], partner) & these._has_place(sizes)
                found.width[rows[is_new]], found.height[rows[is_new]] = sizes.width[is_new], sizes.height[is_new]
                is_done |= is_new
            is_found[rows[is_done]] = True
            rows = rows[~is_done]
            count[rows] -= 1
            rows = rows[count[rows] > 0]
        return found, is_found

    def _halved(self, most: Long) -> Long:
        """Return the last count up to a bound whose smaller candidate lies in the circle, were all pixels places."""
        fits_so_far, fails = np.zeros_like(most), most + 1
        every_pixel = np.ones_like(most)
        for _ in range(int(fails.max(initial=1)).bit_length()):
            middle = (fits_so_far + fails) // 2
            _, lower = self._partners(middle)
            is_inside = self._has_place(self._sizes(middle, np.maximum(lower, 1)), every_pixel) | (middle == 0)
            fits_so_far = np.where(is_inside, middle, fits_so_far)
            fails = np.where(is_inside, fails, middle)
        return fits_so_far

    def _partners(self, count: Long) -> tuple[Long, Long]:
        """Return the larger and the smaller of the partners that are equally near; nearly always they are one."""
        exact, double = 2 * count * self.down, 2 * self.up
        return (exact + self.up) // double, -((self.up - exact) // double)

    def _keeps_to_aspect(self, count: Long, partner: Long) -> Flags:
        exact, actual = count * self.down, partner * self.up
        lower, upper = self.tolerance[1], self.tolerance[1] + self.tolerance[0]
        return (actual * lower <= exact * upper) & (exact * lower <= actual * upper)

    def _has_place(self, sizes: Sizes, step: Long | None = None) -> Flags:
        """Whether sizes have a place, on the grid or on multiples of a step."""
        if not self.has_circle:
            pairs = (side.places(length, step) for side, length in self._both(sizes))
            (first, last, _), (top, bottom, _) = pairs
            return (first <= last) & (top <= bottom)
        (u, has_column), (v, has_line) = (side.least_reach(length, step) for side, length in self._both(sizes))
        return has_column & has_line & self._is_inside(u, v)

    def _both(self, sizes: Sizes) -> tuple[tuple[Side, Long], tuple[Side, Long]]:
        return (self.across, sizes.width), (self.along, sizes.height)

    def _is_inside(self, u: Long, v: Long) -> Flags:
        u, v = u * self.across.weight, v * self.along.weight
        return u * u + v * v <= self.limit * self.limit

    def _rest(self, reach: Long, side: Side, other: Side) -> Long:
        """Return how far a frame may reach on the other axis, beside what it reaches on one; -1 for not at all."""
        taken = reach * side.weight
        left = self.limit * self.limit - taken * taken
        return np.where(left < 0, -1, root(np.maximum(left, 0)) // other.weight)

    def _placed(self, sizes: Sizes) -> tuple[Long, Long, Flags]:
        """Return the place of sizes that have one, and where it was found."""
        unit, fits_unit = common_multiple(
            self.across.parts * self.across.align.bottom, self.along.parts * self.along.align.bottom
        )
        places, wanted = [], []
        for side, length in self._both(sizes):
            first, last, _ = side.places(length)
            wanted.append(side.wanted(length, unit))
            places.append(side.nearest(wanted[-1], unit, first, last))
        x, y = places
        # In a circle squared distances may have to be told apart, by products of a place and a sum of two.
        products = LARGEST_SIDE_PX if self.has_circle else LIMITS.grid_step_px
        is_placed = fits_unit & is_short(unit, 4 * LARGEST_SIDE_PX * products)
        if self.has_circle:
            u, v = (
                side.reach(place - side.places(length)[2], side.grown(length))
                for (side, length), place in zip(self._both(sizes), places, strict=True)
            )
            rows = np.flatnonzero(~self._is_inside(u, v) & is_placed)
            if rows.size:
                these = Sizes(sizes.width[rows], sizes.height[rows])
                aims = wanted[0][rows], wanted[1][rows]
                x[rows], y[rows], is_placed[rows] = self.rows(rows)._searched(these, aims, unit[rows])
        return x, y, is_placed

    def _searched(self, sizes: Sizes, wanted: tuple[Long, Long], unit: Long) -> tuple[Long, Long, Flags]:
        """Return the nearest place of sizes whose nearest place by axes lies outside the circle."""
        spans = []
        for (side, length), (beside, other_length) in (self._both(sizes), self._both(sizes)[::-1]):
            least, _ = beside.least_reach(other_length)
            spans.append(side.span(self._rest(least, beside, side), length))
        (left, right), (top, bottom) = spans
        columns = (right - left) // self.across.place_step + 1
        lines = (bottom - top) // self.along.place_step + 1
        by_columns = columns <= lines
        outer, inner = self.across.where(by_columns, self.along), self.along.where(by_columns, self.across)
        lengths = np.where(by_columns, sizes.width, sizes.height), np.where(by_columns, sizes.height, sizes.width)
        aims = np.where(by_columns, *wanted), np.where(by_columns, *wanted[::-1])
        first, number = np.where(by_columns, left, top), np.minimum(columns, lines)
        best = np.zeros((2, len(first)), dtype=np.int64)
        is_found = np.zeros(len(first), dtype=np.bool_)
        rows = np.flatnonzero((number > 0) & (number <= _PLACES))
        for step in range(int(number[rows].max(initial=0))):
            rows = rows[number[rows] > step]
            one, two = outer.rows(rows), inner.rows(rows)
            place: Long = first[rows] + step * one.place_step
            reach = one.reach(place - one.places(lengths[0][rows])[2], one.grown(lengths[0][rows]))
            low, high = two.span(self.rows(rows)._rest(reach, one, two), lengths[1][rows])
            other = two.nearest(aims[1][rows], unit[rows], low, high)
            is_better = (low <= high) & (
                ~is_found[rows]
                | _is_nearer(
                    (place, other), best[:, rows], (aims[0][rows], aims[1][rows]), unit[rows], by_columns[rows]
                )
            )
            best[:, rows[is_better]] = place[is_better], other[is_better]
            is_found[rows[is_better]] = True
        x, y = np.where(by_columns, best[0], best[1]), np.where(by_columns, best[1], best[0])
        return x, y, is_found

    def room(self, places: tuple[Long, Long, Long, Long], raster: tuple[Long, Long]) -> tuple[Long, ...]:
        """Return by how many pixels frames can be moved to the left, up, to the right and down, without protection."""
        x, y, width, height = places
        first, last = [np.zeros_like(x), np.zeros_like(y)], [raster[0] - width, raster[1] - height]
        if self.has_circle:
            ways = (self.across, x, width), (self.along, y, height)
            for index, (side, _, length) in enumerate(ways):
                other, place, other_length = ways[1 - index]
                low, high = side.within(self._rest(other.reach(place, other_length), other, side), length)
                first[index], last[index] = np.maximum(first[index], low), np.minimum(last[index], high)
        return x - first[0], y - first[1], last[0] - x, last[1] - y


def _is_nearer(
    place: tuple[Long, Long], best: npt.NDArray[np.int64], wanted: tuple[Long, Long], unit: Long, x_first: Flags
) -> Flags:
    """Whether places are nearer than the best so far; of two equally near the upper goes first, then the left one."""
    further = sum(
        (one - other) * ((one + other) * unit - 2 * aim) for one, other, aim in zip(place, best, wanted, strict=True)
    )
    y, x = np.where(x_first, place[1], place[0]), np.where(x_first, place[0], place[1])
    best_y, best_x = np.where(x_first, best[1], best[0]), np.where(x_first, best[0], best[1])
    goes_first = (y < best_y) | ((y == best_y) & (x < best_x))
    return np.asarray((further < 0) | ((further == 0) & goes_first))
