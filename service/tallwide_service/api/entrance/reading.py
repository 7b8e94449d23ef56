"""Reading bodies before a place to compute in is taken, so that a slow sender holds nobody up.

Bodies of up to a job's size have one kind of place, uploads another. A place is held while the body comes in.
"""

from __future__ import annotations

import io
from collections import deque
from typing import Any, NamedTuple

from tallwide_service.api.entrance.places import Places
from tallwide_service.limits import LIMITS

Environ = dict[str, Any]
PIECE_BYTES = 65_536
LARGEST_UPLOAD_BYTES = LIMITS.plate_bytes + LIMITS.body_bytes


class Announced(NamedTuple):
    """What is to be read of a body."""

    length: int  # -1 where only the end tells
    most: int
    is_upload: bool


def announced(environ: Environ) -> Announced | None:
    """Return what is to be read of a body, or none of one that says that it is too large: it is refused unread."""
    length = environ.get("CONTENT_LENGTH") or ""
    if length.isascii() and length.isdigit():
        coming = int(length[:18])
    elif environ.get("wsgi.input_terminated"):
        coming = -1
    else:
        return None
    is_upload = environ.get("CONTENT_TYPE", "").lower().startswith("multipart/")  # RFC 9110, 8.3.1
    largest = LARGEST_UPLOAD_BYTES if is_upload else LIMITS.body_bytes
    return None if coming > largest else Announced(coming, coming if coming >= 0 else largest + 1, is_upload)


class Upload(io.RawIOBase):
    """A body that has been read, forgotten piece by piece as it is read again."""

    def __init__(self, pieces: deque[bytes | bytearray]) -> None:
        super().__init__()
        self._pieces = pieces

    def readable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer with what comes next, as far as one piece goes."""
        if not self._pieces:
            return 0
        piece = self._pieces.popleft()
        taken = min(len(piece), len(buffer))
        buffer[:taken] = piece[:taken]
        if taken < len(piece):
            self._pieces.appendleft(piece[taken:])
        return taken


class Reading:
    """Reads bodies ahead.

    Parameters
    ----------
    bodies
        Bodies of up to a job's size that are read at a time.
    uploads
        Larger ones.
    """

    def __init__(self, *, bodies: int, uploads: int) -> None:
        self._bodies, self._uploads = Places(bodies), Places(uploads)

    def read_ahead(self, environ: Environ) -> int:
        """Put a body that has been read in the place of one that is still to come, and return its length.

        Raises
        ------
        NoPlace
            If too many bodies are being read.
        """
        coming = announced(environ)
        if coming is None:
            return 0
        if coming.is_upload:
            return self._read_upload(environ, coming.most)
        self._bodies.take()
        try:
            body = environ["wsgi.input"].read(coming.most)
        finally:
            self._bodies.give_back()
        environ["wsgi.input"] = io.BytesIO(body)
        return len(body)

    def _read_upload(self, environ: Environ, most: int) -> int:
        self._uploads.take()
        pieces: deque[bytes | bytearray] = deque()
        read = 0
        try:
            while read < most and (piece := environ["wsgi.input"].read(min(PIECE_BYTES, most - read))):
                pieces.append(piece)
                read += len(piece)
        finally:
            self._uploads.give_back()
        environ["wsgi.input"] = Upload(pieces)
        return read


def sent_ahead(environ: Environ) -> bytes:
    """Return the body of a job's size that has been read, or nothing."""
    body = environ.get("wsgi.input")
    return body.getvalue() if isinstance(body, io.BytesIO) else b""
