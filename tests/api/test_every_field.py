"""Every field of a job, as the schemas have it, against the service and against its own OpenAPI document."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from marshmallow import ValidationError, fields

from fields_of_a_job import covers, job_with, places, pointers_of, right_values, wrong_values
from tallwide.wire import to_wire
from tallwide_service.api.quick_reader import Doubt, reader_of
from tallwide_service.api.schemas import JOB_SCHEMA

COMMITTED = Path(__file__).parents[2] / "openapi" / "openapi.json"
PLACES = places()


@cache
def described() -> jsonschema.Draft202012Validator:
    document = json.loads(COMMITTED.read_text(encoding="utf-8"))
    return jsonschema.Draft202012Validator({"$ref": "#/components/schemas/Job", "components": document["components"]})


def faults_by_description(job: dict[str, Any]) -> set[str]:
    """Return where the document's own schema finds faults, inside alternatives too."""
    found, left = set(), list(described().iter_errors(job))
    while left:
        error = left.pop()
        found.add("".join(f"/{step}" for step in error.absolute_path))
        left.extend(error.context)
    return found


@pytest.mark.parametrize("place", PLACES, ids=str)
def test_a_wrong_value_is_refused_at_its_pointer_by_service_and_description_alike(client, place):
    for value in wrong_values(place.field):
        job = job_with(place.pointer, value)
        response = client.post("/v1/extractions", json=job)
        assert response.status_code == 422, (value, response.data)
        assert covers(place.pointer, pointers_of(response)), (value, response.json["errors"])
        assert all(error["detail"] for error in response.json["errors"])
        assert covers(place.pointer, faults_by_description(job)), (value, "is right by the OpenAPI document")


@pytest.mark.parametrize("place", PLACES, ids=str)
def test_a_right_value_is_right_by_the_description_too(client, place):
    for value in right_values(place.field):
        job = job_with(place.pointer, value)
        response = client.post("/v1/extractions", json=job)
        assert response.status_code in (200, 422), (value, response.data)
        assert not covers(place.pointer, faults_by_description(job)), value


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("/deliverables/0", {"label": "a"}),
        ("/deliverables/0/aspect", "16x9"),
        ("/deliverables/0/aspect", "1" * 40 + ":1"),
        ("/deliverables/0/aspect", 20.5),
        ("/deliverables/0/protection", {}),
        ("/deliverables/0/protection", 0.05),
        ("/deliverables/0/protection", {"each_side": 0.1, "top": 0.1}),
        ("/deliverables/0/protection", {"each_side": 0.1, "inward": 0.1}),
        ("/compare", {}),
        ("/compare", {"document": "x"}),
        ("/compare", {"document": "x", "form": "csv", "job": job_with("/version", 1)}),
        ("/compare", {"document": False, "job": job_with("/version", 1)}),
        ("/compare", {"form": "csv", "job": job_with("/version", 1)}),
        ("/compare", {"job": job_with("/compare", {"document": "x", "form": "csv"})}),
        ("/picture", {"deliverable": "wide", "monitor": {"width": 1920, "height": 1080}}),
        ("/deliverables/0/display", {"viewing_distance_mm": 4000}),
        ("/deliverables/0/display", {"screen": {"width": 9, "height": 9}, "pixel_pitch_mm": 2}),
        ("/overlay", {"line_px": 2, "line_share": 0.01}),
        ("/handoff/pull", {"overscan_px": 2, "overscan_share": 0.01}),
        ("/handoff/language", "pt BR"),
        ("/overlay/id_prefix", "9"),
        ("/production", {"minutes_available": 600}),
        ("/production", {"megabytes_available": 600}),
        ("/rolls", [0, 0]),
        ("/prefer", ["passes", "passes"]),
        ("/map/points", [["1/", 0]]),
        ("/map/points", [[1e10, 0]]),
        ("/capture/photosite_pitch_um", 1e-10),
        ("/capture/readout_ms", 1e-10),
        ("/map/source", {"space": "recorded", "deliverable": None}),
        ("/capture/rolls", 90),
    ],
)
def test_members_that_do_not_go_together_are_wrong_by_the_description_too(client, pointer, value):
    job = job_with(pointer, value)
    assert client.post("/v1/extractions", json=job).status_code == 422
    assert faults_by_description(job)


@pytest.mark.parametrize("place", [place for place in PLACES if isinstance(place.field, fields.Nested)], ids=str)
def test_every_object_carries_the_callers_members_and_refuses_other_names(client, place):
    noun = next(right_values(place.field))
    ours = {"_note": {"take": 1.0}}
    job = job_with(place.pointer, {**noun, **ours})
    response = client.post("/v1/extractions", json=job)
    assert not covers(f"{place.pointer}/_note", pointers_of(response))
    assert not covers(f"{place.pointer}/_note", faults_by_description(job))
    if response.status_code == 200:
        carried: Any = response.json["job"]
        for step in place.pointer.strip("/").split("/"):
            carried = carried[int(step)] if isinstance(carried, list) else carried[step]
        assert carried["_note"] == {"take": 1}
    unknown = job_with(place.pointer, {**noun, "note": 1})
    assert f"{place.pointer}/note" in pointers_of(client.post("/v1/extractions", json=unknown))
    assert faults_by_description(unknown)


@pytest.mark.parametrize("place", PLACES, ids=str)
def test_every_value_is_read_quickly_as_its_schema_loads_it_or_not_at_all(place):
    for value in (*right_values(place.field), *wrong_values(place.field)):
        job = job_with(place.pointer, value)
        try:
            loaded = JOB_SCHEMA.load(job)
        except ValidationError:
            loaded = None
        try:
            quick = reader_of(JOB_SCHEMA)(job)
        except Doubt:
            quick = None
        assert quick == loaded
        assert quick is None or json.dumps(to_wire(quick)) == json.dumps(to_wire(loaded))
