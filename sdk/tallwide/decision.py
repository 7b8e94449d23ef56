"""Decisions: a job and the whole-pixel frames that were found for it.

This is what leaves the tool: every map, check, comparison and hand-off is made from a decision, and
a saved answer of `POST /v1/extractions` holds one. Nothing here solves; nothing needs the service.
Rectangles are recorded pixels, origin top left, y down.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from tallwide.answers import Extraction, Rect
from tallwide.geometry import recorded_to_upright
from tallwide.job import Capture, Deliverable, Job, Raster
from tallwide.wire import from_wire


@dataclass(frozen=True, slots=True)
class Frame:
    """One deliverable and the rectangles that were decided for it."""

    deliverable: Deliverable
    rect: Rect
    protection_rect: Rect

    @property
    def label(self) -> str:
        """The deliverable's label."""
        return self.deliverable.label

    def upright_rect(self, capture: Capture) -> Rect:
        """Return the frame in the upright picture."""
        return recorded_to_upright(self.rect, capture)


@dataclass(frozen=True, slots=True)
class Decision:
    """A job and its frames, in the order of the deliverables."""

    job: Job
    frames: tuple[Frame, ...]
    decision_id: str | None
    engine_version: str

    @property
    def capture(self) -> Capture:
        """What was recorded."""
        return self.job.capture

    def frame(self, label: str) -> Frame:
        """Return the frame of one deliverable.

        Raises
        ------
        KeyError
            If no deliverable has that label.
        """
        for frame in self.frames:
            if frame.label == label:
                return frame
        known = ", ".join(repr(frame.label) for frame in self.frames)
        raise KeyError(f"no deliverable is called {label!r}; there are {known}")


def decide(job: Job, extractions: Iterable[Extraction], *, decision_id: str | None, engine_version: str) -> Decision:
    """Return the decision that a solved job holds."""
    frames = tuple(
        Frame(deliverable, extraction.rect, extraction.protection_rect)
        for deliverable, extraction in zip(job.deliverables, extractions, strict=True)
    )
    return Decision(job, frames, decision_id, engine_version)


def read_answer(document: Any) -> Decision:
    """Return the decision in a saved answer of `POST /v1/extractions`.

    Parameters
    ----------
    document
        The answer as a JSON decoder gave it. Members that are not needed here are ignored.

    Raises
    ------
    ValueError
        If it is no such answer, or its frames do not belong to its job.
    """
    if not isinstance(document, Mapping):
        raise ValueError("a saved answer is a JSON object")
    missing = [name for name in ("job", "extractions", "engine_version") if name not in document]
    if missing:
        raise ValueError(f"this is no saved answer of extractions: it has no {missing[0]!r}")
    job = from_wire(Job, document["job"])
    entries = document["extractions"]
    if not isinstance(entries, list) or len(entries) != len(job.deliverables):
        raise ValueError("the saved answer does not hold one extraction for each deliverable")
    frames = tuple(
        _read_frame(deliverable, entry, job.capture.raster)
        for deliverable, entry in zip(job.deliverables, entries, strict=True)
    )
    return Decision(job, frames, document.get("decision_id"), str(document["engine_version"]))


def _read_frame(deliverable: Deliverable, entry: Any, raster: Raster) -> Frame:
    if not isinstance(entry, Mapping) or entry.get("deliverable") != deliverable.label:
        raise ValueError(
            f"the saved answer's extractions are not in the order of its deliverables: {deliverable.label!r}"
        )
    rect, protection = whole_rect(entry.get("rect")), whole_rect(entry.get("protection_rect"))
    if not Rect(0, 0, raster.width, raster.height).holds(rect) or not protection.holds(rect):
        raise ValueError(f"the frame of {deliverable.label!r} does not lie on the raster of its own job")
    return Frame(deliverable, rect, protection)


def whole_rect(document: Any) -> Rect:
    """Return the rectangle of whole pixels that a JSON value describes.

    Raises
    ------
    ValueError
        If it is none, or is empty.
    """
    rect = from_wire(Rect, document)
    if any(type(side) is not int for side in (rect.x, rect.y, rect.width, rect.height)):
        raise ValueError("a rectangle has whole numbers x, y, width and height")
    if rect.width <= 0 or rect.height <= 0:
        raise ValueError("a rectangle is at least one pixel wide and high")
    return rect
