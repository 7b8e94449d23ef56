"""Hostile requests against a real server: each gets the answer that it must get, and the next caller gets theirs."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from attacks.case import LONGEST_S, Answer, Case, all_cases, exchange, job_with
from running import Running, running

CASES = all_cases()
MOST_CPU_S = 2.0
MOST_MEMORY_MB = 300


@pytest.fixture(scope="module")
def service() -> Iterator[Running]:
    with running() as started:
        yield started


@pytest.fixture(scope="module")
def ordinary(service: Running) -> bytes:
    """What an ordinary caller gets, before anything happened."""
    return ask(service)


def ask(service: Running) -> bytes:
    statuses, _, body = exchange(
        service.port, "POST", "/v1/extractions", {"Content-Type": "application/json"}, job_with({})
    )
    assert statuses == [200]
    return body


def test_there_are_enough_of_them_and_each_is_told_apart():
    assert len(CASES) >= 200
    assert len({case.name for case in CASES}) == len(CASES)
    assert all(case.why for case in CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_hostile_request_gets_its_answer_and_the_next_caller_theirs(service, ordinary, case):
    before = service.cpu_seconds()
    answer = case.asked(service.port)
    spent = service.cpu_seconds() - before
    check(case, answer)
    assert spent < MOST_CPU_S
    assert answer.seconds < LONGEST_S
    assert ask(service) == ordinary


def check(case: Case, answer: Answer) -> None:
    expected = case.expect
    assert answer.statuses == expected.get("statuses", [expected.get("status")]), answer.body[:500]
    assert b"Traceback" not in answer.body
    if "kind" in expected:
        problem = json.loads(answer.body)
        assert answer.headers["content-type"] == "application/problem+json"
        assert problem["status"] == answer.statuses[-1]
        assert problem["type"].rpartition("/")[2] == expected["kind"], problem
        found = {fault["pointer"] for fault in problem.get("errors", [])}
        assert found >= set(expected.get("pointers", [])), problem
        assert len(answer.body) < 100_000, "a refusal that is larger than what it refuses"


def test_no_attack_took_more_memory_than_a_request_may(service, ordinary):
    assert ask(service) == ordinary
    assert service.memory_mb("VmHWM") < MOST_MEMORY_MB
