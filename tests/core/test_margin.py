"""Margins: pixels against needs, decided in whole numbers."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from strategies import jobs, rasters
from tallwide.answers import Axes
from tallwide.job import Aspect, Capture, Deliverable, Display, Job, Raster
from tallwide_service.core import margins, solve
from tallwide_service.errors import CannotBeMet


def margin_of(capture: Capture, **deliverable):
    job = Job(capture=capture, deliverables=(Deliverable(label="frame", **deliverable),))
    (margin,) = margins(job, solve(job))
    return margin


FULL_HEIGHT = Capture(raster=Raster(4800, 3200))


@pytest.mark.parametrize(
    ("needed", "verdict"),
    [
        # Common practice, no source: a 3:2 sensor more than 3,000 photosites high, upright, has pixels to spare for a
        # 9:16 raster 1,920 high and for a hand-held screen about 2,800 px long, and too few for 3,840.
        pytest.param(Raster(1080, 1920), "enough", id="1,920 high"),
        pytest.param(Raster(1575, 2800), "enough", id="a hand-held screen"),
        pytest.param(Raster(2160, 3840), "short", id="3,840 high"),
        pytest.param(Raster(1800, 3200), "at_limit", id="the crop itself"),
    ],
)
def test_an_upright_3_to_2_sensor_holds_a_tall_frame_up_to_its_own_height(needed, verdict):
    assert margin_of(FULL_HEIGHT, raster=needed).verdict == verdict


def test_a_camera_that_scales_in_its_body_passes_on_pixels_and_fails_on_photosites():
    capture = Capture(raster=Raster(3840, 2160), photosites=Raster(2880, 1620))
    margin = margin_of(capture, raster=Raster(3840, 2160))
    assert (margin.verdict, margin.photosite_verdict) == ("at_limit", "short")
    assert margin.photosite_oversampling.smaller == 0.75


def test_one_missing_pixel_is_short_and_one_spare_pixel_is_enough():
    capture = Capture(raster=Raster(65_534, 65_534))
    assert margin_of(capture, raster=Raster(65_535, 65_535)).verdict == "short"
    assert margin_of(capture, raster=Raster(65_534, 65_534)).verdict == "at_limit"
    assert margin_of(capture, raster=Raster(65_533, 65_533)).verdict == "enough"


def test_a_minimum_that_no_double_holds_is_still_met_exactly():
    # 1.1 x 1,000 is 1,100 px; as a double 1.1 is a little more than 1.1.
    margin = margin_of(Capture(raster=Raster(1100, 1100)), raster=Raster(1000, 1000), minimum_oversampling=1.1)
    assert (margin.verdict, margin.spare_px) == ("at_limit", Axes(0, 0))


def test_without_a_raster_nothing_is_judged():
    margin = margin_of(FULL_HEIGHT, aspect=Aspect("16:9"))
    assert margin.needed is margin.oversampling is margin.spare_px is margin.verdict is margin.enough is None
    assert margin.reframe_room.scale is None


def test_reframe_room_is_what_lies_around_the_upright_frame():
    margin = margin_of(replace(FULL_HEIGHT, roll=90), raster=Raster(1080, 1920))
    room = margin.reframe_room
    # Turned, the picture is 3,200 x 4,800 and the frame 2,700 x 4,800.
    assert (room.left, room.top, room.right, room.bottom) == (250, 0, 250, 0)
    assert room.scale == 2.5


def test_the_eye_limit_follows_from_one_arc_minute():
    display = Display(height_mm=1720, viewing_distance_mm=4000)
    assert margin_of(FULL_HEIGHT, raster=Raster(1080, 1920), display=display).eye_limit.rows == 1478


@given(job=jobs(smallest=60, largest=9000, most=1), needed=rasters(1, 9000), asked=st.integers(10, 400))
def test_a_verdict_is_what_whole_pixels_say(job, needed, asked):
    (frame,) = job.deliverables
    frame = replace(frame, raster=needed, aspect=None, minimum_oversampling=asked / 100)
    job = replace(job, deliverables=(frame,))
    assume(Fraction(1, 20) <= frame.ratio <= 20)
    try:
        solution = solve(job)
    except CannotBeMet:
        assume(False)
    (margin,), (extraction,) = margins(job, solution), solution.extractions
    have = extraction.upright_rect
    spare = min(have.width * 100 - asked * needed.width, have.height * 100 - asked * needed.height)
    ratios = (have.width * 100 * needed.height, have.height * 100 * needed.width)
    smaller_axis_spare = (
        have.width * 100 - asked * needed.width if ratios[0] <= ratios[1] else have.height * 100 - asked * needed.height
    )
    assert margin.enough == (spare >= 0)
    assert (margin.verdict == "at_limit") == (spare >= 0 and smaller_axis_spare == 0)
    assert (margin.spare_px.x >= 0 and margin.spare_px.y >= 0) == margin.enough
