"""Whatever bytes come, a parser reads them or refuses them in its own words; `tests/fuzz/parsers.py` asks longer."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fuzz.targets import TARGETS, Broken, Target, hold

MOST_CHANGES, LONGEST_CUT = 4, 12


@st.composite
def spoilt(draw, target):
    """Bytes that are read, changed in a few places; now and then any bytes."""
    data = draw(st.sampled_from(target.seeds) | st.binary(max_size=64))
    for _ in range(draw(st.integers(1, MOST_CHANGES))):
        start = draw(st.integers(0, len(data)))
        stop = draw(st.integers(start, min(len(data), start + LONGEST_CUT)))
        data = data[:start] + draw(st.sampled_from((b"", *target.words)) | st.binary(max_size=4)) + data[stop:]
    return data


@pytest.mark.parametrize("name", TARGETS)
def test_what_is_right_is_read(name):
    assert all(TARGETS[name].takes(seed) for seed in TARGETS[name].seeds)


@pytest.mark.parametrize("name", TARGETS)
@given(data=st.data())
@settings(max_examples=200, deadline=None)
def test_what_is_spoilt_is_read_or_refused(name, data):
    TARGETS[name].takes(data.draw(spoilt(TARGETS[name])))


@given(width=st.text("0123456789.", max_size=8), height=st.text("0123456789.", max_size=8))
@settings(max_examples=300, deadline=None)
def test_an_aspect_of_two_numbers_is_read_or_refused(width, height):
    TARGETS["aspect"].takes(f"{width}:{height}".encode())


def test_any_other_error_is_a_fault_of_the_parser():
    def broken(data):
        hold(len(data) < 3, "too many")
        {}[data]

    target = Target(broken, (ValueError,), ())
    with pytest.raises(KeyError):
        target.takes(b"a")
    with pytest.raises(Broken, match="too many"):
        target.takes(b"abc")


@pytest.mark.parametrize("document", ["\r\r", "deliverable,x_px\r\n\r\n", "\n\n\n"])
def test_a_table_of_empty_lines_has_no_row(document):
    assert not TARGETS["csv"].takes(document.encode())


@pytest.mark.parametrize(
    "line",
    [
        b'{"line":1e999,"id":"a","status":200}\n',
        b'{"line":1,"id":"a","status":{}}\n',
        b'{"end":true,"complete":false,"problem":5}\n',
    ],
)
def test_what_is_no_line_of_an_answer_is_a_fault_of_the_protocol_or_the_service(line):
    assert not TARGETS["answers to a batch (NDJSON)"].takes(line)


def test_nothing_may_follow_the_end_of_an_answer():
    target = TARGETS["answers to a batch (NDJSON)"]
    (seed,) = target.seeds
    assert not target.takes(seed + b'{"line":4,"id":null,"status":200,"answer":{}}\n')
    assert not target.takes(seed + seed.splitlines(keepends=True)[-1])
