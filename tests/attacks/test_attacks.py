"""Hostile requests against a real server: each gets the answer that it must get, and the next caller gets theirs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

import clip_streams
from attacks.case import LONGEST_S, Answer, Case, all_cases, exchange, job_with
from running import Running, running

CASES = all_cases()
MOST_CPU_S = 2.0
# Kinds whose faults are about members of what was sent.
TELLING_WHERE = ("invalid-job", "cannot-be-met", "form-unreadable", "member-missing", "no-such-picture")
MOST_MEMORY_MB = 370  # 300, and pyarrow once a table has come: 68


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


def test_each_says_what_a_problem_must_tell():
    """A status alone would be met by another fault; pointers are looked at beside a kind alone."""
    for case in CASES:
        kind = case.expect.get("kind")
        assert kind is not None or "pointers" not in case.expect, case.name
        assert kind not in TELLING_WHERE or case.expect.get("pointers"), case.name


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
    if answer.headers.get("content-type") == "application/problem+json":
        assert json.loads(answer.body).get("errors") != [], "a list of faults without a fault"
        assert b" object at 0x" not in answer.body, "words about the program instead of the request"
    if "kind" in expected:
        problem = json.loads(answer.body)
        assert answer.headers["content-type"] == "application/problem+json"
        assert problem["status"] == answer.statuses[-1]
        assert kind_of(problem) == expected["kind"], problem
        found = {fault["pointer"] for fault in problem.get("errors", [])}
        assert found >= set(expected.get("pointers", [])), problem
        assert len(answer.body) < 100_000, "a refusal that is larger than what it refuses"
    if "end" in expected:
        check_lines(expected, answer)


def check_lines(expected: dict[str, Any], answer: Answer) -> None:
    """Hold the lines or rows of a batch's answer to their statuses and kinds, and the last one to its counts."""
    if answer.headers["content-type"] == clip_streams.ARROW:
        table, end = clip_streams.read(answer.body)
        problems = [problem and json.loads(problem) for problem in table["problem"].to_pylist()]
        lines = [
            {"status": problem["status"], "problem": problem} if problem else {"status": 200} for problem in problems
        ]
    else:
        assert answer.body.endswith(b"\n")
        *lines, end = map(json.loads, answer.body.splitlines())
    found = {**end, "problem": kind_of(end["problem"])} if "problem" in end else end
    assert {name: found.get(name) for name in expected["end"]} == expected["end"]
    assert len(lines) == end["answers"] + end["problems"]
    if "lines" in expected:
        assert [status_of(line) for line in lines] == expected["lines"]


def status_of(line: dict[str, Any]) -> str:
    """Return the status of a line, and of a problem its kind."""
    if line["status"] == 200:
        return "200"
    assert line["problem"]["status"] == line["status"]
    return f"{line['status']} {kind_of(line['problem'])}"


def kind_of(problem: dict[str, Any]) -> str:
    return problem["type"].rpartition("/")[2]


def test_no_attack_takes_more_memory_than_a_request_may():
    """All of them against one service, here, whichever tests run in this process: small talk at once, since somebody
    waits in most of it, and the rest one after the other.
    """
    talks = [case for case in CASES if "raw" in case.send]
    with running() as service, ThreadPoolExecutor(8) as callers:
        ordinary = ask(service)
        answers = [*zip(talks, callers.map(lambda case: case.asked(service.port), talks), strict=True)]
        answers += [(case, case.asked(service.port)) for case in CASES if "raw" not in case.send]
        assert ask(service) == ordinary
        assert service.memory_mb("VmHWM") < MOST_MEMORY_MB
    for case, answer in answers:
        check(case, answer)
