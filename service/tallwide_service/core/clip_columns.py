"""Columns of clips and of their frames: names, bounds, units. One clip a row, one quantity a column.

The names are those of flat rows (`tallwide.rows`): members joined by `_`, the unit at the end. A
column of clips says of every clip what a job says of its capture; `align_x`, `align_y` and
`protection_each_side` take the place of the deliverables' own for that clip; a fault in one names
the first deliverable's member, which in that clip's job holds it as the others' do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from tallwide.job import LARGEST_SIDE_PX, Number
from tallwide_service.errors import Fault
from tallwide_service.limits import LIMITS

Column = np.ndarray[Any, np.dtype[Any]]
_SMALLEST = 1e-9  # a JSON number is 0 or at least this in size


@dataclass(frozen=True, slots=True)
class ClipColumn:
    """What a column of clips may hold.

    `absent` stands where a clip says nothing; `is_open` bars the lower bound itself, `choices` all
    but a few values.
    """

    pointer: str
    kind: type[np.int32 | np.float64]
    lowest: float
    highest: float
    absent: float | None = None
    is_open: bool = False
    choices: tuple[int, ...] = ()

    @property
    def is_required(self) -> bool:
        """Whether every clip must say it."""
        return self.absent is None

    def faulty(self, values: Column) -> Column | None:
        """Return which values are out of bounds; `None` for none."""
        if values.strides == (0,):
            values = values[:1]
        low, high = values.min(initial=self.highest), values.max(initial=self.lowest)
        if not self.choices and max(self.lowest, _SMALLEST) <= low and high <= self.highest:
            return None  # nearly always; an open bound is 0
        bad = (values > self.highest) | ((values <= self.lowest) if self.is_open else (values < self.lowest))
        if self.kind is np.float64:
            bad |= (values != 0) & (np.abs(values) < _SMALLEST)
            bad |= np.isnan(values)
        if self.choices:
            bad |= ~np.isin(values, self.choices)
        if self.absent is not None:
            bad &= ~np.isnan(values) if np.isnan(self.absent) else values != self.absent
        return bad if bad.any() else None

    def fault(self, value: float) -> Fault:
        """Return what is wrong with a value."""
        if self.choices:
            bounds = "one of " + ", ".join(str(choice) for choice in self.choices)
        else:
            bounds = f"{'more than' if self.is_open else 'from'} {self.lowest:g} to {self.highest:g}"
        return Fault(self.pointer, f"must be {bounds}, not {value:g}")


def _side(pointer: str, *, is_required: bool = False) -> ClipColumn:
    return ClipColumn(pointer, np.int32, 1, LARGEST_SIDE_PX, None if is_required else 0)


def _step(pointer: str) -> ClipColumn:
    return ClipColumn(pointer, np.int32, 1, LIMITS.grid_step_px, 2)


_NOT_GIVEN = float("nan")

CLIP_COLUMNS: Mapping[str, ClipColumn] = MappingProxyType(
    {
        "raster_width_px": _side("/capture/raster/width", is_required=True),
        "raster_height_px": _side("/capture/raster/height", is_required=True),
        "photosites_width": _side("/capture/photosites/width"),
        "photosites_height": _side("/capture/photosites/height"),
        "photosite_pitch_um": ClipColumn("/capture/photosite_pitch_um", np.float64, 0.1, 1000, _NOT_GIVEN),
        "squeeze": ClipColumn("/capture/squeeze", np.float64, 0.25, 4, 1),
        "squeeze_axis": ClipColumn("/capture/squeeze_axis", np.int32, 0, 1, 0),
        "roll_deg": ClipColumn("/capture/roll", np.int32, 0, 270, 0, choices=(0, 90, 180, 270)),
        "grid_x_px": _step("/capture/grid/x"),
        "grid_y_px": _step("/capture/grid/y"),
        "grid_width_px": _step("/capture/grid/width"),
        "grid_height_px": _step("/capture/grid/height"),
        "lens_image_circle_mm": ClipColumn(
            "/capture/lens/image_circle_mm", np.float64, 0, 1000, _NOT_GIVEN, is_open=True
        ),
        "lens_offset_x_mm": ClipColumn("/capture/lens/offset_mm/x", np.float64, -1000, 1000, 0),
        "lens_offset_y_mm": ClipColumn("/capture/lens/offset_mm/y", np.float64, -1000, 1000, 0),
        "align_x": ClipColumn("/deliverables/0/align/x", np.float64, 0, 1, _NOT_GIVEN),
        "align_y": ClipColumn("/deliverables/0/align/y", np.float64, 0, 1, _NOT_GIVEN),
        "protection_each_side": ClipColumn("/deliverables/0/protection/each_side", np.float64, 0, 1, _NOT_GIVEN),
    }
)

SQUEEZE_AXES = ("sensor_width", "sensor_height")
VERDICTS = ("none", "short", "at_limit", "enough")

# Without a raster of the deliverable the columns that need one are 0 or NaN and the verdict is none.
FRAME_COLUMNS: Mapping[str, type[np.int32 | np.float64 | np.int8]] = MappingProxyType(
    {
        "rect_x_px": np.int32,
        "rect_y_px": np.int32,
        "rect_width_px": np.int32,
        "rect_height_px": np.int32,
        "aspect_error": np.float64,
        "share_of_raster": np.float64,
        "verdict": np.int8,
        "oversampling_smaller": np.float64,
        "spare_x_px": np.int32,
        "spare_y_px": np.int32,
        "spare_pct": np.float64,
        "reframe_room_scale": np.float64,
        "reframe_room_left_px": np.int32,
        "reframe_room_top_px": np.int32,
        "reframe_room_right_px": np.int32,
        "reframe_room_bottom_px": np.int32,
    }
)


@dataclass(frozen=True, slots=True)
class ClipTable:
    """Clips as columns of equal length, every column of `CLIP_COLUMNS` there; NaN or 0 where nothing is given."""

    columns: Mapping[str, Column]
    count: int

    @classmethod
    def of(cls, given: Mapping[str, Column]) -> ClipTable:
        """Return the table of the columns that are given; the others say nothing.

        Parameters
        ----------
        given
            By name; whole numbers or numbers without nulls, NaN where nothing is given.

        Raises
        ------
        ValueError
            If a name is unknown, a required column is missing, or a column has another length or no numbers.
        """
        unknown = sorted(given.keys() - CLIP_COLUMNS.keys())
        if unknown:
            raise ValueError(f"clips have no column {unknown[0]!r}")
        missing = [name for name, column in CLIP_COLUMNS.items() if column.is_required and name not in given]
        if missing:
            raise ValueError(f"clips need a column {missing[0]!r}")
        count = len(given["raster_width_px"])
        columns = {
            name: np.broadcast_to(np.array(column.absent, dtype=column.kind), (count,))
            if name not in given
            else _as_kind(name, given[name], column, count)
            for name, column in CLIP_COLUMNS.items()
        }
        return cls(MappingProxyType(columns), count)

    def rows(self, chosen: Column | slice) -> ClipTable:
        """Return some of the clips."""
        columns = {
            name: values[: len(chosen)] if values.strides == (0,) and not isinstance(chosen, slice) else values[chosen]
            for name, values in self.columns.items()
        }
        return ClipTable(MappingProxyType(columns), len(columns["raster_width_px"]))

    def clip(self, row: int) -> dict[str, Number]:
        """Return what one clip says, by column."""
        return {name: values[row].item() for name, values in self.columns.items()}


def _as_kind(name: str, values: Column, column: ClipColumn, count: int) -> Column:
    if values.shape != (count,):
        raise ValueError(f"column {name!r} has {values.shape} values; there are {count} clips")
    if values.dtype.kind not in "iuf" or (values.dtype.kind == "f" and column.kind is np.int32):
        raise ValueError(f"column {name!r} must hold {'whole ' if column.kind is np.int32 else ''}numbers")
    if values.dtype == column.kind:
        kept = values
    elif column.kind is np.int32:
        # What 32 bits cannot hold is far out of every bound, and stays so.
        kept = np.clip(values, -(1 << 31), (1 << 31) - 1).astype(np.int32)
    else:
        kept = values.astype(np.float64)
    absent = column.absent
    if absent is not None and column.kind is np.float64 and not np.isnan(absent) and np.isnan(kept).any():
        kept = np.where(np.isnan(kept), absent, kept)
    return kept
