"""Places of frames on one scene point, once their sizes are known. All exact.

With sizes fixed, moving t by a whole place step moves every frame by that step. So each axis has a
few patterns of places, one for each residue of an align point, and each pattern can be shifted. The
wanted places are those that each frame would take alone; least sum of squared distances wins, then,
by label, smaller y and smaller x.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, product
from typing import TYPE_CHECKING

import numpy as np

from tallwide.answers import Rect
from tallwide_service.core.region import protected

if TYPE_CHECKING:
    from tallwide_service.core.joint import Member, Search, Sizes

# Combinations of places half way to a given point that are tried: frames that tie are few.
MOST_TIES = 4096

Places = tuple[int, ...]
Ranked = tuple[int, Places]


@dataclass(frozen=True, slots=True)
class Line:
    """One axis of the question: each frame's side, its span of places, and where it would lie alone."""

    axis: int
    sides: Places
    spans: tuple[tuple[int, int], ...]
    wanted: Places
    pairs: tuple[tuple[int, int], ...]

    def cost(self, places: Places) -> int:
        """Return the sum of squared distances to the wanted places."""
        return sum((place - wanted) ** 2 for place, wanted in zip(places, self.wanted, strict=True))

    def is_nested(self, places: Sequence[int]) -> bool:
        """Whether inner frames lie inside their outer ones on this axis."""
        return all(
            places[inner] >= places[outer] and places[inner] + self.sides[inner] <= places[outer] + self.sides[outer]
            for inner, outer in self.pairs
        )

    def is_in_span(self, places: Sequence[int]) -> bool:
        """Whether all frames lie in the region's box, around the subject."""
        return all(first <= place <= last for place, (first, last) in zip(places, self.spans, strict=True))


def place_sizes(search: Search, sizes: Sizes, wanted: Sequence[Rect]) -> tuple[int, tuple[int, ...], list[Rect]] | None:
    """Return the cost, the order among equals, and the rectangles of sizes that share a point.

    `None` where these sizes have no common places.
    """
    across, down = _line(search, sizes, 0, wanted), _line(search, sizes, 1, wanted)
    if across is None or down is None:
        return None
    by_label = sorted(range(len(sizes)), key=lambda i: search.labels[i])
    if search.ground.region.is_plain:
        columns = _best_on_line(search, across, by_label)
        rows = _best_on_line(search, down, by_label)
    else:
        columns, rows = _best_in_curve(search, sizes, across, down, by_label)
    if columns is None or rows is None:
        return None
    rects = [Rect(columns[1][i], rows[1][i], *search.members[i].sizes[k]) for i, k in enumerate(sizes)]
    order = tuple(value for i in by_label for value in (rows[1][i], columns[1][i]))
    return columns[0] + rows[0], order, rects


def _line(search: Search, sizes: Sizes, axis: int, wanted: Sequence[Rect]) -> Line | None:
    spans = []
    for member, k in zip(search.members, sizes, strict=True):
        span = member.horizontal if axis == 0 else member.vertical
        places = span.places(member.sizes[k][axis])
        if places is None:
            return None
        spans.append(places)
    return Line(
        axis,
        tuple(member.sizes[k][axis] for member, k in zip(search.members, sizes, strict=True)),
        tuple(spans),
        tuple((rect.x, rect.y)[axis] for rect in wanted),
        tuple(search.pairs),
    )


def _leads(search: Search, line: Line) -> list[int]:
    return [side * member.align[line.axis] for member, side in zip(search.members, line.sides, strict=True)]


def _patterns(search: Search, line: Line) -> list[Places]:
    """Return the patterns of places that frames take on a free axis, one for each residue of t."""
    axis = search.axes[line.axis]
    leads, period = _leads(search, line), axis.step * axis.unit
    patterns = {tuple(axis.place(residue, lead) for lead in leads) for residue in {lead % period for lead in leads}}
    return sorted(pattern for pattern in patterns if line.is_nested(pattern))


def _shifts(line: Line, pattern: Places, step: int) -> tuple[int, int]:
    """Return by how many steps a pattern can be shifted and stay in the spans: first and last."""
    first = max(-((place - low) // step) for place, (low, _) in zip(pattern, line.spans, strict=True))
    last = min((high - place) // step for place, (_, high) in zip(pattern, line.spans, strict=True))
    return first, last


def _shifted(pattern: Places, by: int) -> Places:
    return tuple(place + by for place in pattern)


def _given(search: Search, line: Line) -> list[Places]:
    """Return the places of all frames on a given axis: each has one, or two half way."""
    axis = search.axes[line.axis]
    choices = []
    for lead, (low, high) in zip(_leads(search, line), line.spans, strict=True):
        first, last = axis.given_places(lead)
        choices.append([place for place in range(first, last + 1, axis.step) if low <= place <= high])
    return [places for places in islice(product(*choices), MOST_TIES) if line.is_nested(places)]


def _best_on_line(search: Search, line: Line, by_label: list[int]) -> Ranked | None:
    """Return the best places on one axis of a plain region, where axes do not depend on each other."""
    axis = search.axes[line.axis]
    if axis.given is not None:
        options = _given(search, line)
    else:
        options = []
        for pattern in _patterns(search, line):
            first, last = _shifts(line, pattern, axis.step)
            if first > last:
                continue
            # The cost is a parabola of the shift: its whole-number minimum is beside its vertex.
            off = sum(wanted - place for place, wanted in zip(pattern, line.wanted, strict=True))
            vertex = off // (len(pattern) * axis.step)
            for shift in {min(max(vertex + near, first), last) for near in (0, 1)}:
                options.append(_shifted(pattern, shift * axis.step))
    best = min(((line.cost(places), tuple(places[i] for i in by_label), places) for places in options), default=None)
    return None if best is None else (best[0], best[2])


def _all_on_line(search: Search, line: Line) -> list[Ranked]:
    """Return all places on one axis with their cost, cheapest first."""
    axis = search.axes[line.axis]
    if axis.given is not None:
        options = _given(search, line)
    else:
        options = []
        for pattern in _patterns(search, line):
            first, last = _shifts(line, pattern, axis.step)
            options.extend(_shifted(pattern, shift * axis.step) for shift in range(first, last + 1))
    return sorted((line.cost(places), places) for places in options)


def _best_in_curve(
    search: Search, sizes: Sizes, across: Line, down: Line, by_label: list[int]
) -> tuple[Ranked | None, Ranked | None]:
    """Return the best places in a curved region: columns by rising cost, the best rows for each."""
    columns, rows = _all_on_line(search, across), _all_on_line(search, down)
    if not columns or not rows:
        return None, None
    costs = np.array([cost for cost, _ in rows], dtype=np.int64)
    places = np.array([each for _, each in rows], dtype=np.int64)
    best: tuple[int, tuple[int, ...], Ranked, Ranked] | None = None
    for column in columns:
        if best is not None and column[0] + int(costs[0]) > best[0]:
            break
        bounds = [_rows_at(member, k, x) for member, k, x in zip(search.members, sizes, column[1], strict=True)]
        low, high = np.array([bound[0] for bound in bounds]), np.array([bound[1] for bound in bounds])
        fits = np.flatnonzero(((places >= low) & (places <= high)).all(axis=1))
        if not fits.size:
            continue
        cost = int(costs[fits[0]])
        for place in fits.tolist():
            if int(costs[place]) > cost:
                break
            row = rows[place]
            order = tuple(value for i in by_label for value in (row[1][i], column[1][i]))
            ranked = (column[0] + cost, order, column, row)
            if best is None or ranked[:2] < best[:2]:
                best = ranked
    return (None, None) if best is None else (best[2], best[3])


def _rows_at(member: Member, k: int, x: int) -> tuple[int, int]:
    """Return the first and last place of a size in one column of a curved region."""
    width, height = member.sizes[k]
    guarded = protected(Rect(x, 0, width, height), member.frame.protection)
    first, last = member.first_row, member.last_row
    assert first is not None and last is not None  # noqa: S101, PT018 - asked in curved regions alone
    top = max(first[guarded.x], first[guarded.right])
    bottom = min(last[guarded.x], last[guarded.right])
    return top - guarded.y, bottom - guarded.bottom
