"""The quick reader accepts exactly what the schemas accept, with the same result, and leaves every refusal to them."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marshmallow import ValidationError

from spoilt_jobs import LINE, RICH, RICH_PLACES, SPOILT, spoil
from strategies import decisions, jobs
from tallwide.job import Job
from tallwide.wire import to_wire
from tallwide_service.api.body import _quick_job, job_of, json_document, read_job
from tallwide_service.api.problems import Problem
from tallwide_service.api.quick_reader import Doubt, quick_document
from tallwide_service.api.schemas import JOB_SCHEMA


def by_schema(document):
    try:
        return JOB_SCHEMA.load(document)
    except ValidationError:
        return None


def quickly(document):
    try:
        return _quick_job(document)
    except Doubt:
        return None


def own_members(noun):
    return json.dumps(to_wire(noun))


def assert_read_alike(document):
    expected, quick = by_schema(document), quickly(document)
    assert quick == expected
    if expected is not None:
        assert own_members(quick) == own_members(expected)


@pytest.mark.parametrize("path", RICH_PLACES, ids=lambda path: "/".join(map(str, path)))
def test_every_member_spoilt_in_every_way_is_read_alike(path):
    assert quickly(RICH) is not None
    for new in SPOILT:
        assert_read_alike(spoil(RICH, path, "set", new))
    for new in ("", "a", "label", "_a", {}):
        assert_read_alike(spoil(RICH, path, "add", new))
    assert_read_alike(spoil(RICH, path, "remove", None))


@settings(max_examples=60)
@given(job=jobs(smallest=100, largest=5000))
def test_a_job_is_read_quickly_and_is_the_same(job):
    assert _quick_job(json.loads(json.dumps(to_wire(job)))) == job


@settings(max_examples=60)
@given(changes=st.lists(st.tuples(st.sampled_from(RICH_PLACES), st.sampled_from(SPOILT)), min_size=2, max_size=3))
def test_several_faults_at_once_are_read_alike(changes):
    document = RICH
    for path, new in changes:
        try:
            document = spoil(document, path, "set", new)
        except (KeyError, IndexError, TypeError):
            return  # an earlier change took the place away
    assert_read_alike(document)


def read_or_refusal(read, body):
    try:
        return read(body)
    except Problem as problem:
        return problem.slug, problem.detail


@pytest.mark.parametrize(
    "body",
    [
        LINE,
        b"  " + LINE + b"\n",
        b"\xef\xbb\xbf" + LINE,
        LINE + b"x",
        LINE + LINE,
        b"",
        b"[]",
        b"NaN",
        b'"\xff"',
        LINE.replace(b'"width":9', b'"width":9,"width":9'),
        LINE.replace(b'"width":9', b'"width":NaN'),
        LINE.replace(b'"width":9', b'"width":1e999'),
        LINE.replace(b'"width":9', b'"width":9.0'),
        LINE.replace(b'"width":9', b'"width":' + b"9" * 30),
        LINE.replace(b'"width":9', b'"width":' + b"9" * 5000),
        LINE.replace(b'"width":9', b'"width":018'),
        LINE.replace(b'"a"', b'":"'),
        LINE.replace(b'"a"', b'"\\u003a"'),
        LINE.replace(b'"a"', b'"\\u003a","label":"b"'),
        LINE.replace(b'"a"', b'"\\ud800"'),
        LINE.replace(b'"a"', b'"\x01"'),
        LINE.replace(b'"a"', b'"a","_:":1'),
        LINE.replace(b'"a"', b'"a","_own":' + b"[" * 8 + b"]" * 8),
        LINE.replace(b'"a"', b'"a","_own":' + b"[" * 9 + b"]" * 9),
        LINE.replace(b'"a"', b'"a","_own":' + b"[" * 10 + b"]" * 10),
        LINE.replace(b'"a"', b'"a","_own":' + b"[" * 3000 + b"]" * 3000),
        LINE.replace(b'"a"', b'"a","_own":[{"b":1,"a":2.0}],"_first":1'),
        LINE.replace(b'"a"', b'"a","_own":9007199254740992'),
        LINE.replace(b'"a"', b'"a","_own":123456789012345678901234567890'),
    ],
)
def test_every_body_is_read_or_refused_as_by_the_exact_way(body):
    assert read_or_refusal(read_job, body) == read_or_refusal(lambda body: job_of(json_document(body)), body)


def test_a_name_that_stands_twice_is_never_read_quickly():
    for twice in (b'"label":"b"', b'"label":"a:b"', b'"label":"\\u003a"'):
        with pytest.raises(Doubt):
            quick_document(LINE.replace(b'"label"', twice + b',"label"'))


def test_the_own_members_of_equal_jobs_are_written_in_one_order():
    bodies = (
        LINE.replace(b'"a"', b'"a",' + own) for own in (b'"_b":{"d":1,"c":2},"_a":1', b'"_a":1,"_b":{"c":2,"d":1}')
    )
    first, second = (json.dumps(to_wire(read_job(body))) for body in bodies)
    assert first == second


@settings(max_examples=20)
@given(decision=decisions(smallest=200, largest=4000))
def test_options_are_read_alike(decision):
    assert_read_alike(json.loads(json.dumps(to_wire(replace(decision.job, id="x")))))


def test_a_job_noun_comes_out():
    assert isinstance(read_job(LINE), Job)
