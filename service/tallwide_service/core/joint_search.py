"""The joint search: which sizes are best over all scene points, by branch and bound in whole batches.

A cell is a box of t, low < t <= high on each recorded axis. Over a cell each size has a core, the
pixels that it covers for every t of the cell; the largest size whose core fits bounds what the
frame can have there, because candidates form a chain and cores of a chain lie inside each other.
The best cells are looked at first, many at once: each gives one real t, whose sizes are a value to
beat, and is split unless its bound is reached. Whatever is compared is a whole number; logarithms
order products only as far as doubles tell, and leave near ties to whole numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from tallwide.answers import Rect
from tallwide_service.core.joint_estimate import Estimate
from tallwide_service.core.joint_tables import AxisTable, Whole

# Frames looked at, over all cells, before the search stops with an honest gap; a bound on work, not on time.
MOST_LOOKS = 2_500_000
# Cells looked at in one go: few while little is known, then as many as numpy handles best.
_SMALLEST_BATCH, _LARGEST_BATCH = 96, 1024
# Points of a net on each axis, how much closer the next net is, how much wider the next cell away from a likely t.
_NET, _CLOSER, _WIDER = 9, 0.35, 4
# Below this many cells each is split in four at once.
_FEW_CELLS = 48
# Logarithms nearer than this share of the objective's size are compared as whole numbers.
NEAR = 1e-11
# Further than any t lies from another.
_NEVER = 1 << 62
# Stands for no cut; cells begin at -1, so that nothing is cut there.
_UNCUT = -2
# Sizes whose far edges are looked at one by one, and rows of sizes that a cell is cut by at most.
_FAR_EDGES, _MOST_ROWS = 33, 128
# Cells of a batch that are valued in any case where values have to be combined.
_VALUED = 4
# Passes over frames that depend on each other before a bound is taken as it stands.
_BOUND_PASSES = 2

Truth = npt.NDArray[np.bool_]
Real = npt.NDArray[np.float64]
Sizes = tuple[int, ...]
Cells = Whole  # four rows: x low, x high, y low, y high


@dataclass(frozen=True, slots=True)
class Matched:
    """Lengths along one axis that all frames can share: rising, and each frame's last size of each."""

    axis: int
    lengths: Whole
    last_size: Whole


@dataclass(frozen=True, slots=True)
class Field:
    """All that the search looks at: tables of both axes, the region, the subject, and what ties frames together."""

    x: AxisTable
    y: AxisTable
    offsets: Whole
    counts: Whole
    raster: Rect
    rows: tuple[Whole, Whole] | None
    subject: Rect | None
    pairs: tuple[tuple[int, int], ...]
    order: tuple[int, ...]
    matched: Matched | None
    estimate: Estimate

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

    def hold(self, rect: Rect) -> Truth:
        """Which of them hold a rectangle."""
        return (self.left <= rect.x) & (self.top <= rect.y) & (self.right >= rect.right) & (self.bottom >= rect.bottom)


class Looks:
    """Questions about sizes over cells, answered for many at once."""

    def __init__(self, field: Field) -> None:
        self.field = field
        rows = field.rows
        if rows is not None:
            inside = rows[0] <= rows[1]
            self.highest = int(rows[0][inside].min()) if inside.any() else 1
            self.lowest = int(rows[1][inside].max()) if inside.any() else 0

    # Edges -----------------------------------------------------------------------------------

    def span(self, axis: int, sizes: Whole, low: Whole, high: Whole, option: int | None) -> tuple[Whole, Whole]:
        """Return each size's first and last place over cells; of a tie the place that `option` names."""
        table = (self.field.x, self.field.y)[axis]
        if table.is_free:
            last = table.place(sizes, high)
            return (last, last) if option is not None else (table.place(sizes, low + 1), last)
        if option is None:
            return table.first[sizes], table.last[sizes]
        place = (table.first, table.last)[option][sizes]
        return place, place

    def far(self, axis: int, sizes: Whole, first: Whole, low: Whole) -> Whole:
        """Return a bound below every far edge over cells that rises with the size."""
        table = (self.field.x, self.field.y)[axis]
        if table.is_nested:
            return first + table.length[sizes]
        return table.floor(low + 1) + table.far[sizes]

    def core_fits(self, sizes: Whole, cells: Cells, options: tuple[int, int] | None, *, exactly: bool = False) -> Truth:
        """Which sizes' cores, grown by their protection, lie in the region: necessary for every t of a cell."""
        field = self.field
        x_first, x_last = self.span(0, sizes, cells[0], cells[1], None if options is None else options[0])
        y_first, y_last = self.span(1, sizes, cells[2], cells[3], None if options is None else options[1])
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

    def outline(self, sizes: Whole, cells: Cells, options: tuple[int, int] | None) -> Edges:
        """Return the outermost edges that sizes have over cells."""
        x_first, x_last = self.span(0, sizes, cells[0], cells[1], None if options is None else options[0])
        y_first, y_last = self.span(1, sizes, cells[2], cells[3], None if options is None else options[1])
        return Edges(x_first, y_first, x_last + self.field.x.length[sizes], y_last + self.field.y.length[sizes])

    def may_hold_subject(
        self, sizes: Whole, cells: Cells, options: tuple[int, int] | None, *, exactly: bool = False
    ) -> Truth:
        """Which sizes reach around the subject for some t of a cell, as far as each side tells alone.

        Where lengths are no whole place steps a smaller size may reach further, by less than a step;
        `exactly` asks for these sizes alone.
        """
        subject = self.field.subject
        if subject is None:
            return np.ones(sizes.shape, dtype=np.bool_)
        edges = self.outline(sizes, cells, options)
        is_told = exactly or options is not None
        slack_x = 0 if is_told or self.field.x.is_nested else self.field.x.step
        slack_y = 0 if is_told or self.field.y.is_nested else self.field.y.step
        return (
            (edges.left <= subject.x)
            & (edges.top <= subject.y)
            & (edges.right + slack_x >= subject.right)
            & (edges.bottom + slack_y >= subject.bottom)
        )

    def may_lie_inside(self, inner: Whole, outer: Whole, cells: Cells) -> Truth:
        """Which sizes may lie inside other sizes for some t of a cell."""
        return self.field.x.may_lie_inside(inner, outer, cells[0], cells[1]) & self.field.y.may_lie_inside(
            inner, outer, cells[2], cells[3]
        )

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

    def cell_fits(self, cells: Cells, options: tuple[int, int] | None) -> Callable[[Whole, Whole], Truth]:
        """Return the question whether a size's core fits, for frames down and cells across."""
        count = cells.shape[1]

        def fits(sizes: Whole, flat: Whole) -> Truth:
            return self.core_fits(sizes, cells[:, flat % count], options)

        return fits

    def bound(self, cells: Cells, most: Whole) -> Whole:
        """Return sizes, frames down and cells across, that none over a cell passes; -1 throughout where none can be."""
        everyone = np.arange(self.field.frames)
        bound = self.largest(
            everyone, most, self.cell_fits(cells, None), self.field.estimate.sizes(cells, self.field.offsets)
        )
        if not (self.field.x.is_nested and self.field.y.is_nested):
            bound = self._stepped_down(bound, cells, None)
        if self.field.pairs or self.field.matched is not None:
            for _ in range(_BOUND_PASSES if self.field.pairs and self.field.matched else 1):
                bound = self._inside(bound, cells)
                bound = self._matched_down(bound)
        return self._or_nowhere(bound, self._may_hold(bound, cells, None))

    def _may_hold(self, sizes: Whole, cells: Cells, options: tuple[int, int] | None) -> Truth:
        if self.field.subject is None:
            return sizes >= 0
        flat = self.field.offsets[:, None] + np.maximum(sizes, 0)
        wide = cells[:, None, :]
        return (sizes >= 0) & self.may_hold_subject(flat, wide, options)

    def _or_nowhere(self, sizes: Whole, allowed: Truth) -> Whole:
        return np.where(((sizes >= 0) & allowed).all(axis=0), sizes, -1)

    def _inside(self, bound: Whole, cells: Cells) -> Whole:
        """Cut sizes down to what may lie inside their outer frames."""
        bound = bound.copy()
        offsets = self.field.offsets
        for inner in self.field.order:
            for outer in (out for each, out in self.field.pairs if each == inner):
                around = offsets[outer] + np.maximum(bound[outer], 0)

                def fits(sizes: Whole, flat: Whole, around: Whole = around) -> Truth:
                    return self.may_lie_inside(sizes, around[flat], cells[:, flat])

                cut = np.where(bound[outer] >= 0, bound[inner], -1)
                bound[inner] = self.largest(np.array([inner]), cut[None, :], fits)[0]
                for axis, table in enumerate((self.field.x, self.field.y)):
                    if not table.is_nested and bound.shape[1]:
                        bound[inner] = self._stepped_inside(axis, bound[inner], offsets[inner], around, cells)
        return bound

    def _stepped_inside(self, axis: int, sizes: Whole, offset: int, around: Whole, cells: Cells) -> Whole:
        """Return sizes that may lie inside outer ones up to `around` on one axis; lengths are no whole place steps.

        Near edges move one way with the size. Far edges do so but for less than a step: those of the
        largest outer sizes are looked at one by one, those of smaller ones lie short of a bound.
        """
        table = (self.field.x, self.field.y)[axis]
        low, high = cells[2 * axis], cells[2 * axis + 1]
        first_of_frame = self.field.offsets[np.searchsorted(self.field.offsets, around, side="right") - 1]
        rows = np.maximum(around - np.arange(_FAR_EDGES)[:, None], first_of_frame)
        first, last = self.span(axis, around, low, high, None)
        near = first
        furthest = (self.span(axis, rows, low, high, None)[1] + table.length[rows]).max(axis=0)
        if table.is_free:
            below = np.maximum(around - _FAR_EDGES, first_of_frame)
            furthest = np.maximum(furthest, table.floor(high) + table.far[below] + table.step + 2)
        else:
            below = np.maximum(around - _FAR_EDGES, first_of_frame)
            furthest = np.maximum(furthest, table.floor_given + table.far[below] + 2 * table.step + 2)
        sizes = sizes.copy()
        asked = np.flatnonzero(sizes >= 0)
        while asked.size:
            first, last = self.span(axis, offset + sizes[asked], low[asked], high[asked], None)
            ends = first + table.length[offset + sizes[asked]]
            asked = asked[(last < near[asked]) | (ends > furthest[asked])]
            sizes[asked] -= 1
            asked = asked[sizes[asked] >= 0]
        return sizes

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

    def value(self, x: Whole, y: Whole, most: Whole) -> Whole:
        """Return the best sizes for each t, frames down; -1 throughout where some frame has none.

        For fields that are plain to value.
        """
        cells = np.stack([x - 1, x, y - 1, y])
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

    def alone(self, x: Whole, y: Whole, most: Whole) -> Whole:
        """Return the best size of each frame for one t of each cell, as if it were not tied to others; -1 for none."""
        at = np.stack([x - 1, x, y - 1, y])
        return self._best_of_options(at, most, tied=False)

    def _values(self, cells: Cells, most: Whole) -> Whole:
        return self._best_of_options(cells, most, tied=bool(self.field.pairs))

    def _best_of_options(self, cells: Cells, most: Whole, *, tied: bool) -> Whole:
        options = product(
            (0, 1) if self.field.x.has_ties else (0,),
            (0, 1) if self.field.y.has_ties else (0,),
        )
        best: Whole | None = None
        for option in options:
            if tied:
                sizes = self._values_inside(cells, most, option)
            else:
                everyone = np.arange(self.field.frames)
                near = self.field.estimate.sizes(cells, self.field.offsets)
                sizes = self.largest(everyone, most, self.cell_fits(cells, option), near)
                if not (self.field.x.is_nested and self.field.y.is_nested):
                    sizes = self._stepped_down(sizes, cells, option)
                sizes = np.where(self._may_hold(sizes, cells, option), sizes, -1)
            best = sizes if best is None else np.maximum(best, sizes)
        assert best is not None  # noqa: S101 - there is at least one option
        return best

    def _stepped_down(self, sizes: Whole, cells: Cells, option: tuple[int, int] | None) -> Whole:
        """Return the largest sizes whose own core fits, where lengths are no whole place steps."""
        count = cells.shape[1]
        flat = sizes.ravel().copy()
        base = np.broadcast_to(self.field.offsets[:, None], sizes.shape).ravel()
        asked = np.flatnonzero(flat >= 0)
        while asked.size:
            at = cells[:, asked % count]
            index = base[asked] + flat[asked]
            good = self.core_fits(index, at, option, exactly=True)
            good &= self.may_hold_subject(index, at, option, exactly=True)
            asked = asked[~good]
            flat[asked] -= 1
            asked = asked[flat[asked] >= 0]
            if self.field.subject is not None and asked.size:
                at = cells[:, asked % count]
                hopeless = ~self.may_hold_subject(base[asked] + flat[asked], at, None)
                flat[asked[hopeless]] = -1
                asked = asked[~hopeless]
        return flat.reshape(sizes.shape)

    def _values_inside(self, cells: Cells, most: Whole, option: tuple[int, int]) -> Whole:
        """Return the largest sizes where frames lie inside each other, outer frames first."""
        field = self.field
        sizes = most.copy()
        for frame in field.order:
            outers = [outer for inner, outer in field.pairs if inner == frame]
            around = [
                self.outline(field.offsets[outer] + np.maximum(sizes[outer], 0), cells, option) for outer in outers
            ]

            def fits(index: Whole, flat: Whole, around: Sequence[Edges] = tuple(around)) -> Truth:
                at = cells[:, flat]
                good = self.core_fits(index, at, option)
                if around:
                    edges = self.outline(index, at, option)
                    for out in around:
                        good &= (edges.left >= out.left[flat]) & (edges.right <= out.right[flat])
                        good &= (edges.top >= out.top[flat]) & (edges.bottom <= out.bottom[flat])
                return good

            cut = np.where((sizes[outers] >= 0).all(axis=0), sizes[frame], -1)
            sizes[frame] = self.largest(np.array([frame]), cut[None, :], fits)[0]
        return np.where(self._may_hold(sizes, cells, option), sizes, -1)


class Measure:
    """How good sizes are: rows of numbers, compared from the first on, and at last a logarithm."""

    def __init__(
        self, whole: Callable[[Whole], Whole] | None, real: Callable[[Whole], Real] | None, near: float
    ) -> None:
        self._whole, self._real, self.near = whole, real, near

    def rows(self, sizes: Whole) -> tuple[Whole, Real]:
        """Return the whole-number rows and the logarithm of sizes (frames down)."""
        count = sizes.shape[1]
        whole = np.zeros((0, count), dtype=np.int64) if self._whole is None else self._whole(sizes)
        real = np.zeros(count) if self._real is None else self._real(sizes)
        return whole, real

    def not_worse(self, rows: tuple[Whole, Real], best: tuple[Whole, float]) -> Truth:
        """Which are not below the best by more than doubles can tell."""
        whole, real = rows
        above = np.zeros(real.shape, dtype=np.bool_)
        equal = np.ones(real.shape, dtype=np.bool_)
        for row, least in zip(whole, best[0].tolist(), strict=True):
            above |= equal & (row > least)
            equal &= row == least
        return above | (equal & (real >= best[1] - self.near))

    def order(self, rows: tuple[Whole, Real]) -> Whole:
        """Return the places of the best first."""
        whole, real = rows
        ordered: Whole = np.lexsort((real, *whole[::-1]))[::-1]
        return ordered


@dataclass(frozen=True, slots=True)
class Found:
    """What a search found: sizes that are best but for near ties, with a t; cells looked at; what is left unproven."""

    sizes: dict[Sizes, tuple[int, int]]
    cases: int
    left: Sizes | None


class ValueAt(Protocol):
    """Gives the best sizes at one t, up to a bound, until it has looked at as much as it may."""

    @property
    def is_spent(self) -> bool:
        """Whether something has been left out."""

    def at(self, x: int, y: int, most: Sizes) -> Sizes | None:
        """Return the best sizes for one t; `None` where some frame has none."""


def search(field: Field, measure: Measure, value_at: ValueAt | None = None, most_looks: int = MOST_LOOKS) -> Found:
    """Return the best sizes over all t.

    Parameters
    ----------
    value_at
        Gives the best sizes at one t for fields that are not plain to value.
    """
    looks = Looks(field)
    looking = Plain(looks) if value_at is None else Combined(looks, value_at)
    root = np.array(
        [[-1], [field.x.last_count if field.x.is_free else 0], [-1], [field.y.last_count if field.y.is_free else 0]],
        dtype=np.int64,
    )
    most = (field.counts - 1)[:, None]
    cells, bounds = root, looks.bound(root, most)
    alive = (bounds >= 0).all(axis=0)
    cells, bounds = cells[:, alive], bounds[:, alive]
    rows = measure.rows(bounds)
    found: dict[Sizes, tuple[int, int]] = {}
    best: tuple[Whole, float] | None = None
    cases = 1
    while cells.shape[1]:
        if best is not None:
            keep = measure.not_worse(rows, best)
            cells, bounds, rows = cells[:, keep], bounds[:, keep], (rows[0][:, keep], rows[1][keep])
            if not cells.shape[1]:
                break
        ordered = measure.order(rows)
        if cases * field.frames > most_looks:
            return Found(found, cases, tuple(bounds[:, ordered[0]].tolist()))
        size = min(max(_SMALLEST_BATCH, cells.shape[1] // 3), _LARGEST_BATCH)
        batch, rest = ordered[:size], ordered[size:]
        looked, bound = cells[:, batch], bounds[:, batch]
        sizes = field.offsets[:, None] + bound
        x = field.x.middle(sizes, looked[0], looked[1]) if field.x.is_free else looked[1]
        y = field.y.middle(sizes, looked[2], looked[3]) if field.y.is_free else looked[3]
        values, is_done, cuts = looking.look(looked, bound, x, y)
        best = _keep_best(found, best, measure, (x, y), values)
        if looking.is_spent:
            return Found(found, cases, tuple(bounds[:, ordered[0]].tolist()))
        looked, bound = looked[:, ~is_done], bound[:, ~is_done]
        x, y = x[~is_done], y[~is_done]
        if cases == 1 and looked.shape[1]:
            children = _around(field, looked, likely(field, measure, looked))
            inherited = np.repeat(bound, children.shape[1], axis=1)
        else:
            leaning = looks.leaning(looked, bound, x, y)
            children, inherited = _split(field, looked, bound, leaning, cuts.of(~is_done))
            if children.shape[1] < _FEW_CELLS:
                either = np.zeros(children.shape[1], dtype=np.int64)
                cuts = _cuts(field, children, field.offsets[:, None] + inherited, inherited >= 0)
                children, inherited = _split(field, children, inherited, either, cuts)
        cases += children.shape[1]
        fresh = looks.bound(children, inherited)
        alive = (fresh >= 0).all(axis=0)
        children, fresh = children[:, alive], fresh[:, alive]
        cells = np.concatenate([cells[:, rest], children], axis=1)
        bounds = np.concatenate([bounds[:, rest], fresh], axis=1)
        new = measure.rows(fresh)
        rows = (
            np.concatenate([rows[0][:, rest], new[0]], axis=1),
            np.concatenate([rows[1][rest], new[1]]),
        )
    return Found(found, cases, None)


def likely(field: Field, measure: Measure, root: Cells) -> tuple[int, int]:
    """Return a t that is likely to be near the best, by estimates alone: the best of a net, again in a closer net."""
    low, high = root[[0, 2], 0] + 1, root[[1, 3], 0]
    spacing = np.maximum((high - low) / (_NET - 1), 0)
    middle = (low + high) / 2
    marks = np.arange(_NET) - (_NET - 1) / 2
    while True:
        x, y = (
            np.rint(np.clip(middle[axis] + marks * spacing[axis], low[axis], high[axis])).astype(np.int64)
            for axis in (0, 1)
        )
        x, y = np.repeat(x, _NET), np.tile(y, _NET)
        sizes = field.estimate.sizes(np.stack([x - 1, x, y - 1, y]), field.offsets)
        found = np.clip(sizes, 0, field.counts[:, None] - 1)
        whole, real = measure.rows(found)
        lacking = np.minimum(sizes, 0).sum(axis=0)
        first = np.lexsort((real, *whole[::-1], lacking))[-1]
        middle = np.array([x[first], y[first]], dtype=np.float64)
        if (spacing <= 1).all():
            return int(x[first]), int(y[first])
        spacing = spacing * _CLOSER


def _around(field: Field, root: Cells, t: tuple[int, int]) -> Cells:
    """Return a cell cut into small cells around one t and ever larger ones away from it."""
    cuts = []
    for axis, free in ((0, field.x.is_free), (1, field.y.is_free)):
        low, high = int(root[2 * axis, 0]), int(root[2 * axis + 1, 0])
        places = {low, high}
        reach = 1
        while free and reach < high - low:
            places.update(place for place in (t[axis] - reach, t[axis] + reach - 1) if low < place < high)
            reach *= _WIDER
        cuts.append(np.array(sorted(places), dtype=np.int64))
    across, down = (len(each) - 1 for each in cuts)
    return np.stack(
        [
            np.repeat(cuts[0][:-1], down),
            np.repeat(cuts[0][1:], down),
            np.tile(cuts[1][:-1], across),
            np.tile(cuts[1][1:], across),
        ]
    )


class Plain:
    """Looks at cells of a field that is plain to value: all at once."""

    is_spent = False

    def __init__(self, looks: Looks) -> None:
        self.looks = looks

    def look(self, cells: Cells, bound: Whole, x: Whole, y: Whole) -> tuple[Whole, Truth, Cuts]:
        """Return values, which cells are done, and where to cut the others."""
        field = self.looks.field
        values = self.looks.value(x, y, bound)
        is_done = _is_unit(cells) | (values == bound).all(axis=0)
        return values, is_done, _cuts(field, cells, field.offsets[:, None] + bound, values < bound)


class Combined:
    """Looks at cells of a field whose values have to be combined: as few as it takes."""

    def __init__(self, looks: Looks, value_at: ValueAt) -> None:
        self.looks, self.value_at = looks, value_at
        field = looks.field
        coupled = {each for pair in field.pairs for each in pair}
        self.tied = np.array(sorted(range(field.frames) if field.matched is not None else coupled), dtype=np.int64)
        self.loose = np.array([i for i in range(field.frames) if i not in self.tied], dtype=np.int64)
        # Sizes further below those that are best at one t lie inside them at every t with the same places.
        self.patience = field.x.step + field.y.step

    @property
    def is_spent(self) -> bool:
        """Whether combinations have been left out."""
        return self.value_at.is_spent

    def look(self, cells: Cells, bound: Whole, x: Whole, y: Whole) -> tuple[Whole, Truth, Cuts]:
        """Return values (-1 where a cell is not valued), which cells are done, and where to cut the others.

        A cell in which no place changes of any size that may tell has one value.
        """
        alone = self.looks.alone(x, y, bound)
        cuts = self._cuts(cells, bound, alone, np.minimum(self.patience, bound))
        is_valued = (cuts.x == _UNCUT) & (cuts.y == _UNCUT)
        is_valued[:_VALUED] = True
        values = np.full(bound.shape, -1, dtype=np.int64)
        for place in np.flatnonzero(is_valued).tolist():
            value = self.value_at.at(int(x[place]), int(y[place]), tuple(bound[:, place].tolist()))
            if value is not None:
                values[:, place] = value
        is_met = is_valued & (values >= 0).all(axis=0)
        reach = np.where(is_met, bound - values + self.patience, self.patience)
        deeper = self._cuts(cells, bound, alone, np.minimum(np.minimum(reach, _MOST_ROWS - 1), bound))
        is_whole = (deeper.x == _UNCUT) & (deeper.y == _UNCUT)
        is_settled = is_whole & is_met & (reach[self.tied] < _MOST_ROWS).all(axis=0)
        return values, is_settled | (is_whole & _is_unit(cells)) | (values == bound).all(axis=0), deeper

    def _cuts(self, cells: Cells, bound: Whole, alone: Whole, reach: Whole) -> Cuts:
        """Return where places change of frames that fall short alone, and of tied ones as far below their bound."""
        field = self.looks.field
        down = np.arange(int(reach[self.tied].max(initial=0)) + 1)[:, None]
        rows = [field.offsets[self.loose][:, None] + bound[self.loose]]
        short = [alone[self.loose] < bound[self.loose]]
        for frame in self.tied.tolist():
            rows.append(field.offsets[frame] + np.maximum(bound[frame] - down, 0))
            short.append(down <= reach[frame])
        return _cuts(field, cells, np.concatenate(rows), np.concatenate(short))


def _keep_best(
    found: dict[Sizes, tuple[int, int]],
    best: tuple[Whole, float] | None,
    measure: Measure,
    at: tuple[Whole, Whole],
    values: Whole,
) -> tuple[Whole, float] | None:
    """Take in values that are not worse than the best; drop what they beat."""
    real = np.flatnonzero((values >= 0).all(axis=0))
    if not real.size:
        return best
    rows = measure.rows(values[:, real])
    first = measure.order(rows)[0]
    top = (rows[0][:, first], float(rows[1][first]))
    if best is None or measure.not_worse((top[0][:, None], np.array([top[1]])), best)[0]:
        is_higher = best is None or tuple(top[0]) != tuple(best[0]) or top[1] > best[1]
        best = top if is_higher or best is None else best
    good = real[measure.not_worse(rows, best)]
    for place in good.tolist():
        found.setdefault(tuple(values[:, place].tolist()), (int(at[0][place]), int(at[1][place])))
    if found:
        kept = list(found)
        keep = measure.not_worse(measure.rows(np.array(kept, dtype=np.int64).T), best)
        for sizes, stays in zip(kept, keep.tolist(), strict=True):
            if not stays:
                del found[sizes]
    return best


def _is_unit(cells: Cells) -> Truth:
    """Which cells are single t."""
    unit: Truth = (cells[1] - cells[0] <= 1) & (cells[3] - cells[2] <= 1)
    return unit


class Cuts(NamedTuple):
    """Where cells are best cut along each axis; `_UNCUT` where halves would tell as much."""

    x: Whole
    y: Whole

    def of(self, which: Truth) -> Cuts:
        """Return the cuts of some cells."""
        return Cuts(self.x[which], self.y[which])


def _cuts(field: Field, cells: Cells, sizes: Whole, short: Truth) -> Cuts:
    """Return where cells are best cut: where the place of a size changes that fell `short` of its bound.

    Sizes and whether they fell short stand in rows, cells across.
    """
    return Cuts(
        _axis_cuts(field.x, sizes, cells[0], cells[1], short), _axis_cuts(field.y, sizes, cells[2], cells[3], short)
    )


def _axis_cuts(table: AxisTable, sizes: Whole, low: Whole, high: Whole, short: Truth) -> Whole:
    """Return cuts along one axis: cells longer than a place step are halved, others cut nearest to the middle."""
    middle = (low + high) // 2
    is_long = high - low > table.counts
    if not table.is_free or is_long.all():
        return np.where(is_long, middle, _UNCUT)
    changes = low + (table.lead[sizes] - low) % table.counts
    off = np.where(short & (changes > low) & (changes < high), np.abs(2 * changes - low - high), _NEVER)
    nearest = off.argmin(axis=0)
    places = np.arange(len(low))
    cut: Whole = np.where(off[nearest, places] < _NEVER, changes[nearest, places], _UNCUT)
    return np.where(is_long, middle, cut)


def _split(field: Field, cells: Cells, bound: Whole, leaning: Whole, cuts: Cuts) -> tuple[Cells, Whole]:
    """Return cells in two, with the bounds they inherit; single t stay as they are.

    Along x where `leaning` is above 0, along y where it is below, else along the longer side; halves
    where neither axis has a cut.
    """
    across, down = cells[1] - cells[0], cells[3] - cells[2]
    is_cut_x, is_cut_y = cuts.x != _UNCUT, cuts.y != _UNCUT
    is_told = is_cut_x | is_cut_y
    may_x, may_y = np.where(is_told, is_cut_x, across > 1), np.where(is_told, is_cut_y, down > 1)
    cut_x = np.where(is_cut_x, cuts.x, (cells[0] + cells[1]) // 2)
    cut_y = np.where(is_cut_y, cuts.y, (cells[2] + cells[3]) // 2)
    is_wide = across * field.x.step * field.y.counts >= down * field.y.step * field.x.counts
    along_x = may_x & (~may_y | (leaning > 0) | ((leaning == 0) & is_wide))
    along_y = ~along_x & may_y
    first, second = cells.copy(), cells.copy()
    first[1, along_x], second[0, along_x] = cut_x[along_x], cut_x[along_x]
    first[3, along_y], second[2, along_y] = cut_y[along_y], cut_y[along_y]
    is_split = along_x | along_y
    return (
        np.concatenate([first, second[:, is_split]], axis=1),
        np.concatenate([bound, bound[:, is_split]], axis=1),
    )
