"""PNG's frame: the signature and the chunks around the data. PNG (third edition, W3C 2025), section 5."""

from __future__ import annotations

import struct

from zlib_ng import zlib_ng

SIGNATURE = b"\x89PNG\r\n\x1a\n"


def chunk(name: bytes, data: bytes) -> bytes:
    """Return data in a chunk with its length and checksum."""
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib_ng.crc32(data, zlib_ng.crc32(name)))
