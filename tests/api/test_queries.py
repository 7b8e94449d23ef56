"""Queries: what an endpoint does not have is refused by POST and by GET, and nothing is read twice."""

from __future__ import annotations

import pytest

from tallwide_service.api.app import contract
from tallwide_service.api.documented import EXAMPLE_QUERY_JOB, packed

PATHS = contract()["paths"]
JOB = packed(EXAMPLE_QUERY_JOB)


def named(path: str) -> str:
    return path.replace("{form}", "csv")


def parameters(path: str, method: str) -> set[str]:
    return {each["name"] for each in PATHS[path][method].get("parameters", []) if each["in"] == "query"}


POSTED = sorted(path for path in PATHS if "post" in PATHS[path])
QUERIED = sorted(path for path in PATHS if "get" in PATHS[path] and "job" in parameters(path, "get"))


def assert_refused(response, name: str) -> None:
    assert (response.status_code, response.json["type"]) == (400, "/problems/query"), response.json
    assert name in response.json["detail"]


def test_every_computing_endpoint_is_looked_at():
    assert len(POSTED) >= 17
    assert set(POSTED) - set(QUERIED) == {"/v1/handoff/{form}/read", "/v1/batch"}


@pytest.mark.parametrize("path", POSTED)
@pytest.mark.parametrize(
    ("query", "name"),
    [
        ("veiw=table", "veiw"),
        ("veiw", "veiw"),
        (f"job={JOB}", "job"),
        ("=x", "''"),
        ("view=table&debug=1", "debug"),
    ],
)
def test_a_posted_job_has_no_parameter_that_is_left_out_silently(client, path, query, name):
    assert_refused(client.post(f"{named(path)}?{query}", json=EXAMPLE_QUERY_JOB), name)


@pytest.mark.parametrize("path", ["/v1/overlay", "/v1/sheet"])
def test_nor_has_a_job_that_comes_with_a_still(client, path):
    assert_refused(client.post(f"{path}?veiw=table", data={"job": "{}"}, content_type="multipart/form-data"), "veiw")


@pytest.mark.parametrize("path", QUERIED)
@pytest.mark.parametrize(
    ("query", "name"),
    [
        (f"job={JOB}&job={JOB}", "job"),
        (f"job={JOB}&job=", "job"),
        (f"job=&job={JOB}", "job"),
        ("job=", "job"),
        ("", "job"),
        (f"job={JOB}&veiw=table", "veiw"),
    ],
)
def test_a_queried_job_is_given_once(client, path, query, name):
    assert_refused(client.get(f"{named(path)}?{query}"), name)


@pytest.mark.parametrize("path", QUERIED)
def test_a_view_is_given_once_and_where_there_is_one(client, path):
    views = "view=table&view=table"
    assert_refused(client.get(f"{named(path)}?job={JOB}&{views}"), "view")
    assert_refused(client.post(f"{named(path)}?{views}", json=EXAMPLE_QUERY_JOB), "view")


def test_a_long_unknown_name_is_not_repeated_in_full(client):
    response = client.post("/v1/margins?" + "x" * 5_000, json=EXAMPLE_QUERY_JOB)
    assert_refused(response, "x" * 40)
    assert len(response.data) < 1_000
