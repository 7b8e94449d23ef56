"""Rigs: lengths by hand over the conventions of rods (common practice, no source), and the list of a change-over."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tallwide.job import AxisPlace, Capture, Deliverable, Job, Lens, Raster, Rating, Rig, RoomNeed, Span
from tallwide_service.core import orientation
from tallwide_service.core.position_change import changeover_steps
from tallwide_service.core.rig import LOWER_FACE, STANDARD_AXIS, rig_check

RIG = Rig(
    rods="studio_19",
    axis_upright_mm=AxisPlace(120),
    axis_turned_mm=AxisPlace(151, 12.5),
    support_mm=Span(100, 145),
    carrying_faces=("bottom", "left"),
    room=(
        RoomNeed("right", "cooling", 30, upright_mm=80, roll_90_mm=40),
        RoomNeed("left", "cards", 60, upright_mm=80, roll_90_mm=45),
        RoomNeed("top", "viewfinder", 20),
    ),
    ratings=(Rating("battery mount", (0, 90)), Rating("finder arm", (0,))),
)


def test_conventions_are_those_of_the_trade():
    # Common practice, no source: 15 mm light 60 / 85; 15 mm studio 100 / 118, the pair 17.25 mm to the right;
    # 19 mm studio 104 / 120.
    heights = {name: (axis.height_mm, axis.sideways_mm) for name, axis in STANDARD_AXIS.items()}
    assert heights == {"light_15": (85, 0), "studio_15": (118, -17.25), "studio_19": (120, 0)}


def test_an_upright_camera_on_its_rods_needs_nothing():
    found = rig_check(RIG, 0)
    assert (found.standing_on, found.may_carry, found.rods_centred, found.support_reaches) == (
        *("bottom", True, True, True),
    )
    assert (found.height_error_mm, found.sideways_error_mm, found.post_mm) == (0, 0, 0)
    assert (found.blocked, found.not_rated) == ((), ())


def test_a_turned_camera_is_measured_against_the_convention():
    found = rig_check(RIG, 90)
    assert found.standing_on == "right"
    assert found.may_carry is False
    assert found.rods_centred is False
    assert (found.height_error_mm, found.post_mm, found.sideways_error_mm) == (31, 31, 12.5)
    assert found.support_reaches is False
    assert found.support_misses_mm == 6
    blocked = {(side.face, side.need): (side.room_mm, side.short_mm) for side in found.blocked}
    # The face that the camera stands on has no room, whatever was measured.
    assert blocked == {("right", "cooling"): (0, 30), ("left", "cards"): (45, 15)}
    assert found.not_rated == ("finder arm",)
    codes = [reason.code for reason in found.reasons]
    assert codes == [
        *("face_may_not_carry", "rods_off_centre", "axis_height", "axis_sideways", "support_out_of_reach"),
        *("side_blocked", "side_blocked", "not_rated"),
    ]


def test_a_body_that_is_held_at_its_bottom_does_not_stand_on_its_side():
    found = rig_check(replace(RIG, held_by="bottom"), 90)
    assert (found.standing_on, found.may_carry) == ("bottom", True)
    assert {side.face for side in found.blocked} == {"left"}


def test_the_pair_of_the_15_mm_studio_system_is_not_centred():
    found = rig_check(Rig(rods="studio_15", axis_upright_mm=AxisPlace(118, -17.25)), 0)
    assert (found.rods_centred, found.height_error_mm, found.sideways_error_mm) == (False, 0, 0)


def test_own_figures_go_before_a_convention():
    own = Rig(rods="light_15", standard_axis_mm=AxisPlace(90, 1), axis_upright_mm=AxisPlace(85, 0))
    found = rig_check(own, 0)
    assert (found.height_error_mm, found.sideways_error_mm, found.post_mm) == (-5, -1, -5)


def test_what_a_rig_does_not_say_stays_open():
    found = rig_check(Rig(), 90)
    facts = (found.may_carry, found.rods_centred, found.height_error_mm, found.post_mm, found.support_reaches)
    assert facts == (None,) * 5
    assert found.reasons == ()


def test_a_turn_clockwise_seen_from_behind_puts_the_right_face_down():
    assert LOWER_FACE == {0: "bottom", 90: "right", 180: "top", 270: "left"}


def test_cautions_stand_beside_every_answer_about_a_rig_even_where_nothing_turns():
    job = Job(Capture(Raster(4800, 3200)), (Deliverable("wide", raster=Raster(1920, 1080)),), rolls=(0,), rig=RIG)
    advice = orientation(job)
    assert [check.roll for check in advice.rig] == [0]
    text = " ".join(advice.cautions).lower()
    for word in ("ratings are the makers'", "rebalance", "second means of support", "vibration", "qualified people"):
        assert word in text
    assert "local rules" in text
    assert "no load is calculated" in text


def test_nothing_about_a_rig_speaks_of_a_load():
    names = set(rig_check(RIG, 90).__slots__)
    assert not any(word in name for name in names for word in ("load", "kg", "weight", "torque"))


def test_the_change_over_is_a_list_in_order_with_the_rigs_figures():
    capture = Capture(Raster(4800, 3200), label="A")
    job = Job(capture, (Deliverable("tall", raster=Raster(2160, 3840)),), rig=RIG)
    steps = changeover_steps(job, [(0, capture), (0, replace(capture, roll=90))])
    codes = [step.code for step in steps]
    asked = (
        *("level", "balance", "safety_line", "lens_support", "motors", "matte_box", "filters", "viewfinder"),
        *("monitor_turn", "cards", "buttons", "fans", "battery", "antennas", "horizon_data", "overlay"),
    )
    assert set(asked) <= set(codes)
    places = [codes.index(code) for code in asked]
    assert places == sorted(places)
    assert {step.pass_index for step in steps} == {1}
    texts = {step.code: step.text for step in steps}
    assert "31 mm higher" in texts["lens_support"]
    assert "90 degrees clockwise" in texts["monitor_turn"]
    assert codes.count("blocked") == 2


@pytest.mark.parametrize(
    ("positions", "codes"),
    [
        pytest.param([(0, 0)], [], id="an upright camera changes nothing"),
        pytest.param([(0, 0), (1, 0)], ["mode", "mode_overlay"], id="another mode of an upright camera"),
    ],
)
def test_only_what_changes_is_on_the_list(positions, codes):
    capture = Capture(Raster(4800, 3200))
    job = Job(capture, (Deliverable("wide", raster=Raster(1920, 1080)),))
    steps = changeover_steps(job, [(number, replace(capture, roll=roll)) for number, roll in positions])
    assert [step.code for step in steps] == codes


def test_a_roll_that_the_rig_does_not_fit_at_is_named_once_though_two_passes_are_shot_at_it():
    frames = (Deliverable("tall", raster=Raster(40, 90)), Deliverable("wide", raster=Raster(90, 40)))
    modes = Capture(Raster(100, 50)), Capture(Raster(50, 100))
    advice = orientation(Job(modes[0], frames, alternatives=(modes[1],), rolls=(90,), rig=RIG))
    assert [one.roll for one in advice.plans[0].passes] == [90, 90]
    assert "the rig does not fit as it is at roll 90." in advice.recommended.text


def test_of_two_rolls_worth_the_same_the_one_that_the_rig_can_do_comes_first():
    """Roll 90 stands on the right face, which may not carry the camera; roll 270 on the left, which may."""
    job = Job(Capture(Raster(4800, 3200)), (Deliverable("tall", raster=Raster(2160, 3840)),))
    assert [plan.passes[0].roll for plan in orientation(job).plans[:2]] == [90, 270]
    free = replace(RIG, room=(), ratings=(), support_mm=None)
    advice = orientation(replace(job, rig=free))
    assert [plan.passes[0].roll for plan in advice.plans[:2]] == [270, 90]
    assert "The rig" not in advice.recommended.text
    assert [reason.code for reason in advice.plans[1].reasons if reason.code == "face_may_not_carry"]
    only = orientation(replace(job, rig=free, rolls=(90,)))
    assert "The rig does not fit as it is at roll 90." in only.recommended.text


def test_the_axis_may_lie_elsewhere_at_roll_270():
    other = replace(RIG, axis_roll_270_mm=AxisPlace(140, -12.5))
    assert (rig_check(other, 90).height_error_mm, rig_check(other, 270).height_error_mm) == (31, 20)
    assert rig_check(other, 270).sideways_error_mm == -12.5


def test_what_is_shot_upright_comes_first_and_each_turn_is_a_list_of_its_own():
    frames = (Deliverable("tall", raster=Raster(2160, 3840)), Deliverable("wide", raster=Raster(3840, 2160)))
    best = orientation(Job(Capture(Raster(4800, 3200)), frames)).plans[0]
    assert [one.roll for one in best.passes] == [0, 90]
    assert {step.pass_index for step in best.changeover} == {1}
    capture = Capture(Raster(4800, 3200))
    turns = changeover_steps(Job(capture, frames), [(0, replace(capture, roll=roll)) for roll in (90, 0)])
    assert [step.pass_index for step in turns if step.code == "level"] == [0, 1]
    texts = [step.text for step in turns if step.code == "monitor_turn"]
    assert "turned by 90 degrees clockwise" in texts[0]
    assert "as it is recorded again" in texts[1]


def test_another_lens_is_a_step():
    capture = Capture(Raster(4800, 3200), lens=Lens(label="32"))
    steps = changeover_steps(
        Job(capture, (Deliverable("a", raster=Raster(10, 10)),)),
        [(0, capture), (1, replace(capture, label="B", lens=Lens(label="50")))],
    )
    assert [step.code for step in steps] == ["mode", "mode_overlay", "lens"]
    assert "lens 50" in steps[2].text
