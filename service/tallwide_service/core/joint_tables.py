"""Tables of the joint search: every candidate size of every frame, and where it lies for each t.

All frames' chains stand in one row of arrays, so that numpy looks at all frames and many cells at
once. On a free axis t counts the places at which anything changes: the residues of all align
points within one place step, ranked, so that a step is as many counts as there are residues,
whatever decimals the align points have. Whole numbers throughout.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

import numpy as np
import numpy.typing as npt

Whole = npt.NDArray[np.int64]
# Products beyond this leave 64 bits.
_LARGEST = 1 << 61
# A digit of so many decimals times a length stays within them.
_DECIMALS = 13
# Rests within a period up to this, or to so many times as long as there are rests, are ranked by a table of all that
# there may be; longer ones by sorting.
_SHORT_PERIOD, _TIMES = 1 << 16, 8


@dataclass(frozen=True, slots=True)
class Side:
    """What one axis knows of a frame: sides of its sizes, align share (a decimal), protection before and after."""

    lengths: Whole
    align: Fraction
    before: Fraction
    after: Fraction


@dataclass(frozen=True, slots=True)
class AxisTable:
    """One recorded axis: for each size of each frame its length, protection, and its place for each t.

    Free: the place for t is `step * ceil((t - lead) / counts)`. Given: `first` to `last`, which
    differ only where the align point would lie half way. `reach` is by how much the far edge of a
    size may lie short of where a longer one's lies: 0 where sizes are whole place steps. `near` and `far`,
    edges rounded down to pixels, are there only where sizes are no whole place steps.
    """

    step: int
    start: int
    stop: int
    is_free: bool
    is_nested: bool
    counts: int
    last_count: int
    length: Whole
    before: Whole
    after: Whole
    rests_px: npt.NDArray[np.float64]
    floors: Whole
    floor_given: int
    lead: Whole
    first: Whole
    last: Whole
    near: Whole
    far: Whole
    given_px: float = 0.0

    @property
    def has_ties(self) -> bool:
        """Whether some size may lie at two places."""
        return not self.is_free and bool((self.first != self.last).any())

    def low(self, sizes: Whole) -> Whole:
        """Return the first place of sizes in the region's box."""
        first: Whole = -(-(self.start + self.before[sizes]) // self.step) * self.step
        return first

    def high(self, sizes: Whole) -> Whole:
        """Return the last place of sizes in the region's box."""
        last: Whole = (self.stop - self.after[sizes] - self.length[sizes]) // self.step * self.step
        return last

    def floor(self, t: Whole) -> Whole | int:
        """Return the whole pixels below t, or below the first place that a given point allows an align point."""
        if not self.is_free:
            return self.floor_given
        return t // self.counts * self.step + self.floors[t % self.counts]

    def px(self, t: Whole) -> npt.NDArray[np.float64]:
        """Return where align points begin for t, px; all lie within a place step after it."""
        if not self.is_free:
            return np.full(t.shape, self.given_px - self.step / 2)
        return t // self.counts * self.step + self.rests_px[t % self.counts]

    def place(self, sizes: Whole, t: Whole) -> Whole:
        """Return the place of sizes for t on a free axis."""
        return -((self.lead[sizes] - t) // self.counts) * self.step

    def given(self, sizes: Whole, choice: Whole | int | None) -> tuple[Whole, Whole]:
        """Return the first and last place of sizes on a given axis; of two the one that `choice` names, if any."""
        first, last = self.first[sizes], self.last[sizes]
        if choice is None:
            return first, last
        return np.where(choice == 1, last, first), np.where(choice == 0, first, last)

    def nests(
        self,
        inner: Whole,
        outer: Whole,
        low: Whole | int,
        high: Whole | int,
        choices: tuple[Whole | int | None, Whole | int | None] = (None, None),
    ) -> npt.NDArray[np.bool_]:
        """Which sizes lie inside others on this axis for some t, low < t <= high. Exact for these sizes.

        Places move in whole steps, so what tells is by how many steps the inner one lies after the outer one.
        """
        room = self.length[outer] - self.length[inner]
        if not self.is_free:
            afters = product(self.given(inner, choices[0]), self.given(outer, choices[1]))
            inside = np.zeros(room.shape, dtype=np.bool_)
            for one, other in afters:
                inside |= (one >= other) & (one - other <= room)
            return inside
        counts = self.counts
        lead, around = self.lead[inner], self.lead[outer]
        # Over a whole step the difference takes two values that follow each other.
        least, most = (around - lead) // counts, -((lead - around) // counts)
        is_short = np.broadcast_to(high - low <= counts, room.shape)
        if is_short.any():
            # Else the values where the cell begins, where it ends, and between the changes of both.
            before, change = np.divmod(low - lead, counts)
            other_before, other_change = np.divmod(low - around, counts)
            ahead, length = before - other_before, high - low
            moves, other_moves = change + length > counts, other_change + length > counts
            after = ahead + moves - other_moves
            between = ahead + np.where(moves & other_moves, np.sign(change - other_change), 0)
            least = np.where(is_short, np.minimum(np.minimum(ahead, after), between), least)
            most = np.where(is_short, np.maximum(np.maximum(ahead, after), between), most)
        room //= self.step
        return ((least >= 0) & (least <= room)) | ((most >= 0) & (most <= room))

    def may_lie_inside(self, inner: Whole, outer: Whole, low: Whole, high: Whole) -> npt.NDArray[np.bool_]:
        """Which sizes may lie inside others or smaller ones of theirs on this axis for some t, low < t <= high."""
        if self.is_nested:
            return self.nests(inner, outer, low, high)
        shorter: npt.NDArray[np.bool_] = self.length[inner] <= self.length[outer]
        # Align points lie less than a step apart, on a given axis a step at most.
        begins = self.near[inner] - self.near[outer] <= self.step
        return shorter & begins & (self.far[inner] - self.far[outer] <= self.step)

    def middle(self, sizes: Whole, low: Whole, high: Whole) -> Whole:
        """Return the t, low < t <= high, in the middle of where all sizes (frames down) lie in the box."""
        first = ((self.low(sizes) // self.step - 1) * self.counts + self.lead[sizes] + 1).max(axis=0)
        last = ((self.high(sizes) // self.step) * self.counts + self.lead[sizes]).min(axis=0)
        first, last = np.maximum(first, low + 1), np.minimum(last, high)
        middle: Whole = np.clip((first + last) // 2, low + 1, high)
        return middle


def axis_table(
    sides: Sequence[Side], *, box: tuple[int, int], steps: tuple[int, int], point: Fraction | None
) -> AxisTable:
    """Return the table of one axis.

    Parameters
    ----------
    sides
        One for each frame.
    box
        First and last pixel edge of the region's box.
    steps
        Steps of places and of sizes.
    point
        Where the shared point is given, px.
    """
    step, size_step = steps
    length = np.concatenate([side.lengths for side in sides])
    before = np.concatenate([_grown(side.lengths, side.before) for side in sides])
    after = np.concatenate([_grown(side.lengths, side.after) for side in sides])
    first = last = np.zeros(0, dtype=np.int64)
    whole, rests = _leads(sides, step)
    start, stop = box
    if point is None:
        lead, floors, numbers = _ranked(whole, rests, step)
    else:  # nothing is counted along it
        lead, floors, numbers = whole // step, np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64)
        first, last = _given(whole, rests, point, step)
    counts = len(floors)
    is_nested = size_step % step == 0
    return AxisTable(
        step=step,
        start=start,
        stop=stop,
        is_free=point is None,
        is_nested=is_nested,
        counts=counts,
        last_count=(stop // step + 1) * counts,
        length=length,
        before=before,
        after=after,
        rests_px=floors + rests.px(numbers),
        floors=floors,
        floor_given=0 if point is None else math.floor(point - Fraction(step, 2)),
        lead=lead,
        first=first,
        last=last,
        near=first if is_nested else whole,
        far=first if is_nested else length - whole - (rests.numbers >= rests.above(Fraction(0))),
        given_px=0.0 if point is None else float(point),
    )


@dataclass(frozen=True, slots=True)
class Rests:
    """What leads have beyond whole px: whole numbers below `unit`, in the order of the rests that they stand for.

    They count parts of so many a px; or, where `kinds` has the digits of each rest that there is, least first, these.
    """

    numbers: Whole
    unit: int
    kinds: tuple[Whole, ...] = ()

    def px(self, numbers: Whole) -> npt.NDArray[np.float64]:
        """Return the rests that numbers stand for, px."""
        if not self.kinds:
            return numbers / self.unit
        px = np.zeros(numbers.shape)
        for digits in reversed(self.kinds):
            px = (px + digits[numbers]) / 10.0**_DECIMALS
        return px

    def least(self, rest: Fraction) -> int:
        """Return the first number that stands for a rest, px, or for more."""
        return self._first(math.ceil(rest * self._parts))

    def above(self, rest: Fraction) -> int:
        """Return the first number that stands for more than a rest, px."""
        return self._first(math.floor(rest * self._parts) + 1)

    @property
    def _parts(self) -> int:
        return 10 ** (_DECIMALS * len(self.kinds)) if self.kinds else self.unit

    def _first(self, parts: int) -> int:
        return bisect_left(range(self.unit), parts, key=self._parts_of) if self.kinds else parts

    def _parts_of(self, number: int) -> int:
        parts = 0
        for digits in self.kinds:
            parts = parts * 10**_DECIMALS + int(digits[number])
        return parts


def _leads(sides: Sequence[Side], step: int) -> tuple[Whole, Rests]:
    """Return how far the align points of all sizes lie from where they begin: whole px, and what is beyond them."""
    unit = math.lcm(*(side.align.denominator for side in sides))
    if step * unit < _LARGEST:
        leads = [parted(side.lengths, side.align.numerator * (unit // side.align.denominator), unit) for side in sides]
        whole, numbers = (np.concatenate(parts) for parts in zip(*leads, strict=True))
        return whole, Rests(numbers, unit)
    count = next(count for count in range(1, unit.bit_length()) if 10 ** (_DECIMALS * count) % unit == 0)
    written = [in_digits(side.lengths, side.align, count) for side in sides]
    whole, *digits = (np.concatenate(parts) for parts in zip(*written, strict=True))
    order = _in_order(digits)
    kinds = np.stack([each[order] for each in digits])
    is_another = np.ones(len(order), dtype=np.bool_)
    is_another[1:] = (kinds[:, 1:] != kinds[:, :-1]).any(axis=0)
    numbers = np.empty_like(order)
    numbers[order] = np.cumsum(is_another) - 1
    return whole, Rests(numbers, int(numbers[order[-1]]) + 1, tuple(kinds[:, is_another]))


def _in_order(digits: Sequence[Whole]) -> Whole:
    """Return the order of numbers by their digits; few that are not equal have the first one in common."""
    order = np.argsort(digits[0])
    first = digits[0][order]
    is_tied = np.zeros(len(order), dtype=np.bool_)
    is_tied[1:] = first[1:] == first[:-1]
    is_tied[:-1] |= is_tied[1:]
    tied = order[is_tied]
    order[is_tied] = tied[np.lexsort([each[tied] for each in reversed(digits)])]
    return order


def in_digits(lengths: Whole, share: Fraction, count: int) -> list[Whole]:
    """Return the whole part of `lengths * share`, and what is beyond it in so many digits of 13 decimals each.

    Lengths are below 2^17; a share is a decimal, at most 1.

    Examples
    --------
    >>> [each.tolist() for each in in_digits(np.array([3, 10]), Fraction(3, 10), 1)]
    [[0, 3], [9000000000000, 0]]
    """
    base = 10**_DECIMALS
    left = int(share * base**count)
    carried, digits = np.zeros_like(lengths), []
    for _ in range(count):
        left, digit = divmod(left, base)
        carried, rest = np.divmod(lengths * digit + carried, base)
        digits.append(rest)
    return [lengths * left + carried, *reversed(digits)]


def parted(lengths: Whole, share: int, unit: int) -> tuple[Whole, Whole]:
    """Return the whole part of `lengths * share / unit`, and the rest in 1/unit: from 0 up to `unit`, not including it.

    Lengths are below 2^17, a share is at most the unit, and that below 2^61.

    Examples
    --------
    >>> [each.tolist() for each in parted(np.array([3, 10]), 3, 10)]
    [[0, 3], [9, 0]]
    """
    # The quotient of doubles is off by one at most, and so the rest lies in 64 bits, however its two terms wrap around.
    whole = np.floor(lengths * (share / unit)).astype(np.int64)
    rests = lengths * np.int64(share) - whole * np.int64(unit)
    off = (rests >= unit).astype(np.int64) - (rests < 0)
    return whole + off, rests - off * unit


def _ranked(whole: Whole, rests: Rests, step: int) -> tuple[Whole, Whole, Whole]:
    """Return leads with what is beyond whole place steps replaced by its rank; and of each rank its px and its rest."""
    unit = rests.unit
    beyond, period = whole % step * unit + rests.numbers, step * unit
    if period <= max(_SHORT_PERIOD, _TIMES * len(beyond)):
        is_there = np.zeros(period, dtype=np.bool_)
        is_there[beyond] = True
        ranked: Whole = np.flatnonzero(is_there)
        ranks = (np.cumsum(is_there) - 1)[beyond]
    else:
        ranked, ranks = np.unique(beyond, return_inverse=True)
    return whole // step * len(ranked) + ranks, ranked // unit, ranked % unit


def _grown(lengths: Whole, share: Fraction) -> Whole:
    """Return the protection of each length: the share, rounded up to whole pixels."""
    if not share:
        return np.zeros(lengths.shape, dtype=np.int64)
    if share.numerator * (1 << 17) < _LARGEST and share.denominator < _LARGEST:
        return -(-share.numerator * lengths // share.denominator)
    if share < 1 and share.denominator < _LARGEST:
        whole, rests = parted(lengths, share.numerator, share.denominator)
        return whole + (rests > 0)
    grown = lengths * float(share)
    # Doubles tell unless a whole number is as near as they are off.
    is_near = np.abs(grown - np.rint(grown)) <= grown * 2.0**-50
    up: Whole = np.ceil(grown).astype(np.int64)
    up[is_near] = [math.ceil(share * length) for length in lengths[is_near].tolist()]
    return up


def _given(whole: Whole, rests: Rests, point: Fraction, step: int) -> tuple[Whole, Whole]:
    """Return the first and last place that brings each align point within half a step of a point."""
    half = Fraction(step, 2)
    lowest, highest = math.floor(point - half), math.floor(point + half)
    is_below = rests.numbers < rests.least(point - half - lowest)
    is_above = rests.numbers >= rests.above(point + half - highest)
    first: Whole = -((whole - lowest - is_below) // step) * step
    last: Whole = (highest - whole - is_above) // step * step
    return first, last
