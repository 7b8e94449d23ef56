"""Type: measuring and rastering text in the two fonts that the package ships.

DejaVu Sans covers Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew, Arabic letters and many
symbols, Droid Sans Fallback Chinese, Japanese and Korean; a character that both lack is drawn as an
empty box. Licences beside the fonts and in LICENSE.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import lru_cache
from importlib import resources
from typing import Literal

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from tallwide_service.render.palette import Colour
from tallwide_service.render.scene import TextLine

Font = Literal["DejaVuSans", "DroidSansFallback"]
MAIN: Font = "DejaVuSans"
EAST_ASIAN: Font = "DroidSansFallback"
FAMILY = "DejaVu Sans, Verdana, sans-serif"
LINE_HEIGHT = 1.3
# Unicode blocks from CJK Radicals Supplement to CJK Compatibility, CJK Unified Ideographs, Hangul Syllables, CJK
# Compatibility Ideographs and Forms, Halfwidth and Fullwidth Forms.
_EAST_ASIAN = re.compile("([\u2e80-\u33ff\u4e00-\u9fff\uac00-\ud7a3\uf900-\ufaff\ufe30-\ufe4f\uff00-\uffef]+)")


def runs(text: str) -> Iterator[tuple[Font, str]]:
    """Yield the stretches of a line of text, each with the font that it is set in.

    Examples
    --------
    >>> list(runs("A \u5e83\u544a 4:5"))
    [('DejaVuSans', 'A '), ('DroidSansFallback', '広告'), ('DejaVuSans', ' 4:5')]
    """
    for place, run in enumerate(_EAST_ASIAN.split(text)):
        if run:
            yield (EAST_ASIAN if place % 2 else MAIN), run


@lru_cache(maxsize=64)
def font_of(size_px: int, font: Font = MAIN) -> ImageFont.FreeTypeFont:
    """Return one of the package's fonts at one size."""
    with resources.as_file(resources.files(__package__) / "fonts" / f"{font}.ttf") as path:
        return ImageFont.truetype(str(path), size_px, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=4096)
def text_width(text: str, size_px: int) -> int:
    """Return the width of one line of text, px, rounded up."""
    return int(np.ceil(sum(font_of(size_px, font).getlength(run) for font, run in runs(text))))


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
        write(draw, line.text, line.left, line.baseline, line.size, 255)
    return image


def write(draw: ImageDraw.ImageDraw, text: str, left: float, baseline: float, size_px: int, ink: Colour | int) -> None:
    """Draw one line of text."""
    for font, run in runs(text):
        drawn = font_of(size_px, font)
        draw.text((left, baseline), run, fill=ink, font=drawn, anchor="ls")
        left += drawn.getlength(run)
