"""The JSON form: a job read back is the same job, and nonsense is refused."""

from __future__ import annotations

import json
from fractions import Fraction

import pytest
from hypothesis import given

from strategies import jobs
from tallwide.answers import ExtractionsAnswer
from tallwide.job import Aspect, Job, Raster, aspect_ratio, exact
from tallwide.wire import from_wire, to_wire


@given(job=jobs())
def test_the_json_of_a_job_read_back_is_the_same_job(job):
    assert from_wire(Job, json.loads(json.dumps(to_wire(job)))) == job


@given(job=jobs(smallest=100, largest=5000))
def test_the_service_reads_the_same_job_from_the_same_json(job):
    from tallwide_service.api.schemas import JOB_SCHEMA  # noqa: PLC0415 - the other reader

    assert JOB_SCHEMA.load(json.loads(json.dumps(to_wire(job)))) == job


def test_the_callers_own_members_are_carried():
    job = {
        "capture": {"raster": {"width": 1, "height": 1, "_r": 1}, "_c": [2]},
        "deliverables": [{"label": "a", "aspect": 1, "_d": {}}],
        "_j": None,
    }
    written = to_wire(from_wire(Job, job))
    assert written["_j"] is None
    assert written["capture"]["_c"] == [2]
    assert written["capture"]["raster"]["_r"] == 1
    assert written["deliverables"][0]["_d"] == {}


@pytest.mark.parametrize(
    "document",
    [
        None,
        [],
        {},
        {"capture": {}},
        {"capture": {"raster": {"width": 1, "height": 1}}, "deliverables": [], "unknown": 1},
        {"capture": {"raster": {"width": 0, "height": 1}}, "deliverables": []},
        {"capture": {"raster": "x"}, "deliverables": []},
    ],
)
def test_what_is_no_job_is_refused(document):
    with pytest.raises(ValueError, match=r"."):
        from_wire(Job, document)


def test_an_answer_with_members_from_the_future_is_still_read():
    from tallwide import Client  # noqa: PLC0415 - brings the service

    job = {"capture": {"raster": {"width": 4800, "height": 3200}}, "deliverables": [{"label": "a", "aspect": "16:9"}]}
    answer = Client().extractions(job)
    document = to_wire(answer)
    document["invented_later"] = 1
    document["extractions"][0]["invented_later"] = 1
    assert from_wire(ExtractionsAnswer, document) == answer


@pytest.mark.parametrize(
    ("written", "ratio"),
    [
        ("16:9", Fraction(16, 9)),
        ("2.39:1", Fraction(239, 100)),
        ("1.85:1", Fraction(37, 20)),
        (2.39, Fraction(239, 100)),
        (0.1 + 0.2, Fraction("0.30000000000000004")),
        (1, Fraction(1)),
    ],
)
def test_an_aspect_is_exact(written, ratio):
    assert aspect_ratio(written) == ratio
    assert Aspect(written).ratio == ratio


def test_a_number_is_the_shortest_decimal_that_reads_back_as_the_same_double():
    assert exact(0.1) == Fraction(1, 10)
    assert exact(1e-7) == Fraction(1, 10**7)


def test_a_raster_of_nothing_is_refused():
    for width, height in ((0, 1), (1, 0), (-1, 1), (65_536, 1)):
        with pytest.raises(ValueError, match="raster"):
            Raster(width, height)
