"""PNG: a scene as indexed colour with alpha, made row by row.

Bands are rectangles, so most rows equal the row above: each distinct row is made once, and its
repeats are written straight into deflate; where a ring bends, a row is written as its difference
from the one above. Four bits a pixel where the colours allow. Memory does not grow with the
raster's height. PNG (third edition, W3C 2025), sections 9 and 11.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tallwide_service.render.palette import Colour, plate_colours
from tallwide_service.render.repeated_rows import UP_FILTER, RepeatedRows
from tallwide_service.render.ring_rows import ring_rows
from tallwide_service.render.scene import Plate, Scene
from tallwide_service.render.type_setting import text_mask

# From plate to ink; the first is the plate itself.
_INK_LEVELS = 7
_CLEAR = 0
_NO_FILTER = 0
# From here on a run of equal rows is worth the flush before it and the head of its own block.
_LONG_RUN = 8
# Palette places that are painted at once, and plain rows that are kept.
_LARGEST_BLOCK, _KEPT_ROWS = 1 << 21, 256

Pixels = NDArray[np.uint8]
Paint = tuple[Colour, int]


@dataclass(frozen=True, slots=True)
class Inks:
    """The palette of one scene: its colours with their alpha, and where each stands."""

    paints: tuple[Paint, ...]
    place: dict[Paint, int]
    plate: int

    @property
    def bits(self) -> int:
        """Bits a pixel."""
        return 4 if len(self.paints) <= 16 else 8


def png(scene: Scene) -> bytes:
    """Return a scene as a PNG of its own pixels on a transparent ground."""
    inks = inks_of(scene)
    header = struct.pack(">IIBBBBB", scene.width, scene.height, inks.bits, 3, 0, 0, 0)
    colours = b"".join(bytes(colour) for colour, _ in inks.paints)
    # Alpha is listed up to the last that is not opaque.
    alphas = bytes(alpha for _, alpha in inks.paints).rstrip(b"\xff")
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", header),
            _chunk(b"PLTE", colours),
            _chunk(b"tRNS", alphas),
            _chunk(b"IDAT", _packed_rows(scene, inks)),
            _chunk(b"IEND", b""),
        )
    )


def inks_of(scene: Scene) -> Inks:
    """Return the palette of a scene: clear first, then shades, lines, and the steps from plate to ink."""
    paper, ink = plate_colours(scene.theme)
    used: dict[Paint, None] = {((0, 0, 0), 0): None}
    used.update({(band.colour, band.alpha): None for band in scene.bands if band.alpha < 255})
    used.update({(band.colour, 255): None for band in scene.bands if band.alpha == 255})
    used.update({(ring.colour, 255): None for ring in scene.rings})
    used.update({(plate.colour, 255): None for plate in scene.plates})
    place = {paint: index for index, paint in enumerate(used)}
    steps = [(_mixed(paper, ink, level), 255) for level in range(_INK_LEVELS)]
    return Inks((*used, *steps), place, len(used))


def _mixed(paper: Colour, ink: Colour, level: int) -> Colour:
    first, second, third = (round(p + (i - p) * level / (_INK_LEVELS - 1)) for p, i in zip(paper, ink, strict=True))
    return first, second, third


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def _packed_rows(scene: Scene, inks: Inks) -> bytes:
    """Return all rows, filtered and deflated, as one zlib stream (RFC 1950).

    Long runs of rows that repeat the one above are written straight into deflate, between full
    flushes, after which nothing refers back (RFC 1951). All other rows are mostly runs of one
    value, too, for which zlib's run-length strategy is faster and smaller than its search.
    """
    row_bytes = (scene.width * inks.bits + 7) // 8
    repeats = RepeatedRows(row_bytes)
    deflate = zlib.compressobj(level=6, wbits=-15, memLevel=9, strategy=zlib.Z_RLE)
    out: list[bytes] = [b"\x78\x01"]
    check, filter_byte = 1, _NO_FILTER
    above = np.zeros(row_bytes, dtype=np.uint8)
    for rows, repeated in _blocks(scene, inks):
        streamed = repeated if repeated < _LONG_RUN else 0
        filtered = np.zeros((len(rows) + streamed, row_bytes + 1), dtype=np.uint8)
        filtered[:, 0] = UP_FILTER
        filtered[0, 0] = filter_byte
        np.subtract(rows[0], above, out=filtered[0, 1:])
        np.subtract(rows[1:], rows[:-1], out=filtered[1 : len(rows), 1:])
        check = zlib.adler32(filtered.data, check)
        out.append(deflate.compress(filtered.data))
        above, filter_byte = rows[-1], UP_FILTER
        if repeated > streamed:
            out += (deflate.flush(zlib.Z_FULL_FLUSH), repeats.deflated(repeated))
            check = repeats.checked(check, repeated)
    out += (deflate.flush(), struct.pack(">I", check))
    return b"".join(out)


def _blocks(scene: Scene, inks: Inks) -> Iterator[tuple[Pixels, int]]:
    """Yield packed rows, top to bottom: some that differ, and how often the last of them repeats."""
    painter = _Painter(scene, inks)
    for top, bottom in _strips(scene):
        if painter.is_plain(top):
            yield painter.plain_row(top)[np.newaxis], bottom - top - 1
            continue
        at_once = max(1, _LARGEST_BLOCK // scene.width)
        for first in range(top, bottom, at_once):
            yield painter.rows(first, min(first + at_once, bottom)), 0


class _Painter:
    """Paints rows of one scene as palette places, and packs them."""

    def __init__(self, scene: Scene, inks: Inks) -> None:
        self._width, self._bits = scene.width, inks.bits
        self._plates = [(plate.rect, plate_pixels(plate, inks)) for plate in scene.plates]
        self._rings = [
            (ring_rows(ring, scene.width, scene.height), inks.place[ring.colour, 255]) for ring in scene.rings
        ]
        reaches = [ring.outer.reach for ring in scene.rings]
        self._ring_reach = min((top for top, _ in reaches), default=0), max((end for _, end in reaches), default=0)
        # Shades first: rings are painted between them and all other bands.
        bands = sorted(scene.bands, key=lambda band: band.kind != "shade")
        self._shades = sum(band.kind == "shade" for band in bands)
        self._tops = np.array([band.rect.y for band in bands], dtype=np.int64)
        self._bottoms = np.array([band.rect.bottom for band in bands], dtype=np.int64)
        self._paints = [(band.rect.x, band.rect.right, inks.place[band.colour, band.alpha]) for band in bands]
        self._plain: dict[bytes, Pixels] = {}

    def is_plain(self, row: int) -> bool:
        """Whether neither a plate nor a ring lies on a row."""
        first, last = self._ring_reach
        on_ring = bool(self._rings) and first - 1 <= row <= last + 1
        return not on_ring and not any(rect.y <= row < rect.bottom for rect, _ in self._plates)

    def plain_row(self, row: int) -> Pixels:
        """Return a row that bands alone paint; rows on which the same bands lie are made once."""
        active = self._active(row)
        key = active.tobytes()
        if key not in self._plain:
            if len(self._plain) >= _KEPT_ROWS:
                self._plain.clear()
            pixels = np.full((1, self._width), _CLEAR, dtype=np.uint8)
            self._paint(pixels, active)
            self._plain[key] = _packed(pixels, self._bits)[0]
        return self._plain[key]

    def rows(self, top: int, bottom: int) -> Pixels:
        """Return rows on which the same bands lie, with their rings and plates."""
        active = self._active(top)
        pixels = np.full((bottom - top, self._width), _CLEAR, dtype=np.uint8)
        self._paint(pixels, active[active < self._shades])
        for spans, ink in self._rings:
            for row in range(top, bottom):
                for first, last in spans[row]:
                    pixels[row - top, first:last] = ink
        self._paint(pixels, active[active >= self._shades])
        for rect, plate in self._plates:
            if rect.y <= top < rect.bottom:
                pixels[:, rect.x : rect.right] = plate[top - rect.y : bottom - rect.y]
        return _packed(pixels, self._bits)

    def _active(self, row: int) -> NDArray[np.int64]:
        return np.flatnonzero((self._tops <= row) & (row < self._bottoms))

    def _paint(self, pixels: Pixels, bands: NDArray[np.int64]) -> None:
        for index in bands.tolist():
            first, last, ink = self._paints[index]
            pixels[:, first:last] = ink


def _strips(scene: Scene) -> list[tuple[int, int]]:
    """Return runs of rows on which the same bands, plates and rings lie, top to bottom."""
    cuts = {0, scene.height}
    for rect in (*(band.rect for band in scene.bands), *(plate.rect for plate in scene.plates)):
        cuts |= {rect.y, rect.bottom}
    for ring in scene.rings:
        top, bottom = ring.outer.reach
        cuts |= {min(max(int(top) - 2, 0), scene.height), min(max(int(bottom) + 3, 0), scene.height)}
    return list(pairwise(sorted(cuts)))


def plate_pixels(plate: Plate, inks: Inks) -> Pixels:
    """Return a label as palette places, turned as it lies on the picture."""
    width, height = plate.size
    mask = text_mask(plate.lines, width, height)
    levels = inks.plate + (np.arange(256) * (_INK_LEVELS - 1) + 127) // 255
    pixels = levels.astype(np.uint8)[mask]
    for mark in plate.swatch:
        pixels[mark.y : mark.bottom, mark.x : mark.right] = inks.place[plate.colour, 255]
    # numpy turns counter-clockwise: back from upright to the picture.
    return np.asarray(np.rot90(pixels, plate.turn // 90), dtype=np.uint8)


def _packed(rows: Pixels, bits: int) -> Pixels:
    """Return rows as their bytes: two pixels in one at four bits, the left one in the high bits."""
    if bits == 8:
        return rows
    if rows.shape[1] % 2:
        rows = np.pad(rows, ((0, 0), (0, 1)))
    # Read as little-endian pairs, whatever the machine: the left pixel is the low byte.
    pairs = np.ascontiguousarray(rows).view("<u2")
    return (pairs << 4 | pairs >> 8).astype(np.uint8)
