"""Example jobs give the same bytes in this process and over HTTP; `python tests/same_bytes` asks all of them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from same_bytes.asked import Contract, everything
from same_bytes.digests import PLATFORM, answers, compared, releases, summed
from tallwide.handoff import MEDIA_TYPES, READERS

FILE = Path(__file__).parents[1] / "golden" / "answers.json"
# Of 84 requests a job; shares no factor with them, so that five jobs have each of them asked.
EVERY = 5


@pytest.fixture(scope="module")
def here():
    return answers()


def test_all_is_answered_but_what_must_be_refused(here):
    assert len(here) > 1500
    refused = {name for name, answer in here.items() if not answer.startswith("200 ")}
    assert refused == {name for name in here if name.startswith("refused: ")}


def test_no_endpoint_is_left_out():
    asked = {each.path.partition("?")[0] for each in everything()}
    written = {path for path in Contract().document["paths"] if "{" not in path}
    forms = {f"/v1/handoff/{form}" for form in MEDIA_TYPES} | {f"/v1/handoff/{form}/read" for form in READERS}
    assert (written | forms) - asked == {"/metrics"}  # counts what was answered


@pytest.mark.parametrize("workers", [1, 2])
def test_a_server_gives_the_same_bytes(here, workers):
    assert answers(workers, every=EVERY) == dict([*here.items()][::EVERY])


def test_the_bytes_are_those_that_another_machine_and_interpreter_gave(here):
    file = json.loads(FILE.read_text(encoding="utf-8"))
    result = compared(summed(here), file, releases())
    assert not result.other, "where answers are meant to change: python tests/same_bytes --write"
    assert len(result.not_compared) < len(file["answers"])


def test_an_answer_of_another_release_is_named_and_no_other_may_differ():
    ours = {**releases(), "pillow": "1"}
    file = {"releases": {**ours, "pillow": "2"}, "answers": {"a": "200 image/png 0", "b": "200 text/csv 0"}}
    result = compared({"a": "200 image/png 1", "b": "200 text/csv 1"}, file, ours)
    assert result.not_compared == ("a: made by pillow 1, not 2",)
    assert result.other == ("b: 200 text/csv 1, not 200 text/csv 0",)
    elsewhere = {**ours, PLATFORM: "none"}
    assert len(compared({"b": "200 text/csv 1", "a": "200 image/png 0"}, file, elsewhere).not_compared) == 1
    assert compared({"a": "422 image/png 1", "b": "200 text/csv 0"}, file, ours).other
