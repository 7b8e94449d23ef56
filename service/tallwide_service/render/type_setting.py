"""Type: measuring and rastering text in the one font that the package ships.

DejaVu Sans covers Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew, Arabic letters and many
symbols; a character that it lacks is drawn as its empty box. Licence beside the font.
"""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

import numpy as np
from PIL import Image, ImageDraw, ImageFont

FAMILY = "DejaVu Sans, Verdana, sans-serif"
LINE_HEIGHT = 1.3


@lru_cache(maxsize=32)
def _font(size_px: int) -> ImageFont.FreeTypeFont:
    with resources.as_file(resources.files(__package__) / "fonts" / "DejaVuSans.ttf") as path:
        return ImageFont.truetype(str(path), size_px, layout_engine=ImageFont.Layout.BASIC)


def text_width(text: str, size_px: int) -> int:
    """Return the width of one line of text, px, rounded up."""
    return int(np.ceil(_font(size_px).getlength(text)))


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


def text_mask(lines: tuple[tuple[str, int, int], ...], size_px: int, width: int, height: int) -> np.ndarray:
    """Return how much of each pixel the ink of some lines covers, 0 to 255, shape (height, width).

    Each line is its text, its left edge and its baseline, px.
    """
    image = Image.new("L", (width, height))
    draw = ImageDraw.Draw(image)
    for text, left, baseline in lines:
        draw.text((left, baseline), text, fill=255, font=_font(size_px), anchor="ls")
    return np.asarray(image)
