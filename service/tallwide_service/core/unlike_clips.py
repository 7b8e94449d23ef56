"""Unlike clips: captures that differ in more than their rasters, as exact columns for `core.unlike_rows`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from tallwide.geometry import by_recorded_side
from tallwide.job import LARGEST_SIDE_PX, Align, Deliverable, Framing, Roll, exact
from tallwide_service.core.clip_columns import ClipTable, Column
from tallwide_service.core.exact_columns import Flags, Long, Ratios, common_multiple, is_short
from tallwide_service.core.measures import EXACT, Measurer, Measures, has_short_margins, room_columns
from tallwide_service.core.unlike_rows import Side, UnlikeRows

_HALF, _UM_A_MM = Fraction(1, 2), Fraction(1000)


@dataclass(frozen=True, slots=True)
class Box:
    """One axis of the region's box: its exact ends, the circle's centre and its weight, in `parts` of a pixel."""

    parts: Long
    low: Long
    high: Long
    middle: Long
    weight: Long


@dataclass(frozen=True, slots=True)
class UnlikeClips:
    """Clips of one roll, all with a circle or all without: what their frames have in common, whatever is delivered.

    `pixel` is how much wider than high a recorded pixel shows the scene, `limit` a q of the circle.
    """

    columns: Mapping[str, Column]
    framing: Framing
    roll: Roll
    has_circle: bool
    pixel: Ratios
    boxes: tuple[Box, Box]
    limit: Long
    sound: Flags

    @classmethod
    def of(cls, table: ClipTable, framing: Framing) -> UnlikeClips:
        """Return clips whose roll is that of the first one, and all of which have a circle if it has."""
        columns = table.columns
        wide, high = _raster(columns)
        across = np.where(columns["photosites_width"] > 0, columns["photosites_width"], wide).astype(np.int64)
        down = np.where(columns["photosites_height"] > 0, columns["photosites_height"], high).astype(np.int64)
        every = np.ones(table.count, dtype=np.bool_)
        squeeze = Ratios.written(columns["squeeze"])
        along_width = squeeze.where(columns["squeeze_axis"] == 0, squeeze.inverse())
        pixel = along_width * Ratios.of(across * high, wide * down, every)
        has_circle = not np.isnan(columns["lens_image_circle_mm"][0])
        if has_circle:
            scales = Ratios.of(wide, across, every), Ratios.of(high, down, every)
            boxes, limit, sound = _circle(columns, (wide, high), scales)
        else:
            zero, one = np.zeros_like(wide), np.ones_like(wide)
            boxes = Box(one, zero, wide, zero, one), Box(one, zero, high, zero, one)
            limit, sound = zero, every
        roll: Roll = int(columns["roll_deg"][0])  # type: ignore[assignment]
        return cls(columns, framing, roll, has_circle, pixel, boxes, limit, sound & pixel.sound)

    def measures(self, deliverable: Deliverable) -> tuple[Measures, Flags]:
        """Return one deliverable's measures on every clip, and which clips have them."""
        count = len(self.sound)
        found = Measures.zeros(count)
        is_found = np.zeros(count, dtype=np.bool_)
        if not has_short_margins(deliverable):
            return found, is_found
        ratio = self._recorded_ratio(deliverable)
        all_rows, sound = self._unlike_rows(deliverable, ratio)
        rows = np.flatnonzero(sound)
        unlike = all_rows.rows(rows)
        places, has_frame = unlike.cut()
        rows, unlike = rows[has_frame], unlike.rows(has_frame)
        x, y, width, height = (each[has_frame] for each in places)
        wide, high = (each[rows] for each in _raster(self.columns))
        measured = Measures.empty(len(rows))
        rects = measured.rects
        for column, values in zip((rects.x, rects.y, rects.width, rects.height), (x, y, width, height), strict=True):
            column[:] = values
        shape = ratio.top[rows].astype(np.float64), ratio.bottom[rows].astype(np.float64)
        Measurer(shape, self.roll, deliverable).fill(wide.astype(np.int32), high.astype(np.int32), measured)
        if self.has_circle:
            room = unlike.room((x, y, width, height), (wide, high))
            for column, values in zip(room_columns(measured.columns, self.roll), room, strict=True):
                column[:] = values
        for name, column in found.columns.items():
            column[rows] = measured.columns[name]
        is_found[rows] = True
        return found, is_found

    def _recorded_ratio(self, deliverable: Deliverable) -> Ratios:
        shown = deliverable.ratio
        upright = 1 / shown if self.roll in (90, 270) else shown
        return Ratios.same(upright, len(self.sound)) * self.pixel.inverse()

    def _unlike_rows(self, deliverable: Deliverable, ratio: Ratios) -> tuple[UnlikeRows, Flags]:
        """Return one deliverable's rows, and in which of them all numbers fit."""
        grid = {name: self.columns[f"grid_{name}_px"].astype(np.int64) for name in ("x", "y", "width", "height")}
        slope = ratio * Ratios.of(grid["height"], grid["width"], self.sound)
        tolerance = exact(self.framing.aspect_tolerance).as_integer_ratio()
        up, down = np.maximum(slope.top, slope.bottom), np.minimum(slope.top, slope.bottom)
        sound = self.sound & slope.sound & (down > 0) & is_short(up, 4 * LARGEST_SIDE_PX, sum(tolerance))
        sound &= (ratio.top < EXACT / LARGEST_SIDE_PX) & (ratio.bottom < EXACT / LARGEST_SIDE_PX)
        (left, top, right, bottom), (align_x, align_y) = self._protection(deliverable), self._align(deliverable.align)
        across, fits_across = _side(grid["width"], grid["x"], (left, right), align_x, self.boxes[0])
        along, fits_along = _side(grid["height"], grid["y"], (top, bottom), align_y, self.boxes[1])
        is_wide = slope.top >= slope.bottom
        rows = UnlikeRows(across, along, up, down, is_wide, self.limit, tolerance, self.has_circle)
        return rows, sound & fits_across & fits_along

    def _protection(self, deliverable: Deliverable) -> tuple[Ratios, ...]:
        """Return the shares at the recorded left, top, right and bottom."""
        given = self.columns["protection_each_side"]
        own = [Ratios.same(share, len(given)) for share in deliverable.protection.shares()]
        upright = [Ratios.written(given).where(~np.isnan(given), each) for each in own]
        return by_recorded_side(upright, self.roll)

    def _align(self, align: Align) -> tuple[Ratios, Ratios]:
        """Return the align point as shares of the recorded frame's width and height."""
        x, y = (
            Ratios.written(given).where(~np.isnan(given), Ratios.same(exact(own), len(given)))
            for given, own in ((self.columns["align_x"], align.x), (self.columns["align_y"], align.y))
        )
        return {0: (x, y), 90: (y, x.rest()), 180: (x.rest(), y.rest()), 270: (y.rest(), x)}[self.roll]


def _side(
    size_step: Long, place_step: Long, protection: tuple[Ratios, Ratios], align: Ratios, box: Box
) -> tuple[Side, Flags]:
    """Return one axis, and in which rows its numbers fit."""
    before, after = protection
    side = Side(
        size_step=size_step,
        place_step=place_step,
        start=-(-box.low // box.parts),
        stop=box.high // box.parts,
        before=before,
        after=after,
        align=align,
        parts=box.parts,
        low=box.low,
        high=box.high,
        middle=box.middle,
        weight=box.weight,
    )
    sound = before.sound & after.sound & align.sound & is_short(box.parts, align.bottom, LARGEST_SIDE_PX)
    grown = before.top.astype(np.float64) + before.bottom, after.top.astype(np.float64) + after.bottom
    return side, sound & is_short(grown[0], grown[1], 2 * LARGEST_SIDE_PX)


def _raster(columns: Mapping[str, Column]) -> tuple[Long, Long]:
    return columns["raster_width_px"].astype(np.int64), columns["raster_height_px"].astype(np.int64)


def _circle(
    columns: Mapping[str, Column], raster: tuple[Long, Long], scales: tuple[Ratios, Ratios]
) -> tuple[tuple[Box, Box], Long, Flags]:
    """Return the box of raster and circle by axis, a q, and in which rows these numbers fit.

    Parameters
    ----------
    scales
        Recorded pixels a photosite, across and down.
    """
    count = len(raster[0])
    per_mm = Ratios.same(_UM_A_MM, count) * Ratios.written(columns["photosite_pitch_um"]).inverse()
    radius = Ratios.written(columns["lens_image_circle_mm"]) * Ratios.same(_HALF, count)
    offsets, halves = [], []
    for scale, name in zip(scales, ("lens_offset_x_mm", "lens_offset_y_mm"), strict=True):
        pixels = per_mm * scale
        offsets.append(Ratios.written(columns[name]) * pixels)
        halves.append(radius * pixels)
    parts, sound = np.full(count, 2, dtype=np.int64), np.ones(count, dtype=np.bool_)
    for each in (*offsets, *halves):
        parts, fits = common_multiple(parts, each.bottom)
        sound &= fits & each.sound
    # Half axes are as recorded pixels a photosite are: a / b = p / q.
    shape = scales[0] * scales[1].inverse()
    weights = shape.bottom, shape.top
    boxes = []
    for length, offset, half, weight in zip(raster, offsets, halves, weights, strict=True):
        more = parts // offset.bottom
        sound &= is_short(offset.top, more) & is_short(half.top, parts // half.bottom)
        middle = length * (parts // 2) + offset.top * more
        reach = half.top * (parts // half.bottom)
        farthest = np.abs(middle.astype(np.float64)) + 2.0 * LARGEST_SIDE_PX * parts
        sound &= is_short(farthest, weight, farthest, weight) & is_short(reach, weight, reach, weight)
        boxes.append(
            Box(parts, np.maximum(middle - reach, 0), np.minimum(middle + reach, length * parts), middle, weight)
        )
    limit = halves[0].top * (parts // halves[0].bottom) * weights[0]
    return (boxes[0], boxes[1]), limit, sound & shape.sound
