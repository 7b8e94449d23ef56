"""PNG: a scene as indexed colour with alpha, made row by row.

Bands are rectangles, so most rows equal the row above: each distinct row is painted once, and how
often it repeats is written straight into deflate. Rows with labels or with a ring that bends are
written as their difference from the row above. One, two or four bits a pixel where the colours
allow. Memory does not grow with the raster's height. PNG (third edition, W3C 2025), sections 9 and 11.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from zlib_ng import zlib_ng

from tallwide.answers import Rect
from tallwide_service.render.palette import Colour, plate_colours
from tallwide_service.render.png_chunks import INDEXED, chunk, header
from tallwide_service.render.ring_rows import ring_edges, ring_pixels
from tallwide_service.render.run_rows import checked, deflated, up_filtered
from tallwide_service.render.scene import Band, Plate, Scene
from tallwide_service.render.type_setting import text_mask

# From plate to ink; the first is the plate itself.
_INK_LEVELS = 7
_NO_FILTER = 0
# Palette places that are painted at once.
_LARGEST_BLOCK = 1 << 20

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
        return next(bits for bits in (1, 2, 4, 8) if len(self.paints) <= 1 << bits)


def png(scene: Scene) -> bytes:
    """Return a scene as a PNG of its own pixels on a transparent ground."""
    inks = inks_of(scene)
    colours = b"".join(bytes(colour) for colour, _ in inks.paints)
    # Alpha is listed up to the last that is not opaque.
    alphas = bytes(alpha for _, alpha in inks.paints).rstrip(b"\xff")
    return b"".join(
        (
            header(scene.width, scene.height, inks.bits, INDEXED),
            chunk(b"PLTE", colours),
            chunk(b"tRNS", alphas),
            chunk(b"IDAT", _Writer(scene, inks).stream()),
            chunk(b"IEND", b""),
        )
    )


def inks_of(scene: Scene) -> Inks:
    """Return the palette of a scene: clear first, then shades, lines, and the steps from plate to ink."""
    used: dict[Paint, None] = {((0, 0, 0), 0): None}
    used.update({(band.colour, band.alpha): None for band in scene.bands if band.alpha < 255})
    used.update({(band.colour, 255): None for band in scene.bands if band.alpha == 255})
    used.update({(ring.colour, 255): None for ring in scene.rings})
    used.update({(plate.colour, 255): None for plate in scene.plates})
    place = {paint: index for index, paint in enumerate(used)}
    paper, ink = plate_colours(scene.theme)
    levels = range(_INK_LEVELS if scene.plates else 0)
    steps = [(_mixed(paper, ink, level), 255) for level in levels]
    return Inks((*used, *steps), place, len(used))


def _mixed(paper: Colour, ink: Colour, level: int) -> Colour:
    first, second, third = (round(p + (i - p) * level / (_INK_LEVELS - 1)) for p, i in zip(paper, ink, strict=True))
    return first, second, third


class _Writer:
    """Writes the rows of one scene, filtered and deflated, as one zlib stream (RFC 1950).

    Blocks written by hand stand between full flushes, after which nothing refers back (RFC 1951).
    """

    def __init__(self, scene: Scene, inks: Inks) -> None:
        self._painter = _Painter(scene, inks)
        self._above = np.zeros((scene.width * inks.bits + 7) // 8, dtype=np.uint8)
        self._is_first = True
        self._check = 1
        self._deflate = zlib_ng.compressobj(level=5, wbits=-15, memLevel=9)

    def stream(self) -> bytes:
        """Return the whole stream."""
        out = [b"\x78\x01"]
        for rows, repeats in self._painter.blocks():
            filtered = self._filtered(rows)
            if repeats is None:
                self._check = zlib_ng.adler32(filtered.data, self._check)
                out.append(self._deflate.compress(filtered.data))
                continue
            for row, times in zip(filtered, repeats, strict=True):
                self._check = checked(zlib_ng.adler32(row.data, self._check), len(row), times)
            out += (self._deflate.flush(zlib_ng.Z_FULL_FLUSH), deflated(filtered, repeats))
        out += (self._deflate.flush(), struct.pack(">I", self._check))
        return b"".join(out)

    def _filtered(self, rows: Pixels) -> Pixels:
        """Return packed rows as their differences from the row above, with the filter's number."""
        filtered = up_filtered(rows, self._above)
        if self._is_first:
            # Nothing is above the first row; the number of no filter is a zero among zeros.
            filtered[0, 0], self._is_first = _NO_FILTER, False
        self._above = rows[-1]
        return filtered


class _Painter:
    """Paints rows of one scene as palette places, and packs them.

    A strip is a run of rows on which the same bands and plates lie.
    """

    def __init__(self, scene: Scene, inks: Inks) -> None:
        self._width, self._bits = scene.width, inks.bits
        self._plates = [_LaidPlate.of(plate, inks) for plate in scene.plates]
        self._rings = [
            (ring_edges(ring, scene.width, scene.height), inks.place[ring.colour, 255]) for ring in scene.rings
        ]
        reaches = [ring.outer.reach for ring in scene.rings]
        self._ring_reach = min((top for top, _ in reaches), default=0), max((end for _, end in reaches), default=0)
        self._cuts = _cuts(scene)
        # Shades first: rings are painted between them and all other bands.
        bands = sorted(scene.bands, key=lambda band: band.kind != "shade")
        self._shades = sum(band.kind == "shade" for band in bands)
        strips = {row: strip for strip, row in enumerate(self._cuts)}
        self._paints = [_paint_of(band, strips, inks) for band in bands]
        self._firsts, self._ends = (np.array([paint[side] for paint in self._paints], dtype=int) for side in (0, 1))

    def blocks(self) -> Iterator[tuple[Pixels, Sequence[int] | None]]:
        """Yield packed rows, top to bottom, and how often each of them repeats; `None` where all are there."""
        at_once = max(1, _LARGEST_BLOCK // self._width)
        for first in range(0, len(self._cuts) - 1, at_once):
            end = min(first + at_once, len(self._cuts) - 1)
            yield from self._strips(first, end)

    def _strips(self, first: int, end: int) -> Iterator[tuple[Pixels, Sequence[int] | None]]:
        """Yield the rows of some strips: plain ones that follow each other together, and so the others."""
        packed = _packed(self._painted(first, end), self._bits)
        # Rings lie under all bands but shades.
        is_ringed = any(self._is_ringed(strip) for strip in range(first, end))
        covered = self._painted(first, end, since=self._shades) if is_ringed else None
        for is_plain, group in groupby(range(first, end), key=self._is_plain):
            strips = list(group)
            start, stop = strips[0], strips[-1] + 1
            grounds = packed[start - first : stop - first]
            if is_plain:
                heights = pairwise(self._cuts[start : stop + 1])
                yield grounds, [bottom - top - 1 for top, bottom in heights]
            else:
                above = None if covered is None else covered[start - first : stop - first]
                yield from self._single_rows(start, stop, grounds, above)

    def _is_plain(self, strip: int) -> bool:
        """Whether nothing but bands lies on a strip."""
        top = self._cuts[strip]
        return not self._is_ringed(strip) and not any(plate.is_on(range(top, top + 1)) for plate in self._plates)

    def _is_ringed(self, strip: int) -> bool:
        first, last = self._ring_reach
        return bool(self._rings) and first - 1 <= self._cuts[strip] <= last + 1

    def _painted(self, first: int, end: int, *, since: int = 0) -> Pixels:
        """Return one row for each of some strips, with all their bands, or with those from one on."""
        pixels = np.zeros((end - first, self._width), dtype=np.uint8)
        active = np.flatnonzero((self._firsts < end) & (self._ends > first))
        for index in active[active >= since].tolist():
            top, bottom, left, right, ink = self._paints[index]
            pixels[max(top - first, 0) : bottom - first, left:right] = ink
        return pixels

    def _single_rows(
        self, start: int, stop: int, grounds: Pixels, covered: Pixels | None
    ) -> Iterator[tuple[Pixels, None]]:
        """Yield the rows of some strips with their rings and plates, some at a time."""
        heights = np.diff(self._cuts[start : stop + 1])
        strip_of = np.repeat(np.arange(stop - start), heights)
        for rows in self._some_at_once(self._cuts[start], self._cuts[stop]):
            place = rows.start - self._cuts[start]
            strips = strip_of[place : place + len(rows)]
            block = grounds[strips]
            if covered is not None:
                self._lay_rings(block, rows, strips, covered)
            self._lay_plates(block, rows)
            yield block, None

    def _some_at_once(self, top: int, bottom: int) -> Iterator[range]:
        at_once = max(1, _LARGEST_BLOCK // self._width)
        return (range(first, min(first + at_once, bottom)) for first in range(top, bottom, at_once))

    def _lay_rings(self, block: Pixels, rows: range, strips: NDArray[np.int64], covered: Pixels) -> None:
        """Lay rings on packed rows of the picture, where no band lies above them."""
        a_byte, mask = 8 // self._bits, (1 << self._bits) - 1
        for edges, ink in self._rings:
            row, column = ring_pixels(edges, rows)
            seen = covered[strips[row], column] == 0
            row, column = row[seen], column[seen]
            byte, place = np.divmod(column, a_byte)
            # The leftmost pixel stands in the highest bits; pixels that share a byte are laid one after the other.
            for each in range(a_byte):
                chosen, shift = place == each, 8 - (each + 1) * self._bits
                at = row[chosen], byte[chosen]
                block[at] = block[at] & (0xFF ^ (mask << shift)) | (ink << shift)

    def _lay_plates(self, block: Pixels, rows: range) -> None:
        for plate in self._plates:
            if plate.is_on(rows):
                plate.lay(block, rows)


def _paint_of(band: Band, strips: dict[int, int], inks: Inks) -> tuple[int, int, int, int, int]:
    """Return a band's first strip and the one after its last, its columns likewise, and its palette place."""
    rect = band.rect
    return strips[rect.y], strips[rect.bottom], rect.x, rect.right, inks.place[band.colour, band.alpha]


@dataclass(frozen=True, slots=True)
class _LaidPlate:
    """A label packed as it lies: whole bytes from one on, and which bits of the outer two it leaves to the ground."""

    rect: Rect
    first: int
    packed: Pixels
    left_ground: int
    right_ground: int

    @classmethod
    def of(cls, plate: Plate, inks: Inks) -> _LaidPlate:
        rect, a_byte = plate.rect, 8 // inks.bits
        before, behind = rect.x % a_byte, -rect.right % a_byte
        pixels = np.pad(plate_pixels(plate, inks), ((0, 0), (before, behind)))
        left, right = 0xFF00 >> before * inks.bits & 0xFF, (1 << behind * inks.bits) - 1
        return cls(rect, rect.x // a_byte, _packed(pixels, inks.bits), left, right)

    def is_on(self, rows: range) -> bool:
        """Whether the plate lies on some of the rows."""
        return self.rect.y < rows.stop and rows.start < self.rect.bottom

    def lay(self, block: Pixels, rows: range) -> None:
        """Lay the plate on packed rows of the picture."""
        top = self.rect.y
        first, last = self.first, self.first + self.packed.shape[1] - 1
        part = block[max(top - rows.start, 0) : self.rect.bottom - rows.start]
        left, right = part[:, first] & self.left_ground, part[:, last] & self.right_ground
        part[:, first : last + 1] = self.packed[max(rows.start - top, 0) : rows.stop - top]
        part[:, first] |= left
        part[:, last] |= right


def _cuts(scene: Scene) -> list[int]:
    """Return the rows at which strips begin, and the height."""
    cuts = {0, scene.height}
    for rect in (*(band.rect for band in scene.bands), *(plate.rect for plate in scene.plates)):
        cuts |= {rect.y, rect.bottom}
    for ring in scene.rings:
        top, bottom = ring.outer.reach
        cuts |= {min(max(int(top) - 2, 0), scene.height), min(max(int(bottom) + 3, 0), scene.height)}
    return sorted(cuts)


def plate_pixels(plate: Plate, inks: Inks) -> Pixels:
    """Return a label as palette places, turned as it lies on the picture."""
    label = text_mask(plate.lines, *plate.size).point(
        [inks.plate + (level * (_INK_LEVELS - 1) + 127) // 255 for level in range(256)]
    )
    for mark in plate.swatch:
        label.paste(inks.place[plate.colour, 255], (mark.x, mark.y, mark.right, mark.bottom))
    # Counter-clockwise: back from upright to the picture.
    turns = {90: Image.Transpose.ROTATE_90, 180: Image.Transpose.ROTATE_180, 270: Image.Transpose.ROTATE_270}
    return np.asarray(label.transpose(turns[plate.turn]) if plate.turn else label)


def _packed(rows: Pixels, bits: int) -> Pixels:
    """Return rows of palette places as their bytes, the leftmost pixel in the highest bits."""
    missing = -rows.shape[1] % (8 // bits)
    if missing:
        rows = np.pad(rows, ((0, 0), (0, missing)))
    while bits < 8:
        # Neighbours are joined, read as little-endian pairs, whatever the machine: the left one is the low byte.
        pairs = np.ascontiguousarray(rows).view("<u2")
        joined = pairs << np.uint16(bits)
        np.bitwise_or(joined, pairs >> np.uint16(8), out=joined)
        rows = joined.astype(np.uint8)
        bits *= 2
    return rows
