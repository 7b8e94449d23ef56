"""IPTC Photo Metadata image regions, as an XMP sidecar of the recorded still.

One region a deliverable, a rectangle in shares of the stored raster, whose size stands beside them
as tiff:ImageWidth and tiff:ImageLength. Roles come from the IPTC's vocabulary of image region roles.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any
from xml.parsers import expat

from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.geometry import shown_ratio
from tallwide.handoff.document import Document, file_stem, lost_beyond, unique_names
from tallwide.handoff.reading import (
    DEEPEST,
    MOST_ELEMENTS,
    FormFault,
    FormReading,
    ReadingNotes,
    ReadOptions,
    frames_as_job,
)
from tallwide.job import Capture, Handoff, Raster, Roll

CARRIED = frozenset({"several_frames"})
CLAUSE = "IPTC Photo Metadata Standard, Image Region"
RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
EXT = "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"
XMP = "http://ns.adobe.com/xap/1.0/"
TIFF = "http://ns.adobe.com/tiff/1.0/"
XML = "http://www.w3.org/XML/1998/namespace"
# IPTC NewsCodes, imageregionrole; the addresses are http.
ROLES = "http://cv.iptc.org/newscodes/imageregionrole/"
DIGITS = 12
LANGUAGE = re.compile(r"[A-Za-z]{1,8}(?:-[A-Za-z0-9]{1,8}){0,8}")
_SHARE = re.compile(r"\+?[0-9]{0,6}\.?[0-9]{0,40}", re.ASCII)
_WHOLE = re.compile(r"[0-9]{1,6}", re.ASCII)


def roles(frame: Frame, capture: Capture) -> tuple[str, ...]:
    """Return the vocabulary's names for one frame: recommended, and made for pictures of the other shape."""
    ratio = shown_ratio(frame.rect.width, frame.rect.height, capture)
    kind = "portraitCropping" if ratio < 1 else "landscapeCropping" if ratio > 1 else "squareCropping"
    return ("recomCropping", kind)


def share(part: int, whole: int) -> str:
    """Return a share as a decimal that gives its whole pixel back.

    Examples
    --------
    >>> share(1312, 3840), share(0, 2160), share(2160, 2160)
    ('0.341666666667', '0', '1')
    """
    units = (2 * part * 10**DIGITS + whole) // (2 * whole)
    number = f"{units // 10**DIGITS}.{units % 10**DIGITS:0{DIGITS}d}"
    return number.rstrip("0").rstrip(".")


def clean(text: str) -> str:
    """Return a text with nothing that XML 1.0 forbids, escaped."""
    allowed = (
        c for c in text if c in "\t\n\r" or 0x20 <= ord(c) <= 0xD7FF or 0xE000 <= ord(c) <= 0xFFFD or ord(c) > 0xFFFF
    )
    return html.escape("".join(allowed), quote=False)


def region(frame: Frame, capture: Capture, name: str, language: str | None) -> str:
    """Return one deliverable as a region."""
    rect, raster = frame.rect, capture.raster
    names = f'<rdf:li xml:lang="x-default">{clean(frame.label)}</rdf:li>'
    if language is not None:
        names += f'<rdf:li xml:lang="{language}">{clean(frame.label)}</rdf:li>'
    identifiers = "\n".join(
        f"""      <rdf:li rdf:parseType="Resource">
       <xmp:Identifier><rdf:Bag><rdf:li>{ROLES}{role}</rdf:li></rdf:Bag></xmp:Identifier>
      </rdf:li>"""
        for role in roles(frame, capture)
    )
    return f"""    <rdf:li rdf:parseType="Resource">
     <Iptc4xmpExt:rId>{name}</Iptc4xmpExt:rId>
     <Iptc4xmpExt:Name><rdf:Alt>{names}</rdf:Alt></Iptc4xmpExt:Name>
     <Iptc4xmpExt:RegionBoundary rdf:parseType="Resource">
      <Iptc4xmpExt:rbShape>rectangle</Iptc4xmpExt:rbShape>
      <Iptc4xmpExt:rbUnit>relative</Iptc4xmpExt:rbUnit>
      <Iptc4xmpExt:rbX>{share(rect.x, raster.width)}</Iptc4xmpExt:rbX>
      <Iptc4xmpExt:rbY>{share(rect.y, raster.height)}</Iptc4xmpExt:rbY>
      <Iptc4xmpExt:rbW>{share(rect.width, raster.width)}</Iptc4xmpExt:rbW>
      <Iptc4xmpExt:rbH>{share(rect.height, raster.height)}</Iptc4xmpExt:rbH>
     </Iptc4xmpExt:RegionBoundary>
     <Iptc4xmpExt:rRole><rdf:Bag>
{identifiers}
     </rdf:Bag></Iptc4xmpExt:rRole>
    </rdf:li>"""


def write(decision: Decision, options: Handoff) -> Document:
    """Return the sidecar.

    Raises
    ------
    ValueError
        If the language is no BCP 47 tag.
    """
    if options.language is not None and not LANGUAGE.fullmatch(options.language):
        raise ValueError('a language is a BCP 47 tag, such as "en" or "pt-BR"')
    capture = decision.capture
    names = unique_names((frame.label for frame in decision.frames), fallback="frame")
    regions = "\n".join(
        region(frame, capture, name, options.language) for frame, name in zip(decision.frames, names, strict=True)
    )
    text = f"""<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="{RDF}">
  <rdf:Description rdf:about=""
    xmlns:Iptc4xmpExt="{EXT}"
    xmlns:xmp="{XMP}"
    xmlns:tiff="{TIFF}">
   <tiff:ImageWidth>{capture.raster.width}</tiff:ImageWidth>
   <tiff:ImageLength>{capture.raster.height}</tiff:ImageLength>
   <Iptc4xmpExt:ImageRegion><rdf:Bag>
{regions}
   </rdf:Bag></Iptc4xmpExt:ImageRegion>
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="w"?>
"""
    return Document(
        form="image-regions",
        standard="IPTC Photo Metadata Standard, image regions, in XMP",
        media_type="application/rdf+xml",
        file_name=f"{file_stem(decision)}.xmp",
        content=text,
        raw=text.encode(),
        lost=lost_beyond(decision, CARRIED),
    )


@dataclass(slots=True)
class Element:
    """One element of a small XML tree; attributes are children like any other, as RDF has it."""

    name: str
    text: str = ""
    language: str | None = None
    children: list[Element] = field(default_factory=list)

    def all(self, name: str) -> list[Element]:
        """Return the children of a name, through rdf containers and descriptions."""
        found = []
        for child in self.children:
            if child.name == name:
                found.append(child)
            elif child.name in (f"{RDF}Description", f"{RDF}Bag", f"{RDF}Seq", f"{RDF}Alt") and self.name != name:
                found += child.all(name)
        return found

    def word(self, name: str) -> str:
        """Return the text of the first child of a name, or nothing."""
        found = self.all(name)
        return found[0].text.strip() if found else ""


class Hostile(ValueError):
    """An XML document declares entities, or is too deep or too large; then the bound and what passed it are there."""

    def __init__(self, detail: str, *, limit: int | None = None, got: int | None = None) -> None:
        super().__init__(detail)
        self.limit, self.got = limit, got


def parse(text: str | bytes) -> Element:
    """Return the tree of an XML document that comes from a stranger.

    Raises
    ------
    Hostile
        If it has a document type declaration (the only place where entities and outside references
        are declared), or is nested too deep, or holds too many elements.
    expat.ExpatError
        If it is not well-formed.
    """
    top = Element("")
    open_elements, count = [top], 0

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal count
        count += 1 + len(attributes)
        if len(open_elements) > DEEPEST:
            raise Hostile(f"is nested deeper than {DEEPEST} elements", limit=DEEPEST, got=len(open_elements))
        if count > MOST_ELEMENTS:
            raise Hostile(f"holds more than {MOST_ELEMENTS} elements and attributes", limit=MOST_ELEMENTS, got=count)
        element = Element(_joined(name), language=attributes.get(f"{XML} lang"))
        element.children += [Element(_joined(key), value) for key, value in attributes.items()]
        open_elements[-1].children.append(element)
        open_elements.append(element)

    def end(_: str) -> None:
        open_elements.pop()

    def text_part(data: str) -> None:
        open_elements[-1].text += data

    def refuse(*_: Any) -> None:
        raise Hostile("has a document type declaration; entities and outside references are not read")

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    handlers: dict[str, Callable[..., Any]] = {
        "StartElementHandler": start,
        "EndElementHandler": end,
        "CharacterDataHandler": text_part,
        "StartDoctypeDeclHandler": refuse,
        "EntityDeclHandler": refuse,
        "ExternalEntityRefHandler": refuse,
    }
    for handler, function in handlers.items():
        setattr(parser, handler, function)
    parser.Parse(text, True)
    return top


def _joined(name: str) -> str:
    return name.replace(" ", "")


def read(document: Any, options: ReadOptions) -> FormReading:
    """Return what the image regions of an XMP packet carry.

    Raises
    ------
    UnreadableForm
        If it is no such packet.
    """
    notes = ReadingNotes(options.lenient)
    top = _tree(document, notes)
    notes.refuse_if_faulty("image-regions")
    regions = _found(top, f"{EXT}ImageRegion")
    raster = options.raster or _stored_raster(top)
    entries = [entry for holder in regions for entry in holder.all(f"{RDF}li")]
    if len(entries) > notes.most_frames:
        entries = notes.too_many(len(entries))
    frames: list[tuple[str, Rect, Raster | None, Roll]] = []
    for index, entry in enumerate(entries):
        found = _read_region(entry, f"/document/{index}", raster, notes)
        if found is not None:
            frames.append((found[0] or f"frame {index + 1}", found[1], None, 0))
    return frames_as_job("image-regions", "2019.1", frames, ReadOptions(options.lenient, raster), notes)


def _tree(document: Any, notes: ReadingNotes) -> Element:
    if not isinstance(document, str):
        notes.fault("/document", "is XML text", "XML 1.0")
        return Element("")
    if notes.is_too_long(document):
        return Element("")
    try:
        return parse(document.encode("utf-8", "surrogatepass"))
    except Hostile as error:
        notes.faults.append(FormFault("/document", str(error), "bound of this reader", error.limit, error.got))
    except (expat.ExpatError, ValueError) as error:
        notes.fault("/document", f"is no well-formed XML: {str(error)[:200]}", "XML 1.0")
    return Element("")


def _found(element: Element, name: str) -> list[Element]:
    """Return every element of a name, wherever it stands."""
    here = [child for child in element.children if child.name == name]
    return here + [found for child in element.children if child.name != name for found in _found(child, name)]


def _stored_raster(top: Element) -> Raster | None:
    sides = []
    for name in (f"{TIFF}ImageWidth", f"{TIFF}ImageLength"):
        found = _found(top, name)
        text = found[0].text.strip() if found else ""
        if not _WHOLE.fullmatch(text) or not 0 < int(text) <= 65_535:
            return None
        sides.append(int(text))
    return Raster(*sides)


def _read_region(
    entry: Element, pointer: str, raster: Raster | None, notes: ReadingNotes
) -> tuple[str | None, Rect] | None:
    boundaries = entry.all(f"{EXT}RegionBoundary")
    if len(boundaries) != 1:
        notes.fault(pointer, f"has {len(boundaries)} boundaries, not one", CLAUSE)
        return None
    boundary = boundaries[0]
    shape, unit = boundary.word(f"{EXT}rbShape"), boundary.word(f"{EXT}rbUnit")
    if shape != "rectangle":
        notes.fault(
            f"{pointer}/RegionBoundary", f"is a {shape[:32] or 'shape without name'}; a frame is a rectangle", CLAUSE
        )
        return None
    if unit not in ("pixel", "relative"):
        notes.fault(f"{pointer}/RegionBoundary/rbUnit", "is pixel or relative", CLAUSE)
        return None
    numbers = []
    for name in ("rbX", "rbY", "rbW", "rbH"):
        text = boundary.word(f"{EXT}{name}")
        if not _SHARE.fullmatch(text) or not any(character.isdigit() for character in text):
            notes.fault(f"{pointer}/RegionBoundary/{name}", "is a number that is not negative", CLAUSE)
            return None
        numbers.append(Fraction(text.lstrip("+")))
    x, y, width, height = numbers
    scale_x = scale_y = Fraction(1)
    if unit == "relative":
        if raster is None:
            notes.fault(pointer, "is relative, and neither the packet nor the request states the raster", CLAUSE)
            return None
        scale_x, scale_y = Fraction(raster.width), Fraction(raster.height)
    edges = (x * scale_x, y * scale_y, (x + width) * scale_x, (y + height) * scale_y)
    rect = notes.whole_rect(edges, raster, f"{pointer}/RegionBoundary", CLAUSE)
    return None if rect is None else (_label(entry), rect)


def _label(entry: Element) -> str | None:
    """Return the region's name, the default language first, or its id."""
    names = [item for holder in entry.all(f"{EXT}Name") for item in holder.all(f"{RDF}li")]
    names.sort(key=lambda item: item.language != "x-default")
    return (names[0].text if names else entry.word(f"{EXT}rId")) or None
