"""SVG of a page, at true size: one user unit is one mm. No script, no link, no outside font; all text is escaped."""

from __future__ import annotations

from xml.sax.saxutils import quoteattr

from tallwide_service.render.page import Area, Page, Words
from tallwide_service.render.svg import clean, escaped, hex_colour
from tallwide_service.render.type_setting import FAMILY


def page_svg(page: Page, *, id_prefix: str = "tallwide") -> str:
    """Return a page as an SVG document."""
    title, description = f"{id_prefix}-title", f"{id_prefix}-desc"
    width, height = number(page.width_mm), number(page.height_mm)
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
            f'width="{width}mm" height="{height}mm" role="img" '
            f"aria-labelledby={quoteattr(f'{title} {description}')}>",
            f"<title id={quoteattr(title)}>{escaped(page.title)}</title>",
            f"<desc id={quoteattr(description)}>{escaped(page.description)}</desc>",
            f'<path class="tallwide-paper" fill="#ffffff" d="M0 0h{width}v{height}H0z"/>',
            # Photographs stand on sheets alone, which are PDF.
            *(_area(item) for item in page.items if isinstance(item, Area)),
            *(_words(item) for item in page.items if isinstance(item, Words)),
            "</svg>\n",
        )
    )


def number(value: float) -> str:
    """Return a length with a ten-thousandth of a mm, without needless digits."""
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _area(area: Area) -> str:
    label = "" if area.label is None else f" data-deliverable={quoteattr(clean(area.label))}"
    shape = "".join("M" + "L".join(f"{number(x)} {number(y)}" for x, y in polygon) + "z" for polygon in area.polygons)
    return f'<path class="tallwide-{area.kind}"{label} fill="{hex_colour(area.colour)}" d="{shape}"/>'


def _words(words: Words) -> str:
    turn = f" transform={quoteattr(f'rotate({words.turn} {number(words.x)} {number(words.y)})')}" if words.turn else ""
    return (
        f'<text x="{number(words.x)}" y="{number(words.y)}" font-family="{FAMILY}" '
        f'font-size="{number(words.size_mm)}" text-anchor="{words.anchor}" fill="{hex_colour(words.colour)}" '
        f'textLength="{number(words.width_mm)}" lengthAdjust="spacingAndGlyphs"{turn}>{escaped(words.text)}</text>'
    )
