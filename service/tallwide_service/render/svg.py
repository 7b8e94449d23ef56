"""SVG: a scene as a self-contained document. No script, no link, no outside font; all text is escaped."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import groupby
from xml.sax.saxutils import escape, quoteattr

from tallwide.answers import Rect
from tallwide_service.render.palette import INK, PLATE, Colour, frame_colour, frame_dashes
from tallwide_service.render.scene import Band, Plate, Scene
from tallwide_service.render.type_setting import FAMILY, ascent, line_height

# Characters that XML 1.0 (fifth edition, production 2) cannot hold, not even escaped.
_FORBIDDEN = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def svg(scene: Scene, *, id_prefix: str = "tallwide") -> str:
    """Return a scene as an SVG document of the scene's own pixels."""
    title, description = f"{id_prefix}-title", f"{id_prefix}-desc"
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {scene.width} {scene.height}" '
            f'width="{scene.width}" height="{scene.height}" role="img" '
            f'aria-labelledby={quoteattr(f"{title} {description}")} shape-rendering="crispEdges">',
            f"<title id={quoteattr(title)}>{escaped(scene.title)}</title>",
            f"<desc id={quoteattr(description)}>{escaped(scene.description)}</desc>",
            *(_group(scene, kind, frame, bands) for (kind, frame), bands in _grouped(scene.bands)),
            *(_plate(scene, plate) for plate in scene.plates),
            "</svg>\n",
        )
    )


def _grouped(bands: Iterable[Band]) -> Iterable[tuple[tuple[str, int], list[Band]]]:
    return ((key, list(group)) for key, group in groupby(bands, key=lambda band: (band.kind, band.frame)))


def _group(scene: Scene, kind: str, frame: int, bands: list[Band]) -> str:
    """Return neighbouring bands of one kind and frame as one path."""
    shape = "".join(_path(band.rect) for band in bands)
    label = quoteattr(clean(scene.labels[frame]))
    return (
        f'<path class="tallwide-{kind}" data-deliverable={label} data-frame="{frame}" '
        f'fill="{hex_colour(bands[0].colour)}" d="{shape}"/>'
    )


def _path(rect: Rect) -> str:
    return f"M{rect.x} {rect.y}h{rect.width}v{rect.height}h{-rect.width}z"


def _plate(scene: Scene, plate: Plate) -> str:
    """Return a label: its upright drawing, turned into place."""
    width, height = plate.size
    rect = plate.rect
    # Turned back by the roll, the upright top-left corner lies at another corner of the plate.
    corner = {
        0: (rect.x, rect.y),
        90: (rect.x, rect.bottom),
        180: (rect.right, rect.bottom),
        270: (rect.right, rect.y),
    }[plate.turn]
    turn = f" rotate({-plate.turn})" if plate.turn else ""
    label = quoteattr(clean(scene.labels[plate.frame]))
    swatch = "".join(_path(mark) for mark in swatch_marks(plate))
    lines = "".join(
        f'<text x="{line.left}" y="{line.baseline}" textLength="{line.width}" lengthAdjust="spacingAndGlyphs">'
        f"{escaped(line.text)}</text>"
        for line in plate.lines
        if line.text
    )
    return (
        f'<g class="tallwide-label" data-deliverable={label} data-frame="{plate.frame}" '
        f'transform="translate({corner[0]} {corner[1]}){turn}">'
        f'<path fill="{hex_colour(PLATE)}" d="{_path(Rect(0, 0, width, height))}"/>'
        f'<path fill="{hex_colour(frame_colour(plate.frame))}" d="{swatch}"/>'
        f'<g fill="{hex_colour(INK)}" font-family="{FAMILY}" font-size="{plate.text_px}" '
        f'xml:space="preserve">{lines}</g></g>'
    )


def swatch_marks(plate: Plate) -> tuple[Rect, ...]:
    """Return the sample of a frame's line beside its label, upright, from the plate's corner."""
    thick = max(1, plate.text_px // 5)
    start, end = plate.text_px // 2, 2 * plate.text_px
    y = plate.text_px // 4 + ascent(plate.text_px) - line_height(plate.text_px) // 3
    dashes = frame_dashes(plate.frame)
    if not dashes:
        return (Rect(start, y, end - start, thick),)
    unit = max(1, thick // 3)
    marks, place, step = [], start, 0
    while place < end:
        length = min(dashes[step % len(dashes)] * unit, end - place)
        if step % 2 == 0:
            marks.append(Rect(place, y, length, thick))
        place, step = place + length, step + 1
    return tuple(marks)


def hex_colour(colour: Colour) -> str:
    """Return a colour as `#rrggbb`."""
    return "#{:02x}{:02x}{:02x}".format(*colour)


def clean(text: str) -> str:
    """Return text without characters that XML cannot hold."""
    return _FORBIDDEN.sub("\ufffd", text)


def escaped(text: str) -> str:
    """Return text as XML character data."""
    return escape(clean(text))
