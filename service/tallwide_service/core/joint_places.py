"""Places of frames on one scene point, once their sizes are known. All exact.

With sizes fixed, moving t by a whole place step moves every frame by that step. So a free axis has
a few patterns of places, one for each residue of an align point, and each pattern can be shifted; on
a given axis each frame has one place, or two where its align point would lie half way. The align
point of each frame is wanted where it lies alone; least sum of squared distances wins, then, by
label, smaller y and smaller x. Doubles sort out what is clearly further away, whole numbers decide.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

import numpy as np
import numpy.typing as npt

from tallwide.answers import Rect
from tallwide_service.core.joint_choices import Allowed, cheapest
from tallwide_service.core.joint_tables import AxisTable, Whole

# Ways to lie on an axis that are looked at in one go, cheapest first.
_CHUNK = 2048
# Costs nearer than this share, and this much, px squared, are compared as whole numbers.
_NEAR, _NEAR_PX = 1e-9, 1e-6

Real = npt.NDArray[np.float64]
Order = tuple[int, ...]
Placed = tuple[Fraction, Order, tuple[Rect, ...]]


@dataclass(frozen=True, slots=True)
class Line:
    """One axis of the question, an entry for each frame.

    `low` and `high` bound the places by the region's box and the subject; `wanted` is the place
    that would put the align point where it lies alone.
    """

    length: Whole
    before: Whole
    after: Whole
    low: Whole
    high: Whole
    wanted: tuple[Fraction, ...]
    step: int
    patterns: tuple[Order, ...] | None
    choices: tuple[Order, ...] | None

    @property
    def wanted_px(self) -> Real:
        """Wanted places in doubles."""
        return np.array([float(each) for each in self.wanted])

    def cost(self, places: Order) -> Fraction:
        """Return the sum of squared distances to the wanted places."""
        unit = math.lcm(*(wanted.denominator for wanted in self.wanted))
        aways = (
            place * unit - wanted.numerator * (unit // wanted.denominator)
            for place, wanted in zip(places, self.wanted, strict=True)
        )
        return Fraction(sum(away * away for away in aways), unit * unit)

    def nearest_first(self) -> Iterator[tuple[Real, Whole]]:
        """Yield the ways to lie on a free axis, some at a time, the cheapest first: their costs, a row of places each.

        There may be millions, of which few are looked at: only their costs are held.
        """
        patterns = np.array(self.patterns or (), dtype=np.int64).reshape(-1, len(self.length))
        wanted_px = self.wanted_px
        costs, kinds, moves = [np.zeros(0)], [np.zeros(0, dtype=np.int32)], [np.zeros(0, dtype=np.int32)]
        for kind, pattern in enumerate(patterns):
            first, last = self.shifts(pattern, self.low, self.high)
            shifts = np.arange(int(first), int(last) + 1, dtype=np.int32)
            aways = wanted_px - pattern
            vertex_px = aways.mean()
            spread = ((aways - vertex_px) ** 2).sum()
            costs.append(spread + len(pattern) * (shifts * float(self.step) - vertex_px) ** 2)
            kinds.append(np.full(len(shifts), kind, dtype=np.int32))
            moves.append(shifts)
        all_costs, pattern_of, moved = np.concatenate(costs), np.concatenate(kinds), np.concatenate(moves)
        ordered = np.argsort(all_costs, kind="stable")
        for start in range(0, len(ordered), _CHUNK):
            chunk = ordered[start : start + _CHUNK]
            yield all_costs[chunk], patterns[pattern_of[chunk]] + moved[chunk, None].astype(np.int64) * self.step

    def shifts(self, pattern: Whole, low: Whole, high: Whole) -> tuple[Whole, Whole]:
        """Return the first and last number of steps by which a pattern stays within bounds; last axis is frames."""
        return -((pattern - low).min(axis=-1) // self.step), (high - pattern).min(axis=-1) // self.step


@dataclass(frozen=True, slots=True)
class Question:
    """Where frames of given sizes lie best: both axes, the rows of the region, what lies inside what."""

    x: Line
    y: Line
    rows: tuple[Whole, Whole] | None
    pairs: tuple[tuple[int, int], ...]
    by_label: Order

    def placed(self, xs: Order, ys: Order) -> Placed:
        """Return places with their cost and their order among equals."""
        order = tuple(value for i in self.by_label for value in (ys[i], xs[i]))
        rects = tuple(
            Rect(x, y, int(width), int(height))
            for x, y, width, height in zip(xs, ys, self.x.length.tolist(), self.y.length.tolist(), strict=True)
        )
        return self.x.cost(xs) + self.y.cost(ys), order, rects

    def row_bounds(self, xs: Whole) -> tuple[Whole, Whole]:
        """Return the first and last place down that frames have where they lie at places across; last axis frames."""
        low = np.broadcast_to(self.y.low, xs.shape)
        high = np.broadcast_to(self.y.high, xs.shape)
        if self.rows is None:
            return low, high
        first, last = self.rows
        left, right = xs - self.x.before, xs + self.x.length + self.x.after
        top = np.maximum(first[left], first[right]) + self.y.before
        bottom = np.minimum(last[left], last[right]) - self.y.after - self.y.length
        return np.maximum(low, top), np.minimum(high, bottom)


def line_of(
    table: AxisTable,
    sizes: Whole,
    wanted: Sequence[Fraction],
    held: tuple[int, int] | None,
    pairs: Sequence[tuple[int, int]],
) -> Line:
    """Return one axis of the question for sizes, by their place in the tables; `held` is the subject's extent."""
    length = table.length[sizes]
    low, high = table.low(sizes), table.high(sizes)
    if held is not None:
        low, high = np.maximum(low, held[1] - length), np.minimum(high, held[0])
    patterns: tuple[Order, ...] | None = None
    choices: tuple[Order, ...] | None = None
    if table.is_free:
        ranks = {int(lead) % table.counts for lead in table.lead[sizes]}
        found = {tuple(table.place(sizes, np.int64(rank)).tolist()) for rank in ranks}  # type: ignore[arg-type]
        patterns = tuple(sorted(each for each in found if is_nested(each, length.tolist(), pairs)))
    else:
        both = zip(table.first[sizes].tolist(), table.last[sizes].tolist(), strict=True)
        choices = tuple((first,) if first == last else (first, last) for first, last in both)
    return Line(
        length, table.before[sizes], table.after[sizes], low, high, tuple(wanted), table.step, patterns, choices
    )


def is_nested(places: Sequence[int], lengths: Sequence[int], pairs: Sequence[tuple[int, int]]) -> bool:
    """Whether inner frames lie inside their outer ones on one axis."""
    return all(
        places[inner] >= places[outer] and places[inner] + lengths[inner] <= places[outer] + lengths[outer]
        for inner, outer in pairs
    )


def best_places(question: Question) -> Placed | None:
    """Return the best places; `None` where these sizes have none in common."""
    across, down = question.x.choices, question.y.choices
    if question.pairs and (across is not None or down is not None):
        return _nested_on_given_axes(question)
    if across is not None and down is not None:
        return _on_given_point(question, across, down)
    if across is not None or down is not None:
        return _on_one_given_axis(question)
    return _on_free_point(question)


def _nested_on_given_axes(question: Question) -> Placed | None:
    """Return the best places of frames inside each other where an axis is given: ties depend on each other.

    For each way to lie on the free axis some places on the given one are open; ways with the same
    places open have the same best choice of them.
    """
    options = _options(question)
    choices: dict[tuple[bool, ...], list[Option] | None] = {}
    best: Placed | None = None
    for offs, xs, ys in _ways_on_the_free_axis(question):
        if _is_beyond(offs, best):
            break
        is_open = np.stack([_is_open(question, xs, ys, i, option) for i, each in enumerate(options) for option in each])
        kinds, kind_of = np.unique(is_open, axis=1, return_inverse=True)
        chosen_x, chosen_y, costs = xs.copy(), ys.copy(), offs.copy()
        for kind in range(kinds.shape[1]):
            here, opened = kind_of.ravel() == kind, tuple(kinds[:, kind].tolist())
            if opened not in choices:
                choices[opened] = _cheapest_options(question, options, opened)
            choice = choices[opened]
            if choice is None:
                costs[here] = math.inf
                continue
            for i, option in enumerate(choice):
                _take(question, i, option, here, (chosen_x, chosen_y, costs))
        best = _nearer(best, _nearest(question, chosen_x, chosen_y, costs))
    return best


Option = tuple[int | None, int | None]


def _options(question: Question) -> list[list[Option]]:
    """Return each frame's places on the given axes."""
    nowhere: list[tuple[None]] = [(None,)] * len(question.x.length)
    both = zip(question.x.choices or nowhere, question.y.choices or nowhere, strict=True)
    return [list(product(columns, rows)) for columns, rows in both]


def _off(option: Option, wanted: tuple[Fraction, Fraction]) -> Fraction:
    """Return how far a place on the given axes is from the wanted one, px squared."""
    return sum(((at - to) ** 2 for at, to in zip(option, wanted, strict=True) if at is not None), Fraction(0))


def _take(
    question: Question, i: int, option: Option, here: npt.NDArray[np.bool_], chosen: tuple[Whole, Whole, Real]
) -> None:
    """Put a frame where it lies on the given axes, in some rows of places across and down, and add what that costs."""
    *places, costs = chosen
    for at, line, place in zip(option, (question.x, question.y), places, strict=True):
        if at is not None:
            place[here, i] = at
            costs[here] += (at - float(line.wanted[i])) ** 2


def _ways_on_the_free_axis(question: Question) -> Iterator[tuple[Real, Whole, Whole]]:
    """Yield the ways to lie on the free axis, cheapest first, with their costs; nothing where an axis is given."""
    if question.x.choices is None:
        for offs, xs in question.x.nearest_first():
            yield offs, xs, np.zeros_like(xs)
    elif question.y.choices is None:
        for offs, ys in question.y.nearest_first():
            yield offs, np.zeros_like(ys), ys
    else:
        one = np.zeros((1, len(question.x.length)), dtype=np.int64)
        yield np.zeros(1), one, one


def _is_open(question: Question, xs: Whole, ys: Whole, i: int, option: Option) -> npt.NDArray[np.bool_]:
    """Which ways to lie on the free axis leave a frame's place on the given ones open."""
    x = xs[:, i] if option[0] is None else np.full(len(xs), option[0], dtype=np.int64)
    y = ys[:, i] if option[1] is None else np.full(len(ys), option[1], dtype=np.int64)
    inside = (question.x.low[i] <= x) & (x <= question.x.high[i])
    low, high = _row_bounds_of(question, i, np.clip(x, question.x.low[i], max(question.x.high[i], question.x.low[i])))
    is_open: npt.NDArray[np.bool_] = inside & (low <= y) & (y <= high)
    return is_open


def _cheapest_options(
    question: Question, options: Sequence[Sequence[Option]], is_open: Sequence[bool]
) -> list[Option] | None:
    """Return each frame's places on the given axes: least cost, then by label the smaller y and x."""
    wanted = list(zip(question.x.wanted, question.y.wanted, strict=True))
    offs = [[_off(option, wanted[i]) for option in each] for i, each in enumerate(options)]
    unit = math.lcm(*(off.denominator for each in offs for off in each))
    opened = iter(is_open)
    # Of equals, the smaller y of the first label decides first, so it weighs most.
    rank = {frame: place for place, frame in enumerate(reversed(question.by_label))}
    most = 4 ** len(options)
    costs: list[list[int | None]] = [
        [
            int(off * unit) * most + _order_among(each, option) * 4 ** rank[i] if next(opened) else None
            for option, off in zip(each, offs[i], strict=True)
        ]
        for i, each in enumerate(options)
    ]
    choice = cheapest(costs, {pair: _may_nest(question, options, *pair) for pair in set(question.pairs)})
    return None if choice is None else [options[i][k] for i, k in enumerate(choice)]


def _order_among(options: Sequence[Option], option: Option) -> int:
    """Return a choice's place among equals of one frame: smaller y first, then smaller x; 0 to 3."""
    return sorted(((y or 0), (x or 0)) for x, y in options).index((option[1] or 0, option[0] or 0))


def _may_nest(question: Question, options: Sequence[Sequence[Option]], inner: int, outer: int) -> Allowed:
    """Return which places of two frames put the one inside the other on the given axes."""

    def allowed(one: int, other: int) -> bool:
        places = zip(options[inner][one], options[outer][other], (question.x, question.y), strict=True)
        return all(
            place is None
            or around is None
            or (place >= around and place + line.length[inner] <= around + line.length[outer])
            for place, around, line in places
        )

    return allowed


def _on_given_point(question: Question, across: tuple[Order, ...], down: tuple[Order, ...]) -> Placed | None:
    """Return the places where both axes are given: each frame on its own."""
    xs, ys = [], []
    for i, (columns, rows) in enumerate(zip(across, down, strict=True)):
        best = None
        for x, y in product(columns, rows):
            if not question.x.low[i] <= x <= question.x.high[i] or not _is_row(question, i, x, y):
                continue
            cost = (x - question.x.wanted[i]) ** 2 + (y - question.y.wanted[i]) ** 2
            if best is None or (cost, y, x) < best:
                best = (cost, y, x)
        if best is None:
            return None
        xs.append(best[2])
        ys.append(best[1])
    return question.placed(tuple(xs), tuple(ys))


def _is_row(question: Question, i: int, x: int, y: int) -> bool:
    low, high = _row_bounds_of(question, i, np.array([x]))
    return bool(low[0] <= y <= high[0])


def _row_bounds_of(question: Question, i: int, xs: Whole) -> tuple[Whole, Whole]:
    """Return the first and last place down of one frame at places across."""
    low, high = np.full(xs.shape, question.y.low[i]), np.full(xs.shape, question.y.high[i])
    if question.rows is None:
        return low, high
    first, last = question.rows
    left, right = xs - question.x.before[i], xs + question.x.length[i] + question.x.after[i]
    top = np.maximum(first[left], first[right]) + question.y.before[i]
    bottom = np.minimum(last[left], last[right]) - question.y.after[i] - question.y.length[i]
    return np.maximum(low, top), np.minimum(high, bottom)


def _on_one_given_axis(question: Question) -> Placed | None:
    """Return the places where one axis is given: for each way to lie on the other, each frame's better place on it."""
    options = _options(question)
    # In the order in which equals are taken.
    for each, wanted in zip(options, zip(question.x.wanted, question.y.wanted, strict=True), strict=True):
        each.sort(key=lambda option, wanted=wanted: (_off(option, wanted), option[0] or 0, option[1] or 0))  # type: ignore[misc]
    best: Placed | None = None
    for offs, xs, ys in _ways_on_the_free_axis(question):
        if _is_beyond(offs, best):
            break
        chosen_x, chosen_y, costs = xs.copy(), ys.copy(), offs.copy()
        for i, each in enumerate(options):
            left = np.ones(len(xs), dtype=np.bool_)
            for option in each:
                taken = left & _is_open(question, xs, ys, i, option)
                _take(question, i, option, taken, (chosen_x, chosen_y, costs))
                left &= ~taken
            costs[left] = math.inf
        best = _nearer(best, _nearest(question, chosen_x, chosen_y, costs))
    return best


def _on_free_point(question: Question) -> Placed | None:
    """Return the places where both axes are free: columns by rising cost, the best rows for each.

    On a plain region the one axis has no part in the other.
    """
    if question.rows is None:
        xs, ys = (_nearest_on_line(line, question.by_label) for line in (question.x, question.y))
        return None if xs is None or ys is None else question.placed(xs, ys)
    if not question.y.patterns:
        return None
    patterns = np.array(question.y.patterns, dtype=np.int64)
    lowest, highest = patterns.min(axis=0), patterns.max(axis=0)
    wanted_px = question.y.wanted_px
    best: Placed | None = None
    most = math.inf
    for offs, columns in question.x.nearest_first():
        if offs[0] > most:
            break
        low, high = question.row_bounds(columns)
        # Where some pattern may have a shift: seldom, where the nearest columns have no rows in common.
        may_fit = (low - highest).max(axis=1) <= (high - lowest).min(axis=1)
        if not may_fit.any():
            continue
        offs, columns, low, high = offs[may_fit], columns[may_fit], low[may_fit], high[may_fit]  # noqa: PLW2901
        for pattern in patterns:
            first, last = question.y.shifts(pattern, low, high)
            fits = first <= last
            across, first, last = np.flatnonzero(fits), first[fits], last[fits]
            # The cost is a parabola of the shift: its whole-number minimum is beside its vertex.
            aways = wanted_px - pattern
            vertex_px = aways.mean()
            offs_down = ((aways - vertex_px) ** 2).sum()
            for near in (0, 1):
                shift = np.clip(np.floor(vertex_px / question.y.step) + near, first, last).astype(np.int64)
                moved = shift * question.y.step
                costs = offs[across] + offs_down + len(pattern) * (moved - vertex_px) ** 2
                may = costs <= most
                rows = pattern[None, :] + moved[may, None]
                best = _nearer(best, _nearest(question, columns[across[may]], rows, costs[may]))
                most = math.inf if best is None else _or_near(float(best[0]))
    return best


def _nearest_on_line(line: Line, by_label: Order) -> Order | None:
    """Return the places on one free axis that cost least, of equals those that are smaller by label; all in integers.

    The cost of a pattern is a parabola of its shift: the whole-number minimum is beside its vertex.
    """
    unit = math.lcm(*(wanted.denominator for wanted in line.wanted))
    wanted = [each.numerator * (unit // each.denominator) for each in line.wanted]
    low, high, step = line.low.tolist(), line.high.tolist(), line.step
    found: list[tuple[int, Order, Order]] = []
    for pattern in line.patterns or ():
        first = max(-((place - least) // step) for place, least in zip(pattern, low, strict=True))
        last = min((most - place) // step for place, most in zip(pattern, high, strict=True))
        if first > last:
            continue
        away = sum(wanted) - unit * sum(pattern)
        vertex = away // (unit * step * len(pattern))
        for shift in {min(max(near, first), last) for near in (vertex, vertex + 1)}:
            places = tuple(place + shift * step for place in pattern)
            cost = sum((place * unit - to) ** 2 for place, to in zip(places, wanted, strict=True))
            found.append((cost, tuple(places[i] for i in by_label), places))
    return min(found)[2] if found else None


def _nearest(question: Question, xs: Whole, ys: Whole, costs: Real) -> Placed | None:
    """Return the least cost, exactly, among places whose costs are known in doubles."""
    least = float(costs.min(initial=math.inf))
    if math.isinf(least):
        return None
    near = np.flatnonzero(costs <= _or_near(least))
    return min(
        (question.placed(tuple(xs[place].tolist()), tuple(ys[place].tolist())) for place in near.tolist()),
        key=lambda placed: placed[:2],
    )


def _nearer(best: Placed | None, other: Placed | None) -> Placed | None:
    """Return the better of two, by their costs and then by their order among equals."""
    if best is None or other is None:
        return best or other
    return min(best, other, key=lambda placed: placed[:2])


def _is_beyond(offs: Real, best: Placed | None) -> bool:
    """Whether ways to lie on one axis, cheapest first, all cost more by themselves than the best places do."""
    return best is not None and bool(offs[0] > _or_near(float(best[0])))


def _or_near(cost: float) -> float:
    """Return a cost, or what doubles cannot tell from it."""
    return cost * (1 + _NEAR) + _NEAR_PX
