"""Frames on one scene point: the exact joint optimum, with a certificate.

On a free axis the align points of all frames lie in one half-open window of one place step,
[t, t + step): so each size of each frame has exactly one place for a given t, and common tops are
level. On a given axis each align point lies within half a step of the point, so a size has one
place, or two where it lies half way. The search is for t; sizes follow from it.

Everything rests on one fact: candidates form a chain, and for one t the rectangle of a larger
candidate holds that of a smaller one wherever the size step is a multiple of the place step. So
each frame has a largest size for each t, and over a cell of t an upper bound: the largest size
whose core, the pixels that it covers for every t of the cell, fits. Cells are split best first
until the best bound is reached by a real t (branch and bound); bounds and values are integers,
logarithms only order products and leave near ties to whole numbers. On other grids the bound
gives way by one step, and the value at one t is found by stepping down from it.

Among the t that reach the optimum, sizes are fixed and places are chosen as the rules say: least
sum of squared distances to where each frame would lie alone, then by label smaller y, smaller x.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product
from typing import NamedTuple

from tallwide.answers import Certificate, Rect
from tallwide.geometry import recorded_to_upright, upright_fraction_to_recorded
from tallwide.job import Framing, Job, exact
from tallwide_service.core.candidates import chain
from tallwide_service.core.extraction import Frame, Ground, Placement, broken_around, place_alone, place_extent
from tallwide_service.core.joint_places import place_sizes
from tallwide_service.core.region import protected
from tallwide_service.core.snap import ceil_share
from tallwide_service.errors import CannotBeMet, Fault

# Frames looked at, over all cells, before the search stops with an honest gap; a bound on work, not on time.
MOST_LOOKS = 32_000
# Sizes of one frame that are looked at to see whether a cell is settled.
_FEW = 16
# Sums of logarithms nearer than this are compared as whole numbers.
_NEAR = 1e-9


class Cell(NamedTuple):
    """A cell of t on both axes, in fine units, half open: low < t <= high."""

    x_low: int
    x_high: int
    y_low: int
    y_high: int


@dataclass(frozen=True, slots=True)
class Axis:
    """One recorded axis: its place step, and the given point, or `None` where t is free.

    `unit` is how many fine units a pixel has, so that all align points are whole numbers of them.
    """

    step: int
    size_step: int
    length: int
    unit: int
    given: Fraction | None

    @property
    def is_nested(self) -> bool:
        """Whether a larger size holds a smaller one for every t."""
        return self.size_step % self.step == 0

    def place(self, t: int, lead: int) -> int:
        """Return the place for a free t of a size whose align point lies `lead` fine units after its edge."""
        return -((lead - t) // (self.unit * self.step)) * self.step

    def given_places(self, lead: int) -> tuple[int, int]:
        """Return the first and last place within half a step of the given point; equal but for ties."""
        assert self.given is not None  # noqa: S101 - asked only of given axes
        centre = self.given - Fraction(lead, self.unit)
        half = Fraction(self.step, 2)
        first = -((half - centre) // self.step) * self.step
        last = (centre + half) // self.step * self.step
        return int(first), int(last)


class Member:
    """One frame in the joint search: its chain of sizes, and what each needs on both axes."""

    def __init__(self, index: int, frame: Frame, ground: Ground, axes: tuple[Axis, Axis]) -> None:
        self.index, self.frame, self.ground, self.axes = index, frame, ground, axes
        self.horizontal, self.vertical = ground.spans(frame)
        self.bare = replace(ground, subject=None)
        self._extents: dict[int, Rect | None] = {}
        across, down = self.bare.spans(frame)
        grid = ground.capture.grid
        self.sizes = chain(frame.shape, across.longest(grid.width), down.longest(grid.height))
        self.align = (int(frame.align[0] * axes[0].unit), int(frame.align[1] * axes[1].unit))
        self.areas = [width * height for width, height in self.sizes]
        weight = float(frame.deliverable.weight)
        self.logs = [weight * math.log(area) for area in self.areas]
        first, last = ground.region.first_row, ground.region.last_row
        self.first_row = None if first is None else ground_rows(first)
        self.last_row = None if last is None else ground_rows(last)
        self.bounds_are_values = (
            axes[0].is_nested and axes[1].is_nested and not any(axis.given is not None for axis in axes)
        )

    def grown(self, k: int) -> tuple[int, int, int, int]:
        """Return by how many pixels size `k` is protected: left, top, right, bottom."""
        width, height = self.sizes[k]
        guard = self.frame.protection
        return (
            ceil_share(guard.left, width),
            ceil_share(guard.top, height),
            ceil_share(guard.right, width),
            ceil_share(guard.bottom, height),
        )

    def reach(self, k: int, axis: int, low: int, high: int) -> tuple[int, int]:
        """Return bounds on the place of size `k` on one axis for low < t <= high; exact where nested."""
        line = self.axes[axis]
        lead = self.sizes[k][axis] * self.align[axis]
        if line.given is not None:
            return line.given_places(lead)
        if line.is_nested:
            return line.place(low + 1, lead), line.place(high, lead)
        # Not nested: the real window, which does nest.
        return -((lead - low - 1) // line.unit), (high - lead) // line.unit + line.step

    def moves(self, k: int, cell: Cell) -> bool:
        """Whether size `k` has more than one place over a cell."""
        for axis, low, high in ((0, cell.x_low, cell.x_high), (1, cell.y_low, cell.y_high)):
            line = self.axes[axis]
            lead = self.sizes[k][axis] * self.align[axis]
            if line.given is None and line.place(low + 1, lead) != line.place(high, lead):
                return True
        return False

    def may_fit(self, k: int, cell: Cell) -> bool:
        """Whether the core of size `k` over a cell fits in the region: necessary for every t of it."""
        x_first, x_last = self.reach(k, 0, cell.x_low, cell.x_high)
        y_first, y_last = self.reach(k, 1, cell.y_low, cell.y_high)
        width, height = self.sizes[k]
        left, top, right, bottom = self.grown(k)
        if not self._core_fits(x_last - left, y_last - top, x_first + width + right, y_first + height + bottom):
            return False
        if self.first_row is None:
            return True
        extent = self.extent(k)
        return extent is not None and (
            x_first <= extent.right and x_last >= extent.x and y_first <= extent.bottom and y_last >= extent.y
        )

    def extent(self, k: int) -> Rect | None:
        """Return the box of all places of size `k`, without the subject; `None` where it has none."""
        if k not in self._extents:
            self._extents[k] = place_extent(self.frame, self.bare, *self.sizes[k])
        return self._extents[k]

    def _core_fits(self, left: int, top: int, right: int, bottom: int) -> bool:
        raster = self.ground.region.raster
        if left < 0 or top < 0 or right > raster.width or bottom > raster.height:
            return False
        if self.first_row is None or self.last_row is None:
            return True
        if left > right:
            # No column is covered for every t of the cell; the rows of the tallest column are all that is known.
            return True
        if left > raster.width or right < 0:
            return False
        first, last = self.first_row, self.last_row
        return top >= max(first[left], first[right]) and bottom <= min(last[left], last[right])

    def bound(self, cell: Cell, most: int) -> int:
        """Return the largest size, by its place in the chain up to `most`, that may fit; -1 for none."""
        if most < 0 or self.may_fit(most, cell):
            return most
        fits, fails = -1, most
        while fails - fits > 1:
            middle = (fits + fails) // 2
            if self.may_fit(middle, cell):
                fits = middle
            else:
                fails = middle
        return fits

    def may_hold_subject(self, k: int, cell: Cell) -> bool:
        """Whether size `k` reaches around the subject for some t of a cell, each side on its own."""
        subject = self.ground.subject
        if subject is None:
            return True
        width, height = self.sizes[k]
        x_first, x_last = self.reach(k, 0, cell.x_low, cell.x_high)
        y_first, y_last = self.reach(k, 1, cell.y_low, cell.y_high)
        return (
            x_first <= subject.x
            and y_first <= subject.y
            and x_last + width >= subject.right
            and y_last + height >= subject.bottom
        )

    def rects(self, k: int, x: int, y: int) -> list[Rect]:
        """Return where size `k` may lie for one t, in the region and around the subject."""
        width, height = self.sizes[k]
        found = []
        for left, top in product(self._places(k, 0, x), self._places(k, 1, y)):
            rect = Rect(left, top, width, height)
            if self.is_allowed(rect):
                found.append(rect)
        return found

    def _places(self, k: int, axis: int, t: int) -> tuple[int, ...]:
        line = self.axes[axis]
        lead = self.sizes[k][axis] * self.align[axis]
        if line.given is None:
            return (line.place(t, lead),)
        first, last = line.given_places(lead)
        return (first,) if first == last else (first, last) if first < last else ()

    def is_allowed(self, rect: Rect) -> bool:
        """Whether a rectangle lies in the region with its protection, and around the subject."""
        guarded = protected(rect, self.frame.protection)
        if not self._core_fits(guarded.x, guarded.y, guarded.right, guarded.bottom):
            return False
        return self.ground.subject is None or rect.holds(self.ground.subject)

    def largest_at(self, x: int, y: int, most: int) -> int:
        """Return the largest size up to `most` that has a place for one t; -1 for none."""
        cell = Cell(x - 1, x, y - 1, y)
        k = self.bound(cell, most)
        while k >= 0 and self.may_hold_subject(k, cell):
            if self.rects(k, x, y):
                return k
            k -= 1
        return -1


def ground_rows(rows: object) -> list[int]:
    """Return rows as a list, whose single numbers Python reads faster than an array's."""
    return rows.tolist()  # type: ignore[attr-defined,no-any-return]


Sizes = tuple[int, ...]


class Search:
    """The joint search of one job."""

    def __init__(self, job: Job, frames: Sequence[Frame], ground: Ground) -> None:
        self.framing: Framing = job.framing
        self.ground = ground
        self.axes = joint_axes(job, frames)
        self.members = [Member(index, frame, ground, self.axes) for index, frame in enumerate(frames)]
        self.labels = [frame.deliverable.label for frame in frames]
        places = {label: index for index, label in enumerate(self.labels)}
        self.pairs = [(places[inner], places[outer]) for inner, outer in job.framing.nest]
        self.order = outer_first(len(frames), self.pairs)
        self.matched = self._matched_sides()
        self.ranks = self._oversampling_ranks() if job.framing.objective == "raise_smallest" else []
        self.cases = 0

    # What is compared -----------------------------------------------------------------------

    def key(self, sizes: Sizes) -> tuple[tuple[int, ...], float]:
        """Return how good sizes are: whole numbers first, then a sum of logarithms."""
        if self.framing.objective == "in_order":
            return sizes, 0.0
        if self.framing.objective == "raise_smallest":
            ranks = tuple(sorted(self.ranks[i][k] for i, k in enumerate(sizes)))
            return ranks, sum(math.log(self.members[i].areas[k]) for i, k in enumerate(sizes))
        return (), sum(self.members[i].logs[k] for i, k in enumerate(sizes))

    def exact_key(self, sizes: Sizes) -> tuple[object, ...]:
        """Return the whole order of sizes: the objective, the product of areas, the aspect errors."""
        areas = [self.members[i].areas[k] for i, k in enumerate(sizes)]
        error = sum(
            (self.members[i].frame.shape.error(*self.members[i].sizes[k]) for i, k in enumerate(sizes)), Fraction(0)
        )
        if self.framing.objective == "largest":
            weights = [int(exact(member.frame.deliverable.weight) * 100) for member in self.members]
            shared = math.gcd(*weights)
            first: object = math.prod(area ** (weight // shared) for area, weight in zip(areas, weights, strict=True))
        else:
            first = self.key(sizes)[0]
        return first, math.prod(areas), -error

    def _oversampling_ranks(self) -> list[list[int]]:
        """Return each size's smaller oversampling as its rank among all that occur.

        As doubles: two unequal ratios of whole numbers below 65,536 differ by far more than a double's error.
        """
        values = [[self.oversampling(i, k) for k in range(len(member.sizes))] for i, member in enumerate(self.members)]
        rank = {value: place for place, value in enumerate(sorted({value for row in values for value in row}))}
        return [[rank[value] for value in row] for row in values]

    def _matched_sides(self) -> tuple[int, list[int]] | None:
        """Return which recorded side all frames share and the lengths that all can have, rising."""
        if self.framing.match == "none":
            return None
        axis = int((self.framing.match == "height") != self.ground.capture.is_on_its_side)
        lengths = set.intersection(*({size[axis] for size in member.sizes} for member in self.members))
        return axis, sorted(lengths)

    def value(self, sizes: Sizes) -> float:
        """Return the objective's value in its own unit."""
        if self.framing.objective == "in_order":
            return self.members[0].areas[sizes[0]]
        if self.framing.objective == "largest":
            return sum(self.members[i].logs[k] for i, k in enumerate(sizes))
        return min(self.oversampling(i, k) for i, k in enumerate(sizes))

    def oversampling(self, i: int, k: int) -> float:
        """Return the smaller oversampling of a size; without a raster the pixels of its smaller side."""
        needed = self.members[i].frame.deliverable.raster
        across, down = (needed.width, needed.height) if needed else (1, 1)
        if self.ground.capture.is_on_its_side:
            across, down = down, across
        width, height = self.members[i].sizes[k]
        return min(width / across, height / down)

    # Bounds over a cell ----------------------------------------------------------------------

    def bound(self, cell: Cell, most: Sizes) -> Sizes | None:
        """Return sizes that none over a cell passes; `None` where some frame has none."""
        bound = list(most)
        for i in self.order:
            member = self.members[i]
            bound[i] = member.bound(cell, bound[i])
            for inner, outer in self.pairs:
                if inner == i:
                    bound[i] = self._bound_inside(member, bound[i], self.members[outer], bound[outer])
            if bound[i] < 0 or not member.may_hold_subject(bound[i], cell):
                return None
        return self._matched_down(bound)

    def _bound_inside(self, inner: Member, most: int, outer: Member, outer_size: int) -> int:
        """Return the largest size up to `most` that may lie inside an outer frame of a size."""
        if outer_size < 0:
            return -1
        fits, fails = -1, most + 1
        while fails - fits > 1:
            middle = (fits + fails) // 2
            if self._may_lie_inside(inner, middle, outer, outer_size):
                fits = middle
            else:
                fails = middle
        return fits

    def _may_lie_inside(self, inner: Member, k: int, outer: Member, outer_k: int) -> bool:
        """Whether the align points allow it: they may lie up to one place step apart."""
        for axis, line in enumerate(self.axes):
            side, outer_side = inner.sizes[k][axis], outer.sizes[outer_k][axis]
            slack = line.step * line.unit
            before = side * inner.align[axis] - outer_side * outer.align[axis]
            after = side * (line.unit - inner.align[axis]) - outer_side * (line.unit - outer.align[axis])
            if side > outer_side or before > slack or after > slack:
                return False
        return True

    def _matched_down(self, bound: list[int]) -> Sizes | None:
        """Return sizes cut down to the longest side that all can share."""
        if self.matched is None:
            return tuple(bound)
        axis, lengths = self.matched
        longest = min(member.sizes[bound[i]][axis] for i, member in enumerate(self.members))
        length = max((each for each in lengths if each <= longest), default=None)
        if length is None:
            return None
        return tuple(self._largest_of_length(i, bound[i], axis, length) for i in range(len(bound)))

    def _largest_of_length(self, i: int, most: int, axis: int, length: int) -> int:
        sizes = self.members[i].sizes
        low, high = 0, most
        while low < high:
            middle = (low + high + 1) // 2
            if sizes[middle][axis] <= length:
                low = middle
            else:
                high = middle - 1
        return low

    # The value at one t -----------------------------------------------------------------------

    def at(self, x: int, y: int, most: Sizes) -> Sizes | None:
        """Return the best sizes for one t, by the whole order; `None` where some frame has none."""
        limits = [member.largest_at(x, y, most[i]) for i, member in enumerate(self.members)]
        if min(limits) < 0:
            return None
        if self.matched is None:
            return self._nested_at(x, y, limits, [0] * len(limits)) if self.pairs else tuple(limits)
        axis, lengths = self.matched
        longest = min(member.sizes[limits[i]][axis] for i, member in enumerate(self.members))
        best: Sizes | None = None
        for length in reversed([each for each in lengths if each <= longest]):
            high = [self._largest_of_length(i, limits[i], axis, length) for i in range(len(limits))]
            low = [self._smallest_of_length(i, high[i], axis, length) for i in range(len(limits))]
            found = self._nested_at(x, y, high, low)
            if found is not None and (best is None or self.exact_key(found) > self.exact_key(best)):
                best = found
            if best is not None:
                break
        return best

    def _smallest_of_length(self, i: int, k: int, axis: int, length: int) -> int:
        sizes = self.members[i].sizes
        while k > 0 and sizes[k - 1][axis] == length:
            k -= 1
        return k

    def _nested_at(self, x: int, y: int, most: Sequence[int], least: Sequence[int]) -> Sizes | None:
        """Return the best sizes for one t where frames lie inside each other, outer frames chosen first.

        Only choices of an outer frame that no other of its choices holds are tried: whatever fits
        inside a held one fits inside its holder.
        """
        best: Sizes | None = None
        best_key: tuple[object, ...] | None = None
        budget = 20_000

        def choose(depth: int, chosen: dict[int, tuple[int, Rect]]) -> None:
            nonlocal best, best_key, budget
            budget -= 1
            if budget < 0:
                return
            if depth == len(self.order):
                sizes = tuple(chosen[i][0] for i in range(len(self.members)))
                key = self.exact_key(sizes)
                if best_key is None or key > best_key:
                    best, best_key = sizes, key
                return
            i = self.order[depth]
            holders = [chosen[outer][1] for inner, outer in self.pairs if inner == i]
            for k, rect in self._choices(i, x, y, most[i], least[i], holders):
                choose(depth + 1, {**chosen, i: (k, rect)})

        choose(0, {})
        return best

    def _choices(
        self, i: int, x: int, y: int, most: int, least: int, holders: list[Rect]
    ) -> Iterator[tuple[int, Rect]]:
        """Yield a frame's choices for one t inside its holders, larger first, none inside another."""
        member = self.members[i]
        is_outer = any(outer == i for _, outer in self.pairs)
        kept: list[Rect] = []
        k = self._most_inside(member, x, y, most, holders)
        while k >= least:
            fresh = [
                rect
                for rect in member.rects(k, x, y)
                if all(holder.holds(rect) for holder in holders) and not any(other.holds(rect) for other in kept)
            ]
            for rect in fresh:
                kept.append(rect)
                yield k, rect
            if kept and (not is_outer or not fresh):
                return
            k -= 1

    def _most_inside(self, member: Member, x: int, y: int, most: int, holders: list[Rect]) -> int:
        """Return the largest size up to `most` that may lie inside all holders for one t."""
        cell = Cell(x - 1, x, y - 1, y)

        def may_lie(k: int) -> bool:
            (x_first, x_last), (y_first, y_last) = (
                member.reach(k, 0, cell.x_low, cell.x_high),
                member.reach(k, 1, cell.y_low, cell.y_high),
            )
            width, height = member.sizes[k]
            return all(
                x_last >= holder.x
                and x_first + width <= holder.right
                and y_last >= holder.y
                and y_first + height <= holder.bottom
                for holder in holders
            )

        if most < 0 or may_lie(most):
            return most
        fits, fails = -1, most
        while fails - fits > 1:
            middle = (fits + fails) // 2
            if may_lie(middle):
                fits = middle
            else:
                fails = middle
        return fits

    # The search ------------------------------------------------------------------------------

    def run(self) -> tuple[list[Sizes], bool, Sizes | None]:
        """Return the sizes that are best but for near ties, whether that is proven, and the best bound left."""
        start = self._whole()
        most = tuple(len(member.sizes) - 1 for member in self.members)
        first = self.bound(start, most) if min(most) >= 0 else None
        heap: list[tuple[tuple[tuple[int, ...], float], int, Cell, Sizes]] = []
        count = 0
        if first is not None:
            heap.append((_falling(self.key(first)), count, start, first))
        found: dict[Sizes, None] = {}
        best: tuple[tuple[int, ...], float] | None = None
        while heap:
            _, _, cell, bound = heapq.heappop(heap)
            key = self.key(bound)
            if best is not None and _is_worse(key, best):
                return list(found), True, None
            if self.cases * len(self.members) >= MOST_LOOKS:
                return list(found), False, bound
            self.cases += 1
            x, y = self._point_in(cell, bound)
            value = self.at(x, y, bound)
            if value is not None:
                value_key = self.key(value)
                if best is None or not _is_worse(value_key, best):
                    found[value] = None
                    best = value_key if best is None else max(best, value_key)
                    found = {sizes: None for sizes in found if not _is_worse(self.key(sizes), best)}
                if value == bound:
                    continue
            if self._is_settled(cell, bound, value):
                continue
            for child in self._split(cell, bound):
                child_bound = self.bound(child, bound)
                if child_bound is None:
                    continue
                child_key = self.key(child_bound)
                if best is None or not _is_worse(child_key, best):
                    count += 1
                    heapq.heappush(heap, (_falling(child_key), count, child, child_bound))
        return list(found), True, None

    def _is_settled(self, cell: Cell, bound: Sizes, value: Sizes | None) -> bool:
        """Whether the value at one t of a cell is its best: no size that could better it moves within the cell."""
        is_coupled = bool(self.pairs) or self.matched is not None
        for i, member in enumerate(self.members):
            first = 0 if value is None else value[i] + (0 if is_coupled else 1)
            if bound[i] - first >= _FEW:
                return False
            if any(member.moves(k, cell) for k in range(first, bound[i] + 1)):
                return False
        return True

    def _whole(self) -> Cell:
        """Return the cell of all t that can matter; one point on a given axis."""
        ends: list[int] = []
        for axis in self.axes:
            ends.extend((-1, 0) if axis.given is not None else (-axis.step * axis.unit - 1, axis.length * axis.unit))
        return Cell(*ends)

    def _point_in(self, cell: Cell, bound: Sizes) -> tuple[int, int]:
        """Return a t of a cell where the bound is likely reached."""
        return tuple(self._near(cell, bound, axis)[0] for axis in (0, 1))  # type: ignore[return-value]

    def _near(self, cell: Cell, bound: Sizes, axis: int) -> tuple[int, int]:
        """Return a t on one axis, and how far the frames of the bound are from agreeing there.

        Each size has one interval of t in which it has places on this axis; where the intervals
        meet, their middle; where they do not, the middle of the gap.
        """
        line = self.axes[axis]
        low, high = (cell.x_low, cell.x_high) if axis == 0 else (cell.y_low, cell.y_high)
        if line.given is not None:
            return high, 0
        first, last = low + 1, high
        for member, k in zip(self.members, bound, strict=True):
            extent = member.extent(k)
            if extent is None:
                continue
            lead = member.sizes[k][axis] * member.align[axis]
            low_place, high_place = (extent.x, extent.right) if axis == 0 else (extent.y, extent.bottom)
            first = max(first, (low_place - line.step) * line.unit + lead + 1)
            last = min(last, high_place * line.unit + lead)
        gap = first - last
        middle = min(max((first + last) // 2, low + 1), high)
        return middle, max(gap, 0)

    def _split(self, cell: Cell, bound: Sizes) -> list[Cell]:
        """Return a cell's two halves: along the axis where frames disagree more, or the longer one."""
        spread = (cell.x_high - cell.x_low, cell.y_high - cell.y_low)
        if max(spread) <= 1:
            return []
        (x, x_gap), (y, y_gap) = self._near(cell, bound, 0), self._near(cell, bound, 1)
        if spread[0] <= 1:
            along_x = False
        elif spread[1] <= 1:
            along_x = True
        elif x_gap or y_gap:
            along_x = x_gap * self.axes[1].unit >= y_gap * self.axes[0].unit
        else:
            along_x = spread[0] * self.axes[1].unit >= spread[1] * self.axes[0].unit
        if along_x:
            middle = x if x_gap else (cell.x_low + cell.x_high) // 2
            middle = min(max(middle, cell.x_low + 1), cell.x_high - 1)
            return [cell._replace(x_high=middle), cell._replace(x_low=middle)]
        middle = y if y_gap else (cell.y_low + cell.y_high) // 2
        middle = min(max(middle, cell.y_low + 1), cell.y_high - 1)
        return [cell._replace(y_high=middle), cell._replace(y_low=middle)]


def _falling(key: tuple[tuple[int, ...], float]) -> tuple[tuple[int, ...], float]:
    """Return a key that a heap takes first where the key is largest."""
    return tuple(-part for part in key[0]), -key[1]


def _is_worse(key: tuple[tuple[int, ...], float], best: tuple[tuple[int, ...], float]) -> bool:
    """Whether a key is below the best one by more than doubles can tell."""
    if key[0] != best[0]:
        return key[0] < best[0]
    return key[1] < best[1] - _NEAR


def joint_axes(job: Job, frames: Sequence[Frame]) -> tuple[Axis, Axis]:
    """Return the recorded axes of a job, with the point where the upright picture gives it."""
    capture, grid = job.capture, job.capture.grid
    point = job.framing.point
    given_x = None if point is None or point.x is None else exact(point.x)
    given_y = None if point is None or point.y is None else exact(point.y)
    # Turned as a point is; a free axis takes any value through the turn and is set free again.
    x, y = upright_fraction_to_recorded(given_x or Fraction(0), given_y or Fraction(0), capture.roll)
    is_given = (given_x is not None, given_y is not None)
    if capture.is_on_its_side:
        is_given = is_given[::-1]
    units = [math.lcm(*(frame.align[axis].denominator for frame in frames)) for axis in (0, 1)]
    width, height = capture.raster.width, capture.raster.height
    return (
        Axis(grid.x, grid.width, width, units[0], x * width if is_given[0] else None),
        Axis(grid.y, grid.height, height, units[1], y * height if is_given[1] else None),
    )


def outer_first(count: int, pairs: Sequence[tuple[int, int]]) -> list[int]:
    """Return frames in an order in which each comes after all that hold it."""
    order: list[int] = []
    while len(order) < count:
        order.extend(
            i for i in range(count) if i not in order and all(outer in order for inner, outer in pairs if inner == i)
        )
    return order


def solve_together(job: Job, frames: Sequence[Frame], ground: Ground) -> tuple[list[Placement], Certificate]:
    """Return the best placements of frames that share a scene point, and the certificate.

    Raises
    ------
    CannotBeMet
        If the constraints are in conflict.
    """
    wanted = [place_alone(frame, ground).rect for frame in frames]
    search = Search(job, frames, ground)
    found, is_proven, left = search.run()
    placed = [
        (search.exact_key(sizes), sizes, each)
        for sizes in found
        if (each := place_sizes(search, sizes, wanted)) is not None
    ]
    if not placed:
        raise conflict(job, ground, wanted)
    top = max(key for key, _, _ in placed)
    (_, _, rects), sizes = min((each, sizes) for key, sizes, each in placed if key == top)
    placements = [
        Placement(rect, joint_bound_by(frame, ground, rect, alone), 0)
        for frame, rect, alone in zip(frames, rects, wanted, strict=True)
    ]
    return placements, certificate(search, sizes, None if is_proven else left)


def certificate(search: Search, sizes: Sizes, left: Sizes | None) -> Certificate:
    """Return the certificate of an optimum; `left` is the best bound of a search that stopped early.

    The value is the objective's own: pixels of the first frame, the logarithm of the product, or
    the smallest oversampling.
    """
    value = search.value(sizes)
    upper = value if left is None else max(search.value(left), value)
    return Certificate(
        objective=search.framing.objective,
        value=value,
        upper_bound=upper,
        gap=upper - value,
        proof="bounded" if search.cases > 1 else "exhausted",
        cases=search.cases,
    )


def conflict(job: Job, ground: Ground, wanted: Sequence[Rect]) -> CannotBeMet:
    """Return the error of frames that cannot share a point: what stands in the way alone, and by how much.

    A constraint stands in the way where the frames can share a point without it; where none does
    alone, all that are given are named.
    """
    faults = []
    for pointer, freer in _relaxations(job):
        try:
            rects = [placement.rect for placement in solve_freely(freer)]
        except CannotBeMet:
            continue
        faults.append(Fault(pointer, _how_far(pointer, job, ground, rects)))
    if not faults:
        named = [pointer for pointer, _ in _relaxations(job)] or ["/framing/point"]
        largest = ", ".join(f"{rect.width} x {rect.height}" for rect in wanted)
        detail = f"no size of the frames meets them all on one scene point; alone they are {largest} recorded px"
        faults = [Fault(pointer, detail) for pointer in named]
    return CannotBeMet("the frames cannot share a scene point: " + faults[0].detail, tuple(faults))


def solve_freely(job: Job) -> list[Placement]:
    """Return the placements of a job that is asked only to tell what stands in the way of another."""
    from tallwide_service.core.extraction import frames as views_of  # noqa: PLC0415
    from tallwide_service.core.extraction import ground_of  # noqa: PLC0415

    ground, views = ground_of(job), views_of(job)
    search = Search(job, views, ground)
    found, _, _ = search.run()
    wanted = [place_alone(frame, ground).rect for frame in views]
    placed = [each for each in (place_sizes(search, sizes, wanted) for sizes in found) if each is not None]
    if not placed:
        raise CannotBeMet("no point")
    return [Placement(rect, (), 0) for rect in min(placed)[2]]


def _relaxations(job: Job) -> Iterator[tuple[str, Job]]:
    """Yield each constraint of a framing by pointer, and the job without it."""
    framing, point = job.framing, job.framing.point
    if framing.subject is not None:
        yield "/framing/subject", replace(job, framing=replace(framing, subject=None))
    if point is not None and point.x is not None:
        yield "/framing/point/x", replace(job, framing=replace(framing, point=replace(point, x=None)))
    if point is not None and point.y is not None:
        yield "/framing/point/y", replace(job, framing=replace(framing, point=replace(point, y=None)))
    if framing.match != "none":
        yield "/framing/match", replace(job, framing=replace(framing, match="none"))
    if framing.nest:
        yield "/framing/nest", replace(job, framing=replace(framing, nest=()))


def _how_far(pointer: str, job: Job, ground: Ground, rects: Sequence[Rect]) -> str:
    """Say by how much a constraint is missed by the frames that do without it."""
    capture, labels = ground.capture, [frame.label for frame in job.deliverables]
    upright = [recorded_to_upright(rect, capture) for rect in rects]
    picture = capture.upright_raster
    if pointer == "/framing/subject" and ground.subject is not None:
        subject = recorded_to_upright(ground.subject, capture)
        out = [
            max(rect.x - subject.x, rect.y - subject.y, subject.right - rect.right, subject.bottom - rect.bottom)
            for rect in upright
        ]
        worst = max(range(len(out)), key=lambda i: out[i])
        rect = upright[worst]
        return (
            f"the subject is {subject.width} x {subject.height} px; on this point {labels[worst]!r} can be at most "
            f"{rect.width} x {rect.height} px at {rect.x}, {rect.y}, and the subject reaches {out[worst]} px out of it"
        )
    if pointer.startswith("/framing/point"):
        align, point = job.deliverables[0].align, job.framing.point
        assert point is not None  # noqa: S101 - it is what is relaxed
        if pointer.endswith("x"):
            free, length = upright[0].x + align.x * upright[0].width, picture.width
            given = (point.x or 0) * length
        else:
            free, length = upright[0].y + align.y * upright[0].height, picture.height
            given = (point.y or 0) * length
        return (
            f"no frames meet on {given:.0f} px of {length}; left free the point would lie at {free:.0f} px, "
            f"{abs(free - given):.0f} px away"
        )
    sizes = ", ".join(f"{label!r} {rect.width} x {rect.height}" for label, rect in zip(labels, upright, strict=True))
    if pointer == "/framing/match":
        return f"no {job.framing.match} on the grid is common to all frames; unmatched they are {sizes}"
    out = []
    for inner, outer in job.framing.nest:
        one, other = upright[labels.index(inner)], upright[labels.index(outer)]
        out.append(max(other.x - one.x, other.y - one.y, one.right - other.right, one.bottom - other.bottom))
    return f"without it the frames are {sizes}, and the inner one reaches {max(out)} px out of the outer one"


def joint_bound_by(frame: Frame, ground: Ground, rect: Rect, alone: Rect) -> tuple[str, ...]:
    """Name what keeps one frame of a joint solution from being larger; `partner` where it is larger alone."""
    names = broken_around(rect, frame, ground)
    if alone.area > rect.area:
        names = (*names, "partner")
    return names or ("grid",)
