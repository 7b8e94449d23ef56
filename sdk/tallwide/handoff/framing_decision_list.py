"""ASC Framing Decision List 2.0.1: intents, one context, canvases, decisions and canvas templates.

The recorded raster is the first canvas; a roll adds an upright one, a squeeze the desqueezed scene.
Places and sizes are canvas pixels from its top left corner; decisions are the job's own whole-pixel
frames, so that nothing drifts. The standard's protection is a share taken inward from the protected
picture, the job's grows outward from the frame: it is converted, never copied. Whatever has no
place in the standard and matters to this tool stands under `_tallwide`, which other readers ignore.
"""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from tallwide.decision import Decision, Frame
from tallwide.geometry import pixel_shape, region_box, shown_ratio
from tallwide.handoff.document import (
    Document,
    Loss,
    content_digest,
    file_stem,
    lost_beyond,
    unique_names,
)
from tallwide.job import Deliverable, Handoff, Number, Protection, Raster, Space, exact
from tallwide.mapping import Matrix, RealArea, from_recorded

CARRIED = frozenset(
    {
        "several_frames",
        "protection",
        "delivery_raster",
        "pixel_aspect",
        "squeeze",
        "photosites",
        "photosite_pitch",
        "usable_area",
    }
)
RECORDED, UPRIGHT, SCENE = "RECORDED", "UPRIGHT", "SCENE"
LONGEST_ID = 32
# Whole numbers that every JSON reader keeps (RFC 7493, 2.2).
LARGEST_WHOLE = 2**53 - 1
PRIVATE = "_tallwide"


@dataclass(frozen=True, slots=True)
class Canvas:
    """One canvas: its id and source, its size, its squeeze, and the map from the recorded raster."""

    id: str
    source: str
    width: int
    height: int
    squeeze: Fraction
    matrix: Matrix


def document(decision: Decision, options: Handoff) -> dict[str, Any]:
    """Return the list as a JSON value; the same decision always gets the same uuid."""
    intents = unique_names(
        (frame.label for frame in decision.frames), fallback="FRAME", separator="_", longest=LONGEST_ID
    )
    body: dict[str, Any] = {
        "version": {"major": 2, "minor": 0},
        "fdl_creator": f"tallwide {decision.engine_version}",
        "default_framing_intent": intents[0],
        "framing_intents": [intent(frame, name) for frame, name in zip(decision.frames, intents, strict=True)],
        "contexts": [context(decision, intents, options)],
        "canvas_templates": [
            template(frame.deliverable, frame.deliverable.raster, name)
            for frame, name in zip(decision.frames, intents, strict=True)
            if frame.deliverable.raster is not None
        ],
        PRIVATE: private(decision),
    }
    # Version 5 marks an identity made from content; it is ours, over the document itself.
    identity = uuid.UUID(bytes=content_digest(json.dumps(body, sort_keys=True))[:16], version=5)
    return {"uuid": str(identity), **body}


def intent(frame: Frame, name: str) -> dict[str, Any]:
    """Return a framing intent: an aspect in whole numbers and the protection, inward."""
    ratio = whole_terms(frame.deliverable.ratio)
    entry: dict[str, Any] = {
        "id": name,
        "label": frame.label,
        "aspect_ratio": {"width": ratio.numerator, "height": ratio.denominator},
    }
    share = inward_share(frame.deliverable.protection)
    if share:
        entry["protection"] = share
    return entry


def whole_terms(ratio: Fraction) -> Fraction:
    """Return a ratio whose terms every JSON reader keeps."""
    if max(ratio.numerator, ratio.denominator) <= LARGEST_WHOLE:
        return ratio
    return ratio.limit_denominator(10**9)


def inward_share(protection: Protection) -> Number | None:
    """Return the share that the protection takes from the protected picture; `None` where sides differ.

    Grown by s of itself on each side, a frame is 1 / (1 + 2 s) of the protected picture.

    Examples
    --------
    >>> inward_share(Protection(each_side=0.05)), inward_share(Protection(inward=0.1))
    (0.09090909090909091, 0.1)
    """
    if protection.inward is not None:
        return protection.inward
    shares = protection.shares()
    if len(set(shares)) > 1:
        return None
    return number(2 * shares[0] / (1 + 2 * shares[0]))


def number(value: Fraction) -> Number:
    """Return an exact value as a JSON number, whole where it is whole."""
    return int(value) if value.denominator == 1 else float(value)


def canvases(decision: Decision) -> tuple[Canvas, ...]:
    """Return the recorded canvas, the upright one under a roll, and the scene where pixels are not square."""
    capture = decision.capture
    shape = pixel_shape(capture)
    upright_shape = 1 / shape if capture.is_on_its_side else shape
    raster, turned = capture.raster, capture.upright_raster
    recorded = from_recorded(Space("recorded"), decision)
    found = [Canvas(RECORDED, RECORDED, raster.width, raster.height, shape, recorded)]
    if capture.roll:
        upright = from_recorded(Space("upright"), decision)
        found.append(Canvas(UPRIGHT, RECORDED, turned.width, turned.height, upright_shape, upright))
    if shape != 1:
        scene = from_recorded(Space("scene"), decision)
        size = scene.area(whole_area(raster))
        found.append(Canvas(SCENE, found[-1].id, math.ceil(size.width), math.ceil(size.height), Fraction(1), scene))
    return tuple(found)


def whole_area(raster: Raster) -> RealArea:
    """Return all of a raster."""
    return RealArea(Fraction(0), Fraction(0), Fraction(raster.width), Fraction(raster.height))


def context(decision: Decision, intents: tuple[str, ...], options: Handoff) -> dict[str, Any]:
    """Return the one context: the recording and every canvas of it."""
    entry: dict[str, Any] = {}
    if decision.job.id:
        entry["label"] = decision.job.id
    entry["context_creator"] = f"tallwide {decision.engine_version}"
    if options.source:
        entry["clip_id"] = {"clip_name": options.source, "file": options.source}
    entry["canvases"] = [canvas_entry(canvas, decision, intents) for canvas in canvases(decision)]
    return entry


def canvas_entry(canvas: Canvas, decision: Decision, intents: tuple[str, ...]) -> dict[str, Any]:
    """Return one canvas with its effective area, what is behind it, and its framing decisions."""
    capture = decision.capture
    entry: dict[str, Any] = {"id": canvas.id, "source_canvas_id": canvas.source}
    if capture.label:
        entry["label"] = capture.label
    entry["dimensions"] = {"width": canvas.width, "height": canvas.height}
    entry.update(effective_area(canvas, decision))
    if canvas.id == RECORDED:
        entry["photosite_dimensions"] = {"width": capture.imager.width, "height": capture.imager.height}
        if capture.photosite_pitch_um is not None:
            pitch_mm = exact(capture.photosite_pitch_um) / 1000
            entry["physical_dimensions"] = {
                "width": number(capture.imager.width * pitch_mm),
                "height": number(capture.imager.height * pitch_mm),
            }
    entry["anamorphic_squeeze"] = number(canvas.squeeze)
    entry["framing_decisions"] = [
        framing_decision(frame, name, canvas) for frame, name in zip(decision.frames, intents, strict=True)
    ]
    return entry


def effective_area(canvas: Canvas, decision: Decision) -> Mapping[str, Any]:
    """Return the whole pixels inside the box of the region; nothing where all of the raster may be used."""
    capture = decision.capture
    left, top, right, bottom = region_box(capture)
    full = whole_area(capture.raster)
    if (left, top, right, bottom) == (full.x, full.y, full.right, full.bottom):
        return {}
    area = canvas.matrix.area(RealArea(left, top, right - left, bottom - top))
    x, y = math.ceil(area.x), math.ceil(area.y)
    return {
        "effective_dimensions": {"width": math.floor(area.right) - x, "height": math.floor(area.bottom) - y},
        "effective_anchor_point": {"x": x, "y": y},
    }


def framing_decision(frame: Frame, name: str, canvas: Canvas) -> dict[str, Any]:
    """Return one frame and its protected picture on a canvas."""
    rect, protected = canvas.matrix.area(frame.rect), canvas.matrix.area(frame.protection_rect)
    entry: dict[str, Any] = {
        "id": f"{canvas.id}-{name}",
        "framing_intent_id": name,
        "label": frame.label,
        "dimensions": {"width": number(rect.width), "height": number(rect.height)},
        "anchor_point": {"x": number(rect.x), "y": number(rect.y)},
    }
    if frame.protection_rect != frame.rect:
        entry["protection_dimensions"] = {"width": number(protected.width), "height": number(protected.height)}
        entry["protection_anchor_point"] = {"x": number(protected.x), "y": number(protected.y)}
    return entry


def template(deliverable: Deliverable, raster: Raster, name: str) -> dict[str, Any]:
    """Return the recipe that turns a frame into exactly its delivery raster.

    Target, maximum and padding together force the raster (7.4); `fill` leaves no empty line.
    """
    is_even = raster.width % 2 == 0 and raster.height % 2 == 0
    size = {"width": raster.width, "height": raster.height}
    return {
        "id": name,
        "label": deliverable.label,
        "target_dimensions": size,
        "target_anamorphic_squeeze": deliverable.pixel_aspect,
        "fit_source": "framing_decision.dimensions",
        "fit_method": "fill",
        "alignment_method_vertical": "center",
        "alignment_method_horizontal": "center",
        "maximum_dimensions": dict(size),
        "pad_to_maximum": True,
        "round": {"even": "even" if is_even else "whole", "mode": "round"},
    }


def private(decision: Decision) -> dict[str, Any]:
    """Return what this tool needs to read its own list back without a guess."""
    capture = decision.capture
    return {"decision_id": decision.decision_id, "roll": capture.roll, "squeeze_axis": capture.squeeze_axis}


def text(decision: Decision, options: Handoff) -> str:
    """Return the list as it stands in a header attribute: one line of JSON."""
    return json.dumps(document(decision, options), ensure_ascii=False, separators=(",", ":"))


def write(decision: Decision, options: Handoff) -> Document:
    """Return the list as a document."""
    content = document(decision, options)
    return Document(
        form="framing-decision-list",
        standard="ASC Framing Decision List 2.0.1",
        media_type="application/x.framing-decision-list+json",
        file_name=f"{file_stem(decision)}.fdl",
        content=content,
        raw=(json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode(),
        lost=(*_own_losses(decision), *lost_beyond(decision, CARRIED)),
    )


def _own_losses(decision: Decision) -> list[Loss]:
    capture = decision.capture
    losses = []
    if capture.usable_area is not None or (capture.lens is not None and capture.lens.image_circle_mm is not None):
        losses.append(
            Loss(
                "region_shape",
                "the effective area is the box of the usable region, whole pixels inside it; its shape is not carried",
            )
        )
    for canvas in canvases(decision):
        if _is_partial(canvas, capture.raster):
            losses.append(
                Loss("scene_canvas", "the desqueezed canvas is not a whole number of pixels; its size is rounded up")
            )
    for frame in decision.frames:
        losses += _frame_losses(frame, decision)
    return losses


def _is_partial(canvas: Canvas, raster: Raster) -> bool:
    area = canvas.matrix.area(whole_area(raster))
    return area.width.denominator != 1 or area.height.denominator != 1


def _frame_losses(frame: Frame, decision: Decision) -> list[Loss]:
    deliverable, losses = frame.deliverable, []
    if inward_share(deliverable.protection) is None:
        losses.append(
            Loss(
                "protection_sides",
                "an intent has one share for all sides; the decision holds the protected picture",
                frame.label,
            )
        )
    if whole_terms(deliverable.ratio) != deliverable.ratio:
        losses.append(Loss("aspect_terms", "the aspect's whole terms are too long and were rounded", frame.label))
    shown = shown_ratio(frame.rect.width, frame.rect.height, decision.capture)
    if deliverable.raster is not None and shown != deliverable.ratio:
        losses.append(
            Loss(
                "one_scale",
                "a template scales both axes alike: what overshoots the delivery raster is cut",
                frame.label,
            )
        )
    return losses
