"""Identifiers: what makes an answer the same answer, and a framing decision the same decision.

Both are SHA-256 in hexadecimal over canonical JSON (RFC 8785).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any

import rfc8785

from tallwide.answers import Extraction
from tallwide.job import Capture
from tallwide.version import VERSION
from tallwide.wire import to_wire


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
    rects = [[to_wire(each.rect), to_wire(each.protection_rect)] for each in extractions]
    return _digest({"capture": geometry, "rects": rects})


def _digest(document: Mapping[str, Any]) -> str:
    return hashlib.sha256(rfc8785.dumps(dict(document))).hexdigest()
