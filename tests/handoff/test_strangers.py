"""Documents from strangers: whatever is done to one, a reader reads it, or refuses it in words."""

from __future__ import annotations

import copy
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strategies import decisions
from tallwide import handoff
from tallwide.compare import frames_read
from tallwide.handoff import ReadOptions, UnreadableForm
from tallwide.job import LARGEST_SIDE_PX, Raster

ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**20), 10**20),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(
        ["C1\n", "=1", "9" * 400, "1e999", "\ud800", "../..", "<!--", "none", 0, -1, 10**400, 1e308, 5e-324, [], {}]
    ),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.text(max_size=4), st.integers(), max_size=3),
)


def places(document, path=()):
    """Return the path of every member and item of a JSON value."""
    found = [path]
    inner = (
        document.items() if isinstance(document, dict) else enumerate(document) if isinstance(document, list) else ()
    )
    for key, value in inner:
        found += places(value, (*path, key))
    return found


def spoilt(document, path, value):
    if not path:
        return value
    document = copy.deepcopy(document)
    inner = document
    for key in path[:-1]:
        inner = inner[key]
    if value is ...:
        del inner[path[-1]]
    else:
        inner[path[-1]] = value
    return document


def read_or_refused(document, form, options):
    try:
        reading = handoff.read(document, form, options)
    except UnreadableForm as error:
        faults = error.faults
    else:
        faults = None
    if faults is not None:
        assert faults
        assert all(fault.pointer.startswith("/document") and fault.detail and fault.clause for fault in faults)
        return
    for frame in reading.frames:
        rect = frame.rect
        assert rect.x >= 0
        assert rect.y >= 0
        assert rect.width > 0
        assert rect.height > 0
        assert rect.right <= LARGEST_SIDE_PX or "raster" not in reading.job["capture"]
        assert frame.deliverable.isprintable()
    assert len(reading.frames) == len(reading.job["deliverables"])
    frames_read(reading)


OPTIONS = st.builds(ReadOptions, st.booleans(), st.sampled_from((None, Raster(3840, 2160))))


@given(decisions(most=2), st.sampled_from(("framing-decision-list", "iiif", "media-fragments")), st.data(), OPTIONS)
@settings(max_examples=300, deadline=None)
def test_a_spoilt_document_is_read_or_refused(decision, form, data, options):
    document = json.loads(json.dumps(handoff.write(decision, form).content))
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(places(document)))
        value = data.draw(st.one_of(ODD, st.just(...) if path else ODD))
        document = spoilt(document, path, value)
    read_or_refused(document, form, options)


@given(decisions(most=2), st.sampled_from(handoff.FORMS), st.data(), OPTIONS)
@settings(max_examples=300, deadline=None)
def test_a_spoilt_text_is_read_or_refused(decision, form, data, options):
    if form not in handoff.READERS:
        return
    text = handoff.write(decision, form).raw.decode()
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        stop = data.draw(st.integers(start, min(len(text), start + 40)))
        text = text[:start] + data.draw(st.text(max_size=6)) + text[stop:]
    read_or_refused(text, form, options)


@given(st.text(max_size=200), st.sampled_from(tuple(handoff.READERS)), OPTIONS)
@settings(max_examples=300, deadline=None)
def test_any_text_is_read_or_refused(text, form, options):
    read_or_refused(text, form, options)


@given(ODD, st.sampled_from(tuple(handoff.READERS)), OPTIONS)
@settings(max_examples=200, deadline=None)
def test_any_value_is_read_or_refused(value, form, options):
    read_or_refused(value, form, options)


@pytest.mark.parametrize("form", handoff.READERS)
def test_a_reader_is_not_slowed_down_by_its_own_bound(form):
    with pytest.raises(UnreadableForm):
        handoff.read("x" * 10_000_000, form)
