"""Type: measuring and rastering text in the one font that the package ships.

DejaVu Sans covers Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew, Arabic letters and many
symbols; a character that it lacks is drawn as its empty box. Licence beside the font.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from importlib import resources

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from tallwide_service.render.scene import TextLine

FAMILY = "DejaVu Sans, Verdana, sans-serif"
LINE_HEIGHT = 1.3


@lru_cache(maxsize=32)
def font_of(size_px: int) -> ImageFont.FreeTypeFont:
    """Return the package's font at one size."""
    with resources.as_file(resources.files(__package__) / "fonts" / "DejaVuSans.ttf") as path:
        return ImageFont.truetype(str(path), size_px, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=4096)
def text_width(text: str, size_px: int) -> int:
    """Return the width of one line of text, px, rounded up."""
    return int(np.ceil(font_of(size_px).getlength(text)))


def ascent(size_px: int) -> int:
    """Return how far the baseline lies below the top of a line, px."""
    return round(size_px * (1 + LINE_HEIGHT) / 2 * 0.86)


def line_height(size_px: int) -> int:
    """Return the distance of baselines, px."""
    return round(size_px * LINE_HEIGHT)


def fitted(text: str, size_px: int, width_px: int) -> str:
    """Return a line of text cut with an ellipsis where it is wider than `width_px`."""
    if text_width(text, size_px) <= width_px:
        return text
    shortest, longest = 0, len(text)
    while longest - shortest > 1:
        middle = (shortest + longest) // 2
        if text_width(text[:middle] + "…", size_px) <= width_px:
            shortest = middle
        else:
            longest = middle
    return text[:shortest] + "…"


def text_mask(lines: Iterable[TextLine], width: int, height: int) -> Image.Image:
    """Return how much of each pixel the ink of some lines covers, 0 to 255."""
    image = Image.new("L", (width, height))
    draw = ImageDraw.Draw(image)
    for line in lines:
        draw.text((line.left, line.baseline), line.text, fill=255, font=font_of(line.size), anchor="ls")
    return image
