"""Camera match: which focal length on another camera gives this camera's frame of a deliverable.

For cameras side by side, pinhole geometry: a frame shows its size on the sensor over the focal
length, the squeezed axis counted. Frames need a pitch on both cameras and a focal length on this one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import hypot
from typing import NamedTuple, get_args

from tallwide.answers import Extraction, MatchRow, Rect
from tallwide.job import Capture, Job, MatchBy, Number
from tallwide_service.core.extraction import Solution, solve
from tallwide_service.core.frame_optics import scene_size
from tallwide_service.core.positions import Position, at_pointer, carried_framing
from tallwide_service.core.recording import as_recorded
from tallwide_service.errors import CannotBeMet, Fault, MemberMissing


class Sizes(NamedTuple):
    """A frame's sides as shown, mm on the sensor."""

    width: float
    height: float
    diagonal: float


@dataclass(frozen=True, slots=True)
class Beside:
    """The camera beside as it records, and its frames."""

    capture: Capture
    extractions: tuple[Extraction, ...]


def match_cameras(job: Job, solution: Solution) -> tuple[tuple[MatchRow, ...], Beside]:
    """Return the matches of every deliverable, and the other camera with its frames.

    Raises
    ------
    MemberMissing
        If the job names no other camera, or a pitch or this camera's focal length is missing.
    CannotBeMet
        If a deliverable has no frame on the other camera.
    """
    if job.match is None:
        raise MemberMissing("the job has no camera to match", (Fault("/match", "is required to match cameras"),))
    focal_mm = None if job.capture.lens is None else job.capture.lens.focal_length_mm
    missing = {
        "/capture/lens/focal_length_mm": focal_mm,
        "/capture/photosite_pitch_um": job.capture.photosite_pitch_um,
        "/match/capture/photosite_pitch_um": job.match.capture.photosite_pitch_um,
    }
    faults = tuple(Fault(at, "is required to match cameras") for at, value in missing.items() if value is None)
    if focal_mm is None or faults:
        raise MemberMissing("; ".join(f"{fault.pointer} {fault.detail}" for fault in faults), faults)
    other = beside(job, job.match.capture)
    rows = []
    for mine, theirs in zip(solution.extractions, other.extractions, strict=True):
        here, there = sizes(mine.rect, job.capture), sizes(theirs.rect, other.capture)
        rows += list(_rows(mine.deliverable, here, there, focal_mm, job.match.focal_lengths_mm))
    return tuple(rows), other


def beside(job: Job, capture: Capture) -> Beside:
    """Return the camera beside with the frames of the job, its subject carried."""
    pointer = "/match/capture"
    recorded = as_recorded(capture, pointer)
    try:
        view = Position(0, pointer, recorded, carried_framing(job, recorded)).job(job)
        return Beside(recorded, solve(view).extractions)
    except CannotBeMet as error:
        raise at_pointer(error, pointer, "on the other camera: {}") from error


def _rows(
    label: str, here: Sizes, there: Sizes, focal_mm: float, focal_lengths_mm: Sequence[Number]
) -> Iterator[MatchRow]:
    for place, by in enumerate(get_args(MatchBy)):
        exact_mm = focal_mm * there[place] / here[place]
        chosen = nearest(focal_lengths_mm, exact_mm)
        errors = errors_pct(here, there, focal_mm, exact_mm if chosen is None else chosen)
        yield MatchRow(
            deliverable=label,
            by=by,
            exact_mm=exact_mm,
            focal_length_mm=chosen,
            error_pct=0.0 if chosen is None else errors[place],
            width_error_pct=errors.width,
            height_error_pct=errors.height,
            diagonal_error_pct=errors.diagonal,
        )


def sizes(rect: Rect, capture: Capture) -> Sizes:
    """Return a frame's sides as shown, mm; the capture has a pitch."""
    across, down = (float(each) * (capture.photosite_pitch_um or 0) / 1000 for each in scene_size(rect, capture))
    return Sizes(across, down, hypot(across, down))


def nearest(focal_lengths_mm: Sequence[Number], exact_mm: float) -> Number | None:
    """Return the focal length whose frame is nearest in proportion; of two the longer, which shows nothing more."""
    if not focal_lengths_mm:
        return None
    return min(focal_lengths_mm, key=lambda each: (max(each / exact_mm, exact_mm / each), -each))


def errors_pct(here: Sizes, there: Sizes, focal_mm: float, other_mm: float) -> Sizes:
    """Return how much more the other frame shows, in percent of this one: width, height and diagonal."""
    return Sizes(*((other / other_mm) / (mine / focal_mm) * 100 - 100 for mine, other in zip(here, there, strict=True)))
