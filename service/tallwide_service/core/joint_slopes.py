"""Bounds on products of areas over cells by slopes: what one frame gains along a ridge another loses.

Taken alone, each frame is bounded by what fits best anywhere in a cell, though no t is best for all.
Whatever keeps a frame in the region is a half plane, or a tangent of the circle, and so keeps its
height below an affine function of t; the logarithm of that lies below its tangent. The weighted sum
of tangents is affine, and largest at a corner of the cell. Any half plane and any tangent give a valid
bound; those are taken that bind in the middle of a cell. Doubles, with room for their errors.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from tallwide_service.core.joint_looks import Cells, Field
from tallwide_service.core.joint_tables import Side, Whole
from tallwide_service.core.region import Circle, CoveredArea, Polygon

Real = npt.NDArray[np.float64]

# Sides of usable areas that are looked at.
_MOST_SIDES = 16
# Room for errors of doubles, in logarithms and in px.
_ROOM = 1e-7
_NO_BOUND = 1e12


class Slopes:
    """Bounds on the weighted mean of logarithms of areas.

    Heights are recorded px. A candidate's width is `ratio * height + e`, where e is `off` at most, so its
    area is at most `ratio * (height + e / (2 * ratio)) ** 2`; that sum is what is bounded here and called
    a height. The candidate's own is higher by `off / (2 * ratio)` at most.
    """

    def __init__(
        self,
        field: Field,
        sides: tuple[Sequence[Side], Sequence[Side]],
        ratios: Sequence[Fraction],
        shares: Real,
        cuts: Sequence[Circle | Polygon | CoveredArea],
    ) -> None:
        self.field, self.shares = field, shares
        self.ratio = np.array([float(ratio) for ratio in ratios])[:, None]
        errors = [
            np.abs(across.lengths - float(ratio) * down.lengths).max(initial=0)
            for across, down, ratio in zip(*sides, ratios, strict=True)
        ]
        self.off = np.array(errors)[:, None] + _ROOM
        self.align = [np.array([float(side.align) for side in axis])[:, None] for axis in sides]
        self.before = [np.array([float(side.align + side.before) for side in axis])[:, None] for axis in sides]
        self.after = [np.array([float(1 - side.align + side.after) for side in axis])[:, None] for axis in sides]
        tables = (field.x, field.y)
        self.areas = (field.x.length * field.y.length).astype(np.float64)
        planes = [(-1.0, 0.0, float(-tables[0].start)), (1.0, 0.0, float(tables[0].stop))]
        planes += [(0.0, -1.0, float(-tables[1].start)), (0.0, 1.0, float(tables[1].stop))]
        for cut in cuts:
            if isinstance(cut, Polygon):
                planes += [(float(a), float(b), float(c)) for a, b, c in cut.sides[:_MOST_SIDES]]
        self.planes = [(a, b, c + _ROOM * (abs(a) + abs(b))) for a, b, c in planes]
        self.circles = [
            tuple(float(each) for each in (cut.x, cut.y, cut.half_width, cut.half_height))
            for cut in cuts
            if isinstance(cut, Circle)
        ]

    def upper(self, cells: Cells, bound: Whole) -> Real:
        """Return a bound on the weighted mean of logarithms of areas over cells.

        `bound`, the sizes that none passes, tells where corners may lie.
        """
        tables = (self.field.x, self.field.y)
        low = [table.px(cells[2 * axis] + 1) for axis, table in enumerate(tables)]
        high = [table.px(cells[2 * axis + 1]) for axis, table in enumerate(tables)]
        heights = _Heights(self, [(a + b) / 2 for a, b in zip(low, high, strict=True)], bound.shape)
        for plane in self.planes:
            heights.cut(*plane)
        likely = self.field.y.length[self.field.offsets[:, None] + bound].astype(np.float64)
        for circle in self.circles:
            for _ in range(2):
                heights.cut_by_tangents(circle, np.minimum(likely, heights.most))
        heights.cut_by_areas(self.areas[self.field.offsets[:, None] + bound])
        for inner in self.field.order:
            for outer in (outer for each, outer in self.field.pairs if each == inner):
                heights.cut_inside(inner, outer)
        most = np.maximum(heights.most, 1.0)
        logs = np.log(self.ratio) + 2 * (np.log(most) + heights.most / most - 1)
        upper = (self.shares[:, None] * logs).sum(axis=0)
        for axis in (0, 1):
            slope = (2 * self.shares[:, None] * heights.slope[axis] / most).sum(axis=0)
            upper += np.abs(slope) * (high[axis] - low[axis]) / 2
        total: Real = upper + _ROOM
        return total


class _Heights:
    """Affine bounds on heights, frames down and cells across: in the middle of each cell, and how they slope."""

    def __init__(self, slopes: Slopes, middle: Sequence[Real], shape: tuple[int, ...]) -> None:
        self.slopes, self.middle = slopes, middle
        self.most = np.full(shape, _NO_BOUND)
        self.slope = [np.zeros(shape), np.zeros(shape)]

    def cut(self, a: Real | float, b: Real | float, c: Real | float) -> None:
        """Keep each frame's furthest corner within a half plane, a x + b y <= c.

        Align points lie from t to a place step after it.
        """
        slopes, field = self.slopes, self.slopes.field
        across = np.abs(a) * np.where(np.asarray(a) < 0, slopes.before[0], slopes.after[0])
        down = np.abs(b) * np.where(np.asarray(b) < 0, slopes.before[1], slopes.after[1])
        room = c - a * self.middle[0] - b * self.middle[1]
        room = room - np.minimum(a, 0) * field.x.step - np.minimum(b, 0) * field.y.step
        reach = np.maximum(across * slopes.ratio + down, 1e-9)
        spare = slopes.off * np.abs(across - down / slopes.ratio) / 2
        self._keep((room + spare) / reach, -a / reach, -b / reach)

    def cut_by_areas(self, areas: Real) -> None:
        """Keep frames within the areas of the largest sizes that fit anywhere in a cell."""
        self._keep(np.sqrt(areas / self.slopes.ratio), 0.0, 0.0)

    def cut_by_tangents(self, circle: Sequence[float], heights: Real) -> None:
        """Keep corners within the tangents of a circle near to where they lie with such heights."""
        x, y, half_width, half_height = circle
        slopes = self.slopes
        for across in (-slopes.before[0], slopes.after[0]):
            for down in (-slopes.before[1], slopes.after[1]):
                u = (self.middle[0] + across * slopes.ratio * heights - x) / half_width
                v = (self.middle[1] + down * heights - y) / half_height
                length = np.maximum(np.hypot(u, v), 1e-9)
                a, b = u / length / half_width, v / length / half_height
                # A direction too short to tell is no tangent; its bound is only too weak.
                self.cut(a, b, 1 + a * x + b * y + _ROOM * (np.abs(a) + np.abs(b)))

    def cut_inside(self, inner: int, outer: int) -> None:
        """Keep a frame within another one, whose align point lies less than a place step away."""
        slopes, field = self.slopes, self.slopes.field
        ratio, around = float(slopes.ratio[inner, 0]), float(slopes.ratio[outer, 0])
        off, off_around = float(slopes.off[inner, 0]), float(slopes.off[outer, 0])
        outer_most = self.most[outer] + off_around / (2 * around)
        outer_slope = [each[outer].copy() for each in self.slope]
        for axis, table in enumerate((field.x, field.y)):
            # Sides in heights: the outer one at its longest, the inner one at its shortest.
            scale, extra, shorter = (1.0, 0.0, 0.0) if axis else (around, off_around, off)
            own = 1.0 if axis else ratio
            align, other = float(slopes.align[axis][inner, 0]), float(slopes.align[axis][outer, 0])
            for share, most_share in ((align, other), (1 - align, 1 - other)):
                if share < 1e-6:
                    continue
                most = ((most_share * (scale * outer_most + extra) + table.step) / share + shorter) / own
                factor = most_share * scale / (share * own)
                across, down = (each[None, :] * factor for each in outer_slope)
                self._keep((most + off / (2 * ratio))[None, :], across, down, frame=inner)

    def _keep(self, most: Real, across: Real | float, down: Real | float, frame: int | None = None) -> None:
        """Keep the lower bound in the middle of each cell; of one frame, or of all."""
        rows = slice(None) if frame is None else slice(frame, frame + 1)
        is_lower = most < self.most[rows]
        for held, new in ((self.most, most), (self.slope[0], across), (self.slope[1], down)):
            held[rows] = np.where(is_lower, new, held[rows])
