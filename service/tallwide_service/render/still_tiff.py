"""TIFF of a still: strips of rows, each sample as its difference from the one to its left, deflated.

TIFF 6.0 (Adobe, 1992) with its section 14, differencing predictor, and compression 8 of the Adobe Photoshop TIFF
Technical Notes (2002), deflate. Written like a still's PNG, a strip at a time and with runs alone, because the common
writer takes twice as long and goes beyond the bound on memory.
"""

from __future__ import annotations

import struct
from io import BytesIO

import numpy as np
from PIL import Image
from zlib_ng import zlib_ng

_STRIP_ROWS = 64
_SHORT, _LONG, _RATIONAL = 3, 4, 5
_HEADER_BYTES = 8


def still_tiff(picture: Image.Image) -> bytes:
    """Return an RGB picture as TIFF of 8 bits a channel."""
    width, height = picture.size
    out = BytesIO()
    out.write(bytes(_HEADER_BYTES))
    offsets, sizes = [], []
    for top in range(0, height, _STRIP_ROWS):
        offsets.append(out.tell())
        sizes.append(out.write(_strip(picture, top)))
    # Directories and longs lie on even places.
    out.write(bytes(out.tell() % 2))
    at = out.tell()
    out.write(_directory(width, height, offsets, sizes, at))
    out.seek(0)
    out.write(struct.pack("<2sHI", b"II", 42, at))
    return out.getvalue()


def _strip(picture: Image.Image, top: int) -> bytes:
    width, height = picture.size
    bottom = min(top + _STRIP_ROWS, height)
    rows = np.asarray(picture.crop((0, top, width, bottom)))
    different = rows.copy()
    np.subtract(rows[:, 1:], rows[:, :-1], out=different[:, 1:])
    deflate = zlib_ng.compressobj(level=1, memLevel=9, strategy=zlib_ng.Z_RLE)
    return deflate.compress(different.data) + deflate.flush()


def _directory(width: int, height: int, offsets: list[int], sizes: list[int], at: int) -> bytes:
    """Return the directory for a place of the file, and behind it the values that are longer than a field."""
    fields = (
        (256, _LONG, [width]),
        (257, _LONG, [height]),
        (258, _SHORT, [8, 8, 8]),  # bits per sample
        (259, _SHORT, [8]),  # deflate
        (262, _SHORT, [2]),  # RGB
        (273, _LONG, offsets),
        (277, _SHORT, [3]),  # samples per pixel
        (278, _LONG, [_STRIP_ROWS]),
        (279, _LONG, sizes),
        (282, _RATIONAL, [1, 1]),  # resolution across and down, which section 6 requires: square pixels
        (283, _RATIONAL, [1, 1]),
        (284, _SHORT, [1]),  # samples stand pixel by pixel
        (296, _SHORT, [1]),  # no unit of resolution
        (317, _SHORT, [2]),  # differences from the left
    )
    entries, behind = [], b""
    first = at + 2 + 12 * len(fields) + 4
    for tag, kind, values in fields:
        packed = struct.pack(f"<{len(values)}{'H' if kind == _SHORT else 'I'}", *values)
        if len(packed) > 4:
            field = struct.pack("<I", first + len(behind))
            behind += packed
        else:
            field = packed.ljust(4, b"\0")
        count = len(values) // 2 if kind == _RATIONAL else len(values)
        entries.append(struct.pack("<HHI", tag, kind, count) + field)
    return struct.pack("<H", len(fields)) + b"".join(entries) + struct.pack("<I", 0) + behind
