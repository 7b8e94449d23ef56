"""What decoding a still takes, told from its headers, so that memory is bounded before any is taken.

Beside the file and the picture a decoder may hold a whole strip or tile of a TIFF, and all coefficients of a JPEG that
comes in several scans. Sizes of both are the file's own to state.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

from PIL import Image

# Pillow has four bytes for a pixel of three channels.
_PIXEL_BYTES = 4
# ITU-T T.81, table B.1: markers that do not stand between coded data; starts of a frame, and those of a progressive
# one; of a scan; the end.
_MARKER = re.compile(rb"\xff[^\x00\x01\xd0-\xd7\xff]", re.DOTALL)
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_PROGRESSIVE = frozenset({0xC2, 0xC6, 0xCA, 0xCE})
_SCAN, _END = 0xDA, 0xD9
# TIFF 6.0, section 8 and appendix A, and its technical note 2 on JPEG.
_COMPRESSION, _PHOTOMETRIC, _SAMPLES, BITS_PER_SAMPLE, _PLANES = 259, 262, 277, 258, 284
_STRIP_ROWS, _TILE_WIDTH, _TILE_HEIGHT = 278, 322, 323
_NOT_PACKED, _JPEGS, _YCBCR, _SEPARATE = 1, (6, 7), 6, 2
_SIZE_FIELDS = (BITS_PER_SAMPLE, _COMPRESSION, _PHOTOMETRIC, _SAMPLES, _PLANES, _STRIP_ROWS, _TILE_WIDTH, _TILE_HEIGHT)
_SHORT, _LONG = 3, 4


@dataclass(frozen=True, slots=True)
class Scans:
    """The scans of a JPEG.

    `count` is theirs, `coefficients_bytes` what a decoder holds of coefficients before it writes the first pixel: all
    of them, two bytes each, where no scan has the whole picture.
    """

    count: int
    coefficients_bytes: int


def decoding_bytes(picture: Image.Image, file_bytes: int, scans: Scans | None) -> int:
    """Return how many bytes the file, the picture and its decoder take together; the picture is opened, not loaded."""
    width, height = picture.size
    beside = scans.coefficients_bytes if scans is not None else _largest_piece_bytes(picture)
    return file_bytes + _PIXEL_BYTES * width * height + beside


def oddly_typed_field(tiff: memoryview | bytes) -> int | None:
    """Return the number of a field of the first directory that sizes are told from and that is no SHORT or LONG.

    TIFF 6.0 has them all as these. A decoder may understand what the reader of headers does not.
    """
    order = "<" if bytes(tiff[:2]) == b"II" else ">"
    try:
        (start,) = struct.unpack_from(order + "I", tiff, 4)
        (count,) = struct.unpack_from(order + "H", tiff, start)
        fields = [struct.unpack_from(order + "HH", tiff, start + 2 + 12 * place) for place in range(count)]
    except struct.error:  # cut short: no decoder finds it either
        return None
    return next((number for number, kind in fields if number in _SIZE_FIELDS and kind not in (_SHORT, _LONG)), None)


def scans_of(jpeg: memoryview | bytes, most: int) -> Scans:
    """Return the scans of a JPEG (ITU-T T.81, B.1 to B.2.3), of which one more than `most` are counted."""
    place, count, components, all_bytes, is_one_pass = 2, 0, 0, 0, True
    while count <= most and (found := _MARKER.search(jpeg, place)) is not None:
        place = found.start()
        marker, length = jpeg[place + 1], int.from_bytes(jpeg[place + 2 : place + 4], "big")
        segment = bytes(jpeg[place + 4 : place + 2 + length])
        if marker == _END:  # behind it some cameras put another picture
            break
        if marker in _FRAMES and len(segment) > 5:
            components, all_bytes = segment[5], _coefficients_bytes(segment)
            is_one_pass = marker not in _PROGRESSIVE
        elif marker == _SCAN:
            count += 1
            is_one_pass &= segment[:1] == bytes([components])
        place += 2 + length
    return Scans(count, 0 if is_one_pass and count <= 1 else all_bytes)


def _coefficients_bytes(frame: bytes) -> int:
    """Return how many bytes all coefficients of a JPEG have, by the header of its frame (ITU-T T.81, B.2.2, A.2.4)."""
    height, width = int.from_bytes(frame[1:3], "big"), int.from_bytes(frame[3:5], "big")
    factors = [(max(byte >> 4, 1), max(byte & 15, 1)) for byte in frame[7::3]] or [(1, 1)]
    across = -(-width // (8 * max(x for x, _ in factors)))
    down = -(-height // (8 * max(y for _, y in factors)))
    return across * down * sum(x * y for x, y in factors) * 64 * 2


def _largest_piece_bytes(picture: Image.Image) -> int:
    """Return how many bytes a strip or a tile of a packed TIFF has when it is unpacked; nothing of other formats.

    Where a file states strips and tiles, the larger ones count.
    """
    if picture.format != "TIFF":
        return 0
    compression = _number(picture, _COMPRESSION, _NOT_PACKED)
    if compression == _NOT_PACKED:
        return 0
    width, height = picture.size
    samples = 1 if _number(picture, _PLANES, 1) == _SEPARATE else _number(picture, _SAMPLES, 1)
    if _number(picture, _PHOTOMETRIC, 0) == _YCBCR:
        samples = max(samples, 4)  # they are handed over as four
    strip = width * min(_number(picture, _STRIP_ROWS, height), height)
    tile = _number(picture, _TILE_WIDTH, 0) * _number(picture, _TILE_HEIGHT, 0)
    piece_bytes = max(strip, tile) * -(-samples * _number(picture, BITS_PER_SAMPLE, 1) // 8)
    # A JPEG in a TIFF may come in several scans as any other, with two bytes more for each sample.
    return 3 * piece_bytes if compression in _JPEGS else piece_bytes


def _number(picture: Image.Image, tag: int, otherwise: int) -> int:
    """Return the value of a tag, the largest of several; what is no whole number is as good as absent."""
    value = getattr(picture, "tag_v2", {}).get(tag, otherwise)
    values = value if isinstance(value, tuple) else (value,)
    return max((number for number in values if isinstance(number, int)), default=otherwise)
