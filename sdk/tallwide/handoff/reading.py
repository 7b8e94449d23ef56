"""Reading back: from a document of an open standard to the part of a job that it carries.

Documents come from strangers. Strict reading refuses whatever the standard does not allow, all
faults at once, each with its clause; lenient reading takes what can be taken and lists every
liberty. What a form cannot tell is named in `missing`, never filled in.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from tallwide.answers import Rect
from tallwide.job import Raster, Roll
from tallwide.nesting import is_nested_deeper
from tallwide.wire import to_wire

MOST_FRAMES = 32
MOST_FAULTS = 100
LONGEST_TEXT = 4096
LONGEST_LABEL = 200
LARGEST_DOCUMENT_BYTES = 1_048_576
DEEPEST = 64
MOST_ELEMENTS = 20_000
MOST_ENTRIES = 256
# A written share of a raster may miss its whole pixel by as much, in px; six decimals of 65,535 miss by 0.033.
SHARE_SLACK_PX = Fraction(1, 20)


@dataclass(frozen=True, slots=True)
class FormFault:
    """One thing in a document that its standard does not allow: where, what, and the clause.

    `limit` and `got` are there where a reader's own bound was passed.
    """

    pointer: str
    detail: str
    clause: str
    limit: int | None = None
    got: int | None = None


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing that was missing, or one liberty that was taken."""

    pointer: str
    detail: str


class UnreadableForm(ValueError):
    """A document does not keep to its standard; `faults` lists what was found."""

    def __init__(self, form: str, faults: Iterable[FormFault]) -> None:
        self.form, self.faults = form, tuple(faults)
        first = self.faults[0]
        super().__init__(f"the {form} document cannot be read: {first.pointer} {first.detail} ({first.clause})")


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """How to read: leniently or not, and the recorded raster where a form does not carry it."""

    lenient: bool = False
    raster: Raster | None = None


@dataclass(frozen=True, slots=True)
class FoundFrame:
    """One frame that a document holds, whole recorded pixels; protection where it is stated."""

    deliverable: str
    rect: Rect
    protection_rect: Rect | None = None


@dataclass(frozen=True, slots=True)
class FormReading:
    """What a document carries: part of a job, its frames, and what is missing.

    `job` holds the members that the form states, under the names of the job document; it is a whole
    job where `is_whole_job` says so.
    """

    form: str
    edition: str
    job: dict[str, Any]
    is_whole_job: bool
    frames: tuple[FoundFrame, ...]
    decision_id: str | None
    missing: tuple[Remark, ...]
    liberties: tuple[Remark, ...]


@dataclass(frozen=True, slots=True)
class ReadAnswer:
    """A document that was read back."""

    engine_version: str
    answer_id: str
    reading: FormReading


@dataclass(slots=True)
class ReadingNotes:
    """What a reader finds while it reads."""

    lenient: bool
    faults: list[FormFault] = field(default_factory=list)
    liberties: list[Remark] = field(default_factory=list)
    missed: list[Remark] = field(default_factory=list)
    most_frames: int = MOST_FRAMES

    def fault(self, pointer: str, detail: str, clause: str, *, liberty: str | None = None) -> None:
        """Note a fault, or, where reading is lenient and there is a way on, the liberty that is taken."""
        if self.lenient and liberty is not None:
            self.liberty(pointer, f"{detail}: {liberty}", clause)
        elif len(self.faults) < MOST_FAULTS:
            self.faults.append(FormFault(pointer, detail, clause))

    def liberty(self, pointer: str, detail: str, clause: str) -> None:
        """Note a liberty that even a strict reader may take."""
        if len(self.liberties) < MOST_FAULTS:
            self.liberties.append(Remark(pointer, f"{detail} ({clause})"))

    def missing(self, pointer: str, detail: str) -> None:
        """Note what the document does not say."""
        if len(self.missed) < MOST_FAULTS:
            self.missed.append(Remark(pointer, detail))

    def beyond(self, pointer: str, what: str, limit: int, got: int) -> list[Any]:
        """Note that there is more of something than is read, and return nothing of it."""
        if len(self.faults) < MOST_FAULTS:
            detail = f"holds {got} {what}; at most {limit} are read"
            self.faults.append(FormFault(pointer, detail, "bound of this reader", limit, got))
        return []

    def too_many(self, count: int) -> list[Any]:
        """Note that a document holds more frames than a job may."""
        return self.beyond("/document", "frames", self.most_frames, count)

    def is_too_long(self, document: Any) -> bool:
        """Whether a text is longer than is read; then that is noted."""
        if isinstance(document, str) and len(document) > LARGEST_DOCUMENT_BYTES:
            self.beyond("/document", "characters", LARGEST_DOCUMENT_BYTES, len(document))
            return True
        return False

    def is_too_deep(self, text: str) -> bool:
        """Whether a JSON text has more levels than are read; then that is noted."""
        if is_nested_deeper(text, DEEPEST):
            self.beyond("/document", "levels or more", DEEPEST, DEEPEST + 1)  # what lies below is not counted
            return True
        return False

    def refuse_if_faulty(self, form: str) -> None:
        """Raise what was found.

        Raises
        ------
        UnreadableForm
            If there is any fault.
        """
        if self.faults:
            raise UnreadableForm(form, self.faults)

    def clipped(self, rect: Rect, raster: Raster | None, pointer: str, clause: str) -> Rect | None:
        """Return a rectangle cut at the edge of the raster, noting the cut; `None` if nothing is left."""
        if raster is None:
            return rect
        right, bottom = min(rect.right, raster.width), min(rect.bottom, raster.height)
        left, top = max(rect.x, 0), max(rect.y, 0)
        if right <= left or bottom <= top:
            self.fault(pointer, f"lies outside the raster of {raster.width} x {raster.height}", clause)
            return None
        cut = Rect(left, top, right - left, bottom - top)
        if cut != rect:
            self.fault(pointer, "reaches beyond the edge of the raster", clause, liberty="cut at the edge")
        return cut

    def whole_rect(
        self, edges: tuple[Fraction, Fraction, Fraction, Fraction], raster: Raster | None, pointer: str, clause: str
    ) -> Rect | None:
        """Return the whole-pixel rectangle that edges (left, top, right, bottom) describe, or note the fault."""
        whole = [_nearest(edge) for edge in edges]
        off = max(abs(edge - nearest) for edge, nearest in zip(edges, whole, strict=True))
        if off > SHARE_SLACK_PX:
            detail = f"its edges lie up to {float(off):.3g} px beside whole pixels"
            self.fault(pointer, detail, clause, liberty="read as the nearest whole pixels")
        left, top, right, bottom = whole
        if right <= left or bottom <= top:
            self.fault(pointer, "is less than a pixel wide or high", clause)
            return None
        return self.clipped(Rect(left, top, right - left, bottom - top), raster, pointer, clause)


def _nearest(value: Fraction) -> int:
    """Return the nearest whole number; half way goes up."""
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


def usable_label(text: Any, pointer: str, notes: ReadingNotes, clause: str) -> str | None:
    """Return a label that a job accepts, or note why it is none."""
    if not isinstance(text, str):
        notes.fault(pointer, "is no text", clause)
        return None
    if not 1 <= len(text) <= LONGEST_LABEL or not text.isprintable():
        notes.fault(pointer, f"is a label of 1 to {LONGEST_LABEL} printable characters", "the job document")
        return None
    return text


def refuse_twins(labels: Iterable[str], notes: ReadingNotes, pointer: str) -> None:
    """Note labels that occur twice."""
    seen: set[str] = set()
    for label in labels:
        if label in seen:
            notes.fault(pointer, f"the label {label!r} occurs twice", "the job document")
        seen.add(label)


def frames_as_job(
    form: str,
    edition: str,
    frames: list[tuple[str, Rect, Raster | None, Roll]],
    options: ReadOptions,
    notes: ReadingNotes,
) -> FormReading:
    """Return the reading of a form that carries rectangles and perhaps delivery rasters and one turn.

    Raises
    ------
    UnreadableForm
        If faults were noted.
    """
    refuse_twins((label for label, *_ in frames), notes, "/document")
    for label, *_ in frames:
        usable_label(label, "/document", notes, "the job document")
    if not frames and not notes.faults:
        notes.fault("/document", "holds no frame", "the job document")
    notes.refuse_if_faulty(form)
    capture: dict[str, Any] = {}
    if options.raster is None:
        notes.missing("/capture/raster", f"the {form} form does not carry the recorded raster")
    else:
        capture["raster"] = to_wire(options.raster)
    turns = {turn for *_, turn in frames}
    if len(turns) > 1:
        notes.missing("/capture/roll", "the frames are turned differently: part of it is the delivery's")
    elif form == "iiif":
        notes.missing("/capture/roll", "camera and delivery are turned by so much together: read as the camera's")
        if turns != {0}:
            capture["roll"] = turns.pop()
    else:
        notes.missing("/capture/roll", f"the {form} form does not carry how the camera was turned")
    deliverables = []
    for index, (label, _, raster, _) in enumerate(frames):
        entry: dict[str, Any] = {"label": label}
        if raster is None:
            notes.missing(f"/deliverables/{index}/aspect", f"{label!r}: neither aspect nor raster is stated")
        else:
            entry["raster"] = to_wire(raster)
        deliverables.append(entry)
    return FormReading(
        form=form,
        edition=edition,
        job={"version": 1, "capture": capture, "deliverables": deliverables},
        is_whole_job="raster" in capture and all("raster" in entry for entry in deliverables),
        frames=tuple(FoundFrame(label, rect) for label, rect, *_ in frames),
        decision_id=None,
        missing=tuple(notes.missed),
        liberties=tuple(notes.liberties),
    )
