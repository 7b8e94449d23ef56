"""The quick way to an answer: from a written job to written extractions and margins, without a noun in between.

For frames that lie alone on a whole raster, which is what most calls ask for. The numbers come from
the same functions as everywhere (`core.plain`, `core.optics`), and `tests/api/test_quick_answers.py`
holds every byte against the exact way. Anything else raises `Doubt`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any, NamedTuple

import orjson

from tallwide.geometry import shape_of_pixels, upright_fraction_to_recorded, upright_sides_to_recorded
from tallwide.job import Number, Protection, Roll, aspect_ratio, exact
from tallwide.version import VERSION
from tallwide_service.api.quick_reader import Doubt, quick_document
from tallwide_service.api.schemas import JOB_SCHEMA
from tallwide_service.api.written_reader import Written, shown_raster, written_reader_of
from tallwide_service.core.extraction import whole_shares
from tallwide_service.core.optics import Sensor, image_numbers, nyquist_lp_mm, pixel_side_mm
from tallwide_service.core.plain import (
    PlainMargin,
    PlainPlace,
    Share,
    aspect_numbers,
    common_and_combined,
    ideal_numbers,
    margin_numbers,
    photosites_behind,
    place_plain,
    upright_box,
)
from tallwide_service.identity import answer_id, decision_digest

Members = dict[str, Any]
# A named tuple's own constructor does the same after a call more.
_made = tuple.__new__
_read = written_reader_of(JOB_SCHEMA)
# The members that are known here; what a noun has beyond them may change an answer.
_JOB = frozenset({"capture", "deliverables", "framing", "version", "id"})
_CAPTURE = frozenset(
    {
        *("raster", "label", "photosites", "photosite_pitch_um", "squeeze", "squeeze_axis", "roll", "grid", "lens"),
        *("readout_ms", "frames_per_second", "data_rate_mb_s", "detail_factor"),
    }
)
_LENS = frozenset({"label", "offset_mm", "focal_length_mm", "f_number", "focus_distance_mm", "exit_pupil_mm"})
_FRAMING = frozenset({"arrangement", "match", "nest", "objective", "aspect_tolerance"})
_DELIVERABLE = frozenset(
    {
        *("label", "aspect", "raster", "pixel_aspect", "delivery_turn", "minimum_oversampling", "align", "protection"),
        *("weight", "safe_areas", "safe_area_sets", "display"),
    }
)


class Ground(NamedTuple):
    """A written capture as bare numbers."""

    raster: tuple[int, int]
    photosites: tuple[int, int]
    grid: tuple[int, int, int, int]
    shape: Share
    roll: Roll
    sensor: Sensor | None


class Placed(NamedTuple):
    """One deliverable, its ratio as recorded and as shown, and where it lies."""

    deliverable: Written
    ratio: Share
    requested: float
    align: tuple[int, int, int, int]
    place: PlainPlace


def quick_answer(path: str, body: bytes) -> tuple[str, bytes, int]:
    """Return an answer's identifier, its bytes and the number of its frames.

    Raises
    ------
    Doubt
        If the exact way has to decide: at every fault, and at every job that is not of the common kind.
    """
    return quick_answer_to(path, quick_document(body))


def quick_answer_to(path: str, document: Any) -> tuple[str, bytes, int]:
    """Return the same for a JSON value that `quick_document` has read, or for a part of one."""
    write = _WRITERS[path]
    job: Written = _read(document)
    _doubt_unknown(job, _JOB)
    _doubt_unknown(job["framing"], _FRAMING)
    ground = _ground(job["capture"])
    placed = _placed(job, ground)
    rects = [_rects(each.place) for each in placed]
    identity = answer_id(path, job)
    geometry = {
        "raster": ground.raster,
        "photosites": ground.photosites,
        "squeeze": job["capture"]["squeeze"],
        "squeeze_axis": job["capture"]["squeeze_axis"],
        "roll": ground.roll,
    }
    answer = {
        "engine_version": VERSION,
        "answer_id": identity,
        "decision_id": decision_digest(geometry, rects),
        "job": job,
        **write(job, ground, placed, rects),
    }
    return identity, orjson.dumps(answer, option=orjson.OPT_APPEND_NEWLINE), len(placed)


def _doubt_unknown(noun: Written, known: frozenset[str]) -> None:
    """Raise `Doubt` where a noun has members that are neither known nor the caller's own."""
    if not noun.keys() <= known and any(name[:1] != "_" for name in noun.keys() - known):
        raise Doubt


def _ground(capture: Written) -> Ground:
    _doubt_unknown(capture, _CAPTURE)
    lens = capture.get("lens")
    if lens is not None:
        _doubt_unknown(lens, _LENS)
    raster, grid, roll = capture["raster"], capture["grid"], capture["roll"]
    imager: Any = capture.get("photosites", raster)
    width, height = size = raster["width"], raster["height"]
    photosites = imager["width"], imager["height"]
    squeeze, axis = capture["squeeze"], capture["squeeze_axis"]
    shape = shape_of_pixels(squeeze, axis, photosites[0] * height, width * photosites[1])
    pitch_um, sensor = capture.get("photosite_pitch_um"), None
    if pitch_um is not None:
        wide, high = pixel_side_mm(pitch_um, photosites[0], width), pixel_side_mm(pitch_um, photosites[1], height)
        sensor = Sensor(
            size,
            (wide.numerator, wide.denominator, high.numerator, high.denominator),
            (0, 0) if lens is None else (lens["offset_mm"]["x"], lens["offset_mm"]["y"]),
            None if lens is None else lens.get("focal_length_mm"),
            (squeeze, 1) if axis == "sensor_width" else (1, squeeze),
            roll in (90, 270),
        )
    steps = grid["x"], grid["y"], grid["width"], grid["height"]
    return Ground(size, photosites, steps, (shape.numerator, shape.denominator), roll, sensor)


def _placed(job: Written, ground: Ground) -> list[Placed]:
    """Return every deliverable with its place."""
    allowed = exact(job["framing"]["aspect_tolerance"])
    tolerance = allowed.numerator, allowed.denominator
    raster, grid, roll = ground.raster, ground.grid, ground.roll
    shape_wide, shape_high = ground.shape
    is_on_its_side = roll in (90, 270)
    placed = []
    for deliverable in job["deliverables"]:
        _doubt_unknown(deliverable, _DELIVERABLE)
        wide, high = _shown(deliverable)
        requested = wide / high
        if is_on_its_side:
            wide, high = high, wide
        ratio = wide * shape_high, high * shape_wide
        align = _align(deliverable["align"]["x"], deliverable["align"]["y"], roll)
        place = place_plain(raster, grid, ratio, tolerance, align, _protection(roll, **deliverable["protection"]))
        if place is None:
            raise Doubt
        placed.append(_made(Placed, (deliverable, ratio, requested, align, place)))
    return placed


def _shown(deliverable: Written) -> Share:
    """Return a deliverable's ratio as shown: that of its raster and pixels where it has one."""
    if "raster" in deliverable:
        return shown_raster(deliverable)
    ratio = aspect_ratio(deliverable["aspect"])
    return ratio.numerator, ratio.denominator


@lru_cache(maxsize=1024)
def _align(x: Number, y: Number, roll: Roll) -> tuple[int, int, int, int]:
    across, down = upright_fraction_to_recorded(exact(x), exact(y), roll)
    return across.numerator, across.denominator, down.numerator, down.denominator


@lru_cache(maxsize=1024)
def _protection(roll: Roll, **written: Number) -> tuple[int, int, int, int, int, int, int, int] | None:
    if any(name[:1] == "_" for name in written):
        raise Doubt
    shares: dict[str, Any] = written
    return whole_shares(upright_sides_to_recorded(Protection(**shares).shares(), roll))


def _rects(place: PlainPlace) -> list[Members]:
    """Return a frame and its protection, recorded, as they are written."""
    x, y, width, height, left, top, right, bottom, _ = place
    return [
        {"x": x, "y": y, "width": width, "height": height},
        {"x": x - left, "y": y - top, "width": width + left + right, "height": height + top + bottom},
    ]


def _extractions(_: Written, ground: Ground, placed: list[Placed], rects: list[list[Members]]) -> Members:
    """Return the members of an extractions answer."""
    areas = sum(each.place.width * each.place.height for each in placed)
    return {
        "extractions": [_extraction(each, ground, *both) for each, both in zip(placed, rects, strict=True)],
        **_areas([each.place for each in placed]),
        "certificate": {
            "objective": "each_largest",
            "value": areas,
            "upper_bound": areas,
            "gap": 0,
            "proof": "exhausted",
            "cases": len(placed),
        },
        "what_binds": None,
        "what_binds_left_out": None,
        "sweep": None,
    }


def _areas(places: list[PlainPlace]) -> Members:
    common, combined = common_and_combined(places)
    return {"common_area": None if common is None else _box(*common), "combined_area": _box(*combined)}


def _box(x: int, y: int, width: int, height: int) -> Members:
    return {"x": x, "y": y, "width": width, "height": height}


def _extraction(one: Placed, ground: Ground, rect: Members, protection_rect: Members) -> Members:
    deliverable, ratio, requested, align, place = one
    x, y, width, height = place[:4]
    raster, roll, sensor = ground.raster, ground.roll, ground.sensor
    is_on_its_side = roll in (90, 270)
    achieved, error = aspect_numbers(width, height, ratio, ground.shape, is_on_its_side=is_on_its_side)
    ideal = ideal_numbers(x, y, width, height, ratio, align)
    size = angle = diagonal = off_axis = None
    if sensor is not None:
        wide, high, diagonal, angles, off_axis = image_numbers(x, y, width, height, sensor)
        size = {"width": wide, "height": high}
        if angles is not None:
            angle = {"horizontal": angles[0], "vertical": angles[1], "diagonal": angles[2]}
    return {
        "deliverable": deliverable["label"],
        "rect": rect,
        "upright_rect": rect if roll == 0 else _box(*upright_box(x, y, width, height, raster, roll)),
        "ideal_rect": {"x": ideal[0], "y": ideal[1], "width": ideal[2], "height": ideal[3]},
        "protection_rect": protection_rect,
        "aspect": {"requested": requested, "achieved": achieved, "error": error},
        "bound_by": place.bound_by,
        "share_of_raster": width * height / (raster[0] * raster[1]),
        "subject_room": None,
        "sensor_mm": size,
        "diagonal_mm": diagonal,
        "angle_of_view_deg": angle,
        "off_axis_mm": off_axis,
    }


def _margins(job: Written, ground: Ground, placed: list[Placed], _: list[list[Members]]) -> Members:
    """Return the members of a margins answer."""
    capture = job["capture"]
    pitch_um, factor = capture.get("photosite_pitch_um"), capture["detail_factor"]
    nyquist = None if pitch_um is None else nyquist_lp_mm(pitch_um)
    return {"margins": [_margin(each, ground, nyquist, factor) for each in placed]}


def _margin(one: Placed, ground: Ground, nyquist: float | None, factor: Number) -> Members:
    deliverable, place = one.deliverable, one.place
    if "display" in deliverable:
        raise Doubt
    recorded, photosites, roll = ground.raster, ground.photosites, ground.roll
    x, y, width, height = place[:4]
    across, down = photosites_behind(width, height, recorded, photosites)
    columns, lines = recorded
    if roll in (90, 270):
        across, down, columns, lines = down, across, lines, columns
    left, top, width, height = upright_box(x, y, width, height, recorded, roll)
    needed, asked = deliverable.get("raster"), deliverable["minimum_oversampling"]
    weighed: Members = {}
    scale = None
    if needed is not None:
        spare = margin_numbers(
            (width, height), (across, down), (needed["width"], needed["height"]), _share(asked), _share(factor)
        )
        weighed, scale = _weighed(spare), spare.scale
    return {
        "deliverable": deliverable["label"],
        "pixels": {"width": width, "height": height},
        "photosites": {"width": across[0] / across[1], "height": down[0] / down[1]},
        "needed": None if needed is None else {"width": needed["width"], "height": needed["height"]},
        "minimum_oversampling": asked,
        "oversampling": weighed.get("oversampling"),
        "spare_px": weighed.get("spare_px"),
        "spare_pct": weighed.get("spare_pct"),
        "verdict": weighed.get("verdict"),
        "enough": weighed.get("enough"),
        "photosite_oversampling": weighed.get("photosite_oversampling"),
        "photosite_verdict": weighed.get("photosite_verdict"),
        "scale_to_delivery": weighed.get("scale_to_delivery"),
        "reframe_room": {
            "scale": scale,
            "left": left,
            "top": top,
            "right": columns - left - width,
            "bottom": lines - top - height,
        },
        "eye_limit": None,
        "nyquist_lp_mm": nyquist,
        "detail_factor": factor,
        "detail_oversampling": weighed.get("detail_oversampling"),
    }


@lru_cache(maxsize=1024)
def _share(written: Number) -> Share:
    value = exact(written)
    return value.numerator, value.denominator


def _weighed(spare: PlainMargin) -> Members:
    """Return the members of a margin that a deliverable with a raster has."""
    x, y = spare.spare_px
    wide, high = spare.scale_to_delivery
    return {
        "oversampling": _axes_and_smaller(*spare.oversampling),
        "spare_px": {"x": x, "y": y},
        "spare_pct": spare.spare_pct,
        "verdict": spare.verdict,
        "enough": spare.verdict != "short",
        "photosite_oversampling": _axes_and_smaller(*spare.photosite_oversampling),
        "photosite_verdict": spare.photosite_verdict,
        "scale_to_delivery": {"x": wide, "y": high},
        "detail_oversampling": _axes_and_smaller(*spare.detail_oversampling),
    }


def _axes_and_smaller(x: float, y: float) -> Members:
    return {"x": x, "y": y, "smaller": min(x, y)}


_WRITERS: dict[str, Callable[[Written, Ground, list[Placed], list[list[Members]]], Members]] = {
    "/v1/extractions": _extractions,
    "/v1/margins": _margins,
}
QUICK_PATHS = frozenset(_WRITERS)
