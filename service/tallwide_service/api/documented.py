"""What the OpenAPI document says of an operation, in one form for all of them."""

from __future__ import annotations

import base64
import zlib
from collections.abc import Mapping
from typing import Any

import orjson

from tallwide_service.api.problems import KINDS, MEDIA_TYPE

JSON_TYPE = "application/json"

# A job that every computing endpoint takes: an invented production's harbour day.
EXAMPLE_JOB: dict[str, Any] = {
    "version": 1,
    "id": "harbour-day-2",
    "_clip": "A014_C003",
    "capture": {
        "label": "A, full height",
        "raster": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "lens": {"label": "32", "focal_length_mm": 32},
    },
    "deliverables": [
        {"label": "wide", "aspect": "16:9", "raster": {"width": 3840, "height": 2160}},
        {"label": "tall", "raster": {"width": 1080, "height": 1920}, "protection": {"each_side": 0.05}},
    ],
}
# The same job, smaller, as ?job= carries it: zlib (RFC 1950), base64url without padding.
EXAMPLE_QUERY_JOB = {
    "capture": {"raster": {"width": 4800, "height": 3200}},
    "deliverables": [{"label": "wide", "aspect": "16:9"}, {"label": "tall", "raster": {"width": 1080, "height": 1920}}],
}


def packed(job: Mapping[str, Any]) -> str:
    """Return a job as `?job=` carries it: deflated (zlib, RFC 1950), base64url without padding."""
    return base64.urlsafe_b64encode(zlib.compress(orjson.dumps(job), 9)).rstrip(b"=").decode()


def job_parameter(example: Mapping[str, Any] = EXAMPLE_QUERY_JOB) -> dict[str, Any]:
    """Return the query parameter of a computing endpoint."""
    return {
        "name": "job",
        "in": "query",
        "required": True,
        "description": "A job as JSON, deflated (zlib, RFC 1950), base64url without padding.",
        "schema": {"type": "string", "pattern": "^[A-Za-z0-9_-]+$"},
        "example": packed(example),
    }


IF_NONE_MATCH = {
    "name": "If-None-Match",
    "in": "header",
    "required": False,
    "description": "ETag of an answer that the client has.",
    "schema": {"type": "string"},
}


def job_body(example: Mapping[str, Any] = EXAMPLE_JOB) -> dict[str, Any]:
    """Return the request body of a computing endpoint."""
    content = {"schema": {"$ref": "#/components/schemas/Job"}, "examples": {"job": {"value": dict(example)}}}
    return {"required": True, "content": {JSON_TYPE: content}}


def json_answer(name: str, description: str) -> dict[str, Any]:
    """Return the 200 response of a JSON answer."""
    return {
        "description": description,
        "headers": {"ETag": {"description": "The answer's identifier.", "schema": {"type": "string"}}},
        "content": {JSON_TYPE: {"schema": {"$ref": f"#/components/schemas/{name}"}}},
    }


def refusals(*statuses: int) -> dict[str, Any]:
    """Return problem responses by status."""
    return {str(status): _refusal(status) for status in statuses}


def _refusal(status: int) -> dict[str, Any]:
    meanings = [f"`{slug}`: {meaning}" for slug, (at, meaning) in KINDS.items() if at == status]
    return {
        "description": " ".join(meanings) or "See RFC 9110.",
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }


PROBLEM_SCHEMA: dict[str, Any] = {
    "type": "object",
    "description": "A problem document, RFC 9457.",
    "required": ["type", "title", "status", "detail", "instance", "request_id"],
    "properties": {
        "type": {"type": "string", "description": "URI reference of the kind; a page of this service says more."},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
        "request_id": {"type": "string"},
        "limit": {},
        "got": {},
        "errors": {
            "type": "array",
            "minItems": 1,
            "description": "Each fault; left out where no member is at fault, as with a still that is not read.",
            "items": {
                "type": "object",
                "required": ["pointer", "detail"],
                "properties": {
                    "pointer": {"type": "string", "description": "RFC 6901 pointer into the job."},
                    "detail": {"type": "string"},
                    "limit": {},
                    "got": {},
                },
            },
        },
    },
}
