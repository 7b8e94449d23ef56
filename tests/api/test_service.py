"""The service's manners: conditional GET, headers, problems, identity of answers."""

from __future__ import annotations

import base64
import json
import os
import subprocess
import sys
import zlib

import pytest

from tallwide_service.api.documented import EXAMPLE_JOB, EXAMPLE_QUERY_JOB

JSON_ENDPOINTS = ("/v1/extractions", "/v1/margins", "/v1/orientation")


def packed(job) -> str:
    return base64.urlsafe_b64encode(zlib.compress(json.dumps(job).encode())).rstrip(b"=").decode()


@pytest.mark.parametrize("endpoint", [*JSON_ENDPOINTS, "/v1/overlay"])
def test_get_and_post_give_the_same_bytes_and_the_same_tag(client, endpoint):
    posted = client.post(endpoint, json=EXAMPLE_QUERY_JOB)
    got = client.get(endpoint, query_string={"job": packed(EXAMPLE_QUERY_JOB)})
    assert posted.status_code == got.status_code == 200
    assert posted.data == got.data
    assert posted.headers["ETag"] == got.headers["ETag"]


@pytest.mark.parametrize("endpoint", [*JSON_ENDPOINTS, "/v1/overlay"])
def test_a_client_that_has_the_answer_gets_a_304_without_a_body(client, endpoint):
    query = {"job": packed(EXAMPLE_QUERY_JOB)}
    first = client.get(endpoint, query_string=query)
    for tag in (first.headers["ETag"], f"W/{first.headers['ETag']}", f'"x", {first.headers["ETag"]}', "*"):
        again = client.get(endpoint, query_string=query, headers={"If-None-Match": tag})
        assert (again.status_code, again.data) == (304, b"")
        for header in ("ETag", "Cache-Control", "Vary"):
            assert again.headers[header] == first.headers[header]


def test_a_post_never_answers_304(client):
    first = client.post("/v1/extractions", json=EXAMPLE_JOB)
    again = client.post("/v1/extractions", json=EXAMPLE_JOB, headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 200


def test_head_gives_the_headers_of_get(client):
    query = {"job": packed(EXAMPLE_QUERY_JOB)}
    got, head = client.get("/v1/margins", query_string=query), client.head("/v1/margins", query_string=query)
    assert head.data == b""
    for header in ("ETag", "Content-Type", "Content-Length", "Cache-Control"):
        assert head.headers[header] == got.headers[header]


@pytest.mark.parametrize(
    ("query", "status"),
    [
        pytest.param({}, 400, id="no job"),
        pytest.param({"job": "!!"}, 400, id="not base64url"),
        pytest.param({"job": "aGVsbG8"}, 400, id="not deflated"),
        pytest.param({"job": packed(EXAMPLE_QUERY_JOB)[:-9]}, 400, id="cut"),
        pytest.param({"job": packed(EXAMPLE_QUERY_JOB), "x": "1"}, 400, id="another parameter"),
        pytest.param({"job": "A" * 9000}, 413, id="too long"),
        pytest.param(
            {"job": base64.urlsafe_b64encode(zlib.compress(b" " * 5_000_000)).decode().rstrip("=")},
            413,
            id="unpacks to too much",
        ),
        pytest.param({"job": packed({"capture": {}})}, 422, id="a wrong job"),
    ],
)
def test_a_wrong_query_is_refused(client, query, status):
    response = client.get("/v1/extractions", query_string=query)
    assert response.status_code == status
    assert response.json["status"] == status


def test_equal_jobs_give_equal_bytes(client):
    one = EXAMPLE_JOB | {"_n": {"a": 1}}
    other = json.loads(json.dumps(one))
    other["capture"]["squeeze"] = 1.0
    other["capture"]["grid"] = {"x": 2.0, "width": 2}
    other["_n"] = {"a": 1.0}
    other = dict(reversed(other.items()))
    assert client.post("/v1/extractions", json=one).data == client.post("/v1/extractions", json=other).data


def test_equal_jobs_give_equal_bytes_in_every_process():
    """A set's order hangs on the process; the order of members must not."""
    program = (
        "import sys; from tallwide_service import create_app; post = create_app().test_client().post;"
        "answer = post('/v1/extractions', data=sys.argv[1], content_type='application/json');"
        "sys.stdout.buffer.write(answer.data)"
    )
    ours = {"_b": 1, "_a": {"y": [1.0], "x": 2}, "_q": 3, "_zz": None}
    answers = set()
    for seed, names in (("1", ours), ("2", dict(reversed(ours.items()))), ("3", ours)):
        job = EXAMPLE_JOB | names | {"capture": EXAMPLE_JOB["capture"] | names}
        job["compare"] = {"form": "iiif", "document": ours if seed == "1" else json.loads(json.dumps(ours))}
        environment = os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(sys.path)}
        command = [sys.executable, "-c", program, json.dumps(job)]
        answers.add(subprocess.run(command, env=environment, check=True, capture_output=True).stdout)
    (answer,) = answers
    assert list(json.loads(answer)["job"]["_a"]) == ["x", "y"]


def test_the_answer_repeats_what_it_used_and_carries_the_callers_members(client):
    job = client.post("/v1/extractions", json=EXAMPLE_JOB).json["job"]
    assert job["_clip"] == EXAMPLE_JOB["_clip"]
    assert job["capture"]["grid"] == {"x": 2, "y": 2, "width": 2, "height": 2}
    assert job["framing"]["aspect_tolerance"] == 0.002
    assert job["deliverables"][0]["align"] == {"x": 0.5, "y": 0.5}


def test_the_decision_is_the_same_for_every_endpoint_and_the_answer_is_not(client):
    answers = [client.post(endpoint, json=EXAMPLE_JOB).json for endpoint in JSON_ENDPOINTS]
    assert len({answer["decision_id"] for answer in answers}) == 1
    assert len({answer["answer_id"] for answer in answers}) == len(answers)


def test_a_decision_changes_when_a_pixel_moves_and_not_with_words(client):
    def decision(**changes):
        return client.post("/v1/extractions", json=EXAMPLE_JOB | changes).json["decision_id"]

    moved = json.loads(json.dumps(EXAMPLE_JOB))
    moved["deliverables"][0]["align"] = {"x": 0.5, "y": 0}
    assert decision(_clip="another", id="another") == decision()
    assert decision(deliverables=moved["deliverables"]) != decision()


@pytest.mark.parametrize(
    ("accept", "media_type"),
    [
        ("image/png", "image/png"),
        ("image/svg+xml", "image/svg+xml"),
        ("*/*", "image/svg+xml"),
        ("image/*;q=0.5, image/png", "image/png"),
    ],
)
def test_an_overlay_comes_as_accept_asks(client, accept, media_type):
    response = client.post("/v1/overlay", json=EXAMPLE_JOB, headers={"Accept": accept})
    assert response.status_code == 200
    assert response.mimetype == media_type
    assert "Accept" in response.headers["Vary"]


def test_a_picture_of_another_kind_is_a_406_that_says_what_exists(client):
    response = client.post("/v1/overlay", json=EXAMPLE_JOB, headers={"Accept": "image/webp"})
    assert response.status_code == 406
    assert "image/png" in response.json["detail"]


def test_an_unknown_path_is_a_404_problem(client):
    response = client.get("/v1/nothing")
    assert (response.status_code, response.content_type) == (404, "application/problem+json")


def test_a_wrong_method_is_a_405_that_keeps_allow(client):
    response = client.delete("/v1/extractions")
    assert response.status_code == 405
    assert "POST" in response.headers["Allow"]


def test_a_surprise_is_a_500_that_reveals_nothing(app, monkeypatch, caplog):
    from tallwide_service.api import operations  # noqa: PLC0415 - patched here alone

    def fail():
        raise RuntimeError("a secret of the machine")

    monkeypatch.setattr(operations, "as_document", fail)
    response = app.test_client().get("/v1/limits")
    assert response.status_code == 500
    assert b"secret" not in response.data
    assert "a secret of the machine" in caplog.text


@pytest.mark.parametrize("path", ["/livez", "/readyz", "/healthz", "/version", "/v1/limits", "/openapi.json", "/docs/"])
def test_get_and_head_answer_with_security_headers(client, path):
    for method in ("GET", "HEAD"):
        with client.open(path, method=method) as response:
            assert response.status_code == 200
            assert response.headers["X-Content-Type-Options"] == "nosniff"
            assert response.headers["X-Request-ID"]


def test_a_plain_request_id_is_kept_and_a_strange_one_is_not(client):
    assert client.get("/livez", headers={"X-Request-ID": "farm-7.task_3"}).headers["X-Request-ID"] == "farm-7.task_3"
    assert client.get("/livez", headers={"X-Request-ID": "a b<c>"}).headers["X-Request-ID"] != "a b<c>"
    problem = client.get("/nothing", headers={"X-Request-ID": "farm-8"})
    assert problem.json["request_id"] == "farm-8"


def test_every_kind_of_problem_has_a_page(client):
    from tallwide_service.api.problems import KINDS  # noqa: PLC0415 - the table under test

    for slug, (status, _) in KINDS.items():
        page = client.get(f"/problems/{slug}").json
        assert (page["kind"], page["status"]) == (slug, status)
    refusal = client.post("/v1/extractions", json={}).json
    assert client.get(refusal["type"]).status_code == 200


def test_the_docs_load_nothing_from_elsewhere(client):
    with client.get("/docs/") as response:
        page = response.text
    assert "http://" not in page.replace("http://localhost/", "")
    assert "https://" not in page
    with client.get("/docs/swagger-ui.css") as response:
        assert response.status_code == 200


def test_the_docs_are_found_under_any_path(client):
    """A proxy may serve the service under a path and a name that it does not know."""
    with client.get("/docs") as response:
        assert (response.status_code, response.headers["Location"]) == (308, "docs/")
    with client.get("/docs/") as response:
        assert "../openapi.json" in response.text


def test_every_link_to_a_problem_has_the_path_of_the_proxy(app):
    response = app.test_client().post("/v1/extractions", json={}, environ_overrides={"SCRIPT_NAME": "/framing"})
    assert response.json["type"] == "/framing/problems/invalid-job"
    assert response.json["instance"] == "/framing/v1/extractions"
