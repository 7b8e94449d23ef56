"""Comparing: what moved, by how much, and whether a delivered pixel changed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strategies import decisions
from tallwide import handoff
from tallwide.answers import Rect
from tallwide.compare import compare_frames, frames_read, known_frames
from tallwide.decision import Decision, Frame
from tallwide.handoff import ReadOptions
from tallwide.job import Aspect, Capture, Deliverable, Job, Raster


def _decision(*frames: tuple[str, Rect], raster: Raster | None = None, delivered: Raster | None = None, **capture):
    made = tuple(
        Frame(Deliverable(label, None if delivered else Aspect("1:1"), delivered), rect, rect) for label, rect in frames
    )
    recorded = Capture(raster or Raster(4800, 3200), **capture)
    return Decision(Job(recorded, tuple(frame.deliverable for frame in made)), made, None, "0.1.0")


WIDE = _decision(("wide", Rect(0, 250, 4800, 2700)))


def _compare(first: Decision, second: Decision, **options):
    return compare_frames(known_frames(first), known_frames(second), **options)


def test_a_move_is_told_in_pixels_and_percent():
    found = _compare(WIDE, _decision(("wide", Rect(480, 0, 4320, 2700))))
    (change,) = found.deliverables
    assert (change.edges_px.left, change.edges_px.top, change.edges_px.right, change.edges_px.bottom) == (
        480,
        -250,
        0,
        -250,
    )
    assert (change.moved_px.x, change.moved_px.y, change.moved_px.width) == (240, -250, -480)
    assert (change.moved_pct.x, change.moved_pct.width) == (5, -10)
    assert change.moved_pct.y == pytest.approx(-250 / 2700 * 100)
    assert change.largest_edge_px == 480
    assert found.delivered_pixels_changed
    assert not found.same_picture


@pytest.mark.parametrize(("tolerance", "is_same"), [(0, False), (1.5, False), (2, True)])
def test_the_same_picture_is_what_the_user_calls_so(tolerance, is_same):
    found = _compare(WIDE, _decision(("wide", Rect(0, 252, 4800, 2700))), tolerance_px=tolerance)
    assert found.same_picture is is_same
    assert found.delivered_pixels_changed


def test_deliverables_come_and_go():
    other = _decision(("wide", Rect(0, 250, 4800, 2700)), ("tall", Rect(0, 0, 10, 10)))
    assert [change.status for change in _compare(WIDE, other).deliverables] == ["same", "only_in_second"]
    assert [change.status for change in _compare(other, WIDE).deliverables] == ["same", "only_in_first"]
    assert not _compare(other, WIDE, tolerance_px=10_000).same_picture


def test_another_delivery_raster_changes_delivered_pixels_though_no_frame_moved():
    first = _decision(("wide", Rect(0, 250, 4800, 2700)), delivered=Raster(3840, 2160))
    second = _decision(("wide", Rect(0, 250, 4800, 2700)), delivered=Raster(1920, 1080))
    found = _compare(first, second, tolerance_px=100)
    assert found.deliverables[0].status == "delivered_otherwise"
    assert found.delivered_pixels_changed
    assert not found.same_picture


def test_a_raster_of_half_the_size_is_scaled_exactly_and_it_is_said():
    found = _compare(WIDE, _decision(("wide", Rect(0, 125, 2400, 1350)), raster=Raster(2400, 1600)))
    assert found.scaled_by == (2, 2)
    assert found.same_picture
    assert found.delivered_pixels_changed
    assert "2400 x 1600" in found.remarks[0]


@pytest.mark.parametrize(
    "other",
    [
        _decision(("wide", Rect(0, 0, 10, 10)), raster=Raster(4096, 2160)),
        _decision(("wide", Rect(0, 0, 10, 10)), roll=90),
    ],
)
def test_what_cannot_be_compared_is_refused(other):
    with pytest.raises(ValueError, match="cannot be compared"):
        _compare(WIDE, other)


@given(decisions())
@settings(max_examples=60, deadline=None)
def test_a_decision_is_the_same_as_itself(decision):
    found = _compare(decision, decision)
    assert found.same_picture
    assert not found.delivered_pixels_changed


@given(decisions(), st.sampled_from(tuple(handoff.READERS)))
@settings(max_examples=150, deadline=None)
def test_a_decision_is_the_same_as_its_own_document_in_every_form(decision, form):
    document = handoff.write(decision, form).content
    reading = handoff.read(document, form, ReadOptions(raster=decision.capture.raster))
    found = compare_frames(known_frames(decision), frames_read(reading))
    assert found.same_picture
    assert not found.delivered_pixels_changed
    assert not found.remarks


@given(decisions(most=3), st.data())
@settings(max_examples=60, deadline=None)
def test_whatever_moves_is_found_and_back_is_the_opposite(decision, data):
    index = data.draw(st.integers(0, len(decision.frames) - 1))
    raster = decision.capture.raster
    frame = decision.frames[index]
    x = data.draw(st.integers(0, raster.width - frame.rect.width))
    moved = replace(frame, rect=replace(frame.rect, x=x))
    other = replace(decision, frames=(*decision.frames[:index], moved, *decision.frames[index + 1 :]))
    there, back = _compare(decision, other).deliverables[index], _compare(other, decision).deliverables[index]
    assert there.edges_px.left == x - frame.rect.x == -back.edges_px.left
    assert there.delivered_pixels_changed is (x != frame.rect.x)


def test_frames_without_names_are_compared_in_their_order():
    reading = handoff.read("#xywh=0,250,4800,2700", "media-fragments")
    found = compare_frames(known_frames(WIDE), frames_read(reading))
    assert found.same_picture
    assert "order" in found.remarks[0]
    assert "raster" in found.remarks[1]
