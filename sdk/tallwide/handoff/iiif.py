"""IIIF Image API 3.0: region, size and rotation of each deliverable on the recorded raster.

The standard's order is region, then size, then rotation clockwise, so that the size is stated
before the turn. Sizes beyond the region's own pixels are marked with `^`. Canonical forms only.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any
from urllib.parse import quote, unquote

from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.geometry import turned_raster
from tallwide.handoff.document import Document, Loss, file_stem, lost_beyond, one_line
from tallwide.handoff.reading import LONGEST_TEXT, FormReading, ReadingNotes, ReadOptions, frames_as_job
from tallwide.job import Capture, Handoff, Raster, Roll

CARRIED = frozenset({"delivery_raster", "delivery_turn", "roll"})
PLACEHOLDER = "{scheme}://{server}/{prefix}/{identifier}"
_REQUEST = re.compile(
    r"(?P<region>[^/]+)/(?P<size>[^/]+)/(?P<rotation>[^/]+)/(?P<quality>[a-z]+)\.(?P<format>[a-z0-9]+)"
)
_WHOLE = r"[0-9]{1,9}"
_REGION = re.compile(rf"({_WHOLE}),({_WHOLE}),({_WHOLE}),({_WHOLE})")
_SHARE = r"[0-9]{1,3}(?:\.[0-9]{1,20})?"
_SHARE_REGION = re.compile(rf"pct:({_SHARE}),({_SHARE}),({_SHARE}),({_SHARE})")
_SIZE = re.compile(rf"(\^?)({_WHOLE}),({_WHOLE})")
_OTHER_SIZE = re.compile(rf"\^?(?:max|{_WHOLE},|,{_WHOLE}|pct:{_SHARE}|!{_WHOLE},{_WHOLE})")


def total_turn(frame: Frame, capture: Capture) -> Roll:
    """Return how far, clockwise, a recorded frame is turned to make the delivered file."""
    turns: tuple[Roll, ...] = (0, 90, 180, 270)
    return turns[(capture.roll + frame.deliverable.delivery_turn) // 90 % 4]


def size_before_turn(frame: Frame, capture: Capture) -> Raster | None:
    """Return the delivery raster as it lies along the recorded raster's axes; `None` without one."""
    raster = frame.deliverable.raster
    return None if raster is None else turned_raster(raster, capture.roll)


def request(frame: Frame, capture: Capture) -> dict[str, Any]:
    """Return one deliverable's parameters and their path."""
    rect, raster = frame.rect, capture.raster
    is_whole = (rect.width, rect.height) == (raster.width, raster.height)
    region = "full" if is_whole else f"{rect.x},{rect.y},{rect.width},{rect.height}"
    wanted = size_before_turn(frame, capture)
    is_upscaled = wanted is not None and (wanted.width > rect.width or wanted.height > rect.height)
    size = "max"
    if wanted is not None and (wanted.width, wanted.height) != (rect.width, rect.height):
        size = f"{'^' if is_upscaled else ''}{wanted.width},{wanted.height}"
    rotation = str(total_turn(frame, capture))
    return {
        "deliverable": frame.label,
        "region": region,
        "region_px": {"x": rect.x, "y": rect.y, "width": rect.width, "height": rect.height},
        "size": size,
        "rotation": rotation,
        "is_upscaled": is_upscaled,
        "path": f"{region}/{size}/{rotation}/default.jpg",
    }


def write(decision: Decision, options: Handoff) -> Document:
    """Return the image requests of all deliverables."""
    base = PLACEHOLDER if options.source is None else iiif_base(options.source)
    requests = [request(frame, decision.capture) for frame in decision.frames]
    lines = []
    for entry in requests:
        entry["uri"] = f"{base}/{entry['path']}"
        lines += [f"# {one_line(entry['deliverable'])}", entry["uri"]]
    return Document(
        form="iiif",
        standard="IIIF Image API 3.0",
        media_type="text/uri-list",
        file_name=f"{file_stem(decision)}.iiif.uri",
        content=requests,
        raw="".join(f"{line}\r\n" for line in lines).encode(),
        lost=(*_own_losses(decision), *lost_beyond(decision, CARRIED)),
    )


def iiif_base(source: str) -> str:
    """Return the address of an image: an address as it is, a bare identifier percent-encoded into the placeholder."""
    if source.startswith(("http://", "https://")):
        return quote(source.rstrip("/"), safe=":/%?=&~@+,;!$'()*[]")
    return PLACEHOLDER.replace("{identifier}", quote(source, safe=""))


def _own_losses(decision: Decision) -> list[Loss]:
    losses = []
    for frame in decision.frames:
        raster = frame.deliverable.raster
        upright = frame.upright_rect(decision.capture)
        if raster is not None and Fraction(upright.width, upright.height) != Fraction(raster.width, raster.height):
            losses.append(
                Loss(
                    "aspect_error",
                    f"{upright.width} x {upright.height} is asked for as {raster.width} x {raster.height}: "
                    "servers scale the axes apart",
                    frame.label,
                )
            )
    return losses


def read(document: Any, options: ReadOptions) -> FormReading:
    """Return what image requests carry: paths or addresses, one as text, or several as a list or lines."""
    notes = ReadingNotes(options.lenient)
    frames = []
    for index, (pointer, label, text) in enumerate(labelled_lines(document, notes, "path")):
        frame = _read_request(text, pointer, options, notes)
        if frame is not None:
            rect, raster, turn = frame
            frames.append((label or f"frame {index + 1}", rect, raster, turn))
    return frames_as_job("iiif", "3.0", frames, options, notes)


def labelled_lines(document: Any, notes: ReadingNotes, member: str) -> list[tuple[str, str | None, str]]:
    """Return (pointer, label, text) of a string, of lines with `#` comments, or of a list of strings or objects."""
    if isinstance(document, str):
        label, found = None, []
        for number, line in enumerate(document.splitlines()):
            if line.startswith("# "):
                label = line[2:].strip()
            elif line.strip():
                found.append((f"/document/{number}", label, line.strip()))
                label = None
        return found if len(found) <= notes.most_frames else notes.too_many(len(found))
    if isinstance(document, list):
        if len(document) > notes.most_frames:
            return notes.too_many(len(document))
        return [entry for index, item in enumerate(document) for entry in _one_line(item, index, notes, member)]
    notes.fault("/document", "is a text, or a list of texts or of objects", "our form of a request list")
    return []


def _one_line(item: Any, index: int, notes: ReadingNotes, member: str) -> list[tuple[str, str | None, str]]:
    pointer = f"/document/{index}"
    if isinstance(item, dict):
        label, text = item.get("deliverable"), item.get(member)
        if isinstance(text, str) and (label is None or isinstance(label, str)):
            return [(f"{pointer}/{member}", label, text)]
    elif isinstance(item, str):
        return [(pointer, None, item)]
    notes.fault(pointer, f"is a text, or an object with {member!r} and perhaps 'deliverable'", "our form of a list")
    return []


def _read_request(
    text: str, pointer: str, options: ReadOptions, notes: ReadingNotes
) -> tuple[Rect, Raster | None, Roll] | None:
    if len(text) > LONGEST_TEXT:
        notes.beyond(pointer, "characters", LONGEST_TEXT, len(text))
        return None
    path = text.split("?", maxsplit=1)[0].split("#", maxsplit=1)[0]
    parts = _REQUEST.fullmatch("/".join(path.split("/")[-4:]))
    if parts is None:
        notes.fault(pointer, "is no image request: region/size/rotation/quality.format", "Image API 3.0, 4")
        return None
    rect = _read_region(unquote(parts["region"]), pointer, options, notes)
    turns: dict[str, Roll] = {"0": 0, "90": 90, "180": 180, "270": 270}
    turn = turns.get(parts["rotation"])
    if turn is None:
        notes.fault(
            pointer, f"rotation {parts['rotation'][:16]!r} is no quarter turn without mirroring", "Image API 3.0, 4.3"
        )
    if rect is None or turn is None:
        return None
    size = unquote(parts["size"])
    return rect, _read_size(size, rect, turn, pointer, notes), turn


def _read_region(region: str, pointer: str, options: ReadOptions, notes: ReadingNotes) -> Rect | None:
    raster = options.raster
    if region in ("full", "square") or region.startswith("pct:"):
        if raster is None:
            notes.fault(
                pointer,
                f"region {region[:32]!r} says nothing without the image's size: state raster",
                "Image API 3.0, 4.1",
            )
            return None
        return _relative_region(region, raster, pointer, notes)
    numbers = _REGION.fullmatch(region)
    if numbers is None:
        notes.fault(pointer, f"region {region[:32]!r} is not written as the standard has it", "Image API 3.0, 4.1")
        return None
    x, y, width, height = map(int, numbers.groups())
    if not width or not height:
        notes.fault(pointer, "a region is at least one pixel wide and high", "Image API 3.0, 4.1")
        return None
    return notes.clipped(Rect(x, y, width, height), raster, pointer, "Image API 3.0, 4.1")


def _relative_region(region: str, raster: Raster, pointer: str, notes: ReadingNotes) -> Rect | None:
    if region == "full":
        return Rect(0, 0, raster.width, raster.height)
    if region == "square":
        side = min(raster.width, raster.height)
        notes.liberty(pointer, "square leaves its place to the server: read as centred", "Image API 3.0, 4.1")
        return Rect((raster.width - side) // 2, (raster.height - side) // 2, side, side)
    shares = _SHARE_REGION.fullmatch(region)
    if shares is None:
        notes.fault(pointer, f"region {region[:48]!r} is not written as the standard has it", "Image API 3.0, 4.1")
        return None
    x, y, width, height = (Fraction(share) / 100 for share in shares.groups())
    edges = (x * raster.width, y * raster.height, (x + width) * raster.width, (y + height) * raster.height)
    return notes.whole_rect(edges, raster, pointer, "Image API 3.0, 4.1")


def _read_size(size: str, rect: Rect, turn: Roll, pointer: str, notes: ReadingNotes) -> Raster | None:
    numbers = _SIZE.fullmatch(size)
    if numbers is None:
        if not _OTHER_SIZE.fullmatch(size):
            notes.fault(pointer, f"size {size[:32]!r} is not written as the standard has it", "Image API 3.0, 4.2")
        elif size not in ("max", "^max"):
            notes.missing(pointer, f"size {size!r} leaves the raster to the server's rounding")
        return None
    width, height = int(numbers[2]), int(numbers[3])
    if not numbers[1] and (width > rect.width or height > rect.height):
        notes.fault(
            pointer,
            f"size {size} exceeds its region and is not marked with ^",
            "Image API 3.0, 4.2",
            liberty="read as upscaled",
        )
    if not (0 < width <= 65_535 and 0 < height <= 65_535):
        notes.fault(pointer, "a size is 1 to 65535 px on each side", "Image API 3.0, 4.2")
        return None
    return turned_raster(Raster(width, height), turn)
