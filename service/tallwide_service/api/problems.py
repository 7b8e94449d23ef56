"""Problems: every refusal as `application/problem+json` (RFC 9457); which kinds there are, and how each is written."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator, Mapping
from http import HTTPStatus
from typing import Any

import orjson
from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException

from tallwide_service.errors import JobError, passed_bound
from tallwide_service.limits import LIMITS

MEDIA_TYPE = "application/problem+json"
LOG = logging.getLogger("tallwide_service")

# Each kind of problem that this service words itself: slug, status, and what it means.
KINDS: dict[str, tuple[int, str]] = {
    "no-token": (401, "The service asks for a bearer token, and none that opens it was shown."),
    "busy": (429, "All places to compute in are taken, and those to wait in; Retry-After says when to ask again."),
    "out-of-time": (503, "The work was ended because it took longer than `limit` seconds."),
    "stopping": (503, "The service was asked to stop: it finishes what it has begun; another replica is to be asked."),
    "query": (400, "The query string lacks what the endpoint needs, or holds what it cannot read."),
    "not-json": (400, "The body is empty, not UTF-8, not JSON, nested too deeply, or has a name twice in one object."),
    "not-arrow": (400, "A batch is no stream of Arrow, is damaged, or holds what is not read; the detail says which."),
    "parts": (400, "A multipart body has not exactly one part job and one part still."),
    "still": (422, "The uploaded still is not a picture that is read, is damaged or too large, or has the wrong size."),
    "not-acceptable": (406, "No representation that exists is among those that Accept lists; the detail lists them."),
    "too-slow": (408, "The body fell silent for `body_silence_s`, or was not there within `body_s`; see /v1/limits."),
    "too-large": (413, "The body, or what it unpacks to, is larger than `limit`; `got` says by how much."),
    "too-long": (414, "Path and query are longer than `limit` characters; `got` says how long."),
    "content-type": (415, "The body is not declared as a media type that the endpoint reads."),
    "content-coding": (415, "The body is declared with a content coding; none is understood."),
    "invalid-line": (422, "A line of a batch is readable but does not say which endpoint is asked what."),
    "invalid-table": (422, "A table of clips lacks a column or what is to be delivered, or has a wrong one."),
    "invalid-job": (422, "The job is readable but wrong. Every fault is in `errors`, with its pointer into the job."),
    "sweep-leaves-bounds": (422, "A sweep takes a member to values that no job may hold; `errors` says which."),
    "member-missing": (422, "The endpoint needs a member of the job that others do without; `errors` names it."),
    "no-such-picture": (422, "A map, a check or a comparison speaks of a picture that the job does not have."),
    "form-unreadable": (422, "A document does not keep to its standard; `errors` names each fault and its clause."),
    "cannot-be-met": (422, "No rectangles meet what the job asks for; `errors` names the constraints in conflict."),
}


class Problem(Exception):
    """A refusal of the web layer, with all that its document says; without a slug its type is `about:blank`."""

    def __init__(
        self,
        status: int,
        slug: str,
        title: str,
        detail: str,
        *,
        faults: list[dict[str, Any]] | None = None,
        members: Mapping[str, Any] | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status, self.slug, self.title, self.detail = status, slug, title, detail
        self.faults, self.members, self.headers = faults, members or {}, headers or {}


def problem_bytes(error: Problem, environ: Mapping[str, Any]) -> bytes:
    """Return a problem document; `environ` is that of the request (WSGI)."""
    root = environ.get("SCRIPT_NAME", "")
    document = {
        "type": f"{root}/problems/{error.slug}" if error.slug else "about:blank",
        "title": error.title,
        "status": error.status,
        "detail": error.detail,
        "instance": root + environ.get("PATH_INFO", "").encode("latin-1", "replace").decode("utf-8", "replace"),
        "request_id": environ.get("tallwide.request_id", ""),
        **error.members,
    }
    if error.faults:  # left out where nothing is wrong with a member of the job
        document["errors"] = error.faults
    return _encoded(document)


def problem_response(error: Problem) -> Response:
    """Return a problem document as the answer to the request at hand."""
    request.environ["tallwide.problem"] = error.slug
    response = Response(problem_bytes(error, request.environ), error.status, mimetype=MEDIA_TYPE)
    response.headers["Cache-Control"] = "no-store"
    response.headers.update(error.headers)
    return response


def _encoded(document: Mapping[str, Any]) -> bytes:
    try:
        return orjson.dumps(document, option=orjson.OPT_APPEND_NEWLINE, default=str)
    except TypeError:  # half of a surrogate pair, repeated from a request: escaped, it can be said
        return json.dumps(document, default=str).encode() + b"\n"


def faults_of(messages: Any, pointer: str = "") -> list[dict[str, Any]]:
    """Return marshmallow's nested messages as a flat list of pointers and sentences, bounded."""
    return list(_bounded(_faults(messages, pointer)))


def _bounded(faults: Iterator[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    for count, fault in enumerate(faults):
        if count == LIMITS.faults_listed:
            detail = f"more than {LIMITS.faults_listed} faults; the rest is left out"
            yield {"pointer": "", "detail": detail, "limit": LIMITS.faults_listed}
            return
        yield fault


def _faults(messages: Any, pointer: str) -> Iterator[dict[str, Any]]:
    if isinstance(messages, Mapping):
        for name, inner in messages.items():
            step = "" if name == "_schema" else "/" + str(name).replace("~", "~0").replace("/", "~1")
            yield from _faults(inner, pointer + step)
    elif isinstance(messages, list):
        for message in messages:
            yield from _faults(message, pointer)
    else:
        fault = {"pointer": pointer, "detail": str(messages)}
        for member in ("limit", "got"):
            value = getattr(messages, member, None)
            if value is not None:
                fault[member] = value
        yield fault


def register(app: Flask) -> None:
    """Answer every error of an app with a problem document."""
    app.register_error_handler(Problem, problem_response)
    app.register_error_handler(JobError, _answer_job_error)
    app.register_error_handler(HTTPException, _answer_http_error)
    app.register_error_handler(Exception, _answer_surprise)


def _answer_job_error(error: JobError) -> Response:
    faults = [fault.document() for fault in error.faults]
    members = passed_bound(error.limit, error.got)
    return problem_response(Problem(422, error.slug, error.title, str(error), faults=faults, members=members))


def _answer_http_error(error: HTTPException) -> Response:
    status = error.code or HTTPStatus.INTERNAL_SERVER_ERROR
    kept = {
        name: value
        for name, value in error.get_headers(request.environ)
        if name in ("Allow", "Retry-After", "WWW-Authenticate", "Location")
    }
    return problem_response(Problem(status, "", HTTPStatus(status).phrase, error.description or "", headers=kept))


# What reveals nothing; the log has the rest.
BROKEN = Problem(
    500,
    "",
    "Internal Server Error",
    "the service failed to answer; its log has the reason under this request_id",
)


def _answer_surprise(error: Exception) -> Response:
    LOG.error("unexpected error, request_id %s", request.environ.get("tallwide.request_id"), exc_info=error)
    return problem_response(BROKEN)
