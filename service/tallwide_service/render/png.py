"""PNG: a scene as indexed colour with alpha, four bits a pixel, made row by row.

Bands are rectangles, so most rows equal the row above: each distinct row is made once and repeated
through the Up filter as zeros. Memory does not grow with the raster's height. PNG (third edition,
W3C 2025), sections 9 and 11.
"""

from __future__ import annotations

import struct
import zlib
from itertools import pairwise

import numpy as np

from tallwide.answers import Rect
from tallwide_service.render.palette import EDGE, INK, OKABE_ITO, PLATE, Colour
from tallwide_service.render.scene import Plate, Scene
from tallwide_service.render.svg import swatch_marks
from tallwide_service.render.type_setting import text_mask

# From plate to ink; the first is the plate itself.
_INK_LEVELS = 7
_CLEAR = 0


def _ink(level: int) -> Colour:
    """Return the colour between plate and ink at one level of coverage."""
    red, green, blue = (round(p + (i - p) * level / (_INK_LEVELS - 1)) for p, i in zip(PLATE, INK, strict=True))
    return red, green, blue


_COLOURS: tuple[Colour, ...] = ((0, 0, 0), EDGE, *OKABE_ITO, *(_ink(level) for level in range(_INK_LEVELS)))
_INDEX = {colour: index for index, colour in enumerate(_COLOURS) if index}
_PLATE_INDEX = _INDEX[PLATE]
_NO_FILTER, _UP = b"\x00", b"\x02"
_LARGEST_REPEAT = 1 << 22

Pixels = np.ndarray[tuple[int, int], np.dtype[np.uint8]]


def png(scene: Scene) -> bytes:
    """Return a scene as a PNG of its own pixels on a transparent ground."""
    header = struct.pack(">IIBBBBB", scene.width, scene.height, 4, 3, 0, 0, 0)
    colours = b"".join(bytes(colour) for colour in _COLOURS)
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", header),
            _chunk(b"PLTE", colours),
            _chunk(b"tRNS", b"\x00"),
            _chunk(b"IDAT", _packed_rows(scene)),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def _packed_rows(scene: Scene) -> bytes:
    """Return all rows, filtered and deflated."""
    deflate = zlib.compressobj(level=6)
    rasters = [(plate.rect, plate_pixels(plate)) for plate in scene.plates]
    out: list[bytes] = []
    for top, bottom in _strips(scene, [rect for rect, _ in rasters]):
        row = _row(scene, top, rasters)
        out.append(deflate.compress(_NO_FILTER + _four_bits(row)))
        repeat = _UP + bytes((scene.width + 1) // 2)
        at_once = max(1, _LARGEST_REPEAT // len(repeat))
        left = bottom - top - 1
        block = repeat * min(at_once, left)
        while left > 0:
            count = min(at_once, left)
            out.append(deflate.compress(block[: count * len(repeat)]))
            left -= count
    out.append(deflate.flush())
    return b"".join(out)


def _strips(scene: Scene, plates: list[Rect]) -> list[tuple[int, int]]:
    """Return runs of equal rows, top to bottom."""
    cuts = {0, scene.height}
    for band in scene.bands:
        cuts |= {band.rect.y, band.rect.bottom}
    for rect in plates:
        cuts.update(range(rect.y, rect.bottom + 1))
    ordered = sorted(cuts)
    return list(pairwise(ordered))


def _row(scene: Scene, y: int, plates: list[tuple[Rect, Pixels]]) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """Return one row as palette places."""
    row = np.full(scene.width, _CLEAR, dtype=np.uint8)
    for band in scene.bands:
        if band.rect.y <= y < band.rect.bottom:
            row[band.rect.x : band.rect.right] = _INDEX[band.colour]
    for rect, pixels in plates:
        if rect.y <= y < rect.bottom:
            row[rect.x : rect.right] = pixels[y - rect.y]
    return row


def plate_pixels(plate: Plate) -> Pixels:
    """Return a label as palette places, turned as it lies on the picture."""
    width, height = plate.size
    lines = tuple((line.text, line.left, line.baseline) for line in plate.lines)
    mask = text_mask(lines, plate.text_px, width, height)
    pixels = _PLATE_INDEX + (mask.astype(np.uint16) * (_INK_LEVELS - 1) + 127) // 255
    for mark in swatch_marks(plate):
        pixels[mark.y : mark.bottom, mark.x : mark.right] = 2 + plate.frame % len(OKABE_ITO)
    # numpy turns counter-clockwise: back from upright to the picture.
    return np.rot90(pixels, plate.turn // 90).astype(np.uint8)


def _four_bits(row: np.ndarray[tuple[int], np.dtype[np.uint8]]) -> bytes:
    """Return a row with two pixels a byte, the left one in the high bits."""
    if len(row) % 2:
        row = np.append(row, np.uint8(0))
    return (row[0::2] << 4 | row[1::2]).tobytes()
