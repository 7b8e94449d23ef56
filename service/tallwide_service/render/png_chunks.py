"""PNG's frame: the signature and the chunks around the data. PNG (third edition, W3C 2025), sections 5 and 11.2.1."""

from __future__ import annotations

import struct

from zlib_ng import zlib_ng

SIGNATURE = b"\x89PNG\r\n\x1a\n"
# Colour types.
TRUECOLOUR, INDEXED = 2, 3


def header(width: int, height: int, bits: int, colour_type: int) -> bytes:
    """Return the signature and the header of a picture of so many bits a sample, not interlaced."""
    return SIGNATURE + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, bits, colour_type, 0, 0, 0))


def chunk(name: bytes, data: bytes) -> bytes:
    """Return data in a chunk with its length and checksum."""
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib_ng.crc32(data, zlib_ng.crc32(name)))
