"""Probes, versions, limits and the pages that problems point at."""

from __future__ import annotations

from typing import Any

from flask import Response, abort, current_app
from flask_smorest import Blueprint

from tallwide.version import VERSION
from tallwide_service.api.computing import json_response
from tallwide_service.api.documented import JSON_TYPE, refusals
from tallwide_service.api.member_bounds import member_bounds
from tallwide_service.api.problems import KINDS
from tallwide_service.limits import as_document

blueprint = Blueprint("operations", __name__, description="Whether the service is well, what it is, what it bounds.")


def plain_answer(description: str, schema: dict[str, Any] | None = None) -> dict[str, Any]:
    """Return the 200 response of a small JSON object."""
    content = {JSON_TYPE: {"schema": schema or {"type": "object"}}}
    return {"200": {"description": description, "content": content}}


@blueprint.route("/livez", methods=["GET"])
@blueprint.doc(operationId="livez", summary="Whether the process answers", responses=plain_answer("It does."))
def livez() -> Response:
    """Answer without computing anything."""
    return json_response({"status": "ok"})


@blueprint.route("/readyz", methods=["GET"])
@blueprint.doc(
    operationId="readyz",
    summary="Whether requests are welcome",
    responses={**plain_answer("They are."), **refusals(503)},
)
def readyz() -> Response:
    """Answer without computing anything; nothing has to be waited for, since the service keeps no state."""
    return json_response({"status": "ok"})


@blueprint.route("/healthz", methods=["GET"])
@blueprint.doc(
    operationId="healthz", summary="The same as /readyz", responses={**plain_answer("They are."), **refusals(503)}
)
def healthz() -> Response:
    """Answer as `/readyz` does."""
    return json_response({"status": "ok"})


@blueprint.route("/version", methods=["GET"])
@blueprint.doc(
    operationId="version", summary="Versions of service, API and engine", responses=plain_answer("Versions.")
)
def version() -> Response:
    """Return the versions; the engine's stands in every answer too."""
    return json_response({"service": VERSION, "api": "v1", "engine_version": VERSION})


BOUNDS = "Bounds by name; under `members` those of each member of a job by its pointer, `*` being any place of a list."
# No constants: a client made from the contract of one version asks another one, too.
BOUNDS_SCHEMA = {
    "type": "object",
    "properties": {
        **{
            name: {"type": "integer", "description": f"{bound} in this version.", "examples": [bound]}
            for name, bound in as_document().items()
        },
        "members": {"type": "object", "additionalProperties": {"type": "object"}},
    },
    "required": [*as_document(), "members"],
}


@blueprint.route("/v1/limits", methods=["GET"])
@blueprint.doc(
    operationId="limits", summary="Every bound of the service", responses=plain_answer(BOUNDS, BOUNDS_SCHEMA)
)
def limits() -> Response:
    """Return every bound by name, and those of the members of a job by pointer."""
    return json_response({**as_document(), "members": member_bounds()})


@blueprint.route("/metrics", methods=["GET"])
@blueprint.doc(
    operationId="metrics",
    summary="What has been answered, for Prometheus",
    responses={
        "200": {"description": "Numbers.", "content": {"text/plain": {"schema": {"type": "string"}}}},
        **refusals(404),
    },
)
def metrics() -> Response:
    """Return all numbers as text; 404 where they are switched off."""
    entrance = current_app.extensions["tallwide-entrance"]
    if entrance.metrics is None:
        abort(404, description="metrics are switched off")
    entrance.journal.count()
    return Response(entrance.metrics.text(), content_type=entrance.metrics.content_type)


@blueprint.route("/problems/<slug>", methods=["GET"])
@blueprint.doc(
    operationId="problem_kind",
    summary="What a kind of problem means",
    parameters=[
        {"name": "slug", "in": "path", "required": True, "schema": {"type": "string", "examples": ["invalid-job"]}}
    ],
    responses={**plain_answer("The kind, its status and its meaning."), **refusals(404)},
)
def problem_kind(slug: str) -> Response:
    """Return what the `type` of a problem document stands for."""
    if slug not in KINDS:
        abort(404, description="there is no such kind of problem")
    status, meaning = KINDS[slug]
    return json_response({"kind": slug, "status": status, "meaning": meaning})
