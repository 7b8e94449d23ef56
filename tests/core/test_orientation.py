"""Orientation: hand-worked cases, and what must hold of every plan."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strategies import captures
from tallwide.job import Aspect, Capture, Deliverable, Job, Raster
from tallwide_service.core import orientation
from tallwide_service.errors import CannotBeMet

WIDE_UHD = Deliverable(label="wide", raster=Raster(3840, 2160))
TALL_HD = Deliverable(label="tall", raster=Raster(1080, 1920))
TALL_UHD = Deliverable(label="tall", raster=Raster(2160, 3840))


def advice(*deliverables: Deliverable, capture: Capture | None = None):
    return orientation(Job(capture=capture or Capture(raster=Raster(4800, 3200)), deliverables=deliverables))


def best_rolls(result) -> tuple[int, ...]:
    return tuple(one.roll for one in result.plans[result.recommended.plan].passes)


@pytest.mark.parametrize(
    ("deliverables", "rolls"),
    [
        pytest.param((TALL_HD, WIDE_UHD), (0,), id="a tall HD and a wide UHD frame come out of one upright pass"),
        pytest.param((TALL_UHD,), (90,), id="a tall UHD frame alone asks for a turn"),
        pytest.param((TALL_UHD, WIDE_UHD), (0, 90), id="both at UHD ask for two passes"),
    ],
)
def test_hand_worked_cases_on_a_3_to_2_sensor(deliverables, rolls):
    result = advice(*deliverables)
    assert best_rolls(result) == rolls
    assert result.plans[0].feasible


def test_turning_a_9_to_16_frame_on_a_3_to_2_sensor_gains_exactly_half():
    (found,) = advice(TALL_UHD).break_even
    assert found.gain_of_turning == 1.5
    assert (found.upright.width, found.upright.height) == (1800, 3200)
    assert (found.turned.width, found.turned.height) == (2700, 4800)


def test_a_squeezed_lens_is_turned_with_the_camera():
    # 9:16 on 4,000 x 3,000 with a squeeze of 2 along the width: upright 843.75 px of 1,080; turned 2,666.7 of 1,920.
    result = advice(TALL_HD, capture=Capture(raster=Raster(4000, 3000), squeeze=2))
    by_roll = {plan.passes[0].roll: plan.smallest_oversampling for plan in result.plans}
    assert by_roll == {0: pytest.approx(0.78, abs=0.005), 90: pytest.approx(1.39, abs=0.005), 270: by_roll[90]}


def test_two_passes_are_said_not_to_show_the_same_moment():
    best = advice(TALL_UHD, WIDE_UHD).plans[0]
    assert not best.cost.same_moment
    assert "two_passes" in {reason.code for reason in best.reasons}


def test_cautions_stand_by_every_answer_that_turns_the_camera():
    text = " ".join(advice(TALL_HD).cautions)
    for word in ("rate for the load", "Rebalance", "safety line", "cooling", "local rules", "qualified people"):
        assert word in text


def test_too_few_pixels_everywhere_is_an_answer_that_says_what_is_missing():
    result = advice(Deliverable(label="wall", raster=Raster(12_000, 6750)))
    assert not result.plans[0].feasible
    assert "No plan gives every deliverable enough pixels" in result.recommended.text
    assert "12,000 x 6,750" in result.recommended.text


def test_what_no_roll_can_hold_is_refused():
    with pytest.raises(CannotBeMet):
        advice(Deliverable(label="line", aspect=Aspect(20)), capture=Capture(raster=Raster(3, 3)))


@settings(max_examples=60)
@given(capture=captures(200, 6000), side=st.integers(100, 6000))
def test_a_crop_fills_its_break_even_raster_and_no_larger_one(capture, side):
    wanted = Deliverable(label="frame", raster=Raster(side, side))
    try:
        result = advice(wanted, capture=replace(capture, roll=0))
    except CannotBeMet:
        return
    (found,) = result.break_even
    upright = next((plan for plan in result.plans if [one.roll for one in plan.passes] == [0]), None)
    if upright is not None:
        frame = upright.passes[0].extractions[0].upright_rect
        assert found.upright.width == min(frame.width, frame.height)
        assert upright.feasible == (side <= found.upright.width)


@settings(max_examples=60)
@given(capture=captures(200, 6000), side=st.integers(100, 6000))
def test_feasible_plans_come_first_and_cheaper_ones_before_them(capture, side):
    frames = (Deliverable(label="tall", raster=Raster(side, 2 * side)), Deliverable(label="wide", aspect=Aspect(2)))
    try:
        result = advice(*frames, capture=replace(capture, roll=0))
    except CannotBeMet:
        return
    feasible = [plan.feasible for plan in result.plans]
    assert feasible == sorted(feasible, reverse=True)
    passes = [plan.cost.passes for plan in result.plans if plan.feasible]
    assert passes == sorted(passes)
