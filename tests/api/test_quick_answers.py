"""The quick ways give what the exact ways give: the same job read, the same bytes answered, refusals left to them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from types import MappingProxyType
from unittest.mock import patch

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from marshmallow import Schema, ValidationError, fields, validates_schema

from spoilt_jobs import LINE, RICH, RICH_PLACES, SPOILT, places, spoil
from strategies import jobs
from tallwide import job as nouns
from tallwide.demo import CAPTURES, demo_job
from tallwide.job import Align, Deliverable, Display, Lens, Offset, Point, Protection, Raster, SafeArea
from tallwide.wire import to_wire
from tallwide_service import create_app
from tallwide_service.api import quick_lane, schemas
from tallwide_service.api.documented import EXAMPLE_JOB
from tallwide_service.api.quick_answers import QUICK_PATHS, _read, quick_answer
from tallwide_service.api.quick_reader import Doubt
from tallwide_service.api.schemas import JOB_SCHEMA
from tallwide_service.api.written_reader import written_reader_of

PATHS = sorted(QUICK_PATHS)
CLIENT = create_app().test_client()
# As in the service, answers are made in a thread with little below them: at the depth of a test runner the solver's
# inner loop may stand at the edge of a chunk of CPython's frames; then each call maps memory and gives it back.
THREAD = ThreadPoolExecutor(1)


def without_request_id(headers) -> dict[str, str]:
    return {name: value for name, value in headers.items() if name != "X-Request-ID"}


def answers(path: str, body: bytes, **options):
    """Return status, headers and body of an answer, without what differs from request to request."""
    response = THREAD.submit(CLIENT.post, path, data=body, **{"content_type": "application/json", **options}).result()
    data = response.data
    if response.status_code != 200:
        data = {name: value for name, value in response.json.items() if name != "request_id"}
    return response.status_code, without_request_id(response.headers), data


def exact_answers(path: str, body: bytes, **options):
    """Return the same with every request handed on to Flask."""
    with patch.object(quick_lane, "quick_answer", side_effect=Doubt):
        return answers(path, body, **options)


def is_quick(path: str, body: bytes) -> bool:
    try:
        quick_answer(path, body)
    except Doubt:
        return False
    return True


RICH_ALONE = {
    **{name: RICH[name] for name in ("version", "id")},
    "_clip": "A014_C003",
    "_take": 2.0,
    "capture": {name: value for name, value in RICH["capture"].items() if name not in ("usable_area", "lens")}
    | {
        "lens": {"label": "x", "focal_length_mm": 32.5, "f_number": 4, "offset_mm": {"x": 0.5, "y": -1}},
        "frames_per_second": 25,
        "data_rate_mb_s": 310.5,
        "detail_factor": 0.7,
        "_mine": None,
    },
    "deliverables": [
        {name: value for name, value in RICH["deliverables"][0].items() if name not in ("safe_areas", "display")},
        RICH["deliverables"][1],
        {
            "label": "ß",
            "raster": {"width": 1080, "height": 1920},
            "pixel_aspect": 1.0667,
            "protection": {"inward": 0.1},
        },
    ],
    "framing": {"point": {"x": 0.5}, "objective": "largest", "aspect_tolerance": 0.01},
}
del RICH_ALONE["framing"]["point"]
ALONE_PLACES = [path for path in RICH_PLACES if path[0] in ("version", "id", "capture", "deliverables", "framing")]


def by_schema(document):
    try:
        return JOB_SCHEMA.load(document)
    except ValidationError:
        return None


def assert_read_as_by_the_schema(document) -> bool:
    """Whatever is read quickly is what the schema reads, written; return whether it was."""
    try:
        written = _read(document)
    except Doubt:
        return False
    assert json.dumps(written) == json.dumps(to_wire(JOB_SCHEMA.load(document)))
    return True


def test_a_rich_job_of_frames_alone_is_read_quickly():
    assert assert_read_as_by_the_schema(RICH_ALONE)
    for job in (EXAMPLE_JOB, json.loads(LINE)):
        assert assert_read_as_by_the_schema(job)


@pytest.mark.parametrize("document", [RICH_ALONE, RICH], ids=["alone", "rich"])
def test_every_member_spoilt_in_every_way_is_read_as_by_the_schema_or_left_to_it(document):
    for path in places(document):
        for new in SPOILT:
            assert_read_as_by_the_schema(spoil(document, path, "set", new))
        for new in ("", "a", "label", "_a", {}):
            assert_read_as_by_the_schema(spoil(document, path, "add", new))
        assert_read_as_by_the_schema(spoil(document, path, "remove", None))


def test_what_is_left_to_the_schema_is_either_wrong_or_uncommon():
    """Spoiling one member of a common job by a right value keeps it on the quick way."""
    for path, value in (
        (("capture", "roll"), 90),
        (("capture", "squeeze"), 2.0),
        (("capture", "raster", "width"), 4800.0),
        (("deliverables", 0, "align", "x"), 0.25),
        (("deliverables", 1, "aspect"), "4:5"),
        (("framing", "aspect_tolerance"), 0.05),
    ):
        assert assert_read_as_by_the_schema(spoil(RICH_ALONE, path, "set", value)), path


@settings(max_examples=60)
@given(changes=st.lists(st.tuples(st.sampled_from(ALONE_PLACES), st.sampled_from(SPOILT)), min_size=2, max_size=3))
def test_several_faults_at_once_are_never_read_quickly_into_something_else(changes):
    document = RICH_ALONE
    for path, new in changes:
        try:
            document = spoil(document, path, "set", new)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took the place away, or it was never there
    assert_read_as_by_the_schema(document)


class LooseSchema(schemas.NounSchema):
    """A schema with a rule that nobody has told the quick reader of."""

    noun = nouns.Align
    x = schemas.number(0, 1, "x")
    y = schemas.number(0, 1, "y")

    @validates_schema
    def refuse_a_corner(self, data, **_):
        if data.get("x") == data.get("y") == 0:
            raise ValidationError("no corner")


def test_a_schema_with_an_unknown_rule_or_field_is_left_alone():
    with pytest.raises(Doubt):
        written_reader_of(LooseSchema())({"x": 0.5})

    class OddSchema(schemas.NounSchema):
        noun = nouns.Align
        x = fields.Decimal()
        y = fields.Decimal()

    with pytest.raises(Doubt):
        written_reader_of(OddSchema())({"x": "0.5"})
    assert written_reader_of(OddSchema())({}) == {"x": 0.5, "y": 0.5}


def test_every_schema_of_what_calls_hold_most_often_is_known():
    for schema in (
        *(schemas.CaptureSchema, schemas.LensSchema, schemas.GridSchema, schemas.RasterSchema, schemas.FramingSchema),
        *(schemas.DeliverableSchema, schemas.AlignSchema, schemas.ProtectionSchema, schemas.JobSchema),
    ):
        assert issubclass(schema, Schema)
        with pytest.raises(Doubt):
            written_reader_of(schema())("no object")


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("name", sorted(CAPTURES))
def test_the_demos_jobs_get_the_same_bytes_and_headers(path, name):
    body = json.dumps(to_wire(demo_job(name))).encode()
    assert answers(path, body) == exact_answers(path, body)


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    "document", [EXAMPLE_JOB, RICH_ALONE, RICH, json.loads(LINE)], ids=["example", "alone", "rich", "line"]
)
def test_documents_get_the_same_bytes_and_headers(path, document):
    body = json.dumps(document).encode()
    assert answers(path, body) == exact_answers(path, body)


numbers = st.sampled_from((0, 0.05, 0.1, 0.25, 1 / 3, 0.5, 0.9999, 1))


@st.composite
def rich_jobs(draw):
    """Jobs with every member that the quick way reads."""
    job = draw(jobs(smallest=20, largest=20_000))
    capture = replace(
        job.capture,
        label=draw(st.none() | st.just("A, é")),
        photosites=draw(st.none() | st.just(Raster(6000, 4000))),
        photosite_pitch_um=draw(st.none() | st.sampled_from((3.9, 5, 8.25))),
        lens=draw(
            st.none()
            | st.builds(
                Lens, focal_length_mm=st.sampled_from((None, 12.5, 32)), offset_mm=st.builds(Offset, numbers, numbers)
            )
        ),
        detail_factor=draw(st.sampled_from((1, 0.7))),
    )
    deliverables = tuple(
        replace(
            one,
            align=Align(draw(numbers), draw(numbers)),
            minimum_oversampling=draw(st.sampled_from((1, 1.2, 0.05))),
            protection=draw(
                st.builds(Protection, each_side=numbers)
                | st.builds(Protection, inward=st.sampled_from((0, 0.1, 0.5)))
                | st.builds(Protection, left=numbers, top=numbers)
            ),
        )
        for one in job.deliverables
    )
    own = draw(st.sampled_from(({}, {"_clip": "A014"}, {"_b": 1.0, "_a": None}, {"_deep": {"b": [1, 2.0]}})))
    return replace(job, capture=capture, deliverables=deliverables, own=MappingProxyType(own))


def body_of(job) -> bytes:
    def bare(value):
        return {name: bare(each) for name, each in value.items()} if isinstance(value, Mapping) else value

    return json.dumps(bare(to_wire(job))).encode()


@settings(max_examples=150)
@given(job=rich_jobs())
def test_any_job_gets_the_same_bytes_and_headers(job):
    body = body_of(job)
    for path in PATHS:
        assert answers(path, body) == exact_answers(path, body)


@settings(max_examples=60)
@given(
    job=rich_jobs(),
    frame=st.builds(Deliverable, st.just("far"), raster=st.builds(Raster, st.integers(1, 9000), st.integers(1, 9000))),
)
@example(job=JOB_SCHEMA.load(RICH_ALONE), frame=Deliverable("far", raster=Raster(2, 41)))
def test_whatever_else_a_job_holds_is_answered_or_refused_alike(job, frame):
    framing = job.framing
    for changed in (
        replace(job, deliverables=(*job.deliverables, frame)),
        replace(job, deliverables=job.deliverables * 2),
        replace(job, framing=replace(framing, arrangement="shared_point", point=Point(None, None))),
        replace(job, framing=replace(framing, subject=nouns.Subject(1, 1, 4, 4))),
        replace(job, deliverables=(replace(frame, display=Display(1000, 4000)),)),
        replace(job, deliverables=(replace(frame, safe_areas=(SafeArea("s", 0.1),)),)),
        replace(job, capture=replace(job.capture, photosite_pitch_um=5, lens=Lens(image_circle_mm=30))),
        replace(
            job,
            capture=replace(job.capture, frames_per_second=50, rate_limits=(nouns.RateLimit(50, 10),)),
        ),
        replace(job, sweep=nouns.Sweep("/capture/raster/width", 4000, 4010, 2)),
    ):
        body = body_of(changed)
        for path in PATHS:
            assert answers(path, body) == exact_answers(path, body)


@pytest.mark.parametrize(
    "options",
    [
        {"content_type": "text/plain"},
        {"content_type": "application/json; charset=utf-8"},
        {"headers": {"Content-Encoding": "gzip"}},
        {"headers": {"Content-Encoding": "identity"}},
        {"headers": {"If-None-Match": "*"}},
        {"headers": {"Accept": "text/html"}},
        {"query_string": {"view": "table"}},
        {"query_string": {"what": "1"}},
    ],
)
def test_other_requests_are_handed_on(options):
    for path in PATHS:
        assert answers(path, LINE, **options) == exact_answers(path, LINE, **options)


@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b"null", LINE[:-1], LINE + LINE, b'"\xff"', b"[" * 5000, b" " * 262_145]
)
def test_a_body_that_cannot_be_read_is_refused_alike(body):
    for path in PATHS:
        assert answers(path, body) == exact_answers(path, body)


def test_a_method_that_there_is_not_is_refused_as_before():
    for path in PATHS:
        assert CLIENT.put(path, data=LINE, content_type="application/json").status_code == 405


def test_what_is_common_takes_the_quick_way():
    for document in (EXAMPLE_JOB, RICH_ALONE, json.loads(LINE)):
        for path in PATHS:
            is_common = path == "/v1/extractions" or "display" not in json.dumps(document)
            assert is_quick(path, json.dumps(document).encode()) == is_common
    for name in ("sweep", "overlay"):
        assert not is_quick("/v1/extractions", json.dumps({**EXAMPLE_JOB, name: {}}).encode())


def test_a_request_keeps_its_plain_id_on_the_quick_way():
    response = CLIENT.post(
        "/v1/extractions", data=LINE, content_type="application/json", headers={"X-Request-ID": "a-1"}
    )
    assert response.headers["X-Request-ID"] == "a-1"
    response = CLIENT.post(
        "/v1/extractions", data=LINE, content_type="application/json", headers={"X-Request-ID": "a b"}
    )
    assert response.headers["X-Request-ID"] not in ("", "a b")
