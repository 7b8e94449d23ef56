"""The joint search: which sizes are best over all scene points, by branch and bound in whole batches.

The best cells (`joint_looks`) are looked at first, many at once: each gives one real t, whose sizes
are a value to beat, and is split unless its bound is reached. A cell is split where that tells most:
at a size of an outer frame that holds an inner one, at a t where a place changes, at a choice of
place. Whatever is compared is a whole number; logarithms order products only as far as doubles
tell, and leave near ties to whole numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tallwide_service.core.allowance import MOST_LOOKS
from tallwide_service.core.joint_looks import Cells, Field, Looks, Real, Sizes, Truth
from tallwide_service.core.joint_slopes import Slopes
from tallwide_service.core.joint_tables import AxisTable, Whole

# Cells looked at in one go: few while little is known, then as many as numpy handles best.
_SMALLEST_BATCH, _LARGEST_BATCH = 96, 1024
# Points of a net on each axis, how much closer the next net is, how much wider the next cell away from a likely t.
_NET, _CLOSER, _WIDER = 9, 0.35, 4
# Below this many cells each is split in four at once.
_FEW_CELLS = 48
# Cells after which a search looks at slopes, and what one costs in looks.
_FEW_CASES, _SLOPES = 1500, 5
# Numbers kept from round to round that cost as much as one look.
_KEPT = 8
# Logarithms nearer than this share of the objective's size are compared as whole numbers.
NEAR = 1e-11
# Less than this part of a cell is not cut off alone.
_SLIVER = 8
# A window is cut once it is as long as this part of a cell.
_PARTS = 4
# Further than any t lies from another.
_NEVER = 1 << 62
# Stands for no cut; cells begin at -1, so that nothing is cut there.
_UNCUT = -2


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
    """What a search found: sizes that are best but for near ties; cells and looks it took; what is left unproven."""

    sizes: set[Sizes]
    cases: int
    looks: int
    left: Sizes | None


def search(field: Field, measure: Measure, most_looks: int = MOST_LOOKS, slopes: Slopes | None = None) -> Found:
    """Return the best sizes over all t, after so many looks at most; `slopes` bound logarithms over cells."""
    looks = Looks(field)
    cells, bounds = _bounded(looks, looks.root(), (field.counts - 1)[:, None])
    rows = measure.rows(bounds)
    found: set[Sizes] = set()
    best: tuple[Whole, float] | None = None
    cases = 1
    while cells.shape[1]:
        if best is not None:
            keep = measure.not_worse(rows, best)
            cells, bounds, rows = cells[:, keep], bounds[:, keep], (rows[0][:, keep], rows[1][keep])
            if not cells.shape[1]:
                break
        ordered = measure.order(rows)
        looks.work += bounds.size // _KEPT
        if looks.work > most_looks:
            return Found(found, cases, looks.work, tuple(bounds[:, ordered[0]].tolist()))
        size = min(max(_SMALLEST_BATCH, cells.shape[1] // 3), _LARGEST_BATCH)
        batch, rest = ordered[:size], ordered[size:]
        looked, bound = cells[:, batch], bounds[:, batch]
        x, y = _likely_t(looks, looked, bound)
        values = looks.value(np.concatenate([np.stack([x - 1, x, y - 1, y]), looked[4:]]), bound)
        best = _keep_best(found, best, measure, values)
        looks.is_thorough = best is None
        is_left = (values != bound).any(axis=0)
        if not looks.outers:
            is_left &= ~_is_unit(looked)
        if not (is_left.any() or rest.size):
            break
        looked, bound, values, x, y = (each[..., is_left] for each in (looked, bound, values, x, y))
        if cases == 1 and looked.shape[1]:
            children = _around(field, looked, likely(looks, measure, looked))
            inherited = np.repeat(bound, children.shape[1], axis=1)
        else:
            children, inherited = _split(looks, looked, bound, values, (x, y))
        cases += children.shape[1]
        if looks.outers:
            is_left = looks.within_windows(children)
            children, inherited = children[:, is_left], inherited[:, is_left]
        children, fresh = _bounded(looks, children, inherited)
        cells = np.concatenate([cells[:, rest], children], axis=1)
        bounds = np.concatenate([bounds[:, rest], fresh], axis=1)
        new = measure.rows(fresh)
        if slopes is not None and cases > _FEW_CASES:
            looks.work += _SLOPES * fresh.size
            new = new[0], np.minimum(new[1], slopes.upper(children, fresh))
        rows = (
            np.concatenate([rows[0][:, rest], new[0]], axis=1),
            np.concatenate([rows[1][rest], new[1]]),
        )
    return Found(found, cases, looks.work, None)


def _bounded(looks: Looks, cells: Cells, inherited: Whole) -> tuple[Cells, Whole]:
    """Return cells in which every frame may have a size, with their bounds."""
    bounds = looks.bound(cells, inherited)
    is_alive = (bounds >= 0).all(axis=0)
    return cells[:, is_alive], bounds[:, is_alive]


def _likely_t(looks: Looks, cells: Cells, bound: Whole) -> tuple[Whole, Whole]:
    """Return a t of each cell for which the sizes of its bound are likely to fit."""
    found = []
    for axis, table in enumerate((looks.field.x, looks.field.y)):
        low, high = cells[2 * axis], cells[2 * axis + 1]
        t = table.middle(looks.field.offsets[:, None] + bound, low, high) if table.is_free else high
        found.append(looks.aligned(axis, bound, t, cells) if looks.outers else t)
    return found[0], found[1]


def likely(looks: Looks, measure: Measure, root: Cells) -> tuple[int, int]:
    """Return a t that is likely to be near the best, by estimates alone: the best of a net, again in a closer net."""
    field = looks.field
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
        sizes = looks.estimate.sizes(np.stack([x - 1, x, y - 1, y]), field.offsets)
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
            *np.repeat(root[4:], across * down, axis=1),
        ]
    )


def _keep_best(
    found: set[Sizes], best: tuple[Whole, float] | None, measure: Measure, values: Whole
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
    found.update(tuple(sizes) for sizes in values[:, good].T.tolist())
    if found:
        kept = list(found)
        keep = measure.not_worse(measure.rows(np.array(kept, dtype=np.int64).T), best)
        for sizes, stays in zip(kept, keep.tolist(), strict=True):
            if not stays:
                found.remove(sizes)
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
    """Return cuts along one axis: cells longer than a place step are halved, others cut nearest to the middle.

    Where all that could be cut off is a sliver, they are halved too.
    """
    middle = (low + high) // 2
    is_long = high - low > table.counts
    if not table.is_free or is_long.all():
        return np.where(is_long, middle, _UNCUT)
    changes = low + (table.lead[sizes] - low) % table.counts
    off = np.where(short & (changes > low) & (changes < high), np.abs(2 * changes - low - high), _NEVER)
    nearest = off.argmin(axis=0)
    places = np.arange(len(low))
    least = off[nearest, places]
    cut: Whole = np.where(least < _NEVER, changes[nearest, places], _UNCUT)
    cut = np.where((least < _NEVER) & (_SLIVER * least > (_SLIVER - 2) * (high - low)), middle, cut)
    return np.where(is_long, middle, cut)


def _split(looks: Looks, cells: Cells, bound: Whole, values: Whole, at: tuple[Whole, Whole]) -> tuple[Cells, Whole]:
    """Return cells that fall short of their bound in two or four, with the bounds they inherit."""
    field = looks.field
    short = values < bound
    if not looks.outers:
        cuts = _cuts(field, cells, field.offsets[:, None] + bound, short)
        children, inherited = _split_t(field, cells, bound, looks.leaning(cells, bound, *at), cuts)
        if children.shape[1] < _FEW_CELLS:
            either = np.zeros(children.shape[1], dtype=np.int64)
            cuts = _cuts(field, children, field.offsets[:, None] + inherited, inherited >= 0)
            children, inherited = _split_t(field, children, inherited, either, cuts)
        return children, inherited
    outer, size = _holding(looks, cells, bound)
    is_held = outer < 0
    parts = [_split_sizes(looks, cells[:, ~is_held], bound[:, ~is_held], outer[~is_held], size[~is_held])]
    cells, bound, x, y = (each[..., is_held] for each in (cells, bound, *at))
    short = short[:, is_held]
    cut = _window_cuts(looks, cells, bound, (x, y))
    is_cut = (cut[0] != _UNCUT) | (cut[1] != _UNCUT)
    parts.append(_split_windows(cells[:, is_cut], bound[:, is_cut], (cut[0][is_cut], cut[1][is_cut])))
    cells, bound, x, y = (each[..., ~is_cut] for each in (cells, bound, x, y))
    short = short[:, ~is_cut]
    short[looks.tied] |= short[looks.tied].any(axis=0)
    cuts = _cuts(field, cells, field.offsets[:, None] + bound, short)
    is_cut = (cuts.x != _UNCUT) | (cuts.y != _UNCUT)
    leaning = looks.leaning(cells, bound, x, y)
    parts.append(_split_t(field, cells[:, is_cut], bound[:, is_cut], leaning[is_cut], cuts.of(is_cut)))
    parts.append(_split_choices(looks, cells[:, ~is_cut], bound[:, ~is_cut]))
    return np.concatenate([each[0] for each in parts], axis=1), np.concatenate([each[1] for each in parts], axis=1)


def _window_cuts(looks: Looks, cells: Cells, bound: Whole, at: tuple[Whole, Whole]) -> tuple[Whole, Whole]:
    """Return where windows are cut: on an axis on which sizes of the bound do not all lie inside each other at one t.

    Only where the window is a good part of the cell: in a large cell it tells little.
    """
    found = []
    axes = looks.field.x, looks.field.y
    longest = np.maximum(*(_in_px(table, cells[2 * axis], cells[2 * axis + 1]) for axis, table in enumerate(axes)))
    for axis, table in enumerate(axes):
        first, last = looks.window(axis, cells)
        is_out = looks.insides(axis, bound, at[axis]) < len(looks.field.pairs)
        is_out &= _in_px(table, first, last) * _PARTS >= longest
        sizes = looks.field.offsets[looks.tied][:, None] + bound[looks.tied]
        cut = _axis_cuts(table, sizes, first, last, np.broadcast_to(is_out, sizes.shape))
        found.append(cut if table.is_free else np.full(cells.shape[1], _UNCUT))
    return found[0], np.where(found[0] == _UNCUT, found[1], _UNCUT)


def _in_px(table: AxisTable, low: Whole, high: Whole) -> Real:
    """Return how long cells are on one axis, px."""
    scale = table.step / table.counts if table.is_free else 0.0
    return (high - low).astype(np.float64) * scale


def _split_windows(cells: Cells, bound: Whole, cuts: tuple[Whole, Whole]) -> tuple[Cells, Whole]:
    """Return cells in two, their window on one axis cut."""
    first, second = cells.copy(), cells.copy()
    for axis, cut in enumerate(cuts):
        is_cut = cut != _UNCUT
        first[5 + 2 * axis, is_cut] = second[4 + 2 * axis, is_cut] = cut[is_cut]
    return np.concatenate([first, second], axis=1), np.concatenate([bound, bound], axis=1)


def _holding(looks: Looks, cells: Cells, bound: Whole) -> tuple[Whole, Whole]:
    """Return for each cell an outer frame whose largest size does not hold an inner one's, and the largest that does.

    -1 where there is none.
    """
    outer, size = (np.full(cells.shape[1], -1, dtype=np.int64) for _ in range(2))
    for pair in looks.field.pairs:
        left = np.flatnonzero(outer < 0)
        at = cells[:, left]
        held = looks.holding(pair, bound[pair[0], left], bound[pair[1], left], at, looks.choices(pair[0], at))
        is_smaller = (held >= 0) & (held < bound[pair[1], left])
        outer[left[is_smaller]], size[left[is_smaller]] = pair[1], held[is_smaller]
    return outer, size


def _split_sizes(looks: Looks, cells: Cells, bound: Whole, outer: Whole, size: Whole) -> tuple[Cells, Whole]:
    """Return cells in two: sizes of an outer frame up to one, and those above it."""
    upper, lower = cells.copy(), bound.copy()
    everywhere = np.arange(cells.shape[1])
    row = np.searchsorted(looks.outers, outer)
    looks.least(upper)[row, everywhere] = size + 1
    lower[outer, everywhere] = size
    return np.concatenate([cells, upper], axis=1), np.concatenate([lower, bound], axis=1)


def _split_choices(looks: Looks, cells: Cells, bound: Whole) -> tuple[Cells, Whole]:
    """Return cells in two: an outer frame at the first of its two places, and at the last; others as they are."""
    chosen, found = np.zeros(cells.shape[1], dtype=np.int64), [cells.copy()]
    for frame in looks.outers:
        sizes = looks.field.offsets[frame] + bound[frame]
        for row, table in zip(looks.choice_rows(frame), (looks.field.x, looks.field.y), strict=True):
            if table.has_ties:
                is_open = (chosen == 0) & (cells[row] < 0) & (table.first[sizes] < table.last[sizes])
                chosen[is_open] = row
    split = np.flatnonzero(chosen)
    found.append(cells[:, split])
    found[0][chosen[split], split] = 0
    found[1][chosen[split], np.arange(len(split))] = 1
    return np.concatenate(found, axis=1), np.concatenate([bound, bound[:, split]], axis=1)


def _split_t(field: Field, cells: Cells, bound: Whole, leaning: Whole, cuts: Cuts) -> tuple[Cells, Whole]:
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
