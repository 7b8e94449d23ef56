"""Measures: what `core.extraction` and `core.margin` say of one frame, for many frames of one family at once.

Each float is one whole number over another, rounded once, which is what the exact solver's quotient
of integers is: both are below 2^53, where a double is exact and its division rounds once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from tallwide.answers import Extraction, Margin
from tallwide.geometry import by_recorded_side
from tallwide.job import LARGEST_SIDE_PX, Deliverable, Raster, Roll, exact
from tallwide_service.core.clip_columns import FRAME_COLUMNS, VERDICTS, Column
from tallwide_service.core.extraction import Frame
from tallwide_service.core.kernel import BLOCK_ROWS, Rects, Whole, blocks

EXACT = 1 << 53
_ROOM = ("left", "top", "right", "bottom")


@dataclass(frozen=True, slots=True)
class Measures:
    """The columns of `FRAME_COLUMNS` for one deliverable, a row a clip."""

    columns: Mapping[str, Column]

    @classmethod
    def empty(cls, count: int) -> Measures:
        """Return room for so many clips."""
        return cls(MappingProxyType({name: np.empty(count, dtype=kind) for name, kind in FRAME_COLUMNS.items()}))

    @classmethod
    def zeros(cls, count: int) -> Measures:
        """Return zeros for so many clips."""
        return cls(MappingProxyType({name: np.zeros(count, dtype=kind) for name, kind in FRAME_COLUMNS.items()}))

    @property
    def rects(self) -> Rects:
        """The rectangles' columns."""
        return Rects(*(self.columns[f"rect_{side}_px"] for side in ("x", "y", "width", "height")))

    def part(self, rows: slice) -> Measures:
        """Return a view of some clips."""
        return Measures({name: column[rows] for name, column in self.columns.items()})


def measures_of(extraction: Extraction, margin: Margin) -> tuple[float, ...]:
    """Return the row of one answer of the exact solver, in the order of `FRAME_COLUMNS`."""
    rect, room = extraction.rect, margin.reframe_room
    over, spare = margin.oversampling, margin.spare_px
    nothing = float("nan")
    return (
        *(rect.x, rect.y, rect.width, rect.height),
        extraction.aspect.error,
        extraction.share_of_raster,
        VERDICTS.index(margin.verdict or "none"),
        nothing if over is None else over.smaller,
        *((0, 0) if spare is None else (spare.x, spare.y)),
        nothing if margin.spare_pct is None else margin.spare_pct,
        nothing if room.scale is None else room.scale,
        *(room.left, room.top, room.right, room.bottom),
    )


@dataclass(frozen=True, slots=True)
class Measurer:
    """Fills in what follows from the rectangles of one deliverable on plain rasters.

    `ratio` is the recorded one that is asked for, two whole numbers: for all rows, or, in one block, a row each.
    """

    ratio: tuple[Column | float, Column | float]
    roll: Roll
    deliverable: Deliverable

    @classmethod
    def of(cls, frame: Frame, roll: Roll) -> Measurer | None:
        """Return the measurer of a frame; `None` where doubles do not hold every number that is divided."""
        ratio = frame.shape.ratio
        if LARGEST_SIDE_PX * max(ratio.as_integer_ratio()) >= EXACT or not has_short_margins(frame.deliverable):
            return None
        return cls((float(ratio.numerator), float(ratio.denominator)), roll, frame.deliverable)

    @property
    def is_on_its_side(self) -> bool:
        """Whether the camera body is turned by a quarter."""
        return self.roll in (90, 270)

    def fill(self, widths: Whole, heights: Whole, into: Measures) -> None:
        """Fill in everything but the rectangles, which are there."""
        room = np.empty((4, min(len(widths), BLOCK_ROWS)), dtype=np.float64)
        # Rows that are left to the exact solver may have no size.
        with np.errstate(divide="ignore", invalid="ignore"):
            for rows in blocks(len(widths)):
                self._fill_block(widths[rows], heights[rows], into.part(rows), room[:, : rows.stop - rows.start])

    def _fill_block(self, widths: Whole, heights: Whole, into: Measures, room: Column) -> None:
        rects, columns = into.rects, into.columns
        wide, high, first, second = room
        wide[:], high[:] = rects.width, rects.height
        np.multiply(wide, high, out=columns["share_of_raster"])
        np.multiply(widths, heights, out=first, dtype=np.float64)
        columns["share_of_raster"] /= first
        self._fill_aspect_error(wide, high, first, second, columns["aspect_error"])
        upright = (high, wide) if self.is_on_its_side else (wide, high)
        if self.deliverable.raster is None:
            _fill_nothing(columns)
        else:
            self._fill_margin(upright, self.deliverable.raster, first, second, columns)
        self._fill_room(widths, heights, rects, columns)

    def _fill_aspect_error(self, wide: Column, high: Column, first: Column, second: Column, out: Column) -> None:
        np.multiply(wide, self.ratio[1], out=first)
        np.multiply(high, self.ratio[0], out=second)
        if self.is_on_its_side:
            first, second = second, first
        np.subtract(first, second, out=out)
        out /= second

    def _fill_margin(
        self,
        upright: tuple[Column, Column],
        needed: Raster,
        first: Column,
        second: Column,
        columns: Mapping[str, Column],
    ) -> None:
        asked = exact(self.deliverable.minimum_oversampling)
        wide, high = upright
        self._least_over(wide, high, (needed.width, needed.height), (first, second), columns["oversampling_smaller"])
        # Over what is asked: pixels times its denominator over needed pixels times its numerator.
        spare_x, spare_y = (needed.width * asked.numerator, needed.height * asked.numerator)
        for side, needs, name in ((wide, needed.width, "spare_x_px"), (high, needed.height, "spare_y_px")):
            np.subtract(side, float(-(-asked.numerator * needs // asked.denominator)), out=first)
            columns[name][:] = first
        wide *= float(asked.denominator)
        high *= float(asked.denominator)
        self._least_over(wide, high, (spare_x, spare_y), (first, second), columns["reframe_room_scale"])
        wide -= float(spare_x)
        high -= float(spare_y)
        verdict = columns["verdict"]
        np.minimum(wide, high, out=first)
        np.sign(first, out=first)
        first += float(VERDICTS.index("at_limit"))
        verdict[:] = first
        wide *= 100.0
        high *= 100.0
        self._least_over(wide, high, (spare_x, spare_y), (first, second), columns["spare_pct"])

    @staticmethod
    def _least_over(
        wide: Column, high: Column, over: tuple[int, int], room: tuple[Column, Column], out: Column
    ) -> None:
        """Put the smaller of two quotients, each rounded once; rounding keeps their order."""
        first, second = room
        np.divide(wide, float(over[0]), out=first)
        np.divide(high, float(over[1]), out=second)
        np.minimum(first, second, out=out)

    def _fill_room(self, widths: Whole, heights: Whole, rects: Rects, columns: Mapping[str, Column]) -> None:
        """Say how far the frame can be moved each way, upright."""
        left, top, right, bottom = room_columns(columns, self.roll)
        left[:], top[:] = rects.x, rects.y
        np.subtract(widths, rects.x, out=right)
        right -= rects.width
        np.subtract(heights, rects.y, out=bottom)
        bottom -= rects.height


def has_short_margins(deliverable: Deliverable) -> bool:
    """Whether doubles hold every number that a deliverable's margins are quotients of."""
    asked = exact(deliverable.minimum_oversampling)
    largest = 100 * LARGEST_SIDE_PX * (asked.numerator + asked.denominator)
    return deliverable.raster is None or largest < EXACT


def room_columns(columns: Mapping[str, Column], roll: Roll) -> tuple[Column, ...]:
    """Return the columns of the room at the recorded left, top, right and bottom."""
    return tuple(columns[f"reframe_room_{side}_px"] for side in by_recorded_side(_ROOM, roll))


def _fill_nothing(columns: Mapping[str, Column]) -> None:
    for name in ("oversampling_smaller", "spare_pct", "reframe_room_scale"):
        columns[name].fill(np.nan)
    for name in ("spare_x_px", "spare_y_px", "verdict"):
        columns[name].fill(0)
