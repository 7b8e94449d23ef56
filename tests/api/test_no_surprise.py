"""Whatever a job within the bounds holds, it is answered or refused, and never with a 500."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fields_of_a_job import job_with, places, right_values
from tallwide_service import create_app
from tallwide_service.api.problems import Problem, problem_bytes
from tallwide_service.errors import CannotBeMet

CLIENT = create_app().test_client()
VALUES = [(place.pointer, value) for place in places() for value in right_values(place.field)]


def merged(document: Any, other: Any) -> Any:
    """Return one document with another's members on top, lists by their first item."""
    if isinstance(document, dict) and isinstance(other, dict):
        return {**document, **{name: merged(document.get(name), value) for name, value in other.items()}}
    if isinstance(document, list) and isinstance(other, list) and document and other:
        return [merged(document[0], other[0]), *document[1:]]
    return other


@pytest.mark.parametrize(
    "endpoint", ["/v1/extractions", "/v1/margins", "/v1/orientation", "/v1/overlay", "/v1/dial-in", "/v1/safe-areas"]
)
def test_values_at_their_bounds_are_answered_or_refused_together_too(endpoint):
    @settings(max_examples=25, database=None)
    @given(members=st.lists(st.sampled_from(VALUES), min_size=1, max_size=5))
    def check(members: list[tuple[str, Any]]) -> None:
        job: Any = {}
        for pointer, value in members:
            job = merged(job, job_with(pointer, value))
        response = CLIENT.post(endpoint, json=job)
        assert response.status_code in (200, 422)
        assert response.status_code == 200 or response.json["errors"]

    check()


@pytest.mark.parametrize("error", [Problem(422, "still", "", "", faults=[]), Problem(422, "still", "", "")])
def test_a_problem_without_a_fault_of_a_member_lists_none(error):
    assert "errors" not in json.loads(problem_bytes(error, {}))


def test_a_job_error_without_a_fault_lists_none_either():
    app = create_app()

    def fail() -> None:
        raise CannotBeMet("nothing that a member says")

    app.add_url_rule("/v1/failing", "failing", fail)
    problem = app.test_client().get("/v1/failing").json
    assert (problem["status"], problem["detail"]) == (422, "nothing that a member says")
    assert "errors" not in problem
