"""Kernel: one deliverable on many plain rasters at once, in whole numbers, as the exact solver has it.

What the frames have in common (ratio, tolerance, grid, align point, protection, roll) is a `Frame`
of the exact solver; what differs is the raster. Everything is decided in unsigned integers whose
range is proven beforehand: 32 bits, 64 bits, or none, and then the exact solver has to do it.

The rule. With sizes counted in grid steps, let the longer side, c steps, and the shorter one, p
steps, have the exact relation p = c down / up with down <= up. The candidates counted along the
longer side hold all others (`core.candidates.chain_sides`), and a larger c never has a smaller p, so
the largest candidate is the one with the largest c. Of two partners that are equally near the
larger goes first, and it is the closer one in ratio: c / p for p = e + 1/2 is off by 1 / (2 e), for
p = e - 1/2 by 1 / (2 e - 1). With room for A and B steps therefore

    c = min(A, (2 B + 1) up // (2 down))        the last c whose partner, or its lower one, is at most B
    p = min((2 c down + up) // (2 up), B)       nearest, half up, unless only the lower one fits

is the answer wherever it keeps to the tolerance t. It does, unasked, from p >= (1/t + 1) / 2 on,
since e >= p - 1/2 and so the error is at most 1 / (2 p - 1). Other rows are asked one by one and
step down; what has not come to an end after `_STEPS_DOWN` steps goes to the exact solver, as does a
row whose shorter side is less than half a step: at least one step is off by more than any tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from tallwide.job import LARGEST_SIDE_PX
from tallwide_service.core.extraction import Frame

Whole = npt.NDArray[np.int32]
Unsigned = npt.NDArray[np.unsignedinteger]
Flags = npt.NDArray[np.bool_]
Scratch = tuple[Unsigned, Unsigned, Unsigned]

BLOCK_ROWS = 32_768
_STEPS_DOWN = 64
_MOST_TRIES = 8


@dataclass(frozen=True, slots=True)
class Rects:
    """Rectangles on the recorded raster, px, a column a member; 32-bit integers of equal length."""

    x: Whole
    y: Whole
    width: Whole
    height: Whole

    @classmethod
    def empty(cls, count: int) -> Rects:
        """Return room for so many rectangles."""
        return cls(*(np.empty(count, dtype=np.int32) for _ in range(4)))

    def part(self, rows: slice) -> Rects:
        """Return a view of some of them."""
        return Rects(self.x[rows], self.y[rows], self.width[rows], self.height[rows])


@dataclass(frozen=True, slots=True)
class Share:
    """A share of a side in whole pixels, rounded up: (top side + bottom - 1) // bottom."""

    top: int
    bottom: int

    @classmethod
    def of(cls, share: Fraction) -> Share:
        """Return an exact share."""
        return cls(share.numerator, share.denominator)

    def __bool__(self) -> bool:
        return self.top > 0

    def largest_number(self) -> int:
        """Return a bound on every number that is met."""
        return self.top * LARGEST_SIDE_PX + self.bottom

    def of_sides(self, side: Unsigned, out: Unsigned) -> Unsigned:
        """Return the share of many sides, in `out`."""
        np.multiply(side, self.top, out=out)
        out += self.bottom - 1
        out //= self.bottom
        return out


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis of a frame, in whole numbers: steps of sizes and places, protection, and how places are found.

    The nearest place, a tie to the smaller, of a room r is (near r + half - 1) // (2 half) place steps. No side
    with its exact protection is longer than a length times fill / grown.
    """

    size_step: int
    place_step: int
    before: Share
    after: Share
    near: int
    half: int
    fill: int
    grown: int
    may_overshoot: bool

    @classmethod
    def of(cls, steps: tuple[int, int], protection: tuple[Fraction, Fraction], align: Fraction) -> Axis:
        """Return an axis with steps of sizes and places, protection before and after, and an align point's share.

        The align point's share of a room r is `align r / place step` steps; ceil(v - 1/2) is the nearest to v.
        """
        size_step, place_step = steps
        double, whole = 2 * align.numerator, align.denominator * place_step
        divisor = math.gcd(double, whole)
        grown = 1 + sum(protection, Fraction(0))
        return cls(
            size_step=size_step,
            place_step=place_step,
            before=Share.of(protection[0]),
            after=Share.of(protection[1]),
            near=double // divisor,
            half=whole // divisor,
            fill=grown.denominator,
            grown=grown.numerator,
            # Elsewhere the nearest place is never beyond the room: with a share up to 1/2 the room is at least
            # twice as far as the place is rounded up, and with a step of 2 it is rounded up by less than 1.
            may_overshoot=2 * align > 1 and place_step > 2,
        )

    @property
    def is_protected(self) -> bool:
        """Whether anything must lie beside the frame on this axis."""
        return bool(self.before or self.after)

    @property
    def tries(self) -> int:
        """By how many size steps the longest side may be shorter than the one that its protection just fills.

        Rounding up (one pixel a side) and places on the grid take up to `place_step + 1` pixels in all.
        """
        return -(-(self.place_step + 1) // self.size_step) if self.is_protected else 0

    def largest_number(self) -> int:
        """Return a bound on every number that is met on this axis."""
        return max(
            self.near * LARGEST_SIDE_PX + 2 * self.half,
            self.fill * LARGEST_SIDE_PX,
            self.grown * self.size_step,
            self.before.largest_number(),
            self.after.largest_number(),
            4 * (LARGEST_SIDE_PX + self.place_step),
        )

    def most_steps(self, length: Unsigned, out: Unsigned, scratch: Scratch) -> Unsigned:
        """Return the longest side, in size steps, that has a place with its protection; in `out`."""
        if not self.is_protected:
            return np.floor_divide(length, self.size_step, out=out)
        np.multiply(length, self.fill, out=out)
        out //= self.grown * self.size_step
        side, taken, share = scratch
        for _ in range(self.tries):
            np.multiply(out, self.size_step, out=side)
            self._first(side, taken)
            taken += side
            taken += self.after.of_sides(side, share)
            out -= taken > length
        return out

    def _first(self, side: Unsigned, out: Unsigned) -> Unsigned:
        """Return the first place of sides on the grid, in `out`."""
        self.before.of_sides(side, out)
        out += self.place_step - 1
        out //= self.place_step
        out *= self.place_step
        return out

    def place(self, side: Unsigned, room: Unsigned, scratch: Scratch) -> None:
        """Put the nearest grid place of every side where its room, the raster's length less the side, stood."""
        limit = scratch[0]
        if self.is_protected:
            np.subtract(room, self.after.of_sides(side, limit), out=limit)
        elif self.may_overshoot:
            limit[:] = room
        room *= self.near
        room += self.half - 1
        room //= 2 * self.half
        room *= self.place_step
        if self.is_protected or self.may_overshoot:
            limit //= self.place_step
            limit *= self.place_step
            np.minimum(room, limit, out=room)
        if self.is_protected:
            np.maximum(room, self._first(side, limit), out=room)


@dataclass(frozen=True, slots=True)
class Cutter:
    """Finds one deliverable's frames on plain rasters; made from the exact solver's own view of it.

    `number` is the narrowest integer that holds every number that is met.
    """

    columns: Axis
    rows: Axis
    up: int
    down: int
    is_wide: bool
    tolerance: Fraction
    sure_steps: int
    number: type[np.uint32 | np.uint64]

    @classmethod
    def of(cls, frame: Frame) -> Cutter | None:
        """Return the cutter of a frame; `None` where its numbers do not fit 64 bits or its grid is too uneven."""
        grid, shape, (left, top, right, bottom) = frame.shape.grid, frame.shape, frame.protection
        columns = Axis.of((grid.width, grid.x), (left, right), frame.align[0])
        rows = Axis.of((grid.height, grid.y), (top, bottom), frame.align[1])
        slope = Fraction(shape.ratio.numerator * grid.height, shape.ratio.denominator * grid.width)
        up, down = max(slope.as_integer_ratio()), min(slope.as_integer_ratio())
        largest = max((2 * LARGEST_SIDE_PX + 1) * 2 * up, columns.largest_number(), rows.largest_number())
        if max(columns.tries, rows.tries) > _MOST_TRIES or largest >= 1 << 63:
            return None
        sure_steps = math.ceil((1 / shape.tolerance + 1) / 2) if shape.tolerance else LARGEST_SIDE_PX + 1
        number = np.uint32 if largest < 1 << 32 else np.uint64
        return cls(columns, rows, up, down, slope >= 1, shape.tolerance, sure_steps, number)

    def cut(self, widths: Whole, heights: Whole, rects: Rects) -> Flags | None:
        """Put the frame of every raster into `rects`; return which rows the exact solver must do, `None` for none.

        `widths` and `heights` are from 1 to 65,535.
        """
        open_rows: Flags | None = None
        room = np.empty((7, min(len(widths), BLOCK_ROWS)), dtype=self.number)
        for rows in blocks(len(widths)):
            count = rows.stop - rows.start
            left = self._cut_block(widths[rows], heights[rows], rects.part(rows), room[:, :count])
            if left is not None:
                if open_rows is None:
                    open_rows = np.zeros(len(widths), dtype=np.bool_)
                open_rows[rows] = left
        return open_rows

    def _cut_block(self, widths: Whole, heights: Whole, rects: Rects, room: Unsigned) -> Flags | None:
        """Cut one block; `room` has seven rows to compute in: new memory costs more than what is done in it."""
        across, down, wide, high, *rest = room
        scratch: Scratch = (rest[0], rest[1], rest[2])
        across[:], down[:] = widths, heights
        self.columns.most_steps(across, wide, scratch)
        self.rows.most_steps(down, high, scratch)
        longer, shorter = (wide, high) if self.is_wide else (high, wide)
        self._largest(longer, shorter, scratch[0])
        left = self._kept(longer, shorter) if int(shorter.min()) < self.sure_steps else None
        wide *= self.columns.size_step
        high *= self.rows.size_step
        rects.width[:], rects.height[:] = wide, high
        across -= wide
        down -= high
        self.columns.place(wide, across, scratch)
        self.rows.place(high, down, scratch)
        rects.x[:], rects.y[:] = across, down
        return left

    def _largest(self, longer: Unsigned, shorter: Unsigned, along: Unsigned) -> None:
        """Turn the most steps of both sides into those of the largest candidate."""
        np.multiply(shorter, 2 * self.up, out=along)
        along += self.up
        along //= 2 * self.down
        np.minimum(longer, along, out=longer)
        np.multiply(longer, 2 * self.down, out=along)
        along += self.up
        along //= 2 * self.up
        np.minimum(shorter, along, out=shorter)

    def _kept(self, longer: Unsigned, shorter: Unsigned) -> Flags | None:
        """Step rows that may break the tolerance down to what keeps it; return which are left to the exact solver."""
        rows = np.flatnonzero(shorter < self.sure_steps)
        # No step of the shorter side: no room, or a shape that one step would miss by half or more.
        left = np.zeros(len(longer), dtype=np.bool_)
        left[rows] = shorter[rows] == 0
        rows = rows[~left[rows]]
        lower, upper = self.tolerance.denominator, self.tolerance.denominator + self.tolerance.numerator
        if LARGEST_SIDE_PX * self.up * upper >= 1 << 62:
            left[rows] = True
            rows = rows[:0]
        for _ in range(_STEPS_DOWN):
            count, partner = longer[rows].astype(np.int64), shorter[rows].astype(np.int64)
            exact, actual = count * self.down, partner * self.up
            is_off = (actual * lower > exact * upper) | (exact * lower > actual * upper)
            rows, count = rows[is_off], count[is_off] - 1
            if not rows.size:
                break
            partner = (2 * count * self.down + self.up) // (2 * self.up)
            longer[rows], shorter[rows] = count, partner
            left[rows] = partner == 0
            rows = rows[partner > 0]
        left[rows] = True
        return left if left.any() else None


def blocks(count: int) -> Iterator[slice]:
    """Yield the slices of so many rows, a block each."""
    for start in range(0, count, BLOCK_ROWS):
        yield slice(start, min(start + BLOCK_ROWS, count))
