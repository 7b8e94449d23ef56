"""Frame optics against handbook tables. Where conventions differ, the formula is named beside the figure."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import pytest

from tallwide.answers import Rect
from tallwide.job import Capture, Deliverable, Display, Job, Lens, Raster
from tallwide_service.core import solve
from tallwide_service.core.frame_optics import (
    equivalent_focal,
    fall_off,
    frame_optics,
    frame_pairs,
    hyperfocal_short_mm,
    limits_mm,
    times_longer,
)

FOOT = 304.8


@pytest.mark.parametrize(
    ("focal_mm", "f_number", "circle_mm", "printed_mm", "rel"),
    [
        # US Army training text SS0507: 2 in lens, f/8, circle 0.002 in: 20.8 ft, by f^2 / (N c).
        pytest.param(50.8, 8, 0.0508, 20.8 * FOOT, 0.002, id="army"),
        # US Navy NAVEDTRA 14209: 6.1 in lens, f/2.8: 554 ft, by f^2 / (N c); the circle of 0.002 in is inferred.
        pytest.param(154.94, 2.8, 0.0508, 554 * FOOT, 0.001, id="navy"),
        # An encyclopaedia's worked example: 10,417 mm from the front focus, by f^2 / (N c).
        pytest.param(50, 8, 0.03, 10_417, 1e-4, id="encyclopaedia"),
        pytest.param(50, 16, 0.02, 7_800, 0.002, id="encyclopaedia, f/16"),
    ],
)
def test_the_shorter_form_agrees_with_printed_hyperfocal_distances(focal_mm, f_number, circle_mm, printed_mm, rel):
    assert hyperfocal_short_mm(focal_mm, f_number, circle_mm) == pytest.approx(printed_mm, rel=rel)


def test_the_longer_form_is_the_shorter_one_and_the_focal_length():
    # The same worked example by f^2 / (N c) + f: 10,467 mm.
    assert hyperfocal_short_mm(50, 8, 0.03) + 50 == pytest.approx(10_467, abs=0.5)
    # The same at f/16 and 0.02 mm, printed 7.9 m in tenths.
    assert hyperfocal_short_mm(50, 16, 0.02) + 50 == pytest.approx(7_900, abs=50)


@pytest.mark.parametrize(
    ("hyperfocal_mm", "focus_mm", "focal_mm", "near_mm", "far_mm", "rel"),
    [
        # Focused at the hyperfocal distance the near limit is half of it: printed 10.4 ft of 20.8 and 5,233 mm.
        pytest.param(20.8 * FOOT, 20.8 * FOOT, 50.8, 10.4 * FOOT, None, 0.002, id="army, H / 2"),
        pytest.param(10_467, 10_467, 50, 5_233, None, 1e-3, id="encyclopaedia, H / 2"),
        # Focused at half of it, a third is near and the far limit is the hyperfocal distance; printed 3,489 mm,
        # by the shorter form's H s / (H + s); the thin lens has 3,494.4. Its far limit is 52.0 mm before the printed
        # one: the focal length, and 2 mm more because the printed half of H is rounded.
        pytest.param(10_467, 5_233, 50, 3_489, 10_467, 0.006, id="encyclopaedia, H / 3"),
        # Navy text: focused at 10 ft, near 9.8 ft by H s / (H + s) and far 10.2 ft by H s / (H - s), in tenths.
        pytest.param(554 * FOOT, 10 * FOOT, 154.94, 9.8 * FOOT, 10.2 * FOOT, 0.005, id="navy"),
    ],
)
def test_limits_agree_with_printed_ones(hyperfocal_mm, focus_mm, focal_mm, near_mm, far_mm, rel):
    near, far = limits_mm(hyperfocal_mm, focus_mm, focal_mm)
    assert near == pytest.approx(near_mm, rel=rel)
    assert far == (None if far_mm is None else pytest.approx(far_mm, rel=rel))


@pytest.mark.parametrize(
    ("focal_mm", "angle_deg", "printed_pct", "abs_pct"),
    [
        # Glossary of a lens collector, vignetting: half diagonal angle and cos^4 on the 135 frame; 40 mm is truncated.
        pytest.param(50, 23.4, 71, 0.5, id="50 mm"),
        pytest.param(45, 25.7, 66, 0.5, id="45 mm"),
        pytest.param(40, 28.4, 59, 1.0, id="40 mm"),
        pytest.param(38, 29.65, 57, 0.5, id="38 mm"),
    ],
)
def test_natural_fall_off_agrees_with_printed_cos4(focal_mm, angle_deg, printed_pct, abs_pct):
    found = fall_off(43.2666 / 2, focal_mm)
    assert found.angle_deg == pytest.approx(angle_deg, abs=0.05)
    assert 100 * found.relative_illuminance == pytest.approx(printed_pct, abs=abs_pct)
    assert found.is_estimate


def test_two_stops_are_lost_at_45_degrees():
    assert fall_off(10, 10).stops == pytest.approx(2)  # cos^4 45 degrees = 1/4, exactly


# 17.3 x 13.0 mm in photosites of 5 um, all of it a frame of 4:3 (3,460 x 2,600 has 1.3308).
SMALL = Capture(Raster(3460, 2600), photosite_pitch_um=5, lens=Lens(focal_length_mm=45, f_number=4))


def optics(capture, *frames):
    job = Job(capture, frames)
    return job, solve(job).extractions


def test_equivalent_focal_lengths_are_told_by_width_height_and_diagonal():
    # Field-of-view page: 45 mm on 17.3 x 13.0 mm is 90 mm on the 135 frame, by the diagonal.
    large = replace(SMALL, raster=Raster(7200, 4800))
    frame = Deliverable("small", raster=Raster(3460, 2600))
    job, (extraction,) = optics(large, frame)
    found = equivalent_focal(Rect(0, 0, 3460, 2600), large)
    assert found.by_diagonal == pytest.approx(90, abs=0.05)
    assert found.by_width == pytest.approx(45 * 36 / 17.3)
    assert found.by_height == pytest.approx(45 * 24 / 13)
    assert extraction.deliverable == "small"
    assert frame_optics(job, (extraction,))[0].equivalent_focal_mm.by_height == pytest.approx(45)


@pytest.mark.parametrize(("focal_mm", "printed"), [(45, 90), (50, 100), (75, 150), (100, 200), (135, 270)])
def test_lenses_are_as_many_times_longer_as_printed_equivalent_focal_lengths_say(focal_mm, printed):
    # Field-of-view page: 17.3 x 13.0 mm against the 135 frame, by the diagonal, printed in whole mm.
    small, large = (Fraction("17.3"), Fraction("13.0")), (Fraction(36), Fraction(24))
    assert round(focal_mm * times_longer(small, large)[2]) == printed


def test_frames_are_compared_with_each_other():
    job, extractions = optics(
        Capture(Raster(4800, 3200)),
        Deliverable("wide", raster=Raster(1920, 1080)),
        Deliverable("tall", raster=Raster(1080, 1920)),
    )
    pairs = {(pair.deliverable, pair.as_much_as): pair for pair in frame_pairs(job, extractions)}
    # Wide is 4,800 x 2,700 and tall 1,800 x 3,200: a lens shows tall's width on wide when it is 2.667 times longer.
    assert pairs["wide", "tall"].by_width == pytest.approx(4800 / 1800)
    assert pairs["tall", "wide"].by_height == pytest.approx(3200 / 2700)
    assert pairs["wide", "tall"].by_diagonal * pairs["tall", "wide"].by_diagonal == pytest.approx(1)


def depth(capture, frame):
    job, extractions = optics(capture, frame)
    return frame_optics(job, extractions)[0]


def test_the_circle_of_confusion_follows_extraction_and_delivery():
    frame = Deliverable("wide", raster=Raster(1730, 1300))
    whole = depth(SMALL, frame).depth_of_field
    # 13 mm over 1,300 delivered rows; finer delivery, and a crop of half, ask for a smaller circle.
    assert whole.circle_of_confusion_mm == pytest.approx(13 / 1300)
    assert depth(SMALL, replace(frame, raster=Raster(3460, 2600))).depth_of_field.circle_of_confusion_mm == (
        pytest.approx(13 / 2600)
    )
    half = replace(SMALL, usable_area=((865, 650), (2595, 650), (2595, 1950), (865, 1950)))
    assert depth(half, frame).depth_of_field.circle_of_confusion_mm == pytest.approx(6.5 / 1300)
    far = replace(frame, display=Display(height_mm=1000, viewing_distance_mm=10_000))
    # From 10 m the eye tells 343 rows apart.
    assert depth(SMALL, far).depth_of_field.circle_of_confusion_mm == pytest.approx(13 / 343)


def test_depth_of_field_needs_a_focus_distance_and_may_reach_infinity():
    frame = Deliverable("wide", raster=Raster(1730, 1300))
    found = depth(SMALL, frame).depth_of_field
    assert (found.near_mm, found.far_mm, found.reaches_infinity) == (None, None, None)
    beyond = replace(SMALL.lens, focus_distance_mm=found.hyperfocal_mm * 2)
    at_infinity = depth(replace(SMALL, lens=beyond), frame).depth_of_field
    assert (at_infinity.far_mm, at_infinity.reaches_infinity) == (None, True)


def test_depth_of_field_is_refused_for_a_squeezed_lens():
    found = depth(replace(SMALL, squeeze=2), Deliverable("wide", raster=Raster(1730, 650)))
    assert found.depth_of_field is None
    assert [reason.code for reason in found.reasons] == ["squeezed_lens_has_two_focal_lengths"]


def test_fall_off_is_told_only_from_a_stated_exit_pupil_and_as_an_estimate():
    frame = Deliverable("wide", raster=Raster(1730, 1300))
    assert depth(SMALL, frame).fall_off is None
    found = depth(replace(SMALL, lens=replace(SMALL.lens, exit_pupil_mm=60)), frame)
    assert found.fall_off.angle_deg == pytest.approx(math.degrees(math.atan(math.hypot(8.65, 6.5) / 60)))
    assert "fall_off_estimate" in {reason.code for reason in found.reasons}


def test_no_depth_is_given_for_a_focus_within_the_focal_length():
    frame = Deliverable("wide", raster=Raster(1730, 1300))
    near = depth(replace(SMALL, lens=replace(SMALL.lens, focus_distance_mm=45)), frame)
    assert near.depth_of_field is None
    assert [reason.code for reason in near.reasons] == ["focus_within_focal_length"]
    beyond = depth(replace(SMALL, lens=replace(SMALL.lens, focus_distance_mm=46)), frame).depth_of_field
    assert 45 < beyond.near_mm < 46 < beyond.far_mm
