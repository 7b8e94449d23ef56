"""The decision by hand: days, modes, thresholds and subjects whose figures follow from a line of arithmetic."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallwide.job import Capture, Deliverable, Framing, Job, Lens, Production, Raster, RateLimit, Subject
from tallwide_service.core import orientation, solve
from tallwide_service.core.recording import as_recorded, data_volume
from tallwide_service.core.subject import carried_subject
from tallwide_service.errors import CannotBeMet

WIDE_UHD = Deliverable(label="wide", raster=Raster(3840, 2160))
TALL_UHD = Deliverable(label="tall", raster=Raster(2160, 3840))
THREE_TO_TWO = Capture(raster=Raster(4800, 3200), label="A")


def test_a_larger_mode_replaces_two_passes():
    job = Job(THREE_TO_TWO, (TALL_UHD, WIDE_UHD))
    assert orientation(job).plans[0].cost.passes == 2
    larger = Capture(raster=Raster(5760, 3840), label="B")
    advice = orientation(replace(job, alternatives=(larger,)))
    (one,) = advice.plans[0].passes
    assert (one.capture_index, one.roll) == (1, 0)
    assert "B" in advice.recommended.text


def test_the_smallest_larger_mode_is_named_where_no_plan_of_one_pass_is_enough():
    mend = orientation(Job(THREE_TO_TWO, (TALL_UHD, WIDE_UHD))).what_would_change.mends[0]
    # 2,160 of 1,800 px across at full height: 3,200 x 1.2 = 3,840 lines, so 5,760 columns of the same shape.
    assert (mend.raster.width, mend.raster.height) == (5760, 3840)


def test_the_smallest_larger_circle_is_named_where_the_lens_cuts():
    # 4,800 x 2,700 px of 5 um: a diagonal of 27.54 mm; 2 x 1,920 x 1,080 asks for 22.03 mm.
    capture = Capture(Raster(4800, 2700), photosite_pitch_um=5, lens=Lens(image_circle_mm=15))
    frame = Deliverable(label="wide", raster=Raster(3840, 2160))
    mend = orientation(Job(capture, (frame,), rolls=(0,))).what_would_change.mends[0]
    assert mend.image_circle_mm == pytest.approx(22.1)


def test_a_squeezed_lens_turned_back_in_its_mount_is_another_capture():
    # 9:16 on 4,000 x 3,000, squeeze 2, for 1,080 x 1,920: upright 0.78, turned 1.39, lens turned back 1.04.
    tall = Deliverable(label="tall", raster=Raster(1080, 1920))
    with_the_body = Capture(Raster(4000, 3000), squeeze=2)
    turned_back = replace(with_the_body, squeeze_axis="sensor_height")
    advice = orientation(Job(with_the_body, (tall,), alternatives=(turned_back,), passes=1))
    found = {(one.capture_index, one.roll): plan.smallest_oversampling for plan in advice.plans for one in plan.passes}
    assert found[0, 0] == pytest.approx(0.78, abs=0.005)
    assert found[0, 90] == pytest.approx(1.39, abs=0.005)
    assert found[1, 90] == pytest.approx(1.04, abs=0.005)
    turned = next(plan for plan in advice.plans if plan.passes[0].roll == 90 and plan.passes[0].capture_index == 0)
    assert "squeeze_turns_with_body" in {reason.code for reason in turned.reasons}


DAY = Production(shots=10, takes_per_shot=3, minutes_per_take=4, minutes_per_changeover=15, minutes_available=600)


def test_a_day_is_counted_by_hand():
    # 10 shots x 3 takes x 4 minutes a pass; two passes change over once a shot, in alternate order.
    capture = replace(THREE_TO_TWO, data_rate_mb_s=310)
    advice = orientation(Job(capture, (TALL_UHD, WIDE_UHD), production=DAY))
    best = advice.plans[0]
    assert (best.cost.passes, best.cost.changeovers) == (2, 10)
    assert best.cost.minutes == 2 * 120 + 10 * 15
    assert best.cost.megabytes == 240 * 60 * 310
    # 600 - 240 minutes are left for 10 change-overs.
    assert advice.what_would_change.changeover.minutes == 36


def test_two_passes_that_do_not_fit_into_the_day_are_not_feasible_and_what_is_missing_is_said():
    short = replace(DAY, minutes_available=300)
    advice = orientation(Job(THREE_TO_TWO, (TALL_UHD, WIDE_UHD), production=short))
    assert not advice.plans[0].feasible
    # Two passes have 300 of 390 minutes; one upright pass has 1,800 of 2,160 px, which misses less.
    assert advice.plans[0].cost.passes == 1
    assert "360 x 640 px are missing" in advice.recommended.text
    # Some plan does have the pixels, and some has the time: no plan has both.
    assert advice.recommended.text.startswith("No plan gives every deliverable enough pixels and fits into the day;")
    two = next(plan for plan in advice.plans if plan.cost.passes == 2 and plan.criteria.enough_pixels)
    (reason,) = [reason for reason in two.reasons if reason.code == "too_little_time"]
    assert reason.numbers == {"minutes": 390, "available": 300, "spare": -90}
    assert reason.text == "It takes 390 minutes; 300 are available, 90 are missing."


def test_the_minimum_at_which_the_order_flips_is_that_of_the_tightest_frame():
    # One upright pass holds a wide UHD at 1.25 and a tall 1,800 x 3,200 exactly; a turn gives the tall one 1.5.
    advice = orientation(Job(THREE_TO_TWO, (WIDE_UHD, Deliverable(label="tall", raster=Raster(1800, 3200)))))
    assert advice.plans[0].cost.passes == 1
    flip = advice.what_would_change.stricter
    assert (flip.factor, flip.minimum_oversampling) == (1, 1)
    assert advice.plans[flip.plan].cost.passes == 2
    tight = orientation(Job(THREE_TO_TWO, (WIDE_UHD, TALL_UHD))).what_would_change.looser
    assert tight.factor == pytest.approx(3200 / 3840)


def test_preferred_criteria_count_first():
    tall = Deliverable(label="tall", raster=Raster(1080, 1920))
    assert orientation(Job(THREE_TO_TWO, (tall,))).plans[0].passes[0].roll == 0
    fine = orientation(Job(THREE_TO_TWO, (tall,), prefer=("smallest_oversampling",)))
    assert fine.plans[0].passes[0].roll == 90
    assert fine.considered.prefer[:2] == ("smallest_oversampling", "enough_pixels")


def test_room_to_reframe_is_the_share_of_its_side_that_the_tightest_frame_can_move_by():
    tall = Deliverable(label="tall", raster=Raster(1080, 1920))
    by_roll = {plan.passes[0].roll: plan for plan in orientation(Job(THREE_TO_TWO, (tall,))).plans}
    # 1,800 x 3,200 can move by 3,000 px across; turned, 2,700 x 4,800 by 500.
    assert by_roll[0].criteria.reframe_room == pytest.approx(3000 / 1800)
    assert by_roll[90].criteria.reframe_room == pytest.approx(500 / 2700)


def test_a_subject_keeps_its_offset_from_the_centre_through_a_turn():
    upright = Capture(raster=Raster(4800, 3200))
    subject = Subject(2300, 1500, 400, 600)
    # The centre of the subject lies 100 px right of and 200 px below the picture's.
    assert carried_subject(subject, upright, replace(upright, roll=90)) == Subject(1500, 2300, 400, 600)


def test_a_subject_is_as_large_on_the_sensor_in_another_mode():
    fine = Capture(raster=Raster(4800, 3200), photosite_pitch_um=3)
    coarse = Capture(raster=Raster(2400, 1600), photosite_pitch_um=6)
    assert carried_subject(Subject(2300, 1500, 400, 600), fine, coarse) == Subject(1150, 750, 200, 300)


def test_a_capture_that_cannot_hold_the_subject_is_skipped_with_its_reason():
    small = Capture(raster=Raster(1000, 1000))
    job = Job(THREE_TO_TWO, (WIDE_UHD,), Framing(subject=Subject(0, 0, 3000, 1000)), alternatives=(small,), rolls=(0,))
    (skipped,) = orientation(job).considered.skipped
    assert (skipped.capture_index, skipped.roll, skipped.deliverables) == (1, 0, ())
    assert "the subject does not lie inside the 1000 x 1000 px" in skipped.text


def test_a_squeezed_picture_turned_shows_the_subject_in_other_pixels():
    # Squeeze 2 across: 800 recorded px show 1,600. Turned, the squeeze stands upright: 1,600 x 750 px show the same.
    upright = Capture(Raster(4000, 3000), squeeze=2)
    assert carried_subject(Subject(1600, 750, 800, 1500), upright, replace(upright, roll=90)) == Subject(
        700, 1625, 1600, 750
    )


HIGH_SPEED = Capture(
    Raster(4800, 3200),
    frames_per_second=100,
    data_rate_mb_s=310,
    rate_limits=(RateLimit(60, 3200), RateLimit(120, 1600)),
)


def test_a_mode_records_the_lines_that_its_frame_rate_leaves():
    advice = orientation(Job(HIGH_SPEED, (Deliverable("wide", raster=Raster(1920, 1080)),), rolls=(0,)))
    (one,) = advice.plans[0].passes
    assert (one.recorded.width, one.recorded.height) == (4800, 1600)
    assert one.extractions[0].rect.height <= 1600
    (reason,) = [reason for reason in advice.plans[0].reasons if reason.code == "frame_rate_limits_height"]
    assert reason.numbers == {"frames_per_second": 100, "lines": 1600, "full_lines": 3200}


def test_a_mode_that_is_too_slow_is_refused_by_name():
    with pytest.raises(CannotBeMet, match="up to 120 frames per second, not 240") as refused:
        as_recorded(replace(HIGH_SPEED, frames_per_second=240))
    assert refused.value.faults[0].pointer == "/capture/frames_per_second"


def test_a_usable_area_that_the_recorded_lines_miss_is_named_where_the_capture_stands():
    corner = replace(HIGH_SPEED, usable_area=((0, 0), (600, 0), (600, 400)))
    with pytest.raises(CannotBeMet, match="do not meet the usable area") as refused:
        as_recorded(corner, "/alternatives/2")
    assert refused.value.faults[0].pointer == "/alternatives/2/usable_area"


def test_lines_that_are_kept_take_usable_area_photosites_and_read_out_with_them():
    area = ((0, 0), (4800, 0), (4800, 3200), (0, 3200))
    full = replace(HIGH_SPEED, photosites=Raster(9600, 6400), usable_area=area, readout_ms=10)
    kept = as_recorded(full)
    assert (kept.photosites.width, kept.photosites.height) == (9600, 3200)
    assert sorted(kept.usable_area) == [(0, 0), (0, 1600), (4800, 0), (4800, 1600)]
    assert kept.readout_ms == 5


def test_data_are_counted_a_minute_a_take_and_a_day():
    day = Production(shots=10, takes_per_shot=3, minutes_per_take=4)
    volume = data_volume((HIGH_SPEED,), day)
    assert (volume.megabytes_a_minute, volume.megabytes_a_take, volume.megabytes_a_day) == (18_600, 74_400, 2_232_000)
    assert data_volume((HIGH_SPEED, replace(HIGH_SPEED, data_rate_mb_s=None)), day) is None


@settings(max_examples=60, deadline=None)
@given(
    rates=st.lists(st.integers(1, 10**9).map(lambda thousandths: thousandths / 1000), min_size=2, max_size=3),
    minutes=st.integers(1, 10**6).map(lambda hundredths: hundredths / 100),
    shots=st.none() | st.integers(1, 500),
    takes=st.none() | st.integers(1, 30),
)
def test_the_day_of_a_plans_data_is_its_cost_in_megabytes(rates, minutes, shots, takes):
    modes = [
        Capture(Raster(*sides), data_rate_mb_s=rate)
        for sides, rate in zip(((64, 20), (20, 64), (40, 40)), rates, strict=False)
    ]
    frames = tuple(Deliverable(f"{w} x {h}", raster=Raster(w, h)) for w, h in ((60, 20), (20, 60), (40, 40)))
    day = Production(shots=shots, takes_per_shot=takes, minutes_per_take=minutes)
    advice = orientation(Job(modes[0], frames, alternatives=tuple(modes[1:]), rolls=(0,), passes=3, production=day))
    assert {len(plan.passes) for plan in advice.plans} > {1}
    for plan in advice.plans:
        assert plan.data.megabytes_a_day == plan.cost.megabytes == plan.criteria.megabytes
        counted = sum(Fraction(str(rates[one.capture_index])) for one in plan.passes) * 60 * Fraction(str(minutes))
        assert plan.data.megabytes_a_day == float(counted * (shots or 1) * (takes or 1))


def test_two_passes_at_one_position_are_weighed_on_a_shared_point():
    """Nothing but a subject in a corner keeps the two frames apart: one position, framed twice."""
    wide = Deliverable("wide", raster=Raster(48, 20), protection=Deliverable("x").protection)
    tall = Deliverable("tall", raster=Raster(20, 40))
    job = Job(Capture(Raster(60, 40)), (wide, tall), Framing("shared_point"), rolls=(0,))
    advice = orientation(job)
    assert any(
        plan.cost.passes == 2 and {(one.capture_index, one.roll) for one in plan.passes} == {(0, 0)}
        for plan in advice.plans
    )
    assert advice.considered.plans_possible == 2


def test_more_sets_of_positions_than_are_weighed_in_time_are_refused():
    frames = tuple(Deliverable(f"f{index}", raster=Raster(100, 100 + index)) for index in range(3))
    others = tuple(Capture(Raster(400 + 2 * index, 300)) for index in range(8))
    with pytest.raises(CannotBeMet, match="700 are weighed"):
        orientation(Job(Capture(Raster(500, 300)), frames, alternatives=others, passes=3))


def test_a_plan_that_another_dominates_says_which_and_by_what():
    advice = orientation(Job(THREE_TO_TWO, (Deliverable("square", raster=Raster(1080, 1080)),)))
    turned = next(plan for plan in advice.plans if plan.passes[0].roll == 90)
    assert turned.dominated_by == 0
    (reason,) = [reason for reason in turned.reasons if reason.code == "dominated"]
    assert "better in: change-overs" in reason.text


def test_why_no_plan_is_feasible_is_true_of_all_plans():
    wall = Deliverable("wall", raster=Raster(12_000, 6750))
    assert "No plan gives every deliverable enough pixels;" in orientation(Job(THREE_TO_TWO, (wall,))).recommended.text
    full = replace(THREE_TO_TWO, data_rate_mb_s=1000)
    small = Production(minutes_per_take=10, megabytes_available=300_000)
    advice = orientation(Job(full, (WIDE_UHD,), production=small))
    assert advice.recommended.text.startswith("No plan fits into the day;")
    assert "It takes 600,000 megabytes; 300,000 are available, 300,000 are missing." in advice.recommended.text


def test_frames_are_not_placed_on_lines_that_are_not_recorded():
    frame = Deliverable("wide", raster=Raster(1920, 1080))
    with pytest.raises(CannotBeMet, match="records 1,600 of its 3,200 lines") as refused:
        solve(Job(HIGH_SPEED, (frame,)))
    assert refused.value.faults[0].pointer == "/capture/raster/height"
    assert solve(Job(replace(HIGH_SPEED, frames_per_second=50), (frame,))).extractions
    assert orientation(Job(HIGH_SPEED, (frame,))).plans[0].passes[0].recorded.height == 1600


def test_data_of_a_plan_are_those_of_its_passes_together():
    other = replace(THREE_TO_TWO, label="B", data_rate_mb_s=200)
    job = Job(replace(THREE_TO_TWO, data_rate_mb_s=310), (WIDE_UHD, TALL_UHD), alternatives=(other,), production=DAY)
    plans = orientation(job).plans
    plan = next(plan for plan in plans if {one.capture_index for one in plan.passes} == {0, 1})
    assert plan.data.megabytes_a_minute == 510 * 60
    assert plan.data.megabytes_a_take == 510 * 60 * 4
    assert plan.data.megabytes_a_day == plan.cost.megabytes == 510 * 60 * 4 * 30
    bare = orientation(replace(job, capture=THREE_TO_TWO)).plans
    assert {plan.data is None for plan in bare if {one.capture_index for one in plan.passes} == {0, 1}} == {True}


def test_the_recommendation_is_at_most_three_sentences():
    for frames in ((WIDE_UHD,), (TALL_UHD, WIDE_UHD), (Deliverable("wall", raster=Raster(12_000, 6750)),)):
        text = orientation(Job(THREE_TO_TWO, frames, production=replace(DAY, minutes_available=130))).recommended.text
        assert text.count(". ") <= 2, text
