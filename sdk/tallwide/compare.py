"""Comparing: what moved between two decisions, frame by frame.

Editorial and VFX use it when a new list arrives. Edges are compared on the first decision's
recorded raster; a second decision on another raster of the same shape is scaled to it exactly.
Right and down are positive. Percents are of the frame's own width or height before the move.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Literal

from tallwide.answers import Answer, Rect
from tallwide.decision import Decision
from tallwide.job import Deliverable, Number, Raster, Roll, exact
from tallwide.mapping import RealArea, scaling

if TYPE_CHECKING:
    from tallwide.handoff.reading import FormReading

Status = Literal["same", "moved", "delivered_otherwise", "only_in_first", "only_in_second"]

UNSCALED = (Fraction(1), Fraction(1))


@dataclass(frozen=True, slots=True)
class KnownFrame:
    """One frame, and what is known of its delivered file: raster, pixel aspect, turn."""

    label: str
    rect: Rect
    delivered: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class KnownFrames:
    """The frames of a decision, or of a document that was read back, on a raster if that is known."""

    recorded: Raster | None
    roll: Roll | None
    frames: tuple[KnownFrame, ...]


@dataclass(frozen=True, slots=True)
class EdgeMove:
    """How far each edge moved; right and down are positive."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, slots=True)
class Shift:
    """How far the centre moved, and by how much width and height grew."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one deliverable; numbers are `None` where only one side has it."""

    deliverable: str
    status: Status
    first: Rect | None
    second: Rect | None
    edges_px: EdgeMove | None
    moved_px: Shift | None
    moved_pct: Shift | None
    largest_edge_px: float | None
    delivered_pixels_changed: bool
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Whether two decisions give the same picture to a tolerance, and what moved."""

    same_picture: bool
    delivered_pixels_changed: bool
    tolerance_px: Number
    scaled_by: tuple[float, float]
    remarks: tuple[str, ...]
    deliverables: tuple[Change, ...]


def known_frames(decision: Decision) -> KnownFrames:
    """Return the frames of a decision."""
    frames = tuple(KnownFrame(frame.label, frame.rect, delivered(frame.deliverable)) for frame in decision.frames)
    return KnownFrames(decision.capture.raster, decision.capture.roll, frames)


def delivered(deliverable: Deliverable) -> dict[str, Any]:
    """Return what decides the delivered file besides the frame."""
    if deliverable.raster is None:
        return {}
    return {
        "raster": (deliverable.raster.width, deliverable.raster.height),
        "pixel_aspect": exact(deliverable.pixel_aspect),
        "delivery_turn": deliverable.delivery_turn,
    }


def frames_read(reading: FormReading) -> KnownFrames:
    """Return the frames of a document that was read back, and no more than it states."""
    capture = reading.job["capture"]
    raster = capture.get("raster")
    unsure = {remark.pointer for remark in reading.missing}
    knows_turn = "/capture/roll" not in unsure
    entries = zip(reading.frames, reading.job["deliverables"], strict=True)
    return KnownFrames(
        None if raster is None else Raster(raster["width"], raster["height"]),
        capture.get("roll") if knows_turn else None,
        tuple(KnownFrame(frame.deliverable, frame.rect, _stated(entry, knows_turn)) for frame, entry in entries),
    )


def _stated(entry: Mapping[str, Any], knows_turn: bool) -> dict[str, Any]:
    stated: dict[str, Any] = {}
    # Where a document holds one turn for camera and delivery together, its raster may stand either way.
    if "raster" in entry and knows_turn:
        stated["raster"] = (entry["raster"]["width"], entry["raster"]["height"])
    if "pixel_aspect" in entry:
        stated["pixel_aspect"] = exact(entry["pixel_aspect"])
    if "delivery_turn" in entry:
        stated["delivery_turn"] = entry["delivery_turn"]
    return stated


def in_order(first: KnownFrames, second: KnownFrames) -> tuple[KnownFrames, tuple[str, ...]]:
    """Return the second's frames under the first's labels, where they share none and are as many."""
    ours, theirs = [frame.label for frame in first.frames], [frame.label for frame in second.frames]
    if len(ours) != len(theirs) or set(ours) & set(theirs):
        return second, ()
    renamed = tuple(replace(frame, label=label) for label, frame in zip(ours, second.frames, strict=True))
    return replace(second, frames=renamed), ("no label is shared: the frames were compared in their order",)


@dataclass(frozen=True, slots=True)
class CompareAnswer(Answer):
    """What moved between a job and what it was compared with."""

    comparison: Comparison


def compare_frames(first: KnownFrames, second: KnownFrames, *, tolerance_px: Number = 0) -> Comparison:
    """Return what moved between two decisions.

    Parameters
    ----------
    first, second
        The decision that stands, and the one that arrived.
    tolerance_px
        How far an edge may have moved, in the first decision's recorded px, for the picture to count as the same.

    Raises
    ------
    ValueError
        If both state a raster and one is no exact scale of the other's shape.
    """
    second, renamed = in_order(first, second)
    scale, remarks = scale_to_first(first, second)
    tolerance = exact(tolerance_px)
    theirs = {frame.label: frame for frame in second.frames}
    ours = {frame.label for frame in first.frames}
    changes = [change(frame, theirs.get(frame.label), scale) for frame in first.frames]
    changes += [_only(frame, "only_in_second") for frame in second.frames if frame.label not in ours]
    return Comparison(
        same_picture=all(_is_same(entry, tolerance) for entry in changes),
        delivered_pixels_changed=any(entry.delivered_pixels_changed for entry in changes),
        tolerance_px=tolerance_px,
        scaled_by=(float(scale[0]), float(scale[1])),
        remarks=(*renamed, *remarks),
        deliverables=tuple(changes),
    )


def scale_to_first(first: KnownFrames, second: KnownFrames) -> tuple[tuple[Fraction, Fraction], tuple[str, ...]]:
    """Return by how much the second's pixels are scaled to be the first's, and what that assumes."""
    remarks = []
    if first.roll is not None and second.roll is not None and first.roll != second.roll:
        raise ValueError(
            f"the cameras are rolled by {first.roll} and {second.roll} degrees: recorded pixels cannot be compared"
        )
    if first.recorded is None or second.recorded is None:
        return UNSCALED, ("one side states no recorded raster: its pixels are taken as the other's",)
    if first.recorded == second.recorded:
        return UNSCALED, ()
    mine, other = first.recorded, second.recorded
    if mine.width * other.height != mine.height * other.width:
        raise ValueError(
            f"a raster of {other.width} x {other.height} has another shape than {mine.width} x {mine.height}: "
            "their pixels cannot be compared"
        )
    remarks.append(f"the second raster, {other.width} x {other.height}, was scaled to {mine.width} x {mine.height}")
    return (Fraction(mine.width, other.width), Fraction(mine.height, other.height)), tuple(remarks)


def change(first: KnownFrame, second: KnownFrame | None, scale: tuple[Fraction, Fraction]) -> Change:
    """Return what became of one frame."""
    if second is None:
        return _only(first, "only_in_first")
    was, now = RealArea(*map(Fraction, _numbers(first.rect))), scaling(*scale).area(second.rect)
    edges = (now.x - was.x, now.y - was.y, now.right - was.right, now.bottom - was.bottom)
    grown = (now.width - was.width, now.height - was.height)
    moved = ((edges[0] + edges[2]) / 2, (edges[1] + edges[3]) / 2)
    why = []
    if any(edges):
        why.append("the frame moved")
    if scale != UNSCALED:
        why.append("the recorded raster is another")
    known = first.delivered.keys() & second.delivered.keys()
    if any(first.delivered[fact] != second.delivered[fact] for fact in known):
        why.append("the delivery raster, its pixel aspect or its turn is another")
    status: Status = "moved" if any(edges) else "delivered_otherwise" if why else "same"
    return Change(
        first.label,
        status,
        first.rect,
        second.rect,
        EdgeMove(*map(float, edges)),
        Shift(*map(float, (*moved, *grown))),
        Shift(
            float(100 * moved[0] / was.width),
            float(100 * moved[1] / was.height),
            float(100 * grown[0] / was.width),
            float(100 * grown[1] / was.height),
        ),
        float(max(map(abs, edges))),
        bool(why),
        tuple(why),
    )


def _numbers(rect: Rect) -> tuple[int, int, int, int]:
    return rect.x, rect.y, rect.width, rect.height


def _only(frame: KnownFrame, status: Literal["only_in_first", "only_in_second"]) -> Change:
    is_first = status == "only_in_first"
    return Change(
        frame.label,
        status,
        frame.rect if is_first else None,
        None if is_first else frame.rect,
        None,
        None,
        None,
        None,
        delivered_pixels_changed=True,
        why=("the deliverable was dropped" if is_first else "the deliverable is new",),
    )


def _is_same(entry: Change, tolerance: Fraction) -> bool:
    if entry.largest_edge_px is None:
        return False
    is_delivered_alike = not any("delivery raster" in reason for reason in entry.why)
    return is_delivered_alike and exact(entry.largest_edge_px) <= tolerance
