"""OpenEXR: windows and standard attributes for each deliverable.

Windows are inclusive: a w x h picture at the origin ends at w - 1, h - 1; y points down. Four ways to
write a frame are given: `reframe` touches no pixel and only sets the display window; `crop` keeps the
frame's pixels at their recorded place; `pull` holds the frame with its overscan, the display window
being the frame alone; `delivery` is the delivered picture, with that overscan scaled around it.
"""

from __future__ import annotations

import json
import math
from fractions import Fraction
from typing import Any

from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.geometry import pixel_shape
from tallwide.handoff import framing_decision_list
from tallwide.handoff.document import Document, Loss, file_stem, lost_beyond
from tallwide.job import Capture, Handoff, Pull, exact
from tallwide.mapping import PulledPlate, RealArea, delivered_raster, delivery_matrix, plate

CARRIED = framing_decision_list.CARRIED - {"several_frames"} | {"lens"}


def box(rect: Rect) -> dict[str, list[int]]:
    """Return a rectangle as an inclusive window.

    Examples
    --------
    >>> box(Rect(1312, 0, 1216, 2160))
    {'min': [1312, 0], 'max': [2527, 2159]}
    """
    return {"min": [rect.x, rect.y], "max": [rect.right - 1, rect.bottom - 1]}


def headers(frame: Frame, capture: Capture, pull: Pull) -> dict[str, Any]:
    """Return the windows of one frame, in each of the ways that it can be written."""
    full = Rect(0, 0, capture.raster.width, capture.raster.height)
    shape = float(pixel_shape(capture))
    taken = plate(frame, capture, Pull(pull.overscan_px, pull.overscan_share, pull.multiple))
    corner = (frame.rect.x, frame.rect.y)
    entry: dict[str, Any] = {
        "deliverable": frame.label,
        "reframe": {"displayWindow": box(frame.rect), "dataWindow": box(full), "pixelAspectRatio": shape},
        "crop": {
            "displayWindow": box(frame.rect),
            "dataWindow": box(frame.rect),
            "originalDataWindow": box(full),
            "pixelAspectRatio": shape,
        },
        "pull": {
            "displayWindow": box(Rect(0, 0, frame.rect.width, frame.rect.height)),
            "dataWindow": box(_moved(padded(taken), corner)),
            "originalDataWindow": box(_moved(full, corner)),
            "pixelAspectRatio": shape,
        },
    }
    if frame.deliverable.raster is not None:
        entry["delivery"] = _delivery(frame, capture, taken)
    return entry


def padded(taken: PulledPlate) -> Rect:
    """Return a plate on the recorded raster, its padding at right and bottom counted."""
    return Rect(taken.picture.x, taken.picture.y, taken.raster.width, taken.raster.height)


def _moved(rect: Rect, corner: tuple[int, int]) -> Rect:
    return Rect(rect.x - corner[0], rect.y - corner[1], rect.width, rect.height)


def _delivery(frame: Frame, capture: Capture, taken: PulledPlate) -> dict[str, Any]:
    """Return the delivered picture's windows; overscan is counted in whole delivery pixels that hold picture."""
    size = delivered_raster(frame)
    area = delivery_matrix(frame, capture).area(taken.picture)
    shape = exact(frame.deliverable.pixel_aspect)
    if frame.deliverable.delivery_turn in (90, 270):
        shape = 1 / shape
    return {
        "displayWindow": box(Rect(0, 0, size.width, size.height)),
        "dataWindow": box(_whole_inside(area)),
        "pixelAspectRatio": float(shape),
    }


def _whole_inside(area: RealArea) -> Rect:
    left, top = math.ceil(area.x), math.ceil(area.y)
    return Rect(left, top, math.floor(area.right) - left, math.floor(area.bottom) - top)


def attributes(decision: Decision, options: Handoff) -> dict[str, Any]:
    """Return the standard attributes that the job states, under their names and units in OpenEXR."""
    capture, lens = decision.capture, decision.capture.lens
    facts: dict[str, Any] = {
        "screenWindowCenter": [0.0, 0.0],
        "screenWindowWidth": 1.0,
        "ascFramingDecisionList": framing_decision_list.text(decision, options),
    }
    if capture.label:
        facts["cameraLabel"] = capture.label
    if capture.photosite_pitch_um is not None:
        pitch = exact(capture.photosite_pitch_um)
        facts["sensorPhotositePitch"] = float(pitch)
        facts["sensorOverallDimensions"] = [
            float(pitch * capture.imager.width / 1000),
            float(pitch * capture.imager.height / 1000),
        ]
    if capture.frames_per_second is not None:
        rate = exact(capture.frames_per_second).limit_denominator(2**31 - 1)
        facts["captureRate"] = [rate.numerator, rate.denominator]
    if lens is not None and lens.focal_length_mm is not None:
        facts["nominalFocalLength"] = float(lens.focal_length_mm)
    if lens is not None and lens.f_number is not None:
        facts["aperture"] = float(lens.f_number)
    if lens is not None and lens.label:
        facts["lensModel"] = lens.label
    return facts


def write(decision: Decision, options: Handoff) -> Document:
    """Return windows for every deliverable and the attributes of the recording."""
    pull = options.pull or Pull()
    content = {
        "windows": [headers(frame, decision.capture, pull) for frame in decision.frames],
        "attributes": attributes(decision, options),
    }
    return Document(
        form="openexr",
        standard="OpenEXR header attributes",
        media_type="application/x.openexr-header+json",
        file_name=f"{file_stem(decision)}.openexr.json",
        content=content,
        raw=(json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode(),
        lost=(*_own_losses(decision, pull), *lost_beyond(decision, CARRIED)),
    )


def _own_losses(decision: Decision, pull: Pull) -> list[Loss]:
    losses = []
    if pull.upright:
        losses.append(Loss("upright_pull", "windows of pulls lie along the recorded raster; a header holds no turn"))
    for frame in decision.frames:
        taken = plate(frame, decision.capture, pull)
        if taken.is_cut_short:
            room = ", ".join(map(str, taken.room))
            losses.append(
                Loss(
                    "overscan",
                    f"the raster ends before the overscan does: {room} px at left, top, right, bottom",
                    frame.label,
                )
            )
        if frame.deliverable.raster is not None:
            area = delivery_matrix(frame, decision.capture).area(taken.picture)
            if any(Fraction(edge).denominator != 1 for edge in (area.x, area.y, area.right, area.bottom)):
                losses.append(
                    Loss(
                        "part_pixels",
                        "overscan ends inside delivery pixels; only whole ones are in the data window",
                        frame.label,
                    )
                )
    return losses
