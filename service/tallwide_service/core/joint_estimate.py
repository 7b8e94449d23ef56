"""Estimates of the largest sizes over cells: closed forms in doubles that tell the search where to look first.

Lengths on the grid, protection in whole pixels and places in whole steps are left out, so that an
estimate is off by a size or two. Nothing rests on it: exact questions start from it and move up or down.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tallwide_service.core.joint_tables import AxisTable, Side, Whole
from tallwide_service.core.region import Circle, CoveredArea, HalfPlane, Polygon

Real = npt.NDArray[np.float64]

# Sides of usable areas beyond which an estimate costs more than it spares.
_MOST_SIDES = 8
# More than any side, so that the lengths of all frames stand in one rising row.
_APART = 1 << 20
# What is too small to divide by.
_TINY = 1e-12


class _Ellipse(NamedTuple):
    """An image circle: centre, px, and the inverse of its half axes.

    For the left and right, and the top and bottom corners of all frames: how fast they move across and down as the
    longer side grows, and the square of that speed.
    """

    x: float
    y: float
    across: float
    down: float
    speed_x: Real
    speed_y: Real
    square: Real


class Estimate:
    """Largest sizes by closed form: each frame is as long as its edges allow where cells end.

    A frame of longer side `s` reaches from the align point `before * s` back and `after * s` on, on
    each axis, its protection included.
    """

    def __init__(
        self,
        x: AxisTable,
        y: AxisTable,
        sides: tuple[Sequence[Side], Sequence[Side]],
        cuts: Sequence[Circle | Polygon | CoveredArea],
    ) -> None:
        self.tables = (x, y)
        longest = np.array([[int(side.lengths[-1]) for side in axis] for axis in sides], dtype=np.float64)
        shares = longest / longest.max(axis=0)
        back = np.array([[float(side.align + side.before) for side in axis] for axis in sides])
        on = np.array([[float(1 - side.align + side.after) for side in axis] for axis in sides])
        self.before, self.after = (shares * back)[:, :, None], (shares * on)[:, :, None]
        is_wide = longest[0] >= longest[1]
        rows = [
            (side[0] if wide else side[1]).lengths + place * _APART
            for place, (side, wide) in enumerate(zip(zip(*sides, strict=True), is_wide.tolist(), strict=True))
        ]
        self.lengths = np.concatenate(rows)
        self.starts = np.arange(len(rows), dtype=np.int64)[:, None] * _APART
        self.circles = [self._ellipse(cut) for cut in cuts if isinstance(cut, Circle)]
        self.planes = [
            self._plane(plane) for cut in cuts if isinstance(cut, Polygon) for plane in cut.sides[:_MOST_SIDES]
        ]

    def _ellipse(self, cut: Circle) -> _Ellipse:
        """Return a circle in units of its half axes, and how fast frames' corners move there as they grow."""
        across, down = float(1 / cut.half_width), float(1 / cut.half_height)
        speed_x = np.stack([-self.before[0] * across, self.after[0] * across])[:, None]
        speed_y = np.stack([-self.before[1] * down, self.after[1] * down])[None]
        square = np.maximum(speed_x * speed_x + speed_y * speed_y, _TINY * _TINY)
        return _Ellipse(float(cut.x), float(cut.y), across, down, speed_x, speed_y, square)

    def _plane(self, plane: HalfPlane) -> tuple[float, float, float, Real]:
        """Return a half plane and how fast a frame's furthest corner nears it."""
        a, b, c = (float(each) for each in plane)
        reach = abs(a) * (self.after if a > 0 else self.before)[0] + abs(b) * (self.after if b > 0 else self.before)[1]
        return a, b, c, np.maximum(reach, _TINY)

    def sizes(self, cells: Whole, offsets: Whole) -> Whole:
        """Return the estimate for all frames (down) and cells (across), by place in each frame's chain."""
        low, high = zip(*(self._ends(axis, cells) for axis in (0, 1)), strict=True)
        most = np.full((len(self.starts), cells.shape[1]), float(_APART - 1))
        for axis, table in enumerate(self.tables):
            np.minimum(most, (high[axis] - table.start) / np.maximum(self.before[axis], _TINY), out=most)
            np.minimum(most, (table.stop - low[axis]) / np.maximum(self.after[axis], _TINY), out=most)
        for circle in self.circles:
            self._within_circle(most, circle, low, high)
        for a, b, c, reach in self.planes:
            room = c - a * (low if a > 0 else high)[0] - b * (low if b > 0 else high)[1]
            np.minimum(most, room / reach, out=most)
        longest = np.maximum(most, 0).astype(np.int64) + self.starts
        places: Whole = np.searchsorted(self.lengths, longest, side="right") - 1 - offsets[:, None]
        return places

    def _ends(self, axis: int, cells: Whole) -> tuple[Real | float, Real | float]:
        """Return where the align point lies at both ends of cells, px: places are half a step further on average."""
        table = self.tables[axis]
        if not table.is_free:
            return table.given_px, table.given_px
        scale = table.step / table.counts
        return (cells[2 * axis] + 1) * scale + table.step / 2, cells[2 * axis + 1] * scale + table.step / 2

    def _within_circle(
        self,
        most: Real,
        circle: _Ellipse,
        low: Sequence[Real | float],
        high: Sequence[Real | float],
    ) -> None:
        """Cut lengths down to where each corner meets the circle: the larger root of a quadratic equation."""
        # All four corners at once, left and right, top and bottom; frames down and cells across.
        p = ((np.stack([high[0], low[0]]) - circle.x) * circle.across).reshape(2, 1, 1, -1)
        q = ((np.stack([high[1], low[1]]) - circle.y) * circle.down).reshape(1, 2, 1, -1)
        u, v, square = circle.speed_x, circle.speed_y, circle.square
        half = p * u + q * v
        inside = half * half - square * (p * p + q * q - 1)
        root = (np.sqrt(np.maximum(inside, 0)) - half) / square
        np.minimum(most, root.min(axis=(0, 1)), out=most)
