"""Plans against an enumeration of every plan there is, hand-worked days, and laws of the decision."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plan_oracle import enumerate_plans
from tallwide.job import Align, Capture, Deliverable, Framing, Job, Lens, Production, Raster, Subject
from tallwide_service.core import orientation
from tallwide_service.core.passes import carried_subject
from tallwide_service.errors import CannotBeMet
from tallwide_service.limits import LIMITS

WIDE_UHD = Deliverable(label="wide", raster=Raster(3840, 2160))
TALL_UHD = Deliverable(label="tall", raster=Raster(2160, 3840))
THREE_TO_TWO = Capture(raster=Raster(4800, 3200), label="A")

sides = st.integers(20, 120).map(lambda half: 2 * half)
small_captures = st.builds(
    Capture,
    raster=st.builds(Raster, sides, sides),
    photosite_pitch_um=st.just(50),
    squeeze=st.sampled_from((1, 1, 1.5, 2)),
    lens=st.one_of(st.none(), st.builds(Lens, image_circle_mm=st.integers(4, 16))),
)
ASKED = st.sampled_from((0.5, 1, 1, 1.25))


@st.composite
def small_jobs(draw, arrangements=("independent", "shared_point"), most_alternatives=1):
    frames = tuple(
        Deliverable(
            label=f"frame {index}",
            raster=Raster(draw(st.integers(20, 160)), draw(st.integers(20, 160))),
            minimum_oversampling=draw(ASKED),
            align=Align(0.5, draw(st.sampled_from((0, 0.5)))),
        )
        for index in range(draw(st.integers(1, 3)))
    )
    framing = Framing(arrangement=draw(st.sampled_from(arrangements)), aspect_tolerance=0.05)
    alternatives = tuple(draw(st.lists(small_captures, max_size=most_alternatives)))
    return Job(draw(small_captures), frames, framing, alternatives=alternatives)


def worth(plan):
    told = plan.criteria
    return (
        not told.enough_pixels,
        told.passes,
        told.changeovers,
        not told.lens_covers,
        -told.smallest_oversampling,
        -told.reframe_room,
    )


def short_worth(found):
    return (
        found.shortest < 1,
        len(found.passes),
        found.changeovers,
        found.cut,
        -float(found.smallest),
        -float(found.shortest),
    )


@settings(max_examples=25)
@given(job=small_jobs())
def test_the_recommended_plan_is_the_best_of_every_plan_there_is(job):
    every = list(enumerate_plans(job, 2))
    if not every:
        with pytest.raises(CannotBeMet):
            orientation(job)
        return
    advice = orientation(job)
    assert advice.considered.complete
    best = min(every, key=lambda found: found.worth)
    assert worth(advice.plans[0]) == short_worth(best)


@settings(max_examples=20)
@given(job=small_jobs())
def test_no_plan_there_is_beats_all_that_are_listed_as_unbeaten(job):
    every = list(enumerate_plans(job, 2))
    if not every:
        return
    advice = orientation(job)
    unbeaten = [worth(plan) for plan in advice.plans if plan.dominated_by is None]
    for found in every:
        mine = short_worth(found)
        assert any(all(a <= b for a, b in zip(other, mine, strict=True)) for other in unbeaten)


@settings(max_examples=20)
@given(job=small_jobs())
def test_a_beaten_plan_names_one_that_is_no_worse_by_anything_and_better_by_something(job):
    try:
        plans = orientation(job).plans
    except CannotBeMet:
        return
    for place, plan in enumerate(plans):
        if plan.dominated_by is None:
            continue
        assert plan.dominated_by < place
        other = worth(plans[plan.dominated_by])
        assert all(a <= b for a, b in zip(other, worth(plan), strict=True))
        assert other != worth(plan)


@settings(max_examples=20)
@given(job=small_jobs(most_alternatives=0), more=small_captures)
def test_another_capture_never_makes_the_recommended_plan_worse(job, more):
    try:
        before = orientation(job).plans[0]
    except CannotBeMet:
        return
    after = orientation(replace(job, alternatives=(more,))).plans[0]
    assert worth(after) <= worth(before) or not before.feasible
    assert after.feasible or not before.feasible


@settings(max_examples=20)
@given(job=small_jobs(arrangements=("independent",), most_alternatives=0), wider=st.integers(0, 20))
def test_a_larger_sensor_never_loses_feasibility(job, wider):
    job = replace(job, capture=replace(job.capture, lens=None))
    try:
        before = orientation(job).plans[0]
    except CannotBeMet:
        return
    raster = job.capture.raster
    larger = replace(job.capture, raster=Raster(raster.width + 2 * wider, raster.height + 2 * wider))
    assert orientation(replace(job, capture=larger)).plans[0].feasible or not before.feasible


@settings(max_examples=20)
@given(job=small_jobs(arrangements=("independent",), most_alternatives=0))
def test_rolls_90_and_270_are_worth_the_same_on_a_sensor_without_sides(job):
    found = {}
    for roll in (90, 270):
        try:
            found[roll] = worth(orientation(replace(job, rolls=(roll,))).plans[0])
        except CannotBeMet:
            found[roll] = None
    assert found[90] == found[270]


def test_a_larger_mode_replaces_two_passes():
    job = Job(THREE_TO_TWO, (TALL_UHD, WIDE_UHD))
    assert orientation(job).plans[0].cost.passes == 2
    larger = Capture(raster=Raster(5760, 3840), label="B")
    advice = orientation(replace(job, alternatives=(larger,)))
    (one,) = advice.plans[0].passes
    assert (one.capture_index, one.roll) == (1, 0)
    assert "B" in advice.recommended.text


def test_the_smallest_larger_mode_is_named_where_no_plan_of_one_pass_is_enough():
    mend = orientation(Job(THREE_TO_TWO, (TALL_UHD, WIDE_UHD))).what_would_change.mend
    # 2,160 of 1,800 px across at full height: 3,200 x 1.2 = 3,840 lines, so 5,760 columns of the same shape.
    assert (mend.raster.width, mend.raster.height) == (5760, 3840)


def test_the_smallest_larger_circle_is_named_where_the_lens_cuts():
    # 4,800 x 2,700 px of 5 um: a diagonal of 27.54 mm; 2 x 1,920 x 1,080 asks for 22.03 mm.
    capture = Capture(Raster(4800, 2700), photosite_pitch_um=5, lens=Lens(image_circle_mm=15))
    frame = Deliverable(label="wide", raster=Raster(3840, 2160))
    mend = orientation(Job(capture, (frame,), rolls=(0,))).what_would_change.mend
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
    assert "squeeze_turns" in {reason.code for reason in turned.reasons}


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
    assert advice.what_would_change.changeover_minutes == 36


def test_two_passes_that_do_not_fit_into_the_day_are_not_feasible_and_what_is_missing_is_said():
    short = replace(DAY, minutes_available=300)
    advice = orientation(Job(THREE_TO_TWO, (TALL_UHD, WIDE_UHD), production=short))
    assert not advice.plans[0].feasible
    assert "No plan with enough pixels fits into the time and storage" in advice.recommended.text
    two = next(plan for plan in advice.plans if plan.cost.passes == 2 and plan.criteria.enough_pixels)
    (reason,) = [reason for reason in two.reasons if reason.code == "too_little_time"]
    assert reason.numbers == {"minutes": 390, "available": 300}


def test_the_minimum_at_which_the_order_flips_is_that_of_the_tightest_frame():
    # One upright pass holds a wide UHD at 1.25 and a tall 1,800 x 3,200 exactly; a turn gives the tall one 1.5.
    advice = orientation(Job(THREE_TO_TWO, (WIDE_UHD, Deliverable(label="tall", raster=Raster(1800, 3200)))))
    assert advice.plans[0].cost.passes == 1
    flip = advice.what_would_change.stricter
    assert (flip.factor, flip.deliverable, flip.minimum_oversampling) == (1, "tall", 1)
    assert advice.plans[flip.plan].cost.passes == 2
    tight = orientation(Job(THREE_TO_TWO, (WIDE_UHD, TALL_UHD))).what_would_change.looser
    assert tight.factor == pytest.approx(3200 / 3840)


def test_preferred_criteria_count_first():
    tall = Deliverable(label="tall", raster=Raster(1080, 1920))
    assert orientation(Job(THREE_TO_TWO, (tall,))).plans[0].passes[0].roll == 0
    room = orientation(Job(THREE_TO_TWO, (tall,), prefer=("reframe_room",)))
    assert room.plans[0].passes[0].roll == 90
    assert room.considered.prefer[0] == "reframe_room"


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
    assert (skipped.capture_index, skipped.roll, skipped.deliverables) == (1, 0, ("wide",))
    assert "the upright picture is 1000 x 1000 px" in skipped.text


def test_thirty_two_frames_on_one_point_at_nine_captures_stay_within_the_stated_work_and_say_so():
    frames = tuple(
        Deliverable(label=f"{index}", raster=Raster(400 + 37 * index, 1500 - 31 * index)) for index in range(32)
    )
    others = tuple(Capture(raster=Raster(4000 + 100 * index, 3000)) for index in range(8))
    job = Job(THREE_TO_TWO, frames, Framing(arrangement="shared_point"), alternatives=others)
    considered = orientation(job).considered
    assert not considered.complete
    assert 1 <= considered.plans <= LIMITS.joint_frames // 32
    assert str(LIMITS.joint_frames) in considered.rule
