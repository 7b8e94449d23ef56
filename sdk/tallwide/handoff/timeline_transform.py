"""Timeline transforms: the numbers that an editor types to see a frame on its delivery raster.

Scale in percent, offset of the picture's centre from the timeline's centre in delivery pixels, and
rotation clockwise, for a timeline of the delivered file's size. The picture is scaled about its own
centre, along its own axes, before it is turned; with a squeeze the media is first interpreted with
the stated pixel aspect. 100 % is one media pixel a timeline pixel (`native`), the whole media inside
the timeline (`fitted`) or the timeline covered (`filled`), measured before the turn.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

from tallwide.decision import Decision, Frame
from tallwide.geometry import pixel_shape
from tallwide.handoff.document import Document, Loss, file_stem, lost_beyond
from tallwide.handoff.iiif import total_turn
from tallwide.job import Capture, Handoff
from tallwide.mapping import delivered_raster, delivery_matrix

CARRIED = frozenset({"delivery_raster", "delivery_turn", "roll", "squeeze", "photosites"})


def transform(frame: Frame, capture: Capture) -> dict[str, Any]:
    """Return one frame's transform on a timeline of its delivered size."""
    timeline = delivered_raster(frame)
    recorded, shape = capture.raster, pixel_shape(capture)
    shown = (recorded.width * shape, Fraction(recorded.height))
    turn = total_turn(frame, capture)
    # Timeline pixels that the frame's sides fill along the media's own axes.
    along = (timeline.height, timeline.width) if turn in (90, 270) else (timeline.width, timeline.height)
    native = (along[0] / (frame.rect.width * shape), Fraction(along[1], frame.rect.height))
    centre = delivery_matrix(frame, capture).point((Fraction(recorded.width, 2), Fraction(recorded.height, 2)))
    right, down = centre[0] - Fraction(timeline.width, 2), centre[1] - Fraction(timeline.height, 2)
    fit = min(timeline.width / shown[0], timeline.height / shown[1])
    fill = max(timeline.width / shown[0], timeline.height / shown[1])
    return {
        "deliverable": frame.label,
        "timeline": {"width": timeline.width, "height": timeline.height},
        "media": {"width": recorded.width, "height": recorded.height, "pixel_aspect": _both(shape)},
        "rotation_deg": turn,
        "offset_px": {"x": _both(right), "y_down": _both(down), "y_up": _both(-down)},
        "scale_pct": {
            "native": _scale(native, Fraction(1)),
            "fitted": _scale(native, fit),
            "filled": _scale(native, fill),
        },
        "one_scale_error_px": _both(_one_scale_error(native, along)),
    }


def _scale(native: tuple[Fraction, Fraction], hundred: Fraction) -> dict[str, Any]:
    """Return scales along the media's width and height, and the one to type where there is one field."""
    across, down = 100 * native[0] / hundred, 100 * native[1] / hundred
    return {"along_width": _both(across), "along_height": _both(down), "one": _both(max(across, down))}


def _one_scale_error(native: tuple[Fraction, Fraction], along: tuple[int, int]) -> Fraction:
    """Return how much the frame overshoots its raster, px, where one scale serves both axes."""
    largest = max(native)
    return max(along[0] * (largest / native[0] - 1), along[1] * (largest / native[1] - 1))


def _both(value: Fraction) -> dict[str, Any]:
    return {"exact": str(value), "value": float(value)}


def write(decision: Decision, _: Handoff) -> Document:
    """Return the transform of every deliverable that has a raster."""
    entries = [transform(frame, decision.capture) for frame in decision.frames if frame.deliverable.raster is not None]
    return Document(
        form="timeline-transform",
        standard="numbers for an editor's motion controls; no standard",
        media_type="application/x.timeline-transform+json",
        file_name=f"{file_stem(decision)}.timeline.json",
        content=entries,
        raw=(json.dumps(entries, indent=1, ensure_ascii=False) + "\n").encode(),
        lost=(*_own_losses(decision), *lost_beyond(decision, CARRIED)),
    )


def _own_losses(decision: Decision) -> list[Loss]:
    losses = []
    for frame in decision.frames:
        if frame.deliverable.raster is None:
            losses.append(
                Loss("no_timeline", "without a delivery raster there is no timeline to type for", frame.label)
            )
            continue
        error = transform(frame, decision.capture)["one_scale_error_px"]["value"]
        if error:
            losses.append(
                Loss("one_scale", f"with one scale for both axes the frame overshoots by {error:.3g} px", frame.label)
            )
    return losses
