"""Candidates: the sizes on the grid that a frame of one aspect may have, largest first.

For every height on the grid the nearest width on it, and for every width the nearest height (both
neighbours where the exact value lies half way), at least one step, within the aspect tolerance.
Sizes are recorded pixels; counts are grid steps. With `count` steps along one axis and the exact
partner at `count * slope` steps along the other, a candidate is a lattice point near a line, so
each family is searched from its far end and no raster is walked.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from tallwide.job import Grid

Whole = npt.NDArray[np.int64]

# Single steps that are tried before whole spans are sifted at once; most frames need one.
_SINGLE_STEPS = 16


@dataclass(frozen=True, slots=True)
class Shape:
    """What a frame's size must keep to: recorded width over height, tolerance, and the grid."""

    ratio: Fraction
    tolerance: Fraction
    grid: Grid

    def error(self, width: int, height: int) -> Fraction:
        """Return how far a size is from the ratio: the larger of achieved/requested and its inverse, less 1."""
        achieved = Fraction(width * self.ratio.denominator, height * self.ratio.numerator)
        return max(achieved, 1 / achieved) - 1


@dataclass(frozen=True, slots=True)
class Family:
    """The candidates counted along one axis: partner = count * rise / run, rounded."""

    rise: int
    run: int
    tolerance: Fraction

    def partners(self, count: int) -> tuple[int, ...]:
        """Return the nearest partners of a count, the larger first; two where the exact one is half way."""
        nearest, rest = divmod(2 * count * self.rise + self.run, 2 * self.run)
        if rest == 0 and nearest > 1:
            return nearest, nearest - 1
        return (max(nearest, 1),)

    def is_close(self, count: int, partner: int) -> bool:
        """Whether a pair is within the tolerance."""
        exact, actual = count * self.rise, partner * self.run
        lower, upper = self.tolerance.denominator, self.tolerance.denominator + self.tolerance.numerator
        return actual * lower <= exact * upper and exact * lower <= actual * upper

    def last_count(self, most: int, most_partner: int) -> int:
        """Return the largest count up to `most` with a partner up to `most_partner`."""
        # The lower neighbour of a half-way partner still counts, hence the half step.
        return min(most, (2 * most_partner + 1) * self.run // (2 * self.rise))

    def pairs(self, most: int, most_partner: int) -> Iterator[tuple[int, int]]:
        """Yield (count, partner) within the tolerance and both limits, in falling order of their product."""
        top = self.last_count(most, most_partner)
        bottom = max(top - _SINGLE_STEPS, 0)
        for count in range(top, bottom, -1):
            yield from self._close_pairs(count, most_partner)
        for count in self._sift(bottom):
            yield from self._close_pairs(count, most_partner)

    def all_pairs(self, most: int, most_partner: int) -> tuple[Whole, Whole]:
        """Return every count and its partner within the tolerance and both limits, rising."""
        top = self.last_count(most, most_partner)
        if top <= 0:
            return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
        if 4 * top * max(self.rise, self.run) >= 1 << 62:
            pairs = sorted(pair for count in range(1, top + 1) for pair in self._close_pairs(count, most_partner))
            both = np.array(pairs, dtype=np.int64).reshape(-1, 2)
            return both[:, 0], both[:, 1]
        counts = np.arange(1, top + 1, dtype=np.int64)
        nearest, rest = np.divmod(2 * counts * self.rise + self.run, 2 * self.run)
        found = [self._kept(counts, np.maximum(nearest, 1), most_partner)]
        is_half_way = (rest == 0) & (nearest > 1)
        if is_half_way.any():
            found.append(self._kept(counts[is_half_way], nearest[is_half_way] - 1, most_partner))
        kept, partners = (np.concatenate([one[side] for one in found]) for side in (0, 1))
        if len(found) > 1:
            rising = np.lexsort((partners, kept))
            kept, partners = kept[rising], partners[rising]
        return kept, partners

    def _kept(self, counts: Whole, partners: Whole, most_partner: int) -> tuple[Whole, Whole]:
        keep = (partners <= most_partner) & self._are_close(counts, partners)
        return counts[keep], partners[keep]

    def _are_close(self, counts: np.ndarray, partners: np.ndarray) -> np.ndarray:
        """Return which pairs are within the tolerance; doubles decide what is clear, integers the rest."""
        exact, actual = counts * (self.rise / self.run), partners.astype(np.float64)
        bound = 1 + float(self.tolerance)
        worse = np.maximum(actual / exact, exact / np.maximum(actual, 1e-9))
        close = worse <= bound
        for place in np.flatnonzero(np.abs(worse - bound) < 1e-9).tolist():
            close[place] = self.is_close(int(counts[place]), int(partners[place]))
        return close

    def _close_pairs(self, count: int, most_partner: int) -> Iterator[tuple[int, int]]:
        for partner in self.partners(count):
            if partner <= most_partner and self.is_close(count, partner):
                yield count, partner

    def _sift(self, top: int) -> list[int]:
        """Return the counts up to `top`, falling, that may be within the tolerance; `is_close` decides.

        In doubles: a partner is below 65,536 steps, so its place on the line is known to far better
        than 1e-9 of a step; the sieve may keep too much, never too little.
        """
        counts = np.arange(top, 0, -1, dtype=np.float64)
        exact = counts * (self.rise / self.run)
        off = np.abs(exact - np.maximum(np.rint(exact), 1.0))
        keep = off <= exact * float(self.tolerance) + 1e-9
        return [int(count) for count in counts[keep]]


def families(shape: Shape) -> tuple[Family, Family]:
    """Return the family counted along the height and the one counted along the width."""
    grid, ratio = shape.grid, shape.ratio
    rise, run = ratio.numerator * grid.height, ratio.denominator * grid.width
    return Family(rise, run, shape.tolerance), Family(run, rise, shape.tolerance)


def largest_first(shape: Shape, most_width: int, most_height: int) -> Iterator[tuple[int, int]]:
    """Yield candidate sizes up to two limits, px, by falling area; equal areas in no particular order."""
    grid = shape.grid
    columns, lines = most_width // grid.width, most_height // grid.height
    by_height, by_width = families(shape)
    first = ((w * grid.width, h * grid.height) for h, w in by_height.pairs(lines, columns))
    second = ((w * grid.width, h * grid.height) for w, h in by_width.pairs(columns, lines))
    sizes = heapq.merge(first, second, key=_area, reverse=True)
    seen: tuple[int, int] | None = None
    for size in sizes:
        if size != seen:
            yield size
        seen = size


def _area(size: tuple[int, int]) -> int:
    return size[0] * size[1]


@lru_cache(maxsize=32)
def chain_sides(shape: Shape, most_width: int, most_height: int) -> tuple[Whole, Whole]:
    """Return widths and heights of all candidate sizes up to two limits, px, smallest first; remembered.

    Candidates form a chain: of two, one is at most as wide and at most as high as the other. With
    partner steps along a line of slope s >= 1, a pair counted on the one axis is within 1/2 of the
    line and one counted on the other within s/2; a wider and lower pair would have to be further
    apart than 1 + s. So a larger area always holds the smaller frame's size.
    """
    grid = shape.grid
    columns, lines = most_width // grid.width, most_height // grid.height
    by_height, by_width = families(shape)
    # The family counted along the longer side, in steps, holds the other one: nearest along the
    # shorter side is nearer still along the longer.
    if by_height.rise >= by_height.run:
        across, down = by_width.all_pairs(columns, lines)
    else:
        down, across = by_height.all_pairs(lines, columns)
    sides = across * grid.width, down * grid.height
    for side in sides:
        side.setflags(write=False)  # they are remembered
    return sides
