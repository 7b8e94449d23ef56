"""W3C Media Fragments URI 1.0: `#xywh=pixel:x,y,w,h`, one for each deliverable.

Whole pixels of the medium as it is shown at its own pixel size, origin top left. Percent is never
written: whole percents cannot hold a 9:16 frame, and decimals after `percent:` are no valid syntax.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any
from urllib.parse import quote

from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.handoff.document import Document, Loss, file_stem, lost_beyond, one_line
from tallwide.handoff.iiif import labelled_lines
from tallwide.handoff.reading import LONGEST_TEXT, FormReading, ReadingNotes, ReadOptions, frames_as_job
from tallwide.job import Handoff, Raster, Roll

CARRIED: frozenset[str] = frozenset()
_DIMENSION = re.compile(
    r"(?:(?P<unit>pixel|percent):)?(?P<x>[0-9]{1,9}),(?P<y>[0-9]{1,9}),(?P<w>[0-9]{1,9}),(?P<h>[0-9]{1,9})", re.ASCII
)
CLAUSE = "Media Fragments URI 1.0, spatial dimension"


def fragment(frame: Frame) -> str:
    """Return one frame's fragment, without the number sign."""
    rect = frame.rect
    return f"xywh=pixel:{rect.x},{rect.y},{rect.width},{rect.height}"


def write(decision: Decision, options: Handoff) -> Document:
    """Return the fragment of each deliverable, on the address of the recorded file."""
    source = "" if options.source is None else quote(options.source, safe=":/?&=%~@+,;!$'()*[]")
    entries: list[dict[str, Any]] = []
    lines = []
    for frame in decision.frames:
        entries.append({"deliverable": frame.label, "fragment": fragment(frame), "uri": f"{source}#{fragment(frame)}"})
        lines += [f"# {one_line(frame.label)}", entries[-1]["uri"]]
    losses = list(lost_beyond(decision, CARRIED))
    if decision.capture.roll:
        losses.append(
            Loss(
                "turned_media",
                "fragments count pixels as the medium is shown: valid for a file stored and shown as recorded",
            )
        )
    return Document(
        form="media-fragments",
        standard="W3C Media Fragments URI 1.0 (Recommendation of 2012-09-25)",
        media_type="text/uri-list",
        file_name=f"{file_stem(decision)}.uri",
        content=entries,
        raw="".join(f"{line}\r\n" for line in lines).encode(),
        lost=tuple(losses),
    )


def read(document: Any, options: ReadOptions) -> FormReading:
    """Return what fragments carry: addresses with a fragment or bare fragments, as text, lines or a list."""
    notes = ReadingNotes(options.lenient)
    frames: list[tuple[str, Rect, Raster | None, Roll]] = []
    for index, (pointer, label, text) in enumerate(labelled_lines(document, notes, "uri")):
        rect = _read_fragment(text, pointer, options.raster, notes)
        if rect is not None:
            frames.append((label or f"frame {index + 1}", rect, None, 0))
    return frames_as_job("media-fragments", "1.0", frames, options, notes)


def _read_fragment(text: str, pointer: str, raster: Raster | None, notes: ReadingNotes) -> Rect | None:
    if len(text) > LONGEST_TEXT:
        notes.beyond(pointer, "characters", LONGEST_TEXT, len(text))
        return None
    # The last occurrence of a dimension counts (section on processing of name-value pairs).
    values = [pair[5:] for pair in text.rpartition("#")[2].split("&") if pair.startswith("xywh=")]
    numbers = _DIMENSION.fullmatch(values[-1].replace("%3A", ":").replace("%2C", ",")) if values else None
    if numbers is None:
        notes.fault(pointer, "holds no xywh= of four whole numbers", CLAUSE)
        return None
    x, y, width, height = (int(numbers[name]) for name in "xywh")
    if not width or not height:
        notes.fault(pointer, "is empty", CLAUSE)
        return None
    if numbers["unit"] != "percent":
        return notes.clipped(Rect(x, y, width, height), raster, pointer, CLAUSE)
    if raster is None:
        notes.fault(pointer, "is in percent: state raster, the medium's size", CLAUSE)
        return None
    # The standard's own rounding: corners floored, sizes ceiled.
    notes.liberty(pointer, "percent was resolved by the standard's rounding; it cannot hold every frame", CLAUSE)
    rect = Rect(
        x * raster.width // 100,
        y * raster.height // 100,
        _ceil(Fraction(width * raster.width, 100)),
        _ceil(Fraction(height * raster.height, 100)),
    )
    return notes.clipped(rect, raster, pointer, CLAUSE)


def _ceil(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)
