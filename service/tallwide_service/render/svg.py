"""SVG: a scene as a self-contained document. No script, no link, no outside font; all text is escaped."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from itertools import groupby
from xml.sax.saxutils import escape, quoteattr

from tallwide.answers import Rect
from tallwide_service.render.palette import THEMES, Colour, plate_colours
from tallwide_service.render.scene import Band, Ellipse, Plate, Polygon, Ring, Scene
from tallwide_service.render.type_setting import FAMILY

# Characters that XML 1.0 (fifth edition, production 2) cannot hold, not even escaped.
_FORBIDDEN = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def svg(scene: Scene) -> str:
    """Return a scene as an SVG document of the scene's own pixels."""
    prefix = scene.id_prefix
    title, description = f"{prefix}-title", f"{prefix}-desc"
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" id={quoteattr(prefix)} '
            f'viewBox="0 0 {scene.width} {scene.height}" '
            f'width="{scene.width}" height="{scene.height}" role="img" '
            f"aria-labelledby={quoteattr(f'{title} {description}')}>",
            f"<title id={quoteattr(title)}>{escaped(scene.title)}</title>",
            f"<desc id={quoteattr(description)}>{escaped(scene.description)}</desc>",
            *style(scene),
            *(_group(scene, bands) for bands in _grouped(band for band in scene.bands if band.kind == "shade")),
            *(_ring(ring) for ring in scene.rings),
            *(_group(scene, bands) for bands in _grouped(band for band in scene.bands if band.kind != "shade")),
            *(_plate(scene, plate) for plate in scene.plates),
            "</svg>\n",
        )
    )


def style(scene: Scene) -> Iterator[str]:
    """Yield the style block of a theme that the viewer or the page decides; attributes stay as a fallback."""
    plate, ink = f"#{scene.id_prefix} .tallwide-plate", f"#{scene.id_prefix} .tallwide-ink"
    if scene.theme == "auto":
        light, dark = (hex_colour(colour) for colour in THEMES["light"])
        rules = f"{plate}{{fill:{light}}}{ink}{{fill:{dark}}}"
        yield f"<style>@media (prefers-color-scheme: light){{{rules}}}</style>"
    elif scene.theme == "variables":
        dark, light = (hex_colour(colour) for colour in THEMES["dark"])
        yield (f"<style>{plate}{{fill:var(--tallwide-plate,{dark})}}{ink}{{fill:var(--tallwide-ink,{light})}}</style>")


def _grouped(bands: Iterable[Band]) -> Iterator[list[Band]]:
    for _, group in groupby(bands, key=lambda band: (band.kind, band.frame, band.colour, band.alpha)):
        yield list(group)


def _group(scene: Scene, bands: list[Band]) -> str:
    """Return neighbouring bands of one kind and frame as one path."""
    first = bands[0]
    shape = "".join(_path(band.rect) for band in bands)
    opacity = "" if first.alpha == 255 else f' fill-opacity="{first.alpha / 255:.4g}"'
    return (
        f'<path class="tallwide-{first.kind}"{_whose(scene, first.frame)} '
        f'fill="{hex_colour(first.colour)}"{opacity} d="{shape}"/>'
    )


def _whose(scene: Scene, frame: int | None) -> str:
    if frame is None:
        return ""
    return f' data-deliverable={quoteattr(clean(scene.labels[frame]))} data-frame="{frame}"'


def _path(rect: Rect) -> str:
    return f"M{rect.x} {rect.y}h{rect.width}v{rect.height}h{-rect.width}z"


def _ring(ring: Ring) -> str:
    # Bands are whole pixels and crisp as they are; a browser that shows them smaller must smooth them, lest thin
    # ones vanish. A ring bends, and takes whole pixels so that every writer comes to the same ones.
    shape = _outline(ring.outer) + _outline(ring.inner)
    return (
        f'<path class="tallwide-{ring.kind}" fill="{hex_colour(ring.colour)}" fill-rule="evenodd" '
        f'shape-rendering="crispEdges" d="{shape}"/>'
    )


def _outline(shape: Ellipse | Polygon) -> str:
    if isinstance(shape, Polygon):
        return "M" + "L".join(f"{_number(x)} {_number(y)}" for x, y in shape.corners) + "z"
    across, down = _number(shape.across), _number(shape.down)
    left, right, y = _number(shape.x - shape.across), _number(shape.x + shape.across), _number(shape.y)
    return f"M{left} {y}A{across} {down} 0 0 1 {right} {y}A{across} {down} 0 0 1 {left} {y}z"


def _number(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _plate(scene: Scene, plate: Plate) -> str:
    """Return a label: its upright drawing, turned into place."""
    width, height = plate.size
    x, y = plate.corner
    turn = f" rotate({-plate.turn})" if plate.turn else ""
    paper, ink = (hex_colour(colour) for colour in plate_colours(scene.theme))
    swatch = "".join(_path(mark) for mark in plate.swatch)
    # What is no frame's is drawn in the ink, whatever the theme.
    kind = "tallwide-swatch" if plate.frame is not None else "tallwide-swatch tallwide-ink"
    lines = "".join(
        f'<text x="{line.left}" y="{line.baseline}" font-size="{line.size}" '
        f'textLength="{line.width}" lengthAdjust="spacingAndGlyphs">{escaped(line.text)}</text>'
        for line in plate.lines
        if line.text
    )
    return (
        f'<g class="tallwide-{plate.kind}"{_whose(scene, plate.frame)} transform="translate({x} {y}){turn}">'
        f'<path class="tallwide-plate" fill="{paper}" d="{_path(Rect(0, 0, width, height))}"/>'
        f'<path class="{kind}" fill="{hex_colour(plate.colour)}" d="{swatch}"/>'
        f'<g class="tallwide-ink" fill="{ink}" font-family="{FAMILY}" xml:space="preserve">{lines}</g></g>'
    )


def hex_colour(colour: Colour) -> str:
    """Return a colour as `#rrggbb`."""
    return "#{:02x}{:02x}{:02x}".format(*colour)


def clean(text: str) -> str:
    """Return text without characters that XML cannot hold."""
    return _FORBIDDEN.sub("\ufffd", text)


def escaped(text: str) -> str:
    """Return text as XML character data."""
    return escape(clean(text))
