"""Identifiers: what makes an answer the same answer, and a framing decision the same decision.

Both are SHA-256 in hexadecimal over canonical JSON (RFC 8785).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from typing import Any

import orjson
import rfc8785

from tallwide.answers import Extraction
from tallwide.job import Capture
from tallwide.version import VERSION
from tallwide.wire import to_wire

# Looks at JSON by its outline: every digit as 0, what may stand before a number as a comma, bytes of characters beyond
# the basic plane as one.
_OUTLINE = bytes.maketrans(b"123456789:[-E" + bytes(range(0xF1, 0x100)), b"000000000,,,e" + b"\xf0" * 15)
# Names that UTF-16 sorts otherwise; numbers in exponent form; integers that a double may not hold.
_DOUBTFUL_OUTLINES = (b"\xf0", b"0e", b"," + 16 * b"0")
# Whole floats; very small ones. A pattern that begins with plain text is searched for as fast as text.
_DOUBTFUL = re.compile(rb'\.0(?:(?![0-9"])|000)')


def answer_id(
    endpoint: str, job: Mapping[str, Any], *, media_type: str = "application/json", upload: str | None = None
) -> str:
    """Return the identifier of an answer: endpoint, job with its defaults, engine version, media type and upload.

    `upload` is the SHA-256 of a file that came with the job.

    The caller's `_` members count, because the answer repeats them.
    """
    named = {"endpoint": endpoint, "job": job, "engine_version": VERSION, "media_type": media_type}
    return _digest(named if upload is None else {**named, "upload": upload})


def decision_id(capture: Capture, extractions: Iterable[Extraction]) -> str:
    """Return the identifier of a framing decision: the capture's geometry and the rectangles alone.

    It stays the same for every endpoint and every version as long as no pixel has moved.
    """
    geometry = {
        "raster": [capture.raster.width, capture.raster.height],
        "photosites": [capture.imager.width, capture.imager.height],
        "squeeze": capture.squeeze,
        "squeeze_axis": capture.squeeze_axis,
        "roll": capture.roll,
    }
    return decision_digest(geometry, [[to_wire(each.rect), to_wire(each.protection_rect)] for each in extractions])


def decision_digest(geometry: Mapping[str, Any], rects: list[list[Any]]) -> str:
    """Return the identifier of a decision from its parts as they are written."""
    document = {"capture": geometry, "rects": rects}
    # All else in it are whole numbers of pixels and texts that are named here.
    is_plain = type(geometry["squeeze"]) is int
    return _hashed(orjson.dumps(document, option=orjson.OPT_SORT_KEYS)) if is_plain else _digest(document)


def canonical_json(document: Mapping[str, Any]) -> bytes:
    """Return the canonical form of a JSON object (RFC 8785).

    orjson with sorted names writes the same bytes much faster, unless there is something in them
    that the two may write differently or that only one refuses. Text that merely looks so costs
    time and nothing else.

    Raises
    ------
    ValueError
        If it holds a number or a character that has no such form.
    """
    try:
        written = orjson.dumps(document, option=orjson.OPT_SORT_KEYS)
    except TypeError:
        return rfc8785.dumps(dict(document))
    return rfc8785.dumps(dict(document)) if _is_doubtful(written) else written


def _is_doubtful(written: bytes) -> bool:
    outline = written.translate(_OUTLINE)
    # null is what orjson writes for NaN.
    for mark in _DOUBTFUL_OUTLINES:
        if mark in outline:
            return True
    return b"null" in written or _DOUBTFUL.search(written) is not None


def _digest(document: Mapping[str, Any]) -> str:
    return _hashed(canonical_json(document))


def _hashed(written: bytes) -> str:
    return hashlib.sha256(written).hexdigest()
