"""Numbers to type by hand, and the monitor feed that they are for."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strategies import captures
from tallwide.answers import Rect
from tallwide.job import Aspect, Capture, Deliverable, DialIn, Job, MonitorFeed, Picture, Raster
from tallwide_service.core import solve
from tallwide_service.core.dial_in import dial_in
from tallwide_service.core.view import feed_view, view_of
from tallwide_service.errors import CannotBeMet

HD = MonitorFeed(1920, 1080)


def job_of(capture: Capture, *aspects, feed: MonitorFeed | None = HD, steps: DialIn | None = None) -> Job:
    return Job(
        capture,
        tuple(Deliverable(str(aspect), aspect=Aspect(aspect)) for aspect in aspects),
        picture=None if feed is None else Picture(monitor=feed),
        dial_in=steps,
    )


def numbers(job: Job, picture="feed", unit="px", origin="corner"):
    place, frames = dial_in(job, solve(job).extractions)
    rows = [
        next(row for row in frame.rows if (row.picture, row.unit, row.origin) == (picture, unit, origin))
        for frame in frames
    ]
    return place, rows


def test_a_3_to_2_recording_stands_in_an_hd_feed_as_1620_by_1080_at_150():
    place, (row,) = numbers(job_of(Capture(raster=Raster(4800, 3200)), "3:2"))
    assert (place.recording.x, place.recording.y) == (150, 0)
    assert (place.recording.width, place.recording.height) == (1620, 1080)
    assert (row.x, row.y, row.width, row.height, row.largest_error_px) == (150, 0, 1620, 1080, 0)


def test_a_filled_feed_cuts_the_recording():
    feed = feed_view(Capture(raster=Raster(4800, 3200)), MonitorFeed(1920, 1080, fit="fill"))
    assert feed.recording == (0, -100, 1920, 1180)


def test_a_turned_feed_shows_the_upright_picture():
    capture = Capture(raster=Raster(4800, 3200), roll=90)
    upright = feed_view(capture, MonitorFeed(1080, 1920, turned=True))
    assert upright.recording == (0, 150, 1080, 1770)
    # The recorded top left corner is the upright top right one.
    assert upright.box(Rect(0, 0, 480, 320)) == (972, 150, 1080, 312)


def test_a_desqueezed_feed_has_the_shape_of_the_scene():
    feed = feed_view(Capture(raster=Raster(2880, 2400), squeeze=2), MonitorFeed(2400, 1200, desqueezed=True))
    assert feed.recording == (0, 100, 2400, 1100)


def test_percent_is_of_the_feed_and_of_the_recording():
    job = job_of(Capture(raster=Raster(4800, 3200)), "9:16")  # 1800 x 3200 at 1500, 0
    _, (feed,) = numbers(job, "feed", "percent")
    _, (recording,) = numbers(job, "recording", "percent")
    # 656.25 of 1920 px are 34.18 %, 607.5 are 31.64 %.
    assert (feed.x, feed.width, feed.height) == (34.2, 31.6, 100)
    # 31.25 %, half way between two steps, goes away from zero.
    assert (recording.x, recording.width, recording.height) == (31.3, 37.5, 100)


def test_from_the_centre_a_middle_frame_has_no_offset():
    _, (row,) = numbers(job_of(Capture(raster=Raster(4800, 3200)), "9:16"), origin="centre")
    assert (row.x, row.y) == (0, 0)


def test_without_a_monitor_the_numbers_are_for_the_recording():
    place, (row,) = numbers(job_of(Capture(raster=Raster(4800, 3200)), "9:16", feed=None))
    assert (place.width, place.height, row.x, row.width) == (4800, 3200, 1500, 1800)


def test_a_picture_of_an_unknown_deliverable_is_refused_by_name():
    job = job_of(Capture(raster=Raster(480, 320)), "1:1")
    with pytest.raises(CannotBeMet, match='no deliverable has the label "tall"'):
        view_of(job, solve(job).extractions, Picture(deliverable="tall"))


@settings(max_examples=60)
@given(
    capture=captures(100, 9000),
    step=st.sampled_from((1, 2, 0.5, 0.1)),
    fit=st.sampled_from(("whole", "fill")),
    turned=st.booleans(),
    desqueezed=st.booleans(),
)
def test_typed_numbers_are_on_the_steps_and_the_error_is_what_rounding_costs(capture, step, fit, turned, desqueezed):
    feed = MonitorFeed(1920, 1080, fit=fit, turned=turned, desqueezed=desqueezed)
    job = job_of(capture, "16:9", feed=feed, steps=DialIn(step_px=step, step_pct=step))
    try:
        extractions = solve(job).extractions
    except CannotBeMet:
        return
    _, (frame,) = dial_in(job, extractions)
    exact = Fraction(str(step))
    for row in frame.rows:
        for number in (row.x, row.y, row.width, row.height):
            assert (Fraction(str(number)) / exact).denominator == 1
        raster = Raster(1920, 1080)
        if row.picture == "recording":
            raster = capture.upright_raster if turned else capture.raster
        unit = 1 if row.unit == "px" else max(raster.width, raster.height) / 100
        # A place and a side are each off by half a step at most; from the centre half the side's error counts.
        assert row.largest_error_px <= step * unit * 1.0000001


@settings(max_examples=60)
@given(capture=captures(100, 9000), turned=st.booleans())
def test_a_whole_feed_shows_every_frame_inside_the_recording(capture, turned):
    view = feed_view(capture, MonitorFeed(1280, 720, turned=turned))
    left, top, right, bottom = view.recording
    assert left >= 0
    assert top >= 0
    assert right <= 1280
    assert bottom <= 720
    assert (left, right) == (0, 1280) or (top, bottom) == (0, 720)
