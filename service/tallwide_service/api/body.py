"""Reading: bytes of a request to a job, refusing whatever is not exactly one JSON document.

Python's own JSON reader takes NaN and lets a later member of the same name win; both are refused.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
import zlib
from collections import Counter
from collections.abc import Mapping
from typing import Any, NoReturn

from flask import Request
from marshmallow import ValidationError

from tallwide.job import Job
from tallwide.nesting import is_nested_deeper
from tallwide_service.api.problems import Problem, faults_of
from tallwide_service.api.quick_reader import Doubt, is_deep, quick_document, reader_of
from tallwide_service.api.schemas import JOB_SCHEMA, has_half_pair
from tallwide_service.errors import InvalidJob, passed_bound
from tallwide_service.limits import LIMITS

JSON_TYPE = "application/json"
_HALF_PAIR = re.compile(r"\\u[dD][89a-fA-F]")

_quick_job = reader_of(JOB_SCHEMA)


def posted_job(request: Request, *, beside: frozenset[str] = frozenset()) -> Job:
    """Return the job in a request's body; `beside` names what the query may hold."""
    refuse_unknown_parameters(request, beside)
    return counted(request, read_job(posted_bytes(request)))


def counted(request: Request, job: Job) -> Job:
    """Return a job, once it is noted how many frames an answer to it has computed."""
    request.environ["tallwide.items"] = len(job.deliverables)
    return job


def queried_job(request: Request, *, beside: frozenset[str] = frozenset()) -> Job:
    """Return the job in `?job=`: JSON, deflated (zlib, RFC 1950), base64url without padding.

    `beside` names what else the query may hold.
    """
    refuse_unknown_parameters(request, beside | {"job"})
    given = request.args.getlist("job")
    if len(given) > 1:
        raise unreadable_query("the parameter job is given more than once")
    if not any(given):
        raise unreadable_query("the parameter job is required")
    (written,) = given
    if len(written) > LIMITS.query_job_characters:
        raise too_large("the parameter job", LIMITS.query_job_characters, len(written), "characters")
    return counted(request, read_job(inflated(written)))


def refuse_unknown_parameters(request: Request, known: frozenset[str]) -> None:
    """Refuse a query with a parameter that the endpoint does not have: nothing is silently left out."""
    unknown = sorted(request.args.keys() - known)
    if unknown:
        raise unreadable_query(f"unknown parameter {unknown[0][:40]!r}")


def unreadable_query(why: str) -> Problem:
    """Return the problem of a query string that is not what the endpoint reads."""
    return Problem(400, "query", "The query could not be read", why)


def posted_bytes(request: Request) -> bytes:
    """Return a request's body, bounded, of the right content type."""
    if request.mimetype != JSON_TYPE:
        raise Problem(
            415,
            "content-type",
            "The content type is not application/json",
            f"send {JSON_TYPE}, not {request.mimetype or 'nothing'}",
            headers={"Accept": JSON_TYPE},
        )
    refuse_coding(request)
    if request.content_length is not None and request.content_length > LIMITS.body_bytes:
        raise too_large("the body", LIMITS.body_bytes, request.content_length, "bytes")
    body = request.stream.read(LIMITS.body_bytes + 1)
    if len(body) > LIMITS.body_bytes:
        raise too_large("the body", LIMITS.body_bytes, f"more than {LIMITS.body_bytes}", "bytes")
    return body


def refuse_coding(request: Request) -> None:
    """Refuse a body that is declared with a content coding."""
    if request.headers.get("Content-Encoding", "identity") != "identity":
        raise Problem(
            415,
            "content-coding",
            "The content coding is not understood",
            "send the document as it is, without a content coding",
            headers={"Accept-Encoding": "identity"},
        )


def inflated(written: str) -> bytes:
    """Return the bytes in a `?job=` parameter, never more than is allowed."""
    try:
        packed = base64.b64decode(written + "=" * (-len(written) % 4), altchars=b"-_", validate=True)
        inflator = zlib.decompressobj()
        document = inflator.decompress(packed, LIMITS.query_job_bytes + 1)
    except (binascii.Error, ValueError, zlib.error) as error:
        raise unreadable_query("job is not base64url of a deflated (zlib) document") from error
    if len(document) > LIMITS.query_job_bytes:
        raise too_large("the document in job", LIMITS.query_job_bytes, f"more than {LIMITS.query_job_bytes}", "bytes")
    if not inflator.eof or inflator.unused_data:
        raise unreadable_query("the deflated document in job is cut or followed")
    return document


def too_large(what: str, limit: int, got: int | str, unit: str) -> Problem:
    """Return the problem of something that is larger than is read."""
    return Problem(
        413,
        "too-large",
        "The request is too large",
        f"{what} has at most {limit} {unit}, not {got}",
        members={"limit": limit, "got": got},
    )


def read_job(body: bytes) -> Job:
    """Return the job that a body describes: quickly where nothing speaks against it, else by its schema."""
    try:
        document = quick_document(body)
        if is_deep(document):
            raise Doubt
        job: Job = _quick_job(document)
    except Doubt:
        job = job_of(json_document(body))
    return job


def json_document(body: bytes, *, levels: int = LIMITS.nesting) -> Any:
    """Return the JSON value in UTF-8 bytes: no duplicate names, no NaN, no nesting beyond some levels."""
    if not body.strip():
        raise unreadable("the body is empty")
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise unreadable(f"byte {error.start} is not UTF-8") from error
    refuse_deep_nesting(text, levels)
    try:
        document = json.loads(
            text,
            object_pairs_hook=_unique_names,
            parse_int=_bounded_whole,
            parse_float=_bounded_real,
            parse_constant=_refuse_constant,
        )
    except json.JSONDecodeError as error:
        raise unreadable(f"{error.msg} at line {error.lineno}, column {error.colno}") from error
    if _HALF_PAIR.search(text):
        _refuse_half_pairs(document)
    return document


def refuse_deep_nesting(text: str, levels: int) -> None:
    """Refuse more levels than any job has, before a reader recurses into them."""
    if is_nested_deeper(text, levels):
        deeper = levels + 1  # what lies below is not counted
        raise unreadable(f"it is nested more than {levels} levels deep", limit=levels, got=deeper)


def _unique_names(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) < len(pairs):
        twice = next(name for name, count in Counter(name for name, _ in pairs).items() if count > 1)
        raise unreadable(f"the name {twice[:40]!r} stands twice in one object")
    return members


def _refuse_half_pairs(value: Any) -> None:
    """Refuse names that no answer and no problem could repeat; values are looked at by the schemas."""
    if isinstance(value, dict):
        for name, member in value.items():
            if has_half_pair(name):
                raise unreadable(f"the name {name[:40]!r} holds half of a surrogate pair")
            _refuse_half_pairs(member)
    elif isinstance(value, list):
        for item in value:
            _refuse_half_pairs(item)


def _bounded_whole(written: str) -> int:
    _refuse_long_number(written)
    return int(written)


def _bounded_real(written: str) -> float:
    _refuse_long_number(written)
    return float(written)


def _refuse_long_number(written: str) -> None:
    """Refuse a number of more characters than any double needs, before it is made."""
    if len(written) > LIMITS.number_characters:
        raise unreadable(
            f"it holds a number of {len(written)} digits and signs; at most {LIMITS.number_characters} are read",
            limit=LIMITS.number_characters,
            got=len(written),
        )


def _refuse_constant(name: str) -> NoReturn:
    raise unreadable(f"{name} is not JSON")


def unreadable(why: str, *, limit: int | None = None, got: int | None = None) -> Problem:
    """Return the problem of a body that is not one JSON document, or not one that is read."""
    members = passed_bound(limit, got)
    return Problem(400, "not-json", "The body is not a JSON document", why, members=members)


def job_for_clips(members: Mapping[str, Any]) -> Job:
    """Return the job of deliverables, and of how they lie together, whose captures are clips': each takes its place."""
    # As large as a raster may be, whatever the framing is.
    side = LIMITS.shared_point_side_px
    return job_of({**members, "capture": {"raster": {"width": side, "height": side}}})


def job_of(document: Any) -> Job:
    """Return the job that a JSON value describes, or all its faults at once."""
    try:
        job: Job = JOB_SCHEMA.load(document)
    except ValidationError as error:
        faults = faults_of(error.messages)
        raise Problem(
            422,
            InvalidJob.slug,
            InvalidJob.title,
            "; ".join(f"{fault['pointer'] or 'the job'}: {fault['detail']}" for fault in faults[:3])
            + (f"; and {len(faults) - 3} more" if len(faults) > 3 else ""),
            faults=faults,
        ) from error
    return job
