"""Computing endpoints: a job in, an answer out, by POST and by GET.

Each is a function from a job to an answer's own members; this module does the rest: reading,
identifiers, encoding, conditional GET. A POST never answers 304 (RFC 9110).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import orjson
from flask import Response, request

from tallwide.answers import Answer
from tallwide.job import Job
from tallwide.version import VERSION
from tallwide.wire import to_wire
from tallwide_service.api.body import JSON_TYPE, posted_job, queried_job
from tallwide_service.identity import answer_id

Compute = Callable[[Job, str], Answer]


def json_endpoint(path: str, compute: Compute) -> tuple[Callable[[], Response], Callable[[], Response]]:
    """Return the POST and the GET view of an endpoint whose answers are JSON."""

    def post() -> Response:
        job = posted_job(request)
        written = to_wire(job)
        identity = answer_id(path, written)
        return tagged(json_response(_written(compute(job, identity), written)), identity)

    def get() -> Response:
        job = queried_job(request)
        written = to_wire(job)
        identity = answer_id(path, written)
        if is_fresh(identity):
            return not_modified(identity)
        return cacheable(json_response(_written(compute(job, identity), written)), identity)

    return post, get


def _written(answer: Answer, job: Any) -> Any:
    """Return the JSON form of an answer, whose job has been written before."""
    return to_wire(replace(answer, job=job))


def json_response(document: Any) -> Response:
    """Return a JSON document as a response."""
    return Response(orjson.dumps(document, option=orjson.OPT_APPEND_NEWLINE), mimetype=JSON_TYPE)


def is_fresh(identity: str) -> bool:
    """Whether the client's `If-None-Match` names this answer (weak comparison, RFC 9110)."""
    return request.if_none_match.contains_weak(identity)


def not_modified(identity: str) -> Response:
    """Return the 304 for an answer that the client has."""
    return cacheable(Response(status=304), identity)


def cacheable(response: Response, identity: str) -> Response:
    """Mark a response as one that never changes for this engine version."""
    response = tagged(response, identity)
    # The same URL gives other bytes after an upgrade, so caches ask again after an hour.
    response.headers["Cache-Control"] = "public, max-age=3600"
    return response


def tagged(response: Response, identity: str) -> Response:
    """Give a response its identifier as ETag, and what it varies by."""
    response.set_etag(identity)
    response.headers["Vary"] = "Accept"
    response.headers["Tallwide-Engine"] = VERSION
    return response
