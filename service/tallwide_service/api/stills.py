"""Stills with a job: multipart/form-data (RFC 7578) with a part `job` and a part `still`."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Any

from flask import request
from werkzeug.datastructures import Headers
from werkzeug.exceptions import RequestEntityTooLarge
from werkzeug.formparser import MultiPartParser

from tallwide.job import Job, Plate
from tallwide_service.api.body import counted, job_of, json_document, refuse_unknown_parameters, too_large
from tallwide_service.api.documented import EXAMPLE_JOB, JSON_TYPE, job_body
from tallwide_service.api.problems import Problem
from tallwide_service.limits import LIMITS
from tallwide_service.memory import give_large_blocks_back, give_pieces_back

if TYPE_CHECKING:
    from tallwide_service.render.still import Bounds, Still

MULTIPART = "multipart/form-data"
STILL_BOUNDS = (
    f"PNG, JPEG or TIFF of at most {LIMITS.plate_bytes} bytes and {LIMITS.plate_px} px; {LIMITS.plate_turned_px} px "
    f"where it has to be turned, {LIMITS.plate_deep_px} px with 16 bits a channel, transparency or four inks. The "
    "file, four bytes for each pixel and what its form needs beside them (a strip or tile of a packed TIFF, the "
    f"coefficients of a JPEG of several scans) have at most {LIMITS.plate_decoding_bytes} bytes. "
    "Larger ones are to be brought with 8 bits, or as a JPEG of one scan."
)


@dataclass(frozen=True, slots=True)
class Posted:
    """A job, its still as recorded, and the SHA-256 of the file that the still came in."""

    job: Job
    still: Still
    upload: str


class _Parts(MultiPartParser):
    """The parts of a form in memory, which is bounded and needs no disk; fields keep their bytes, whatever they are."""

    def __init__(self) -> None:
        super().__init__(stream_factory=_in_memory, max_form_memory_size=LIMITS.body_bytes, max_form_parts=4)

    def get_part_charset(self, headers: Headers) -> str:
        """Return the one coding that takes any bytes; as UTF-8, what is none would be mended silently."""
        del headers
        return "latin-1"


def _in_memory(*_: Any, **__: Any) -> IO[bytes]:
    return io.BytesIO()


def has_still() -> bool:
    """Whether the request says that it brings a still."""
    return request.mimetype == MULTIPART


def still_bounds() -> Bounds:
    """Return the bounds of what is decoded."""
    from tallwide_service.render.still import Bounds  # noqa: PLC0415 - decoders load when a still comes

    return Bounds(
        LIMITS.plate_px,
        LIMITS.plate_turned_px,
        LIMITS.plate_deep_px,
        LIMITS.plate_decoding_bytes,
        LIMITS.jpeg_scans,
    )


def posted_job_and_still() -> Posted:
    """Return the parts of a multipart request, bounded before they are read."""
    refuse_unknown_parameters(request, frozenset())
    give_large_blocks_back()
    from tallwide_service.render.still import read_still  # noqa: PLC0415 - decoders load when a still comes

    most = LIMITS.plate_bytes + LIMITS.body_bytes
    if request.content_length is not None and request.content_length > most:
        raise too_large("the body", most, request.content_length, "bytes")
    request.max_content_length = most
    try:
        boundary = request.mimetype_params.get("boundary", "").encode("ascii")
        form, files = _Parts().parse(request.stream, boundary, request.content_length)
    except RequestEntityTooLarge as error:
        raise too_large(
            "the body", most, f"more than {most}, or a job of more than {LIMITS.body_bytes}", "bytes"
        ) from error
    except ValueError as error:
        raise _wrong_parts(f"they cannot be told apart: {error}") from error
    give_pieces_back()
    unknown = sorted(str(name or "") for name in (form.keys() | files.keys()) - {"job", "still"})
    if unknown:
        raise _wrong_parts(f"there is no part {unknown[0][:40]!r}; the parts are job and still")
    written = [text.encode("latin-1") for text in form.getlist("job")]
    written += [file.read(LIMITS.body_bytes + 1) for file in files.getlist("job")]
    stills = files.getlist("still")
    if len(written) != 1 or len(stills) != 1:
        raise _wrong_parts("there must be one part job and one part still, which is a file")
    if len(written[0]) > LIMITS.body_bytes:
        raise too_large("the part job", LIMITS.body_bytes, f"more than {LIMITS.body_bytes}", "bytes")
    job, file = counted(request, job_of(json_document(written[0]))), stills[0]
    size = file.stream.seek(0, io.SEEK_END)
    if size > LIMITS.plate_bytes:
        raise too_large("the part still", LIMITS.plate_bytes, size, "bytes")
    file.stream.seek(0)
    upload = hashlib.file_digest(file.stream, "sha256").hexdigest()  # type: ignore[arg-type]
    file.stream.seek(0)
    still = read_still(
        file.stream,
        job.capture,
        fit=(job.plate or Plate()).fit,
        bounds=still_bounds(),
        declared=file.mimetype,
    )
    return Posted(job, still, upload)


def _wrong_parts(why: str) -> Problem:
    return Problem(400, "parts", "The parts of the body are wrong", why)


def job_or_still_body() -> dict[str, Any]:
    """Return the request body of an endpoint that takes a job, alone or with a still."""
    body = job_body(EXAMPLE_JOB)
    body["content"][MULTIPART] = {
        "schema": {
            "type": "object",
            "required": ["job", "still"],
            "additionalProperties": False,
            "properties": {
                "job": {"$ref": "#/components/schemas/Job"},
                "still": {"type": "string", "format": "binary", "description": STILL_BOUNDS},
            },
        },
        "encoding": {"job": {"contentType": JSON_TYPE}},
    }
    return body
