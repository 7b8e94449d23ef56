"""Questions of the joint search about sizes over cells, answered for many at once.

A cell is a box of t, low < t <= high on each recorded axis. Over a cell each size has a core, the
pixels that it covers for every t of the cell; the largest size whose core fits bounds what the
frame can have there, because candidates form a chain and cores of a chain lie inside each other.

Where a larger outer frame does not always hold a smaller one of its own (lengths that are no whole
place steps), or may lie at two places, a cell also has a least size and a choice of place for each
outer frame. An inner frame is then bounded by what lies inside some outer size of the cell, both
axes and both edges at one t. What lies inside what repeats with every place step, so such a cell
also has a window on each axis, of rests of t within a step: it holds only the t whose rests, counted
from 1, lie in it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tallwide.answers import Rect
from tallwide_service.core.joint_estimate import Estimate
from tallwide_service.core.joint_tables import AxisTable, Side, Whole
from tallwide_service.core.region import Circle, CoveredArea, Polygon

# What a call costs beside what it is asked, in questions about one size over one cell.
_CALL = 250
# Sizes of one frame looked at one by one unless all are, and questions asked in one go.
_FEW_ROWS, _MOST_AT_ONCE = 21, 1 << 16
# Passes over frames that depend on each other before a bound is taken as it stands.
_BOUND_PASSES = 2

Truth = npt.NDArray[np.bool_]
Real = npt.NDArray[np.float64]
Sizes = tuple[int, ...]
# Rows: x low, x high, y low, y high; with outer frames the same of windows, then for each of them its least size, its
# choice across, its choice down.
Cells = Whole
# On each axis the first of two places half way to a given point (0), the last one (1), or either (-1).
Choice = tuple[Whole | int, Whole | int] | None


@dataclass(frozen=True, slots=True)
class Matched:
    """Lengths along one axis that all frames can share: rising, and each frame's last size of each."""

    axis: int
    lengths: Whole
    last_size: Whole


@dataclass(frozen=True, slots=True)
class Field:
    """All that the search looks at: tables of both axes, the region, the subject, and what ties frames together.

    `sides` are what the tables were made of, `cuts` what the region is cut by.
    """

    x: AxisTable
    y: AxisTable
    sides: tuple[Sequence[Side], Sequence[Side]]
    offsets: Whole
    counts: Whole
    raster: Rect
    rows: tuple[Whole, Whole] | None
    subject: Rect | None
    pairs: tuple[tuple[int, int], ...]
    order: tuple[int, ...]
    matched: Matched | None
    cuts: Sequence[Circle | Polygon | CoveredArea]

    @property
    def frames(self) -> int:
        """How many frames there are."""
        return len(self.counts)

    @property
    def is_plain_to_value(self) -> bool:
        """Whether one t gives each frame one largest size, so that its value is found without trying combinations."""
        return not self.pairs or all(axis.is_nested and not axis.has_ties for axis in (self.x, self.y))


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges of many rectangles, px."""

    left: Whole
    top: Whole
    right: Whole
    bottom: Whole


class Looks:
    """Questions about sizes over cells, answered for many at once; counts what it has been asked."""

    def __init__(self, field: Field) -> None:
        self.field = field
        self.estimate = Estimate(field.x, field.y, field.sides, field.cuts)
        self.work = 0
        # Whether to look at all outer sizes that may hold an inner one: worth it while no frames are found at all.
        self.is_thorough = True
        rows = field.rows
        if rows is not None:
            inside = rows[0] <= rows[1]
            self.highest = int(rows[0][inside].min()) if inside.any() else 1
            self.lowest = int(rows[1][inside].max()) if inside.any() else 0
        axes = (field.x, field.y)
        self.is_uneven = not all(axis.is_nested for axis in axes)
        self.has_ties = any(axis.has_ties for axis in axes)
        self.ways: tuple[tuple[int, int], ...] = tuple(
            (x, y) for x in range(1 + field.x.has_ties) for y in range(1 + field.y.has_ties)
        )
        self.outers = () if field.is_plain_to_value else tuple(sorted({outer for _, outer in field.pairs}))
        self.tied = sorted({each for pair in field.pairs for each in pair})
        self.holders = [tuple(outer for inner, outer in field.pairs if inner == i) for i in range(field.frames)]

    # Cells -----------------------------------------------------------------------------------

    def root(self) -> Cells:
        """Return the cell of all t."""
        axes, count = (self.field.x, self.field.y), len(self.outers)
        rows = [end for table in axes for end in (-1, table.last_count if table.is_free else 0)]
        if self.outers:
            rows += [end for table in axes for end in (0, table.counts)]
        rows += [0] * count + [-1] * (2 * count)
        return np.array(rows, dtype=np.int64)[:, None]

    def window(self, axis: int, cells: Cells) -> tuple[Whole, Whole]:
        """Return the rests of t in cells on one axis, as t: first < t <= last within one place step."""
        return cells[4 + 2 * axis], cells[5 + 2 * axis]

    def within_windows(self, cells: Cells) -> Truth:
        """Let cells begin and end at t whose rests lie in their windows; return which hold any."""
        is_left = np.ones(cells.shape[1], dtype=np.bool_)
        for axis, table in enumerate((self.field.x, self.field.y)):
            if not table.is_free or not self.outers:
                continue
            counts, (first, last) = table.counts, self.window(axis, cells)
            rest = cells[2 * axis] % counts
            cells[2 * axis] += np.where(rest < first, first - rest, np.where(rest >= last, counts - rest + first, 0))
            rest = (cells[2 * axis + 1] - 1) % counts + 1
            back = np.where(rest > last, rest - last, np.where(rest <= first, rest + counts - last, 0))
            cells[2 * axis + 1] -= back
            is_left &= cells[2 * axis] < cells[2 * axis + 1]
        return is_left

    def _rests(self, axis: int, cells: Cells) -> tuple[Whole, Whole]:
        """Return t of one place step at most that stand for all t of cells: what lies inside what repeats."""
        low, high = cells[2 * axis], cells[2 * axis + 1]
        if not self.outers:
            return low, high
        first, last = self.window(axis, cells)
        is_one_step = high - low <= last - first
        return np.where(is_one_step, low, first), np.where(is_one_step, high, last)

    def least(self, cells: Cells) -> Whole:
        """Return the least size of each outer frame in each cell."""
        return cells[8 : 8 + len(self.outers)]

    def choices(self, frame: int, cells: Cells) -> Choice:
        """Return a frame's choice of place in each cell."""
        if not self.has_ties or frame not in self.outers:
            return None
        across, down = self.choice_rows(frame)
        return cells[across], cells[down]

    def choice_rows(self, frame: int) -> tuple[int, int]:
        """Return the rows of cells that hold an outer frame's choices of place."""
        count = len(self.outers)
        across = 8 + count + self.outers.index(frame)
        return across, across + count

    def _all_choices(self, cells: Cells) -> Choice:
        if not self.has_ties or not self.outers:
            return None
        across, down = (np.full((self.field.frames, cells.shape[1]), -1, dtype=np.int64) for _ in range(2))
        for frame in self.outers:
            row, other = self.choice_rows(frame)
            across[frame], down[frame] = cells[row], cells[other]
        return across, down

    # Edges -----------------------------------------------------------------------------------

    def span(self, axis: int, sizes: Whole, low: Whole, high: Whole, choice: Whole | int | None) -> tuple[Whole, Whole]:
        """Return each size's first and last place over cells; of a tie the place that `choice` names.

        A `choice` that is one number asks about cells of single t.
        """
        table = (self.field.x, self.field.y)[axis]
        if not table.is_free:
            return table.given(sizes, choice)
        last = table.place(sizes, high)
        return (last, last) if isinstance(choice, int) else (table.place(sizes, low + 1), last)

    def far(self, axis: int, sizes: Whole, first: Whole, low: Whole) -> Whole:
        """Return a bound below every far edge over cells that rises with the size."""
        table = (self.field.x, self.field.y)[axis]
        if table.is_nested:
            return first + table.length[sizes]
        return table.floor(low + 1) + table.far[sizes]

    def core_fits(self, sizes: Whole, cells: Cells, choice: Choice, *, exactly: bool = False) -> Truth:
        """Which sizes' cores, grown by their protection, lie in the region: necessary for every t of a cell."""
        field = self.field
        self.work += sizes.size + _CALL
        x_first, x_last = self.span(0, sizes, cells[0], cells[1], None if choice is None else choice[0])
        y_first, y_last = self.span(1, sizes, cells[2], cells[3], None if choice is None else choice[1])
        if exactly:
            right, bottom = x_first + field.x.length[sizes], y_first + field.y.length[sizes]
        else:
            right, bottom = self.far(0, sizes, x_first, cells[0]), self.far(1, sizes, y_first, cells[2])
        left, top = x_last - field.x.before[sizes], y_last - field.y.before[sizes]
        right, bottom = right + field.x.after[sizes], bottom + field.y.after[sizes]
        fits = (left >= 0) & (top >= 0) & (right <= field.raster.width) & (bottom <= field.raster.height)
        if field.rows is None:
            return fits
        first, last = field.rows
        # Where no column belongs to the core, some column of the region must still do.
        width = field.raster.width
        a, b = np.minimum(np.maximum(left, 0), width), np.minimum(np.maximum(right, 0), width)
        highest, lowest = np.maximum(first[a], first[b]), np.minimum(last[a], last[b])
        is_thin = left > right
        if is_thin.any():
            highest, lowest = np.where(is_thin, self.highest, highest), np.where(is_thin, self.lowest, lowest)
        fits &= (top >= highest) & (bottom <= lowest)
        return fits

    def outline(self, sizes: Whole, cells: Cells, choice: Choice) -> Edges:
        """Return the outermost edges that sizes have over cells."""
        x_first, x_last = self.span(0, sizes, cells[0], cells[1], None if choice is None else choice[0])
        y_first, y_last = self.span(1, sizes, cells[2], cells[3], None if choice is None else choice[1])
        return Edges(x_first, y_first, x_last + self.field.x.length[sizes], y_last + self.field.y.length[sizes])

    def may_hold_subject(self, sizes: Whole, cells: Cells, choice: Choice, *, exactly: bool = False) -> Truth:
        """Which sizes reach around the subject for some t of a cell, as far as each side tells alone.

        Where lengths are no whole place steps a smaller size may reach further, by less than a step;
        `exactly` asks for these sizes alone.
        """
        subject = self.field.subject
        if subject is None:
            return np.ones(sizes.shape, dtype=np.bool_)
        edges = self.outline(sizes, cells, choice)
        slack_x = 0 if exactly or self.field.x.is_nested else self.field.x.step
        slack_y = 0 if exactly or self.field.y.is_nested else self.field.y.step
        return (
            (edges.left <= subject.x)
            & (edges.top <= subject.y)
            & (edges.right + slack_x >= subject.right)
            & (edges.bottom + slack_y >= subject.bottom)
        )

    def _is_well(self, sizes: Whole, cells: Cells, choice: Choice) -> Truth:
        """Which sizes' own cores lie in the region and may hold the subject."""
        good = self.core_fits(sizes, cells, choice, exactly=True)
        return good & self.may_hold_subject(sizes, cells, choice, exactly=True)

    def may_lie_inside(self, inner: Whole, outer: Whole, cells: Cells) -> Truth:
        """Which sizes may lie inside other sizes, or smaller ones of theirs, for some t of a cell."""
        self.work += 2 * inner.size + _CALL
        inside = self.field.x.may_lie_inside(inner, outer, *self._rests(0, cells))
        return inside & self.field.y.may_lie_inside(inner, outer, *self._rests(1, cells))

    def _ways_of(self, choice: Choice, count: int) -> Iterator[Choice]:
        """Yield each way to choose the places that are left open, for so many cells."""
        if not self.has_ties:
            yield choice
            return
        for x, y in self.ways:
            if choice is None:
                yield np.full(count, x), np.full(count, y)
            else:
                yield np.where(choice[0] < 0, x, choice[0]), np.where(choice[1] < 0, y, choice[1])

    # Largest sizes -----------------------------------------------------------------------------

    def largest(
        self, frames: Whole, most: Whole, fits: Callable[[Whole, Whole], Truth], near: Whole | None = None
    ) -> Whole:
        """Return for each frame and cell the largest size up to `most` that fits; -1 for none.

        `frames` and `most` are frames down and cells across; `fits` takes sizes, by their place in the
        tables, and the flat places that they are asked for; `near` is where to look first.
        """
        shape = most.shape
        base = np.broadcast_to(self.field.offsets[frames][:, None], shape).ravel()
        most = most.ravel()
        # What fits, and the least that is known not to.
        found, fails = np.full(most.shape, -1, dtype=np.int64), most + 1
        tried = most if near is None else np.minimum(np.maximum(near.ravel(), 0), most)
        asked = np.flatnonzero(most >= 0)
        tried = tried[asked]
        # Up or down in doubling strides until one fits and one does not, then between the two.
        stride = 1
        while asked.size:
            good = fits(base[asked] + tried, asked)
            found[asked[good]] = tried[good]
            fails[asked[~good]] = tried[~good]
            asked = asked[fails[asked] - found[asked] > 1]
            low, high = found[asked], fails[asked]
            between = np.where(high <= most[asked], (low + high) // 2, low + stride)
            tried = np.minimum(np.where(low < 0, np.maximum(high - stride, 0), between), most[asked])
            stride *= 2
        return found.reshape(shape)

    def leaning(self, cells: Cells, bound: Whole, x: Whole, y: Whole) -> Whole:
        """Return by how many frames more a cell's bound rests on its width than on its height.

        A bound rests on an axis where it no longer holds once t is settled on that axis alone.
        """
        flat = self.field.offsets[:, None] + bound
        settled_x, settled_y = cells.copy(), cells.copy()
        settled_x[0], settled_x[1] = x - 1, x
        settled_y[2], settled_y[3] = y - 1, y
        holds_without_x, holds_without_y = (
            self.core_fits(flat, settled[:, None, :], None) & self.may_hold_subject(flat, settled[:, None, :], None)
            for settled in (settled_x, settled_y)
        )
        more: Whole = holds_without_y.sum(axis=0) - holds_without_x.sum(axis=0)
        return more

    def cell_fits(self, cells: Cells, choice: Choice) -> Callable[[Whole, Whole], Truth]:
        """Return the question whether a size's core fits, for frames down and cells across."""
        count = cells.shape[1]
        flat_choice = _flat(choice)

        def fits(sizes: Whole, flat: Whole) -> Truth:
            return self.core_fits(sizes, cells[:, flat % count], _of(flat_choice, flat))

        return fits

    def bound(self, cells: Cells, most: Whole) -> Whole:
        """Return sizes, frames down and cells across, that none over a cell passes; -1 throughout where none can be."""
        everyone = np.arange(self.field.frames)
        near = self.estimate.sizes(cells, self.field.offsets)
        bound = self.largest(everyone, most, self.cell_fits(cells, self._all_choices(cells)), near)
        if self.is_uneven or (self.has_ties and self.outers):
            bound = self._stepped_down(bound, cells)
        if self.field.pairs or self.field.matched is not None:
            for _ in range(_BOUND_PASSES if self.field.pairs and self.field.matched else 1):
                bound = self._inside(bound, cells)
                bound = self._matched_down(bound)
        allowed = self._may_hold(bound, cells, None)
        if self.outers:
            allowed &= (bound[list(self.outers)] >= self.least(cells)).all(axis=0)
        return self._or_nowhere(bound, allowed)

    def _may_hold(self, sizes: Whole, cells: Cells, choice: Choice) -> Truth:
        if self.field.subject is None:
            return sizes >= 0
        flat = self.field.offsets[:, None] + np.maximum(sizes, 0)
        wide = cells[:, None, :]
        return (sizes >= 0) & self.may_hold_subject(flat, wide, choice, exactly=choice is not None)

    def _or_nowhere(self, sizes: Whole, allowed: Truth) -> Whole:
        return np.where(((sizes >= 0) & allowed).all(axis=0), sizes, -1)

    def _stepped_down(self, sizes: Whole, cells: Cells, choice: Choice = None) -> Whole:
        """Return the largest sizes whose own core fits, where lengths are no whole place steps or places are open."""
        count = cells.shape[1]
        flat = sizes.ravel().copy()
        base = np.broadcast_to(self.field.offsets[:, None], sizes.shape).ravel()
        asked = np.flatnonzero(flat >= 0)
        open_choice = _flat(self._all_choices(cells)) if choice is None else None
        while asked.size:
            at = cells[:, asked % count]
            index = base[asked] + flat[asked]
            good = np.zeros(len(asked), dtype=np.bool_)
            for way in self._ways_of(_of(open_choice, asked), len(asked)) if choice is None else (choice,):
                good |= self._is_well(index, at, way)
            asked = asked[~good]
            flat[asked] -= 1
            asked = asked[flat[asked] >= 0]
            if self.field.subject is not None and asked.size:
                at = cells[:, asked % count]
                hopeless = ~self.may_hold_subject(base[asked] + flat[asked], at, None)
                flat[asked[hopeless]] = -1
                asked = asked[~hopeless]
        return flat.reshape(sizes.shape)

    # Frames inside each other ---------------------------------------------------------------------

    def _inside(self, bound: Whole, cells: Cells) -> Whole:
        """Cut sizes down to what may lie inside their outer frames."""
        bound = bound.copy()
        offsets = self.field.offsets
        for inner in self.field.order:
            for outer in self.holders[inner]:
                around = offsets[outer] + np.maximum(bound[outer], 0)

                def fits(sizes: Whole, flat: Whole, around: Whole = around) -> Truth:
                    return self.may_lie_inside(sizes, around[flat], cells[:, flat])

                least = self.least(cells)[self.outers.index(outer)] if self.outers else 0
                cut = np.where(bound[outer] >= least, bound[inner], -1)
                bound[inner] = self.largest(np.array([inner]), cut[None, :], fits)[0]
            if self.outers and self.holders[inner]:
                bound[inner] = self._held(inner, bound, cells)
        return bound

    def _held(self, inner: int, bound: Whole, cells: Cells) -> Whole:
        """Return an inner frame's largest sizes that fit and lie inside some size of each outer frame."""
        sizes: Whole = bound[inner].copy()
        asked = np.flatnonzero(sizes >= 0)
        passed, rows = 0, 1
        while asked.size and (self.is_thorough or passed < _FEW_ROWS):
            tried = sizes[asked] - np.arange(rows)[:, None]
            places = np.broadcast_to(asked, tried.shape).ravel()
            good = self._is_held(inner, np.maximum(tried, 0).ravel(), bound[:, places], cells[:, places])
            # Below the smallest size there is none.
            good = good.reshape(tried.shape) | (tried < 0)
            sizes[asked] -= np.where(good.any(axis=0), good.argmax(axis=0), rows)
            asked = asked[~good.any(axis=0)]
            passed, rows = passed + rows, min(4 * rows, _FEW_ROWS)
        return np.maximum(sizes, -1)

    def _is_held(self, inner: int, sizes: Whole, bound: Whole, cells: Cells) -> Truth:
        """Which sizes of an inner frame fit, and lie inside some size of each outer frame, at one choice of place."""
        good = np.zeros(len(sizes), dtype=np.bool_)
        for way in self._ways_of(self.choices(inner, cells), len(sizes)):
            left = np.flatnonzero(~good)
            index = self.field.offsets[inner] + sizes[left]
            well = left[self._is_well(index, cells[:, left], _of(way, left))]
            for outer in self.holders[inner]:
                held = self.holding((inner, outer), sizes[well], bound[outer, well], cells[:, well], _of(way, well))
                well = well[held >= 0]
            good[well] = True
        return good

    def holding(self, pair: tuple[int, int], sizes: Whole, most: Whole, cells: Cells, way: Choice) -> Whole:
        """Return outer sizes above which none holds sizes of the inner frame, and which may hold them, for some t.

        Outer sizes are looked at from `most` down to the least of each cell, in ever longer rows; -1 for none. Where
        the first few do not hold the inner one and a smaller one may, the first of those stands for them all, unless
        `is_thorough`.
        """
        inner, outer = pair
        least = self.least(cells)[self.outers.index(outer)]
        own = self.field.offsets[inner] + sizes
        found = np.full(sizes.shape, -1, dtype=np.int64)
        asked = np.flatnonzero(most >= least)
        passed, rows = 0, 1
        while asked.size and (self.is_thorough or passed < _FEW_ROWS):
            tried = most[asked] - passed - np.arange(rows)[:, None]
            at = cells[:, asked]
            held = self._nests(pair, own[asked], np.maximum(tried, 0), at, _of(way, asked)) & (tried >= least[asked])
            is_held = held.any(axis=0)
            found[asked[is_held]] = most[asked[is_held]] - passed - held.argmax(axis=0)[is_held]
            asked = asked[~is_held]
            passed += rows
            asked = asked[most[asked] - passed >= least[asked]]
            around = self.field.offsets[outer] + most[asked] - passed
            asked = asked[self.may_lie_inside(own[asked], around, cells[:, asked])]
            rows = max(1, min(4 * rows, _MOST_AT_ONCE // max(len(asked), 1)))
        found[asked] = most[asked] - passed
        return found

    def _nests(self, pair: tuple[int, int], own: Whole, outer_sizes: Whole, cells: Cells, way: Choice) -> Truth:
        """Which sizes lie inside sizes of an outer frame (in rows) for some t on each axis."""
        around = self.field.offsets[pair[1]] + outer_sizes
        self.work += 2 * around.size + 2 * _CALL
        other = self.choices(pair[1], cells)
        inside = np.ones(around.shape, dtype=np.bool_)
        for axis, table in enumerate((self.field.x, self.field.y)):
            ways = (None if way is None else way[axis], None if other is None else other[axis])
            inside &= table.nests(own, around, *self._rests(axis, cells), ways)
        return inside

    def aligned(self, axis: int, bound: Whole, t: Whole, cells: Cells) -> Whole:
        """Return t of cells, near to others, at which most inner frames lie inside outer ones on one axis.

        What lies inside what changes where the place of a size does, so few t need be tried.
        """
        table = (self.field.x, self.field.y)[axis]
        if not table.is_free:
            return t
        low, high, (first, last) = cells[2 * axis], cells[2 * axis + 1], self.window(axis, cells)
        sizes = self.field.offsets[self.tied][:, None] + np.maximum(bound[self.tied], 0)
        # Rests, counted from 0: where the window begins and where places have just changed.
        rests = np.concatenate([first[None, :], table.lead[sizes] % table.counts])
        rests = np.where((rests >= first) & (rests < last), rests, first)
        tries = t + (rests + 1 - t) % table.counts
        tries = np.where(tries > high, tries - table.counts, tries)
        tries = np.where(tries <= low, high, tries)
        self.work += tries.size * len(self.tied)
        inside = np.stack([self.insides(axis, bound, each) for each in tries])
        best: Whole = tries[inside.argmax(axis=0), np.arange(tries.shape[1])]
        return best

    def insides(self, axis: int, bound: Whole, t: Whole) -> Whole:
        """Return how many inner frames of given sizes lie inside outer ones on one axis for t of cells."""
        table = (self.field.x, self.field.y)[axis]
        sizes = self.field.offsets[:, None] + np.maximum(bound, 0)
        places = table.place(sizes, t) if table.is_free else table.first[sizes]
        ends = places + table.length[sizes]
        inner, outer = ([pair[end] for pair in self.field.pairs] for end in (0, 1))
        inside: Whole = ((places[inner] >= places[outer]) & (ends[inner] <= ends[outer])).sum(axis=0)
        return inside

    def _matched_down(self, bound: Whole) -> Whole:
        """Cut sizes down to the longest side that all frames can share."""
        matched = self.field.matched
        if matched is None:
            return bound
        table = (self.field.x, self.field.y)[matched.axis]
        lengths = table.length[self.field.offsets[:, None] + np.maximum(bound, 0)].min(axis=0)
        place = np.searchsorted(matched.lengths, lengths, side="right") - 1
        is_there = (place >= 0) & (bound >= 0).all(axis=0)
        cut = np.minimum(bound, matched.last_size[:, np.maximum(place, 0)]) if matched.lengths.size else bound
        return np.where(is_there, cut, -1)

    # The value at one t ---------------------------------------------------------------------------

    def value(self, cells: Cells, most: Whole) -> Whole:
        """Return good sizes for cells of one t, frames down; -1 throughout where some frame has none.

        The best ones, up to `most`; where outer frames have a least size, those that are found without
        trying combinations: the best where each frame can be as large as `most`.
        """
        sizes = self._values(cells, most)
        if self.field.matched is None:
            return self._or_nowhere(sizes, sizes >= 0)
        while True:
            cut = self._matched_down(self._or_nowhere(sizes, sizes >= 0))
            changed = np.flatnonzero((cut != sizes).any(axis=0) & (cut >= 0).all(axis=0))
            if not changed.size:
                return cut
            sizes = cut
            sizes[:, changed] = self._values(cells[:, changed], cut[:, changed])

    def _values(self, cells: Cells, most: Whole) -> Whole:
        if self.field.pairs:
            return self._values_inside(cells, most)
        best = np.full(most.shape, -1, dtype=np.int64)
        for way in self.ways:
            near = self.estimate.sizes(cells, self.field.offsets)
            sizes = self.largest(np.arange(self.field.frames), most, self.cell_fits(cells, way), near)
            if self.is_uneven:
                sizes = self._stepped_down(sizes, cells, way)
            best = np.maximum(best, np.where(self._may_hold(sizes, cells, way), sizes, -1))
        return best

    def _values_inside(self, cells: Cells, most: Whole) -> Whole:
        """Return the largest sizes where frames lie inside each other, outer frames first, each at one place."""
        field = self.field
        sizes = most.copy()
        edges: dict[int, Edges] = {}
        for frame in field.order:
            cut = np.where((sizes[list(self.holders[frame])] >= 0).all(axis=0), sizes[frame], -1)
            sizes[frame] = -1
            for way in self._single_ways(frame, cells):
                tried = self._largest_inside(frame, cells, cut, way, [edges[outer] for outer in self.holders[frame]])
                sizes[frame] = np.maximum(sizes[frame], tried)
            if any(outer == frame for _, outer in field.pairs):
                edges[frame] = self.outline(field.offsets[frame] + np.maximum(sizes[frame], 0), cells, way)
        return sizes

    def _single_ways(self, frame: int, cells: Cells) -> Iterator[Choice]:
        """Yield a frame's ways to choose places: all of them, but one for a frame that others lie in."""
        if frame not in self.outers:
            yield from self.ways
            return
        yield next(self._ways_of(self.choices(frame, cells), cells.shape[1])) if self.has_ties else (0, 0)

    def _largest_inside(self, frame: int, cells: Cells, most: Whole, way: Choice, around: Sequence[Edges]) -> Whole:
        """Return a frame's largest sizes inside given edges for cells of one t."""

        def fits(index: Whole, flat: Whole) -> Truth:
            at, here = cells[:, flat], _of(way, flat)
            good = self.core_fits(index, at, here, exactly=True)
            if around:
                edges = self.outline(index, at, here)
                for out in around:
                    good &= (edges.left >= out.left[flat]) & (edges.right <= out.right[flat])
                    good &= (edges.top >= out.top[flat]) & (edges.bottom <= out.bottom[flat])
            return good

        sizes = self.largest(np.array([frame]), most[None, :], fits)[0]
        index = self.field.offsets[frame] + np.maximum(sizes, 0)
        return np.where(self.may_hold_subject(index, cells, way, exactly=True), sizes, -1)


def _flat(choice: Choice) -> Choice:
    """Return choices for frames down and cells across in one row."""
    if choice is None or isinstance(choice[0], int):
        return choice
    return choice[0].ravel(), choice[1].ravel()  # type: ignore[union-attr]


def _of(way: Choice, places: Whole) -> Choice:
    """Return the choices of some of many cells."""
    if way is None or isinstance(way[0], int):
        return way
    return way[0][places], way[1][places]  # type: ignore[index]
