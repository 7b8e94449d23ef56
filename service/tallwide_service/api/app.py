"""The Flask application: a plain WSGI callable, made by a factory, with nothing global."""

from __future__ import annotations

import os
from functools import cache
from typing import Any, get_args

from flask import Flask, Response
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
from tallwide_service.api import batch, framing, handing_over, operations, page, pictures, placing, problems
from tallwide_service.api.computing import json_response
from tallwide_service.api.described import answer_schemas
from tallwide_service.api.documented import PROBLEM_SCHEMA, refusals
from tallwide_service.api.entrance.layer import Entrance, computes, is_for_everybody
from tallwide_service.api.entrance.names import Routes
from tallwide_service.api.entrance.tracing import traced
from tallwide_service.api.quick_lane import QuickLane
from tallwide_service.api.schemas import (
    AspectField,
    CoordinateField,
    DocumentField,
    FormToReadSchema,
    JobSchema,
    Number,
    Switch,
    Text,
    Whole,
)
from tallwide_service.settings import Settings, read_settings

ENDPOINTS = (framing, placing, pictures, handing_over, batch, operations)
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
# What holds between the members of an object, as the schemas' own validators have it, where JSON Schema can say it.
SHAPES: dict[str, dict[str, Any]] = {
    "Deliverable": {"anyOf": [{"required": ["aspect"]}, {"required": ["raster"]}]},
    "Protection": {
        "oneOf": [
            {"required": ["each_side"]},
            {"required": ["inward"]},
            {"anyOf": [{"required": [side]} for side in ("left", "top", "right", "bottom")]},
        ]
    },
    "Comparand": {
        "oneOf": [
            {
                "required": ["job"],
                "properties": {"job": {"not": {"required": ["compare"]}}},
                "not": {"anyOf": [{"required": ["document"]}, {"required": ["form"]}]},
            },
            {"required": ["document", "form"], "not": {"required": ["job"]}},
        ]
    },
    "Picture": {"oneOf": [{"required": ["deliverable"]}, {"required": ["monitor"]}]},
    "Display": {
        "anyOf": [{"required": ["height_mm"]}, {"required": ["screen"]}],
        "dependentRequired": {"viewing_distance_mm": ["height_mm"], "pixel_pitch_mm": ["height_mm"]},
    },
    "Overlay": {"not": {"required": ["line_px", "line_share"]}},
    "Pull": {"not": {"required": ["overscan_px", "overscan_share"]}},
    "Production": {
        "dependentRequired": {
            "minutes_available": ["minutes_per_take"],
            "megabytes_available": ["minutes_per_take"],
        }
    },
}
# Swagger UI brings its own scripts and styles; it sets some styles inline.
DOCS_POLICY = (
    "default-src 'none'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data:; connect-src 'self'; frame-ancestors 'none'"
)


def create_app(settings: Settings | None = None, *, is_bounded: bool = True) -> Flask:
    """Return the service as a WSGI application.

    Parameters
    ----------
    settings
        What the operator decided; read from the environment where left out.
    is_bounded
        Whether requests are counted, logged, computed a few at a time and under a deadline; not so within
        somebody's own process.

    Raises
    ------
    WrongSetting
        If a setting makes no sense.
    """
    settings = read_settings(os.environ) if settings is None else settings
    app = Flask("tallwide_service", static_folder=None)
    # A path with a stroke too many is a 404, not a redirect to whatever host the caller named.
    app.url_map.merge_slashes = False
    app.config["PROPAGATE_EXCEPTIONS"] = False
    for module in ENDPOINTS:
        app.register_blueprint(module.blueprint)
    problems.register(app)
    document = cache(contract)
    app.add_url_rule("/openapi.json", "openapi", lambda: json_response(document()))
    # Relative, so that a proxy may serve the service under any path and any name.
    app.add_url_rule("/docs", "docs", lambda: Response(status=308, headers={"Location": "docs/"}))
    docs = get_swaggerui_blueprint("/docs", "../openapi.json", config={"app_name": "tallwide", "validatorUrl": None})
    docs.after_request(_with_docs_policy)
    app.register_blueprint(docs)
    app.register_blueprint(page.blueprint)
    routes = Routes(str(rule) for rule in app.url_map.iter_rules())
    entrance = Entrance(QuickLane(app.wsgi_app), settings, routes, is_bounded=is_bounded)
    app.extensions["tallwide-entrance"] = entrance
    is_traced = settings.tracing and is_bounded
    # Flask's own way to put a layer in front.
    app.wsgi_app = traced(entrance, routes) if is_traced else entrance  # type: ignore[method-assign,assignment]
    return app


def contract() -> dict[str, Any]:
    """Return the OpenAPI document, of an app that serves nothing: making it takes as long as the rest of a start."""
    app = Flask("tallwide_service", static_folder=None)
    app.config.update(API_TITLE="tallwide", API_VERSION=VERSION, OPENAPI_VERSION="3.1.1")
    return _as_served(_described(app))


def _described(app: Flask) -> dict[str, Any]:
    api = Api(app, spec_kwargs={"info": _info(), "servers": [{"url": "."}]})
    api.register_field(Whole, "integer", None)
    api.register_field(Number, "number", None)
    api.register_field(Text, "string", None)
    api.register_field(Switch, "boolean", None)
    api.register_field(CoordinateField, ["number", "string"], None)
    api.register_field(AspectField, ["string", "number"], None)
    api.register_field(DocumentField, ["object", "array", "string", "number", "boolean"], None)
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
    for module in ENDPOINTS:
        api.register_blueprint(module.blueprint)
    return dict(api.spec.to_dict())


def _as_served(document: dict[str, Any]) -> dict[str, Any]:
    """Return the document with errors as they are served: problem documents, and no schema left over."""
    components = document["components"]
    problem = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    components["responses"] = {"DEFAULT_ERROR": {"description": "Any other problem.", "content": problem}}
    for unused in ("Error", "PaginationMetadata"):
        del components["schemas"][unused]
    for path, item in document["paths"].items():
        for name, operation in item.items():
            if name != "parameters":
                _describe_entrance(path, name, operation)
    components["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    document["security"] = [{}, {"token": []}]
    return document


def _describe_entrance(path: str, method: str, operation: dict[str, Any]) -> None:
    """Add what an operation answers before it is asked: no token, no body, no place, no time."""
    statuses = [*([] if is_for_everybody(path) else [401]), *([429, 503] if computes(path) else [])]
    if computes(path) and method == "post":
        statuses.append(408)
    operation["responses"].update(refusals(*statuses))
    if "429" in operation["responses"]:
        schema = {"type": "integer", "minimum": 1}
        operation["responses"]["429"]["headers"] = {"Retry-After": {"description": "Seconds.", "schema": schema}}
    if is_for_everybody(path):
        operation["security"] = []


def _info() -> dict[str, Any]:
    return {
        "description": (
            "Framing for pictures that leave one camera in several shapes: extractions, margins, the recommendation "
            "to crop, to turn the camera or to shoot twice, and overlays. Every call is a pure computation: the same "
            "job gives the same bytes, and any call may be repeated."
        ),
        "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
    }


def _with_docs_policy(response: Response) -> Response:
    response.headers["Content-Security-Policy"] = DOCS_POLICY
    return response
