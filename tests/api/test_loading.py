"""Loading takes what the schemas take and refuses what they refuse; only the way there is shorter."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marshmallow import ValidationError

from fields_of_a_job import job_with, places, right_values, wrong_values
from tallwide.wire import to_wire
from tallwide_service.api.documented import EXAMPLE_JOB
from tallwide_service.api.loading import Loader, _reader_of
from tallwide_service.api.schemas import JOB_SCHEMA

PLACES = places()
LOADER = Loader(JOB_SCHEMA)
VALUES = [(place.pointer, value) for place in PLACES for value in right_values(place.field)]
WRONG_VALUES = [(place.pointer, value) for place in PLACES for value in wrong_values(place.field)]


def outcome(load: Any, document: Any) -> tuple[Any, Any]:
    """Return the job or the faults, with the order of the caller's members."""
    try:
        job = load(document)
    except ValidationError as error:
        return None, error.messages
    return job, repr(to_wire(job))


def merged(document: Any, other: Any) -> Any:
    """Return one document with another's members on top, lists item by item."""
    if isinstance(document, dict) and isinstance(other, dict):
        return {**document, **{name: merged(document.get(name), value) for name, value in other.items()}}
    if isinstance(document, list) and isinstance(other, list) and document and other:
        return [merged(document[0], other[0]), *document[1:]]
    return other


@pytest.mark.parametrize("place", PLACES, ids=str)
def test_every_value_is_loaded_as_its_schema_loads_it(place):
    for value in (*right_values(place.field), *wrong_values(place.field)):
        job = job_with(place.pointer, value)
        assert outcome(LOADER.load, job) == outcome(JOB_SCHEMA.load, job)


@pytest.mark.parametrize(
    ("pointer", "value"), WRONG_VALUES, ids=[f"{where}={value!s:.20}" for where, value in WRONG_VALUES]
)
def test_the_short_way_takes_no_wrong_value(pointer, value):
    with pytest.raises(ValidationError):
        _reader_of(JOB_SCHEMA)(job_with(pointer, value))


@settings(max_examples=200)
@given(st.lists(st.sampled_from(VALUES), min_size=1, max_size=6), st.sampled_from([{}, {"_a": 1.0}, {"x": 1}]))
def test_jobs_of_many_members_are_loaded_as_their_schema_loads_them(members, more):
    job: Any = more
    for pointer, value in members:
        job = merged(job, job_with(pointer, value))
    assert outcome(LOADER.load, job) == outcome(JOB_SCHEMA.load, job)


@pytest.mark.parametrize("document", [None, [], 5, "x", {}, {"capture": None}, True])
def test_what_is_no_job_has_the_faults_that_its_schema_names(document):
    assert outcome(LOADER.load, document) == outcome(JOB_SCHEMA.load, document)


def test_a_right_job_takes_the_short_way(monkeypatch):
    def fail(*_: Any, **__: Any) -> None:
        raise AssertionError("the schema was asked")

    monkeypatch.setattr(JOB_SCHEMA, "load", fail)
    job = EXAMPLE_JOB | {"framing": {"arrangement": "shared_point", "point": {"x": None}}, "picture": "upright"}
    assert LOADER.load(job).id == EXAMPLE_JOB["id"]
