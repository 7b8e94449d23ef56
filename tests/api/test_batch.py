"""Batches: every line is what its endpoint gives alone, in order; what goes wrong stays there; the last line counts."""

from __future__ import annotations

import base64
import io
import json
from dataclasses import replace

import pytest
from flask import request

from tallwide_service import create_app
from tallwide_service.api import batch, batch_call
from tallwide_service.api.documented import EXAMPLE_JOB
from tallwide_service.api.problems import Problem
from tallwide_service.limits import LIMITS
from tallwide_service.settings import Settings

NDJSON = "application/x-ndjson"
CIRCLE = {
    **EXAMPLE_JOB,
    "capture": {**EXAMPLE_JOB["capture"], "lens": {"image_circle_mm": 30}},
    "framing": {"arrangement": "shared_point", "point": {"x": None, "y": None}},
}


def line(endpoint, job, **members) -> str:
    return json.dumps({"endpoint": endpoint, "job": job, **members}) + "\n"


def answers(client, body, **options) -> list[dict]:
    response = client.post("/v1/batch", data=body, content_type=NDJSON, **options)
    assert (response.status_code, response.mimetype) == (200, NDJSON)
    return [json.loads(each) for each in response.data.splitlines()]


@pytest.mark.parametrize("endpoint", ["extractions", "margins", "orientation", "safe-areas", "optics", "handoff/iiif"])
@pytest.mark.parametrize("job", [EXAMPLE_JOB, CIRCLE], ids=["alone", "together"])
def test_a_line_has_the_bytes_that_its_endpoint_gives_alone(client, endpoint, job):
    alone = client.post(f"/v1/{endpoint}", json=job)
    assert alone.status_code == 200
    response = client.post("/v1/batch", data=line(endpoint, job, id="x"), content_type=NDJSON)
    first, _, rest = response.data.partition(b"\n")
    assert first == b'{"line":1,"id":"x","status":200,"answer":' + alone.data.rstrip() + b"}"
    assert json.loads(rest) == {"end": True, "complete": True, "lines": 1, "answers": 1, "problems": 0}


def without_request(problem: dict) -> dict:
    return {name: value for name, value in problem.items() if name != "request_id"}


@pytest.mark.parametrize(
    "written",
    [
        '{"capture": {}}',
        '{"capture": {"raster": {"width": 1e400, "height": 100}}, "deliverables": [{"label": "a", "aspect": 1}]}',
        '{"capture": {"raster": {"width": 123456789012345678901234, "height": 1}}, "deliverables": []}',
        '"\\ud800"',
        "null",
        json.dumps({**EXAMPLE_JOB, "_own": "x" * 20_000}),
        "{" + " " * LIMITS.body_bytes + json.dumps(EXAMPLE_JOB)[1:],
    ],
    ids=["missing", "infinite", "long integer", "half pair", "null", "own too long", "too long"],
)
def test_a_refused_job_has_the_problem_that_its_endpoint_gives_alone(client, written):
    alone = client.post("/v1/margins", data=written, content_type="application/json")
    assert alone.status_code >= 400
    body = f'{{"endpoint": "margins", "job": {written}}}\n'
    got, end = answers(client, body)
    assert end["problems"] == 1
    assert got["status"] == alone.status_code
    assert without_request(got["problem"]) == without_request(alone.json)


def test_a_line_as_long_as_a_line_may_be_is_answered_and_one_byte_more_is_not(client):
    short = line("margins", EXAMPLE_JOB)[:-1]
    body = "".join(short + " " * (LIMITS.batch_line_bytes + over - len(short)) + "\n" for over in (0, 1))
    first, second, third, end = answers(client, body + line("margins", EXAMPLE_JOB))
    assert first["status"] == third["status"] == 200
    assert (second["status"], second["problem"]["limit"]) == (413, LIMITS.batch_line_bytes)
    assert (end["answers"], end["problems"]) == (2, 1)


def test_pictures_and_files_come_in_base64(client):
    png, svg, end = answers(
        client, line("overlay", EXAMPLE_JOB, media_type="image/png") + line("overlay", EXAMPLE_JOB, id=2)
    )
    alone = client.post("/v1/overlay", json=EXAMPLE_JOB, headers={"Accept": "image/png"})
    assert (png["media_type"], base64.b64decode(png["base64"])) == ("image/png", alone.data)
    assert (svg["id"], svg["media_type"]) == (2, "image/svg+xml")
    assert end["answers"] == 2


@pytest.mark.parametrize(
    ("written", "status", "kind", "pointers"),
    [
        ("not json", 400, "not-json", None),
        ('{"endpoint": "margins", "job": NaN}', 400, "not-json", None),
        ('{"endpoint": "margins", "endpoint": "x", "job": 1}', 400, "not-json", None),
        ('{"endpoint": "margins", "job": ' + "[" * 99 + "]" * 99 + "}", 400, "not-json", None),
        ("7", 422, "invalid-line", [""]),
        ("{}", 422, "invalid-line", ["/endpoint", "/job"]),
        ('{"endpoint": "margins", "job": 1, "a/b~c": 1}', 422, "invalid-line", ["/a~1b~0c"]),
        ('{"endpoint": "../livez", "job": 1}', 422, "invalid-line", ["/endpoint"]),
        ('{"endpoint": "margins?view=table", "job": 1}', 422, "invalid-line", ["/endpoint"]),
        ('{"endpoint": "batch", "job": 1}', 422, "invalid-line", ["/endpoint"]),
        ('{"endpoint": "margins", "job": 1, "id": 1.5}', 422, "invalid-line", ["/id"]),
        ('{"endpoint": "margins", "job": 1, "id": true}', 422, "invalid-line", ["/id"]),
        ('{"endpoint": "margins", "job": 1, "id": 9007199254740992}', 422, "invalid-line", ["/id"]),
        ('{"endpoint": "margins", "job": 1, "id": "\\ud800"}', 422, "invalid-line", ["/id"]),
        ('{"endpoint": "margins", "job": 1, "media_type": "a\\r\\nb/c"}', 422, "invalid-line", ["/media_type"]),
        ('{"endpoint": "no-such", "job": 1}', 422, "invalid-line", ["/endpoint"]),
        ('{"endpoint": "limits", "job": 1}', 422, "invalid-line", ["/endpoint"]),
        ('{"endpoint": "handoff/no-such", "job": 1}', 404, None, None),
        ('{"endpoint": "margins", "media_type": "image/png", "job": 1}', 422, "invalid-job", [""]),
    ],
)
def test_what_is_wrong_stays_on_its_line(client, written, status, kind, pointers):
    good = line("margins", EXAMPLE_JOB)
    before, bad, after, end = answers(client, good + written + "\n" + good)
    assert (before["status"], after["status"]) == (200, 200)
    assert (bad["line"], bad["status"]) == (2, status)
    assert bad["problem"]["type"] == (f"/problems/{kind}" if kind else "about:blank")
    assert [fault["pointer"] for fault in bad["problem"].get("errors", [])] == (pointers or [])
    assert end == {"end": True, "complete": True, "lines": 3, "answers": 2, "problems": 1}


@pytest.mark.parametrize("wrong", ["{}", '{"endpoint": "no-such", "job": 1}', '{"endpoint": 1}', '{"other": 1}'])
@pytest.mark.parametrize(
    ("name", "said"), [('"a"', "a"), ("7", 7), ("null", None), ("[1]", None), ('"' + "x" * 500 + '"', None)]
)
def test_a_wrong_line_keeps_its_name_where_that_can_be_said(client, wrong, name, said):
    got, _ = answers(client, f'{{"id": {name}, {wrong[1:]}'.replace(", }", "}"))
    assert (got["status"], got["id"]) == (422, said)


def test_a_line_that_never_ends_is_no_way_to_stay(client, monkeypatch):
    """Bytes come, a line does not: time is looked at all the same."""
    monkeypatch.setattr(batch_call, "LIMITS", replace(LIMITS, batch_s=-1))
    monkeypatch.setattr(batch, "PIECE_BYTES", 10)
    source = io.BytesIO(b"x" * 1_000)
    with client.application.test_request_context("/v1/batch", method="POST"):
        (end,) = batch.answered(source, batch.Asking(client.application, request.environ))
    assert json.loads(end)["problem"]["detail"] == "a batch has at most -1 seconds, not more than -1"
    assert source.tell() <= 10


def test_empty_lines_are_counted_and_an_empty_batch_is_whole(client):
    assert answers(client, b"") == [{"end": True, "complete": True, "lines": 0, "answers": 0, "problems": 0}]
    got, end = answers(client, "\n \r\n" + line("margins", EXAMPLE_JOB).rstrip())
    assert (got["line"], end["lines"], end["answers"]) == (3, 3, 1)


@pytest.mark.parametrize(
    ("name", "bound", "lines"), [("batch_lines", 2, 2), ("batch_bytes", 1_000, 2), ("batch_s", -1, 0)]
)
def test_a_batch_beyond_a_bound_ends_where_it_passes_it_and_says_which(client, monkeypatch, name, bound, lines):
    for module in (batch, batch_call):
        monkeypatch.setattr(module, "LIMITS", replace(LIMITS, **{name: bound}))
    monkeypatch.setattr(batch, "PIECE_BYTES", 500)
    *got, end = answers(client, (line("margins", EXAMPLE_JOB).rstrip().ljust(499) + "\n") * 3)
    assert not end["complete"]
    assert end["lines"] == len(got) == lines
    assert (end["problem"]["status"], end["problem"]["limit"]) == (413, bound)


def test_a_body_that_ends_before_its_length_is_no_whole_batch(client):
    body = (line("margins", EXAMPLE_JOB) * 2).encode()
    *got, end = answers(client, body[:-20], environ_overrides={"CONTENT_LENGTH": str(len(body))})
    assert len(got) == 1
    assert (end["complete"], end["lines"], end["problem"]["status"]) == (False, 1, 400)
    assert f"of {len(body)} bytes" in end["problem"]["detail"]


def test_a_service_that_is_about_to_stop_ends_a_batch_after_the_line_at_hand():
    app = create_app()
    parts = app.test_client().post(
        "/v1/batch",
        input_stream=Pausing(line("margins", EXAMPLE_JOB) * 2, app.extensions["tallwide-entrance"].stop_welcoming),
        environ_overrides={"CONTENT_LENGTH": "", "wsgi.input_terminated": True},
        content_type=NDJSON,
    )
    (end,) = [json.loads(each) for each in parts.data.splitlines()][-1:]
    assert (end["complete"], end["problem"]["type"]) == (False, "/problems/stopping")


class Pausing(io.BytesIO):
    """A body; something happens when its first bytes are read."""

    def __init__(self, text, happens):
        super().__init__(text.encode())
        self.happens = happens

    def read(self, size=-1):
        self.happens()
        return super().read(size)


@pytest.mark.parametrize(
    ("options", "status", "kind"),
    [
        ({"content_type": "application/json"}, 415, "content-type"),
        ({"content_type": NDJSON, "headers": {"Content-Encoding": "gzip"}}, 415, "content-coding"),
        ({"content_type": NDJSON, "query_string": {"a": "b"}}, 400, "query"),
    ],
)
def test_what_is_no_batch_is_refused_as_a_whole(client, options, status, kind):
    response = client.post("/v1/batch", data=line("margins", EXAMPLE_JOB), **options)
    assert (response.status_code, response.json["type"]) == (status, f"/problems/{kind}")


def test_a_surprise_on_one_line_is_that_lines_500_and_reveals_nothing(client, monkeypatch):
    def fail(*_):
        raise RuntimeError("secret")

    monkeypatch.setattr(batch, "quick_answer_to", fail)
    got, end = answers(client, line("margins", EXAMPLE_JOB))
    assert (got["status"], end["problems"]) == (500, 1)
    assert "secret" not in json.dumps(got)


def test_lines_without_place_or_time_have_that_problem_and_the_next_is_answered(monkeypatch):
    app = create_app(Settings(log=False, metrics=False))
    raised = iter([Problem(429, "busy", "t", "d"), Problem(503, "out-of-time", "t", "d")])
    whole = batch.Asking._asked

    def asked(self, *arguments):
        problem = next(raised, None)
        if problem is not None:
            raise problem
        return whole(self, *arguments)

    monkeypatch.setattr(batch.Asking, "_asked", asked)
    *got, end = answers(app.test_client(), line("margins", EXAMPLE_JOB) * 3)
    assert [each["status"] for each in got] == [429, 503, 200]
    assert end["complete"]


def test_answers_of_slow_lines_go_out_before_the_batch_is_done(monkeypatch):
    monkeypatch.setattr(batch, "PART_S", -1)
    app = create_app()
    source = io.BytesIO((line("margins", EXAMPLE_JOB) * 4).encode())
    with app.test_request_context("/v1/batch", method="POST"):
        parts = list(batch.answered(source, batch.Asking(app, request.environ)))
    assert [part.count(b"\n") for part in parts] == [1, 1, 1, 1, 1]
