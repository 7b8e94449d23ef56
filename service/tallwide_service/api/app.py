"""The Flask application: a plain WSGI callable, made by a factory, with nothing global."""

from __future__ import annotations

import re
import secrets
from typing import Any, get_args

from flask import Flask, Response, g, request
from flask_smorest import Api
from flask_swagger_ui import get_swaggerui_blueprint

from tallwide.answers import (
    ChartReadingAnswer,
    CoverageAnswer,
    DialInAnswer,
    ExtractionsAnswer,
    MarginsAnswer,
    MatchAnswer,
    OpticsAnswer,
    OrientationAnswer,
    SafeAreasAnswer,
)
from tallwide.check import CheckAnswer
from tallwide.compare import CompareAnswer
from tallwide.handoff import HandoffAnswer, ReadAnswer
from tallwide.job import View
from tallwide.mapping import MapAnswer
from tallwide.version import VERSION
from tallwide_service.api import framing, handing_over, operations, page, pictures, placing, problems
from tallwide_service.api.computing import json_response
from tallwide_service.api.described import answer_schemas
from tallwide_service.api.documented import PROBLEM_SCHEMA
from tallwide_service.api.quick_lane import QuickLane
from tallwide_service.api.schemas import (
    AspectField,
    CoordinateField,
    FormToReadSchema,
    JobSchema,
    Number,
    Switch,
    Text,
    Whole,
)

ANSWERS = (
    ExtractionsAnswer,
    MarginsAnswer,
    OrientationAnswer,
    CoverageAnswer,
    MatchAnswer,
    OpticsAnswer,
    SafeAreasAnswer,
    DialInAnswer,
    ChartReadingAnswer,
    MapAnswer,
    CheckAnswer,
    CompareAnswer,
    HandoffAnswer,
    ReadAnswer,
)
# What holds between the members of an object, as the schemas' own validators have it.
SHAPES: dict[str, dict[str, Any]] = {
    "Deliverable": {"anyOf": [{"required": ["aspect"]}, {"required": ["raster"]}]},
    "Protection": {
        "oneOf": [
            {"required": ["each_side"]},
            {"required": ["inward"]},
            {"anyOf": [{"required": [side]} for side in ("left", "top", "right", "bottom")]},
        ]
    },
    "Comparand": {"oneOf": [{"required": ["job"]}, {"required": ["document", "form"]}]},
}
REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
SECURITY_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
}
# Swagger UI brings its own scripts and styles; it sets some styles inline.
DOCS_POLICY = (
    "default-src 'none'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data:; connect-src 'self'; frame-ancestors 'none'"
)


def create_app() -> Flask:
    """Return the service as a WSGI application."""
    app = Flask("tallwide_service", static_folder=None)
    app.config.update(
        API_TITLE="tallwide",
        API_VERSION=VERSION,
        OPENAPI_VERSION="3.1.1",
        PROPAGATE_EXCEPTIONS=False,
    )
    app.before_request(_name_request)
    app.after_request(_finish_response)
    api = _api(app)
    problems.register(app)
    document = _as_served(api.spec.to_dict())
    app.add_url_rule("/openapi.json", "openapi", lambda: json_response(document))
    # Relative, so that a proxy may serve the service under any path and any name.
    app.add_url_rule("/docs", "docs", lambda: Response(status=308, headers={"Location": "docs/"}))
    app.register_blueprint(
        get_swaggerui_blueprint("/docs", "../openapi.json", config={"app_name": "tallwide", "validatorUrl": None})
    )
    app.register_blueprint(page.blueprint)
    app.extensions["tallwide-openapi"] = document
    app.wsgi_app = QuickLane(app.wsgi_app, _headers_of)  # type: ignore[method-assign] # as Flask's own guide has it
    return app


def _api(app: Flask) -> Api:
    api = Api(app, spec_kwargs={"info": _info(), "servers": [{"url": "."}]})
    api.register_field(Whole, "integer", None)
    api.register_field(Number, "number", None)
    api.register_field(Text, "string", None)
    api.register_field(Switch, "boolean", None)
    api.register_field(CoordinateField, ["number", "string"], None)
    api.register_field(AspectField, ["string", "number"], None)
    api.spec.components.schema("Job", schema=JobSchema)
    api.spec.components.schema("FormToRead", schema=FormToReadSchema)
    api.spec.components.schema("Problem", PROBLEM_SCHEMA)
    for name, shape in SHAPES.items():
        api.spec.components.schemas[name].update(shape)
    for name, schema in answer_schemas(*ANSWERS).items():
        api.spec.components.schema(name, schema)
    for schema in api.spec.components.schemas.values():
        if schema.get("additionalProperties") is True:
            # What `NounSchema.refuse_unknown` does: the caller's own members and no others.
            schema["additionalProperties"] = False
            schema["patternProperties"] = {"^_": {}}
    # A view is its bare name; apispec knows a nested field as an object only.
    picture = api.spec.components.schemas["Job"]["properties"]["picture"]
    picture["anyOf"] = [{"type": "string", "enum": list(get_args(View))}, {"$ref": picture.pop("$ref")}]
    for module in (framing, placing, pictures, handing_over, operations):
        api.register_blueprint(module.blueprint)
    return api


def _as_served(document: dict[str, Any]) -> dict[str, Any]:
    """Return the document with errors as they are served: problem documents, and no schema left over."""
    components = document["components"]
    problem = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    components["responses"] = {"DEFAULT_ERROR": {"description": "Any other problem.", "content": problem}}
    for unused in ("Error", "PaginationMetadata"):
        del components["schemas"][unused]
    return document


def _info() -> dict[str, Any]:
    return {
        "description": (
            "Framing for pictures that leave one camera in several shapes: extractions, margins, the recommendation "
            "to crop, to turn the camera or to shoot twice, and overlays. Every call is a pure computation: the same "
            "job gives the same bytes, and any call may be repeated."
        ),
        "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
    }


def _name_request() -> None:
    """Take the caller's request id where it is a plain one, else make one."""
    g.request_id = _request_id(request.environ)


def _request_id(environ: dict[str, Any]) -> str:
    given = environ.get("HTTP_X_REQUEST_ID", "")
    return given if REQUEST_ID.fullmatch(given) else secrets.token_hex(8)


def _headers_of(environ: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what `_finish_response` gives an answer, for one that does not go through Flask."""
    return [*SECURITY_HEADERS.items(), ("X-Request-ID", _request_id(environ))]


def _finish_response(response: Response) -> Response:
    for name, value in SECURITY_HEADERS.items():
        response.headers.setdefault(name, value)
    if request.path.startswith("/docs"):
        response.headers["Content-Security-Policy"] = DOCS_POLICY
    response.headers["X-Request-ID"] = g.get("request_id", "")
    return response
