"""Bad input: each wrong value of each field is refused with its pointer and a reason."""

from __future__ import annotations

import copy
import io
import json
import time

import pytest
from werkzeug.test import EnvironBuilder, run_wsgi_app

from tallwide_service.limits import LIMITS

JOB = {
    "capture": {
        "raster": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "lens": {"focal_length_mm": 32},
    },
    "deliverables": [
        {"label": "wide", "aspect": "16:9", "raster": {"width": 3840, "height": 2160}},
        {"label": "tall", "raster": {"width": 1080, "height": 1920}},
    ],
    "framing": {},
}


def with_member(pointer: str, value) -> dict:
    """Return the job with one member set; objects on the way are made, lists must be there."""
    job = copy.deepcopy(JOB)
    *path, last = pointer.strip("/").split("/")
    place = job
    for step in path:
        place = place[int(step)] if isinstance(place, list) else place.setdefault(step, {})
    place[last] = value
    return job


def refuse(client, job, endpoint: str = "/v1/extractions"):
    response = client.post(endpoint, data=json.dumps(job), content_type="application/json")
    assert response.status_code == 422, response.data
    assert response.content_type == "application/problem+json"
    return response.json


NUMBERS = {
    "/capture/photosite_pitch_um": (0, 1001),
    "/capture/squeeze": (0.24, 4.1),
    "/capture/readout_ms": (0, 100_001),
    "/capture/frames_per_second": (0, 1_000_001),
    "/capture/data_rate_mb_s": (0, 1_000_001),
    "/capture/lens/image_circle_mm": (0, 1001),
    "/capture/lens/focal_length_mm": (0, 100_001),
    "/capture/lens/f_number": (0, 1001),
    "/capture/lens/offset_mm/x": (-1001, 1001),
    "/capture/lens/offset_mm/y": (-1001, 1001),
    "/deliverables/0/pixel_aspect": (0.09, 11),
    "/deliverables/0/minimum_oversampling": (0.04, 21),
    "/deliverables/0/weight": (0, 101),
    "/deliverables/0/align/x": (-0.1, 1.1),
    "/deliverables/0/align/y": (-0.1, 1.1),
    "/deliverables/0/protection/each_side": (-0.1, 1.1),
    "/deliverables/0/protection/inward": (-0.1, 0.7),
    "/deliverables/0/protection/left": (-0.1, 1.1),
    "/deliverables/0/protection/top": (-0.1, 1.1),
    "/deliverables/0/protection/right": (-0.1, 1.1),
    "/deliverables/0/protection/bottom": (-0.1, 1.1),
    "/deliverables/0/display/height_mm": (0, 1_000_001),
    "/deliverables/0/display/viewing_distance_mm": (0, 100_000_001),
    "/framing/point/x": (-0.1, 1.1),
    "/framing/point/y": (-0.1, 1.1),
    "/framing/aspect_tolerance": (-0.001, 0.2),
}
WHOLE_NUMBERS = {
    "/capture/raster/width": (0, 65_536),
    "/capture/raster/height": (0, 65_536),
    "/capture/photosites/width": (0, 65_536),
    "/capture/photosites/height": (0, 65_536),
    "/capture/grid/x": (0, 257),
    "/capture/grid/y": (0, 257),
    "/capture/grid/width": (0, 257),
    "/capture/grid/height": (0, 257),
    "/capture/roll": (45, -90),
    "/deliverables/0/raster/width": (0, 65_536),
    "/deliverables/0/raster/height": (0, 65_536),
    "/deliverables/0/delivery_turn": (45, 360),
    "/framing/subject/x": (-1, 65_536),
    "/framing/subject/y": (-1, 65_536),
    "/framing/subject/width": (0, 65_536),
    "/framing/subject/height": (0, 65_536),
    "/version": (0, 2),
}
NOT_NUMBERS = (True, "1", [], {}, None)


@pytest.mark.parametrize("pointer", sorted(NUMBERS | WHOLE_NUMBERS))
def test_a_wrong_number_is_refused_at_its_pointer(client, pointer):
    bounds = (NUMBERS | WHOLE_NUMBERS)[pointer]
    others = [value for value in NOT_NUMBERS if not (value is None and pointer.startswith("/framing/point/"))]
    if pointer in WHOLE_NUMBERS:
        others.append(1.5)
    for value in (*bounds, *others):
        errors = refuse(client, with_member(pointer, value))["errors"]
        assert pointer in {error["pointer"] for error in errors}, (value, errors)
        assert all(error["detail"] for error in errors)


@pytest.mark.parametrize(
    ("pointer", "values"),
    [
        ("/id", ("", "x" * 201, 5, None, True, [])),
        ("/capture/label", ("", "x" * 201, 5, None)),
        ("/capture/lens/label", ("", "x" * 201, 5, None)),
        ("/capture/squeeze_axis", ("width", "", 1, None)),
        ("/deliverables/0/label", ("", "x" * 201, 5, None)),
        ("/framing/arrangement", ("loose", "", 1, None)),
        ("/framing/objective", ("best", 1, None)),
        ("/framing/match", ("area", 1, None)),
        ("/capture", (None, 5, "x", [])),
        ("/capture/raster", (None, 5, "x", [])),
        ("/capture/lens", (None, 5, "x", [])),
        ("/deliverables", (None, 5, "x", {}, [])),
        ("/deliverables/0", (None, 5, "x", [])),
        ("/deliverables/0/align", (None, 5, "x", [])),
        ("/deliverables/0/safe_areas", (None, 5, "x", {})),
        ("/framing", (None, 5, "x", [])),
        ("/framing/point", (None, 5, "x", [])),
        ("/framing/nest", (None, 5, "x", {})),
        ("/capture/usable_area", (None, 5, "x", {}, [], [[0, 0], [1, 0]], [[0, 0]] * 65)),
    ],
)
def test_a_wrong_word_or_shape_is_refused_at_its_pointer(client, pointer, values):
    for value in values:
        job = with_member(pointer, value) if pointer != "/deliverables/0" else JOB | {"deliverables": [value]}
        errors = refuse(client, job)["errors"]
        assert any(error["pointer"].startswith(pointer) for error in errors), (value, errors)


@pytest.mark.parametrize(
    "aspect",
    [
        "",
        "16",
        "16:",
        ":9",
        "16:0",
        "0:9",
        "-16:9",
        "16:9:4",
        "1e999999999:1",
        "nan",
        "1" * 5000,
        0,
        21,
        True,
        [],
        "٣:٢",
    ],
)
def test_a_wrong_aspect_is_refused(client, aspect):
    errors = refuse(client, with_member("/deliverables/0/aspect", aspect))["errors"]
    assert errors[0]["pointer"] == "/deliverables/0/aspect"


@pytest.mark.parametrize(
    ("where", "name"),
    [
        ("", "captur"),
        ("/capture", "rolls"),
        ("/capture/raster", "depth"),
        ("/capture/lens", "focal_length"),
        ("/deliverables/0", "protect"),
        ("/deliverables/0/align", "z"),
        ("/framing", "shared"),
        ("/framing", "a/b~c"),
    ],
)
def test_an_unknown_member_is_named(client, where, name):
    errors = refuse(client, _with_name(where, name))["errors"]
    written = name.replace("~", "~0").replace("/", "~1")
    assert {"pointer": f"{where}/{written}", "detail": errors[0]["detail"]} in errors
    assert "no such member" in errors[0]["detail"]


def _with_name(where: str, name: str) -> dict:
    job = copy.deepcopy(JOB)
    place = job
    for step in where.strip("/").split("/") if where else ():
        place = place[int(step)] if isinstance(place, list) else place.setdefault(step, {})
    place[name] = 1
    return job


@pytest.mark.parametrize(
    ("pointer", "value", "word"),
    [
        pytest.param("/deliverables/0/protection", 0.05, "each_side", id="a bare protection is read in two ways"),
        pytest.param("/deliverables/0/protection", {}, "exactly one", id="no form of protection"),
        pytest.param(
            "/deliverables/0/protection", {"each_side": 0.1, "left": 0.1}, "exactly one", id="two forms of protection"
        ),
        pytest.param("/deliverables/1/label", "wide", "label of deliverable 0", id="a duplicate label"),
        pytest.param("/deliverables/0/aspect", "4:3", "tolerance", id="aspect and raster disagree"),
        pytest.param("/deliverables/0/weight", 0.123, "two decimals", id="a weight of three decimals"),
        pytest.param("/framing/match", "height", "shared_point", id="match without a shared point"),
        pytest.param("/framing/nest", [["tall", "wide"]], "shared_point", id="nest without a shared point"),
        pytest.param("/framing/minimums", "held", "shared_point", id="minimums held without a shared point"),
        pytest.param("/capture/usable_area", [[0, 0], [9000, 0], [0, 3200]], "outside", id="a corner off the raster"),
        pytest.param(
            "/framing",
            {"arrangement": "shared_point", "nest": [["tall", "narrow"]]},
            "no deliverable",
            id="nest names nobody",
        ),
        pytest.param(
            "/framing",
            {"arrangement": "shared_point", "nest": [["tall", "wide"], ["wide", "tall"]]},
            "circle",
            id="nest in a circle",
        ),
        pytest.param(
            "/deliverables/0/safe_areas",
            [{"label": "a", "left": 0.5, "right": 0.5}],
            "nothing",
            id="an empty safe area",
        ),
    ],
)
def test_a_contradiction_is_refused_with_its_reason(client, pointer, value, word):
    errors = refuse(client, with_member(pointer, value))["errors"]
    assert any(word in error["detail"] and error["pointer"].startswith(pointer) for error in errors), errors


def test_a_circle_needs_a_pitch(client):
    job = copy.deepcopy(JOB)
    del job["capture"]["photosite_pitch_um"]
    job["capture"]["lens"]["image_circle_mm"] = 30
    errors = refuse(client, job)["errors"]
    assert errors[0]["pointer"] == "/capture/photosite_pitch_um"


def test_all_faults_are_reported_at_once(client):
    job = {
        "capture": {"raster": {"width": 0, "height": "3200"}, "roll": 45, "x": 1},
        "deliverables": [{"label": "", "aspect": "x"}, {"label": "b"}],
        "framing": {"aspect_tolerance": 5},
    }
    pointers = {error["pointer"] for error in refuse(client, job)["errors"]}
    assert pointers >= {
        "/capture/raster/width",
        "/capture/raster/height",
        "/capture/roll",
        "/capture/x",
        "/deliverables/0/label",
        "/deliverables/0/aspect",
        "/deliverables/1/aspect",
        "/framing/aspect_tolerance",
    }


def test_a_passed_bound_is_named_with_the_value(client):
    error = refuse(client, with_member("/capture/raster/width", 70_000))["errors"][0]
    assert (error["limit"], error["got"]) == (65_535, 70_000)


@pytest.mark.parametrize(
    ("body", "word"),
    [
        pytest.param(b"", "empty", id="empty"),
        pytest.param(b"  \n", "empty", id="blank"),
        pytest.param(b"{", "line 1", id="cut"),
        pytest.param(b"\xff\xfe{}", "UTF-8", id="not UTF-8"),
        pytest.param(b'{"a": NaN}', "NaN", id="NaN"),
        pytest.param(b'{"a": Infinity}', "Infinity", id="infinity"),
        pytest.param(b'{"a": 1, "a": 2}', "twice", id="a name twice"),
        pytest.param(b'{"a": {"b": 1, "b": 2}}', "twice", id="a name twice, deeper"),
        pytest.param(b"[" * 100_000, "nested", id="deep nesting"),
        pytest.param(b'{"a":' * 20_000, "nested", id="deep objects"),
        pytest.param(b'{"a": ' + b"9" * 5000 + b"}", "digits", id="thousands of digits"),
        pytest.param(b'{"a": 1} x', "Extra data", id="something after it"),
        pytest.param(b"'a'", "line 1", id="single quotes"),
        pytest.param(b"\xef\xbb\xbf{}", "BOM", id="a byte order mark"),
        pytest.param(rb'{"\ud800": 1}', "surrogate", id="half of a surrogate pair in a name"),
        pytest.param(rb'{"_a": [{"_\uDFFF": 1}]}', "surrogate", id="half of a surrogate pair in a name, deeper"),
        pytest.param(b'{"_a":' + b"[" * 12 + b"]" * 12 + b"}", "nested", id="one level too many"),
        pytest.param(b'{"a":"' + rb"\"" * 50_000 + b'":' + b"[" * 13, "nested", id="nesting after a long string"),
    ],
)
def test_what_is_not_one_json_document_is_a_400(client, body, word):
    response = client.post("/v1/extractions", data=body, content_type="application/json")
    assert response.status_code == 400
    assert word in response.json["detail"]


def test_a_number_beyond_doubles_is_refused(client):
    body = json.dumps(JOB).replace("4800", "1e400").encode()
    response = client.post("/v1/extractions", data=body, content_type="application/json")
    assert response.status_code == 422
    assert response.json["errors"][0]["pointer"] == "/capture/raster/width"


@pytest.mark.parametrize("content_type", ["text/plain", "application/xml", "", "multipart/form-data"])
def test_another_content_type_is_a_415(client, content_type):
    response = client.post("/v1/extractions", data=b"{}", content_type=content_type)
    assert response.status_code == 415
    assert response.headers["Accept"] == "application/json"


def test_a_charset_beside_the_content_type_is_fine(client):
    response = client.post("/v1/extractions", data=json.dumps(JOB), content_type="application/json; charset=utf-8")
    assert response.status_code == 200


def test_a_content_coding_is_a_415(client):
    response = client.post(
        "/v1/extractions", data=b"x", content_type="application/json", headers={"Content-Encoding": "gzip"}
    )
    assert response.status_code == 415


def test_a_body_too_large_is_a_413_that_names_the_limit(client):
    response = client.post("/v1/extractions", data=b" " * (LIMITS.body_bytes + 1), content_type="application/json")
    assert response.status_code == 413
    assert response.json["limit"] == LIMITS.body_bytes


def sent(app, body: bytes, **environment):
    """Return status and document of a body as a server hands it on."""
    builder = EnvironBuilder(method="POST", path="/v1/extractions", content_type="application/json")
    environ = builder.get_environ() | {"wsgi.input": io.BytesIO(body)}
    environ.pop("CONTENT_LENGTH", None)
    parts, status, _ = run_wsgi_app(app, environ | environment)
    return int(status.split()[0]), json.loads(b"".join(parts))


def test_a_body_in_chunks_is_read_and_bounded(app):
    terminated = {"wsgi.input_terminated": True, "HTTP_TRANSFER_ENCODING": "chunked"}
    assert sent(app, json.dumps(JOB).encode(), **terminated)[0] == 200
    status, problem = sent(app, b" " * (LIMITS.body_bytes + 1), **terminated)
    assert (status, problem["limit"]) == (413, LIMITS.body_bytes)


@pytest.mark.parametrize(("length", "status"), [("abc", 400), ("-5", 400), ("9" * 30, 413)])
def test_a_length_that_makes_no_sense_is_refused(app, length, status):
    assert sent(app, json.dumps(JOB).encode(), CONTENT_LENGTH=length)[0] == status


def test_own_members_beyond_their_bounds_are_refused(client):
    assert "at most" in refuse(client, JOB | {f"_{i}": i for i in range(40)})["errors"][0]["detail"]
    assert "bytes" in refuse(client, JOB | {"_note": "x" * 20_000})["errors"][0]["detail"]


@pytest.mark.parametrize(
    ("value", "word"),
    [
        pytest.param("1e400", "finite", id="beyond doubles"),
        pytest.param('[{"a": -1e400}]', "finite", id="beyond doubles, deeper"),
        pytest.param("9007199254740993", "53 bits", id="an integer that doubles do not hold"),
        pytest.param("-9007199254740993", "53 bits", id="a negative one"),
        pytest.param("1" + "0" * 30, "53 bits", id="a longer one"),
        pytest.param(r'"\ud800"', "surrogate", id="half of a surrogate pair"),
        pytest.param(r'{"a": ["\udfff"]}', "surrogate", id="half of a surrogate pair, deeper"),
    ],
)
@pytest.mark.parametrize("pointer", ["/_note", "/capture/_note", "/deliverables/0/raster/_note", "/compare/document"])
def test_what_an_answer_could_not_repeat_is_refused(client, value, word, pointer):
    body = json.dumps(with_member(pointer, "HERE")).replace('"HERE"', value)
    response = client.post("/v1/extractions", data=body, content_type="application/json")
    assert response.status_code == 422
    error = next(error for error in response.json["errors"] if error["pointer"] == pointer)
    assert word in error["detail"]


@pytest.mark.parametrize(
    "value",
    [
        "9007199254740991",
        "-9007199254740991",
        "1e300",
        "5e-324",
        "true",
        "null",
        '"\\ud83d\\ude00"',
        "[" * 10 + "]" * 10,
    ],
)
def test_own_members_that_an_answer_can_repeat_are_repeated(client, value):
    body = json.dumps(with_member("/capture/_note", "HERE")).replace('"HERE"', value)
    response = client.post("/v1/extractions", data=body, content_type="application/json")
    assert response.status_code == 200
    assert response.json["job"]["capture"]["_note"] == json.loads(value)


def test_brackets_inside_strings_are_no_nesting(client):
    for note in ("[" * 100, '\\"' + "{" * 100, "\\\\" + '"' + "[" * 100):
        response = client.post("/v1/extractions", json=JOB | {"_note": note})
        assert response.status_code == 200
        assert response.json["job"]["_note"] == note


def test_unknown_members_beyond_the_named_ones_are_counted(client):
    errors = refuse(client, JOB | {f"x{i}": 1 for i in range(50)})["errors"]
    assert sum(error["pointer"].startswith("/x") for error in errors) == 32
    assert "18 more" in next(error["detail"] for error in errors if not error["pointer"])


def test_no_refusal_costs_more_than_a_glance(client):
    """A guard against work that grows with nonsense: seconds would show, of this process alone."""
    for body in (
        b'{"a":' * 40_000,
        b"{" + b",".join(b'"%x":1' % i for i in range(24_000)) + b',"5dbf":1}',
        b"[" * 13 + b'"' + rb"\"" * 120_000,
        b"[" * 13 + b'"' + rb"\"" * 120_000 + b"\\",
        b"[" + b"[]," * 80_000 + b"[]]",
        json.dumps(JOB | {f"x{i}": 1 for i in range(20_000)}).encode()[: LIMITS.body_bytes],
        json.dumps(JOB | {"deliverables": [{"label": "x" * 100} for _ in range(1000)]}).encode(),
        json.dumps(with_member("/deliverables/0/aspect", "9" * 100_000 + ":1")).encode(),
    ):
        started = time.process_time()
        response = client.post("/v1/extractions", data=body, content_type="application/json")
        assert 400 <= response.status_code < 500
        assert len(response.data) < 60_000
        assert time.process_time() - started < 1


@pytest.mark.parametrize(
    ("pointer", "value", "at"),
    [
        ("/rolls", [45], "/rolls/0"),
        ("/rolls", [0, 0], "/rolls"),
        ("/rolls", [], "/rolls"),
        ("/passes", 0, "/passes"),
        ("/passes", 4, "/passes"),
        ("/prefer", ["speed"], "/prefer/0"),
        ("/prefer", ["passes", "passes"], "/prefer"),
        ("/alternatives", [{}], "/alternatives/0/raster"),
        ("/alternatives", [{"raster": {"width": 10, "height": 10}}] * 9, "/alternatives"),
        ("/production", {"shots": 0}, "/production/shots"),
        ("/production", {"minutes_available": 60}, "/production/minutes_per_take"),
        ("/production", {"minutes_per_take": 7, "shots": 10, "minutes_available": 60}, "/production/minutes_available"),
    ],
)
def test_what_orientation_cannot_weigh_is_refused_by_name(client, pointer, value, at):
    problem = refuse(client, with_member(pointer, value), "/v1/orientation")
    assert [fault["pointer"] for fault in problem["errors"]] == [at]
