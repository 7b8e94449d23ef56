"""Drawing endpoints: a job in, a picture or a sheet of paper out, in one of a few media types by `Accept`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from flask import Response, request
from flask_smorest import Blueprint

from tallwide.job import Job
from tallwide.wire import to_wire
from tallwide_service.api.body import posted_job, queried_job
from tallwide_service.api.computing import cacheable, is_fresh, not_modified, tagged
from tallwide_service.api.documented import IF_NONE_MATCH, job_body, job_parameter, refusals
from tallwide_service.api.problems import Problem
from tallwide_service.identity import answer_id

SVG, PNG, PDF = "image/svg+xml", "image/png", "application/pdf"


@dataclass(frozen=True, slots=True)
class Drawn:
    """An endpoint that draws: its media types, the one for any `Accept` first, and what draws them."""

    path: str
    media_types: tuple[str, ...]
    draw: Callable[[Job, str], bytes]
    summary: str
    description: str

    @property
    def name(self) -> str:
        """The operation's name."""
        return self.path.removeprefix("/v1/").replace("/", "_")


def wanted_type(media_types: tuple[str, ...]) -> str:
    """Return the media type that `Accept` asks for; the first where anything will do."""
    wanted = request.accept_mimetypes.best_match(list(media_types))
    if wanted is None and request.accept_mimetypes:
        raise Problem(
            406,
            "not-acceptable",
            "No such representation",
            "this exists as " + " and ".join(media_types),
            headers={"Vary": "Accept"},
        )
    return wanted or media_types[0]


def drawn_content(media_types: tuple[str, ...]) -> dict[str, Any]:
    """Return what an OpenAPI response says of its media types."""
    return {
        media_type: {"schema": {"type": "string"} if media_type == SVG else {"type": "string", "format": "binary"}}
        for media_type in media_types
    }


def draw_posted(drawn: Drawn) -> Response:
    """Draw the job in the body."""
    media_type = wanted_type(drawn.media_types)
    job = posted_job(request)
    response = Response(drawn.draw(job, media_type), mimetype=media_type)
    return tagged(response, answer_id(drawn.path, to_wire(job), media_type=media_type))


def draw_queried(drawn: Drawn) -> Response:
    """Draw the job in the query, unless the client has the picture."""
    media_type = wanted_type(drawn.media_types)
    job = queried_job(request)
    identity = answer_id(drawn.path, to_wire(job), media_type=media_type)
    if is_fresh(identity):
        return not_modified(identity)
    response = cacheable(Response(drawn.draw(job, media_type), mimetype=media_type), identity)
    # A picture on somebody's page: all that it shows stands in the address that asks for it.
    response.headers["Cross-Origin-Resource-Policy"] = "cross-origin"
    return response


def serve_drawn(
    group: Blueprint,
    drawn: Drawn,
    *,
    post: Callable[[], Response] | None = None,
    body: dict[str, Any] | None = None,
    more_types: tuple[str, ...] = (),
) -> None:
    """Register a drawing endpoint for POST and GET in a group of the document.

    `post` answers POST in place of the plain form, with `body` as its request body and `more_types`
    beside the plain media types.
    """
    answered = {"200": {"description": drawn.description, "content": drawn_content(drawn.media_types)}}
    posted = {"200": {"description": drawn.description, "content": drawn_content((*drawn.media_types, *more_types))}}
    document_post = group.doc(
        operationId=drawn.name,
        summary=drawn.summary,
        requestBody=body or job_body(),
        responses={**posted, **refusals(400, 406, 413, 415, 422)},
    )
    document_get = group.doc(
        operationId=f"{drawn.name}_by_query",
        summary=f"{drawn.summary} (short jobs, cacheable)",
        parameters=[job_parameter(), IF_NONE_MATCH],
        responses={
            **answered,
            "304": {"description": "The client has this picture."},
            **refusals(400, 406, 413, 422),
        },
    )

    def post_view() -> Response:
        return draw_posted(drawn)

    def get_view() -> Response:
        return draw_queried(drawn)

    group.route(drawn.path, methods=["POST"], endpoint=drawn.name)(document_post(post or post_view))
    group.route(drawn.path, methods=["GET"], endpoint=f"{drawn.name}_by_query")(document_get(get_view))
