"""Pictures of a job: the overlay, as SVG or PNG by `Accept`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Response, request
from flask_smorest import Blueprint

from tallwide.job import Job
from tallwide.wire import to_wire
from tallwide_service.api.body import posted_job, queried_job
from tallwide_service.api.computing import cacheable, is_fresh, not_modified, tagged
from tallwide_service.api.documented import IF_NONE_MATCH, JOB_PARAMETER, job_body, refusals
from tallwide_service.api.problems import Problem
from tallwide_service.core import solve
from tallwide_service.errors import CannotBeMet, Fault
from tallwide_service.identity import answer_id
from tallwide_service.limits import LIMITS
from tallwide_service.render import Scene, overlay_scene, png, svg

blueprint = Blueprint("pictures", __name__, description="What the crew sees.")

PATH = "/v1/overlay"
SVG, PNG = "image/svg+xml", "image/png"
WRITERS: dict[str, Callable[[Scene], bytes]] = {SVG: lambda scene: svg(scene).encode("utf-8"), PNG: png}


def wanted_type() -> str:
    """Return the picture's media type by `Accept`; SVG where anything will do."""
    wanted = request.accept_mimetypes.best_match(list(WRITERS))
    if wanted is None and request.accept_mimetypes:
        raise Problem(
            406,
            "not-acceptable",
            "No such representation",
            "an overlay exists as " + " and ".join(WRITERS),
            headers={"Vary": "Accept"},
        )
    return wanted or SVG


def overlay(job: Job, media_type: str) -> bytes:
    """Return the overlay of a job in one media type."""
    raster = job.capture.raster
    pixels = raster.width * raster.height
    if media_type == PNG and pixels > LIMITS.overlay_png_px:
        detail = f"a PNG has at most {LIMITS.overlay_png_px} px, not {pixels}; an SVG has no such bound"
        raise CannotBeMet(detail, (Fault("/capture/raster", detail),))
    return WRITERS[media_type](overlay_scene(job, solve(job).extractions))


def picture_response(job: Job, media_type: str) -> Response:
    """Return the overlay as a response."""
    return Response(overlay(job, media_type), mimetype=media_type)


def _answered() -> dict[str, Any]:
    return {
        "200": {
            "description": "The overlay in the size of the recorded raster, transparent.",
            "content": {SVG: {"schema": {"type": "string"}}, PNG: {"schema": {"type": "string", "format": "binary"}}},
        }
    }


@blueprint.route(PATH, methods=["POST"], endpoint="overlay")
@blueprint.doc(
    operationId="overlay",
    summary="Draw every frame on the recorded raster",
    requestBody=job_body(),
    responses={**_answered(), **refusals(400, 406, 413, 415, 422)},
)
def post_overlay() -> Response:
    """Draw the job in the body."""
    media_type = wanted_type()
    job = posted_job(request)
    return tagged(picture_response(job, media_type), answer_id(PATH, to_wire(job), media_type=media_type))


@blueprint.route(PATH, methods=["GET"], endpoint="overlay_by_query")
@blueprint.doc(
    operationId="overlay_by_query",
    summary="Draw every frame on the recorded raster (short jobs, cacheable)",
    parameters=[JOB_PARAMETER, IF_NONE_MATCH],
    responses={
        **_answered(),
        "304": {"description": "The client has this picture."},
        **refusals(400, 406, 413, 422),
    },
)
def get_overlay() -> Response:
    """Draw the job in the query, unless the client has the picture."""
    media_type = wanted_type()
    job = queried_job(request)
    identity = answer_id(PATH, to_wire(job), media_type=media_type)
    if is_fresh(identity):
        return not_modified(identity)
    return cacheable(picture_response(job, media_type), identity)
