"""Frames on one scene point: the exact joint optimum, with a certificate.

On a free axis the align points of all frames lie in one half-open window of one place step,
[t, t + step): so each size of each frame has exactly one place for a given t, and common tops are
level. On a given axis each align point lies within half a step of the point, so a size has one
place, or two where it lies half way. `joint_search` finds the sizes that are best over all t;
`joint_places` then finds, for those sizes, the places that the rules ask for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, localcontext
from fractions import Fraction
from functools import total_ordering
from itertools import groupby
from typing import Any

import numpy as np
import numpy.typing as npt

from tallwide.answers import Certificate, Rect
from tallwide.geometry import upright_fraction_to_recorded
from tallwide.job import Deliverable, Job, exact
from tallwide_service.core.allowance import MOST_LOOKS, Allowance, looks_before
from tallwide_service.core.candidates import chain_sides
from tallwide_service.core.extraction import Frame, Ground, Placement, placed_alone
from tallwide_service.core.joint_looks import Field, Matched, Real, Sizes
from tallwide_service.core.joint_places import Placed, Question, best_places, line_of
from tallwide_service.core.joint_search import NEAR, Found, Measure, search
from tallwide_service.core.joint_slopes import Slopes
from tallwide_service.core.joint_tables import AxisTable, Side, Whole, axis_table
from tallwide_service.errors import CannotBeMet

# Digits in which means are computed, so that only their rounding to a double, of 17 digits, is seen.
_MEAN_DIGITS = 28


@total_ordering
class Product:
    """A product of areas to the power of weights, in order of size; whole numbers decide what logarithms cannot."""

    __slots__ = ("areas", "logarithm", "weights")

    def __init__(self, areas: Sequence[int], weights: Sequence[int]) -> None:
        self.areas, self.weights = tuple(areas), weights
        logs = [weight * math.log(area) for area, weight in zip(areas, weights, strict=True)]
        self.logarithm = math.fsum(logs)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Product):
            return NotImplemented
        return self.areas == other.areas or (self._is_near(other) and self.exact() == other.exact())

    def __lt__(self, other: Product) -> bool:
        if self._is_near(other):
            return self.areas != other.areas and self.exact() < other.exact()
        return self.logarithm < other.logarithm

    __hash__ = None  # type: ignore[assignment]

    def _is_near(self, other: Product) -> bool:
        return abs(self.logarithm - other.logarithm) <= 1e-12 * max(1.0, self.logarithm)

    def exact(self) -> int:
        """Return the product itself."""
        return math.prod(area**weight for area, weight in zip(self.areas, self.weights, strict=True))


def _geometric_mean(areas: Sequence[int], weights: Sequence[int]) -> float:
    """Return a weighted geometric mean, rounded once, to the nearest double: a mean that is whole is printed as one."""
    with localcontext(prec=_MEAN_DIGITS):
        if len(set(weights)) == 1:  # the same with one logarithm, which is what takes the time
            return float((Decimal(math.prod(areas)).ln() / len(areas)).exp())
        logs = (Decimal(area).ln() * weight for area, weight in zip(areas, weights, strict=True))
        return float((sum(logs, Decimal(0)) / sum(weights)).exp())


@dataclass(frozen=True, slots=True)
class Together:
    """One joint job: its frames, what the search looks at, and how good sizes are."""

    job: Job
    ground: Ground
    frames: tuple[Frame, ...]
    field: Field
    weights: tuple[int, ...]
    needed: tuple[tuple[int, int], ...]

    def size(self, frame: int, k: int) -> tuple[int, int]:
        """Return a frame's size, by its place in its chain."""
        place = int(self.field.offsets[frame]) + k
        return int(self.field.x.length[place]), int(self.field.y.length[place])

    def sizes(self, chosen: Sizes) -> list[tuple[int, int]]:
        """Return all frames' sizes."""
        return [self.size(frame, k) for frame, k in enumerate(chosen)]

    def exact_key(self, chosen: Sizes) -> tuple[Any, ...]:
        """Return the whole order of sizes: the objective, the product of areas, the aspect errors."""
        sizes = self.sizes(chosen)
        areas = [width * height for width, height in sizes]
        errors = (frame.shape.error(*size) for frame, size in zip(self.frames, sizes, strict=True))
        return self._objective(chosen, areas), Product(areas, (1,) * len(areas)), -sum(errors, Fraction(0))

    def _objective(self, chosen: Sizes, areas: Sequence[int]) -> Any:
        kind = self.job.framing.objective
        if kind == "in_order":
            return tuple(areas)
        if kind == "largest":
            shared = math.gcd(*self.weights)
            return Product(areas, tuple(weight // shared for weight in self.weights))
        return self.oversamplings(chosen)

    def oversamplings(self, chosen: Sizes) -> tuple[Fraction, ...]:
        """Return the smaller oversampling of every frame, the smallest first."""
        return tuple(sorted(self.oversampling(frame, k) for frame, k in enumerate(chosen)))

    def oversampling(self, frame: int, k: int) -> Fraction:
        """Return the smaller oversampling of a size; without a raster the pixels of its smaller side."""
        (width, height), (across, down) = self.size(frame, k), self.needed[frame]
        return min(Fraction(width, across), Fraction(height, down))

    def value(self, chosen: Sizes) -> float:
        """Return the value: px of the first frame, the weighted geometric mean of areas, or an oversampling."""
        kind = self.job.framing.objective
        if kind == "in_order":
            width, height = self.size(0, chosen[0])
            return width * height
        if kind == "largest":
            return _geometric_mean([width * height for width, height in self.sizes(chosen)], self.weights)
        return float(self.oversamplings(chosen)[0])


def solve_together(
    job: Job, frames: Sequence[Frame], ground: Ground, allowance: Allowance, *, explains: bool = True
) -> tuple[list[Placement], Certificate]:
    """Return the best placements of frames that share a scene point, and the certificate.

    What is taken of the `allowance` is counted in it. What stands in the way takes a search for each
    constraint; an error is only told where it `explains`.

    Raises
    ------
    CannotBeMet
        If the constraints are in conflict.
    NoneFound
        If the allowance ended before any frames were found.
    """
    # They ask this module in turn.
    from tallwide_service.core.conflict import conflict, held_by, not_found, refuse_too_small  # noqa: PLC0415

    if looks_before(job) > allowance.left:
        raise not_found(job)
    alone = placed_alone(job, frames, ground, allowance, explains=explains, tells_bounds=False)
    wanted = [each.rect for each in alone]
    if job.framing.minimums == "held":
        refuse_too_small(job, wanted)
    allowance.taken += looks_before(job)
    together, found, placed = best_together(job, frames, ground, wanted, allowance.left + allowance.more)
    allowance.taken += found.looks
    if placed is None:
        if found.left is not None:
            raise not_found(job)
        if explains:
            raise conflict(job, allowance)
        raise CannotBeMet("the frames cannot share a scene point")
    sizes, (_, _, rects) = placed
    placements = [
        Placement(rect, held_by(frame, ground, rect, alone), 0)
        for frame, rect, alone in zip(frames, rects, wanted, strict=True)
    ]
    return placements, certificate(together, sizes, found)


def best_together(
    job: Job, frames: Sequence[Frame], ground: Ground, wanted: Sequence[Rect], most_looks: int = MOST_LOOKS
) -> tuple[Together, Found, tuple[Sizes, Placed] | None]:
    """Return the best sizes and places of frames, after so many looks at most; no places where there are none.

    Where all can share the point as large as they are alone, nothing is better and nothing is searched.
    """
    alone = [(np.array([rect.width]), np.array([rect.height])) for rect in wanted]
    largest = together_of(job, frames, ground, alone)
    if largest.field.matched is None or largest.field.matched.lengths.size:
        found = Found({(0,) * len(frames)}, cases=1, looks=0, left=None)
        placed = best_placed(largest, found, wanted)
        if placed is not None:
            return largest, found, placed
    together = together_of(job, frames, ground)
    found = best_sizes(together, most_looks)
    return together, found, best_placed(together, found, wanted)


def best_sizes(together: Together, most_looks: int = MOST_LOOKS) -> Found:
    """Return the sizes that are best, but for near ties, after so many looks at most."""
    return search(together.field, measure_of(together), most_looks, slopes_of(together))


def best_placed(together: Together, found: Found, wanted: Sequence[Rect]) -> tuple[Sizes, Placed] | None:
    """Return the best of the sizes found with their best places; `None` where there are none."""
    if len(found.sizes) == 1:  # there is nothing to compare
        (only,) = found.sizes
        nearest = best_places(question_of(together, only, wanted))
        return None if nearest is None else (only, nearest)
    keys = sorted(((together.exact_key(sizes), sizes) for sizes in found.sizes), key=lambda one: one[0], reverse=True)
    for _, equals in groupby(keys, key=lambda one: one[0]):
        placed = [
            (sizes, each)
            for _, sizes in equals
            if (each := best_places(question_of(together, sizes, wanted))) is not None
        ]
        if placed:
            return min(placed, key=lambda one: (one[1][:2], one[0]))
    return None


def certificate(together: Together, sizes: Sizes, found: Found) -> Certificate:
    """Return the certificate of an optimum.

    Where the search stopped early under `in_order`, value and bound are of the first frame that is
    not proven; under `raise_smallest` of the smallest oversampling that is not.
    """
    value = upper = together.value(sizes)
    if found.left is not None:
        if together.job.framing.objective == "in_order":
            unsure = next((i for i, (a, b) in enumerate(zip(sizes, found.left, strict=True)) if a != b), 0)
            value, upper = (math.prod(together.size(unsure, each[unsure])) for each in (sizes, found.left))
        elif together.job.framing.objective == "raise_smallest":
            both = zip(together.oversamplings(sizes), together.oversamplings(found.left), strict=True)
            value, upper = next(((float(a), float(b)) for a, b in both if a != b), (value, value))
        else:
            upper = max(together.value(found.left), value)
    return Certificate(
        objective=together.job.framing.objective,
        value=value,
        upper_bound=upper,
        gap=upper - value,
        proof="exhausted" if found.cases == 1 else "bounded",
        cases=found.cases,
    )


def chains_of(job: Job, frames: Sequence[Frame], ground: Ground) -> list[tuple[Whole, Whole]]:
    """Return the widths and heights that each frame may have in the region's box, px, smallest first."""
    chains, grid, free = [], job.capture.grid, replace(ground, subject=None)
    for frame in frames:
        across, down = free.spans(frame)
        chain = chain_sides(frame.shape, across.longest(grid.width), down.longest(grid.height))
        is_held = job.framing.minimums == "held"
        chains.append(_at_least(least_size(job, frame.deliverable), chain) if is_held else chain)
    return chains


def together_of(
    job: Job, frames: Sequence[Frame], ground: Ground, chains: Sequence[tuple[Whole, Whole]] | None = None
) -> Together:
    """Return the joint job as the search sees it, of some sizes alone where `chains` has them."""
    capture, region, framing = job.capture, ground.region, job.framing
    grid, box = capture.grid, region.pixels
    chains = chains_of(job, frames, ground) if chains is None else chains
    counts = np.array([len(widths) for widths, _ in chains], dtype=np.int64)
    point = given_point(job)
    sides = (
        [
            Side(chain[0], frame.align[0], frame.protection.left, frame.protection.right)
            for chain, frame in zip(chains, frames, strict=True)
        ],
        [
            Side(chain[1], frame.align[1], frame.protection.top, frame.protection.bottom)
            for chain, frame in zip(chains, frames, strict=True)
        ],
    )
    x = axis_table(sides[0], box=(box.x, box.right), steps=(grid.x, grid.width), point=point[0])
    y = axis_table(sides[1], box=(box.y, box.bottom), steps=(grid.y, grid.height), point=point[1])
    labels = [frame.deliverable.label for frame in frames]
    pairs = tuple((labels.index(inner), labels.index(outer)) for inner, outer in framing.nest)
    offsets = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
    matched = None
    if framing.match != "none":
        axis = int((framing.match == "height") != capture.is_on_its_side)
        matched = _matched(axis, [chain[axis] for chain in chains], (x, y), offsets, pairs)
    rows = None
    if region.first_row is not None and region.last_row is not None:
        rows = (region.first_row, region.last_row)
    field = Field(
        x=x,
        y=y,
        sides=sides,
        offsets=offsets,
        counts=counts,
        raster=region.raster,
        rows=rows,
        subject=ground.subject,
        pairs=pairs,
        order=tuple(outer_first(len(frames), pairs)),
        matched=matched,
        cuts=region.cuts,
    )
    needed = [(raster.width, raster.height) if (raster := each.deliverable.raster) else (1, 1) for each in frames]
    return Together(
        job=job,
        ground=ground,
        frames=tuple(frames),
        field=field,
        weights=tuple(int(exact(frame.deliverable.weight) * 100) for frame in frames),
        needed=tuple((down, across) if capture.is_on_its_side else (across, down) for across, down in needed),
    )


def least_size(job: Job, frame: Deliverable) -> tuple[int, int]:
    """Return the width and height, recorded px, below which a frame misses its minimum oversampling."""
    needed, asked = frame.raster, exact(frame.minimum_oversampling)
    across, down = (0, 0) if needed is None else (math.ceil(asked * needed.width), math.ceil(asked * needed.height))
    return (down, across) if job.capture.is_on_its_side else (across, down)


def is_too_small(job: Job, frame: Deliverable, rect: Rect) -> bool:
    """Whether a frame of the recorded raster misses its minimum oversampling."""
    width, height = least_size(job, frame)
    return rect.width < width or rect.height < height


def _at_least(least: tuple[int, int], chain: tuple[Whole, Whole]) -> tuple[Whole, Whole]:
    """Return the sizes of a chain that are at least so wide and so high."""
    first = max(int(np.searchsorted(side, length)) for side, length in zip(chain, least, strict=True))
    return chain[0][first:], chain[1][first:]


def _matched(
    axis: int,
    sides: Sequence[Whole],
    tables: tuple[AxisTable, AxisTable],
    offsets: Whole,
    pairs: Sequence[tuple[int, int]],
) -> Matched:
    """Return the lengths that all frames can share along one axis, and with which frames may lie inside each other."""
    lengths = sides[0]
    for side in sides[1:]:
        lengths = np.intersect1d(lengths, side)
    lengths = np.unique(lengths)
    first = [np.searchsorted(side, lengths) + offset for side, offset in zip(sides, offsets.tolist(), strict=True)]
    last = [
        np.searchsorted(side, lengths, side="right") - 1 + offset
        for side, offset in zip(sides, offsets.tolist(), strict=True)
    ]
    may = np.ones(lengths.shape, dtype=np.bool_)
    for inner, outer in pairs:
        may &= _may_share(tables, (first[inner], last[inner]), (first[outer], last[outer]))
    last_size = np.array([each - offset for each, offset in zip(last, offsets.tolist(), strict=True)], dtype=np.int64)
    return Matched(axis, lengths[may], last_size[:, may])


def _may_share(
    tables: tuple[AxisTable, AxisTable], inner: tuple[Whole, Whole], outer: tuple[Whole, Whole]
) -> npt.NDArray[np.bool_]:
    """Which lengths some size of one frame and some of another share with the one inside the other, for some t.

    Each frame's sizes of a length stand in a row, from first to last.
    """
    may = np.zeros(inner[0].shape, dtype=np.bool_)
    for one in range(int((inner[1] - inner[0]).max(initial=0)) + 1):
        for other in range(int((outer[1] - outer[0]).max(initial=0)) + 1):
            sizes = np.minimum(inner[0] + one, inner[1]), np.minimum(outer[0] + other, outer[1])
            # For some t: low < t <= high of more than a whole step.
            may |= np.logical_and(*(table.nests(*sizes, 0, table.counts + 1) for table in tables))
    return may


def given_point(job: Job) -> tuple[Fraction | None, Fraction | None]:
    """Return the shared point on the recorded raster, px; `None` on a free axis."""
    capture, point = job.capture, job.framing.point
    x = None if point is None or point.x is None else exact(point.x)
    y = None if point is None or point.y is None else exact(point.y)
    # Turned as a point is; a free axis takes any value through the turn and is set free again.
    across, down = upright_fraction_to_recorded(x or Fraction(0), y or Fraction(0), capture.roll)
    is_given = (x is not None, y is not None)
    if capture.is_on_its_side:
        is_given = is_given[::-1]
    return (
        across * capture.raster.width if is_given[0] else None,
        down * capture.raster.height if is_given[1] else None,
    )


def outer_first(count: int, pairs: Sequence[tuple[int, int]]) -> list[int]:
    """Return frames in an order in which each comes after all that hold it."""
    order: list[int] = []
    while len(order) < count:
        order.extend(
            i for i in range(count) if i not in order and all(outer in order for inner, outer in pairs if inner == i)
        )
    return order


def slopes_of(together: Together) -> Slopes | None:
    """Return bounds by slopes for a job whose objective is a product of areas."""
    if together.job.framing.objective != "largest":
        return None
    return Slopes(
        together.field,
        together.field.sides,
        [frame.shape.ratio for frame in together.frames],
        shares_of(together),
        together.field.cuts,
    )


def shares_of(together: Together) -> Real:
    """Return each frame's share of all weights."""
    weights = np.array(together.weights, dtype=np.float64)
    shares: Real = weights / weights.sum()
    return shares


def measure_of(together: Together) -> Measure:
    """Return how good sizes are under the job's objective."""
    field, kind = together.field, together.job.framing.objective
    if kind == "in_order":
        return Measure(lambda sizes: sizes, None, 0.0)
    logs = np.log((field.x.length * field.y.length).astype(np.float64))
    if kind == "largest":
        shares = logs * np.repeat(shares_of(together), field.counts)

        def weighted(sizes: Whole) -> Real:
            total: Real = shares[field.offsets[:, None] + sizes].sum(axis=0)
            return total

        return Measure(None, weighted, NEAR * 32)
    ranks = oversampling_ranks(together)

    def ranked(sizes: Whole) -> Whole:
        return np.sort(ranks[field.offsets[:, None] + sizes], axis=0)

    def product_of_areas(sizes: Whole) -> Real:
        total: Real = logs[field.offsets[:, None] + sizes].sum(axis=0)
        return total

    return Measure(ranked, product_of_areas, NEAR * 32 * len(together.frames))


def oversampling_ranks(together: Together) -> Whole:
    """Return each size's smaller oversampling as its rank among all that occur.

    As doubles: equal ratios of whole numbers below 65,536 give equal doubles, unequal ones differ.
    """
    field = together.field
    across = np.repeat([each[0] for each in together.needed], field.counts)
    down = np.repeat([each[1] for each in together.needed], field.counts)
    ranks: Whole = np.unique(np.minimum(field.x.length / across, field.y.length / down), return_inverse=True)[1]
    return ranks.astype(np.int64)


def question_of(together: Together, chosen: Sizes, wanted: Sequence[Rect]) -> Question:
    """Return the question where sizes lie best, near to where the frames lie alone."""
    field, subject = together.field, together.ground.subject
    sizes = field.offsets + np.array(chosen, dtype=np.int64)
    frames = together.frames
    columns = [
        alone.x + frame.align[0] * (alone.width - width)
        for frame, alone, (width, _) in zip(frames, wanted, together.sizes(chosen), strict=True)
    ]
    rows = [
        alone.y + frame.align[1] * (alone.height - height)
        for frame, alone, (_, height) in zip(frames, wanted, together.sizes(chosen), strict=True)
    ]
    by_label = tuple(sorted(range(len(frames)), key=lambda i: frames[i].deliverable.label))
    return Question(
        line_of(field.x, sizes, columns, None if subject is None else (subject.x, subject.right), field.pairs),
        line_of(field.y, sizes, rows, None if subject is None else (subject.y, subject.bottom), field.pairs),
        field.rows,
        field.pairs,
        by_label,
    )
