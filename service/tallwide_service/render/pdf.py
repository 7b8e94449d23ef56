"""PDF: pages at true size. Text is real text in embedded fonts; equal pages give equal bytes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib import resources
from io import BytesIO

from reportlab import rl_config
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from tallwide_service.render.page import Area, Corner, Page, Photo, Words
from tallwide_service.render.type_setting import Font, runs

# Streams are bytes: written as text they would be a quarter longer and take longer to write than to deflate.
rl_config.useA85 = 0
# The PDF library's number for the non-zero rule (PDF, ISO 32000-2, 8.5.3.3.2).
NON_ZERO = 1


@cache
def registered(font: Font) -> str:
    """Make one of the package's fonts known to the PDF library, once; return its name."""
    with resources.as_file(resources.files(__package__) / "fonts" / f"{font}.ttf") as path:
        pdfmetrics.registerFont(TTFont(font, str(path)))
    return font


def pages_pdf(pages: Sequence[Page]) -> bytes:
    """Return pages as one PDF, each of its own size."""
    out = BytesIO()
    first = pages[0]
    # invariant: no clock and no random identifiers in the file.
    canvas = Canvas(out, pagesize=(first.width_mm * mm, first.height_mm * mm), invariant=1, pageCompression=1)
    canvas.setTitle(first.title)
    canvas.setSubject(first.description)
    canvas.setCreator("tallwide")
    # A printer that scales to fit would spoil the size.
    canvas.setViewerPreference("PrintScaling", "None")
    for page in pages:
        canvas.setPageSize((page.width_mm * mm, page.height_mm * mm))
        for item in page.items:
            if isinstance(item, Area):
                _draw_area(canvas, item, page)
            elif isinstance(item, Words):
                _draw_words(canvas, item, page)
            else:
                _draw_photo(canvas, item, page)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _draw_area(canvas: Canvas, area: Area, page: Page) -> None:
    canvas.saveState()
    if area.clip is not None:
        window = canvas.beginPath()
        top = page.height_mm - area.clip.y - area.clip.height
        window.rect(area.clip.x * mm, top * mm, area.clip.width * mm, area.clip.height * mm)
        canvas.clipPath(window, stroke=0, fill=0)
    canvas.setFillColorRGB(*(part / 255 for part in area.colour))
    if area.opacity < 1:
        canvas.setFillAlpha(area.opacity)
    path = canvas.beginPath()
    for polygon in area.polygons:
        # A ring's holes are told by the way they run, which a rectangle would not keep.
        if area.clip is None and (box := upright_box(polygon)) is not None:
            left, top, right, bottom = box
            path.rect(left * mm, (page.height_mm - bottom) * mm, (right - left) * mm, (bottom - top) * mm)
            continue
        (x, y), *others = polygon
        path.moveTo(x * mm, (page.height_mm - y) * mm)
        for x, y in others:
            path.lineTo(x * mm, (page.height_mm - y) * mm)
        path.close()
    canvas.drawPath(path, stroke=0, fill=1, fillMode=NON_ZERO)
    canvas.restoreState()


def upright_box(polygon: tuple[Corner, ...]) -> tuple[float, float, float, float] | None:
    """Return left, top, right and bottom where a polygon is a rectangle along the axes, else `None`."""
    if len(polygon) != 4:
        return None
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = polygon
    if not ((ay == by and bx == cx and cy == dy and dx == ax) or (ax == bx and by == cy and cx == dx and dy == ay)):
        return None
    return min(ax, cx), min(ay, cy), max(ax, cx), max(ay, cy)


def _draw_photo(canvas: Canvas, photo: Photo, page: Page) -> None:
    place = photo.place
    bottom = page.height_mm - place.y - place.height
    picture = ImageReader(BytesIO(photo.jpeg))
    canvas.drawImage(picture, place.x * mm, bottom * mm, place.width * mm, place.height * mm)


def _draw_words(canvas: Canvas, words: Words, page: Page) -> None:
    size = words.size_mm * mm
    stretches = [(registered(font), run) for font, run in runs(words.text)]
    widths = [pdfmetrics.stringWidth(run, font, size) for font, run in stretches]
    canvas.setFillColorRGB(*(part / 255 for part in words.colour))
    canvas.saveState()
    canvas.translate(words.x * mm, (page.height_mm - words.y) * mm)
    canvas.rotate(-words.turn)
    left = {"start": 0.0, "middle": -sum(widths) / 2, "end": -sum(widths)}[words.anchor]
    for (font, run), width in zip(stretches, widths, strict=True):
        canvas.setFont(font, size)
        canvas.drawString(left, 0, run)
        left += width
    canvas.restoreState()
