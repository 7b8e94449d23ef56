"""Hand-off documents: one decision in the form of an open standard, and what that form leaves behind.

A form carries what its standard has a place for. Whatever else the job states and a receiver might
count on is named in `lost`, beside the document, never dropped in silence.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from tallwide.answers import Answer
from tallwide.decision import Decision
from tallwide.job import Deliverable

Form = Literal[
    "framing-decision-list",
    "image-regions",
    "iiif",
    "media-fragments",
    "ffmpeg",
    "openexr",
    "timeline-transform",
    "csv",
]


@dataclass(frozen=True, slots=True)
class Loss:
    """One thing that the job states and the document cannot carry; `deliverable` is `None` where it is all."""

    code: str
    detail: str
    deliverable: str | None = None


@dataclass(frozen=True, slots=True)
class Document:
    """A hand-off document: `content` as JSON value or text, and `raw` as the bytes of its file."""

    form: Form
    standard: str
    media_type: str
    file_name: str
    content: Any
    raw: bytes
    lost: tuple[Loss, ...]


@dataclass(frozen=True, slots=True)
class HandoffAnswer(Answer):
    """A hand-off document in its envelope: what it is, the document itself, and what it cannot carry.

    `document` is the JSON value of the forms that are lists or lists of objects, else the text.
    """

    form: str
    standard: str
    media_type: str
    file_name: str
    document: Any
    lost: tuple[Loss, ...]


_PLAIN = re.compile(r"[^A-Za-z0-9]+")
# Names that one widespread system takes for a device, whatever ending follows.
_DEVICE = re.compile(r"con|prn|aux|nul|(?:com|lpt)[0-9]", re.IGNORECASE)


def plain_name(label: str, *, fallback: str, separator: str = "-", longest: int = 32) -> str:
    """Return a label as letters, digits and one separator: safe in paths, ids and shells.

    Examples
    --------
    >>> plain_name("tall 9:16", fallback="frame")
    'tall-9-16'
    >>> plain_name("縦", fallback="frame")
    'frame'
    """
    plain = _PLAIN.sub(separator, label).strip(separator)[:longest].strip(separator) or fallback
    return f"{fallback}{separator}{plain}" if _DEVICE.fullmatch(plain) else plain


def unique_names(labels: Iterable[str], *, fallback: str, separator: str = "-", longest: int = 32) -> tuple[str, ...]:
    """Return one plain name a label, all different even where letters differ in case alone, in order."""
    names: list[str] = []
    taken: set[str] = set()
    for label in labels:
        stem = plain_name(label, fallback=fallback, separator=separator, longest=longest)
        name, number = stem, 1
        while name.lower() in taken:
            number += 1
            ending = f"{separator}{number}"
            name = stem[: longest - len(ending)] + ending
        taken.add(name.lower())
        names.append(name)
    return tuple(names)


def file_stem(decision: Decision) -> str:
    """Return the file name of a decision's documents, without its ending."""
    return plain_name(decision.job.id or "", fallback="framing", longest=64)


def one_line(text: str) -> str:
    """Return a text without line breaks and control characters, for comments in line-based files."""
    return "".join(character if character.isprintable() else " " for character in text)


def content_digest(text: str) -> bytes:
    """Return the SHA-256 of a text: the same document always gets the same identity."""
    return hashlib.sha256(text.encode()).digest()


def _has_protection(deliverable: Deliverable) -> bool:
    return any(deliverable.protection.shares())


_OF_A_DELIVERABLE: Mapping[str, tuple[Callable[[Deliverable], bool], str]] = {
    "protection": (_has_protection, "protection outside the frame is not carried"),
    "delivery_raster": (lambda d: d.raster is not None, "the raster to deliver is not carried"),
    "pixel_aspect": (lambda d: d.pixel_aspect != 1, "the delivered pixel's aspect is not carried"),
    "delivery_turn": (lambda d: d.delivery_turn != 0, "the turn of the delivered file is not carried"),
    "safe_areas": (lambda d: bool(d.safe_areas), "safe areas of the delivered picture are not carried"),
    "minimum_oversampling": (
        lambda d: d.minimum_oversampling != 1,
        "the oversampling that is asked for is not carried",
    ),
    "display": (lambda d: d.display is not None, "display and viewing distance are not carried"),
}
_OF_THE_JOB: Mapping[str, tuple[Callable[[Decision], bool], str]] = {
    "several_frames": (
        lambda d: len(d.frames) > 1,
        "one document of this form holds one frame: there is one for each deliverable",
    ),
    "roll": (lambda d: d.capture.roll != 0, "the roll of the camera is not carried: frames lie on the recorded raster"),
    "squeeze": (
        lambda d: d.capture.squeeze != 1,
        "the squeeze of the lens is not carried: frames are in squeezed pixels",
    ),
    "photosites": (
        lambda d: (
            d.capture.imager.width != d.capture.raster.width or d.capture.imager.height != d.capture.raster.height
        ),
        "the photosites behind the raster are not carried",
    ),
    "photosite_pitch": (lambda d: d.capture.photosite_pitch_um is not None, "the photosites' pitch is not carried"),
    "usable_area": (lambda d: d.capture.usable_area is not None, "the usable area is not carried"),
    "image_circle": (
        lambda d: d.capture.lens is not None and d.capture.lens.image_circle_mm is not None,
        "the usable circle of the lens is not carried",
    ),
    "lens": (lambda d: d.capture.lens is not None, "lens, focal length and stop are not carried"),
    "grid": (lambda _: True, "the grid that frames can be cut at is not carried"),
    "framing": (
        lambda d: d.job.framing.arrangement != "independent" or d.job.framing.subject is not None,
        "how the frames belong together (shared point, nesting, subject) is not carried, only where they lie",
    ),
}
LOSS_CODES = frozenset(_OF_A_DELIVERABLE) | frozenset(_OF_THE_JOB)


def lost_beyond(decision: Decision, carried: frozenset[str]) -> tuple[Loss, ...]:
    """Return what this job states and a form that carries `carried` leaves behind."""
    losses = [
        Loss(code, detail)
        for code, (is_stated, detail) in _OF_THE_JOB.items()
        if code not in carried and is_stated(decision)
    ]
    for frame in decision.frames:
        losses += [
            Loss(code, detail, frame.label)
            for code, (is_stated, detail) in _OF_A_DELIVERABLE.items()
            if code not in carried and is_stated(frame.deliverable)
        ]
    return tuple(losses)
