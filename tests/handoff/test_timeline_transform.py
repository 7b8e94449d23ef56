"""What an editor types, and what he then sees: the numbers are applied to a real picture."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings

from strategies import decisions
from tallwide import handoff
from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.geometry import pixel_shape
from tallwide.job import Aspect, Capture, Deliverable, Job, Raster
from tallwide.mapping import delivery_matrix

FORM = "timeline-transform"


def _decision(capture: Capture, raster: Raster | None, rect: Rect, delivery_turn: int = 0) -> Decision:
    deliverable = Deliverable("f", None if raster else Aspect("1:1"), raster, delivery_turn=delivery_turn)
    return Decision(Job(capture, (deliverable,)), (Frame(deliverable, rect, rect),), "0" * 64, "0.1.0")


def test_a_common_top_of_a_full_height_recording_on_a_uhd_timeline():
    # Arithmetic by hand: 4,800 -> 3,840 is 80 %; the media is then 2,560 high, its centre 1,280 below the top, the
    # timeline's 1,080: 200 px down. Fitted, the media is 3,240 wide (67.5 %); filled, 3,840 wide (80 %).
    decision = _decision(Capture(Raster(4800, 3200)), Raster(3840, 2160), Rect(0, 0, 4800, 2700))
    (typed,) = handoff.write(decision, FORM).content
    assert typed["scale_pct"]["native"]["one"] == {"exact": "80", "value": 80.0}
    assert typed["scale_pct"]["fitted"]["one"]["exact"] == "3200/27"
    assert typed["scale_pct"]["filled"]["one"]["exact"] == "100"
    assert typed["offset_px"] == {
        "x": {"exact": "0", "value": 0.0},
        "y_down": {"exact": "200", "value": 200.0},
        "y_up": {"exact": "-200", "value": -200.0},
    }
    assert typed["rotation_deg"] == 0
    assert typed["one_scale_error_px"]["value"] == 0


@given(decisions())
@settings(max_examples=150, deadline=None)
def test_typed_numbers_put_every_recorded_point_where_the_delivery_has_it(decision):
    """Scale about the media's centre along its own axes, turn, then move from the timeline's centre."""
    content = {entry["deliverable"]: entry for entry in handoff.write(decision, FORM).content}
    capture = decision.capture
    for frame in decision.frames:
        if frame.deliverable.raster is None:
            assert frame.label not in content
            continue
        typed = content[frame.label]
        scale = [
            Fraction(typed["scale_pct"]["native"][axis]["exact"]) / 100 for axis in ("along_width", "along_height")
        ]
        timeline = Fraction(typed["timeline"]["width"]), Fraction(typed["timeline"]["height"])
        offset = [Fraction(typed["offset_px"][axis]["exact"]) for axis in ("x", "y_down")]
        for point in ((0, 0), (capture.raster.width, 0), (frame.rect.x, frame.rect.bottom)):
            across = (Fraction(point[0]) - Fraction(capture.raster.width, 2)) * pixel_shape(capture) * scale[0]
            down = (Fraction(point[1]) - Fraction(capture.raster.height, 2)) * scale[1]
            # Clockwise with y down: (x, y) -> (-y, x) a quarter turn.
            for _ in range(typed["rotation_deg"] // 90):
                across, down = -down, across
            seen = (timeline[0] / 2 + offset[0] + across, timeline[1] / 2 + offset[1] + down)
            assert seen == delivery_matrix(frame, capture).point((Fraction(point[0]), Fraction(point[1])))


@given(decisions(most=2))
@settings(max_examples=60, deadline=None)
def test_fitted_and_filled_differ_from_native_by_what_they_start_from(decision):
    for typed in handoff.write(decision, FORM).content:
        shape = Fraction(typed["media"]["pixel_aspect"]["exact"])
        ratios = [
            Fraction(typed["timeline"]["width"]) / (typed["media"]["width"] * shape),
            Fraction(typed["timeline"]["height"], typed["media"]["height"]),
        ]
        native = Fraction(typed["scale_pct"]["native"]["one"]["exact"])
        assert Fraction(typed["scale_pct"]["fitted"]["one"]["exact"]) * min(ratios) == native
        assert Fraction(typed["scale_pct"]["filled"]["one"]["exact"]) * max(ratios) == native


def test_what_cannot_be_typed_is_named():
    decision = _decision(Capture(Raster(3840, 2160)), Raster(1080, 1920), Rect(1312, 0, 1216, 2160))
    assert "one_scale" in {loss.code for loss in handoff.write(decision, FORM).lost}
    without = handoff.write(_decision(Capture(Raster(3840, 2160)), None, Rect(0, 0, 2160, 2160)), FORM)
    assert without.content == []
    assert "no_timeline" in {loss.code for loss in without.lost}


@pytest.mark.parametrize(("roll", "delivery_turn", "rotation"), [(90, 0, 90), (270, 90, 0), (180, 90, 270)])
def test_rotation_is_the_cameras_and_the_deliverys_together(roll, delivery_turn, rotation):
    decision = _decision(Capture(Raster(48, 32), roll=roll), Raster(10, 10), Rect(0, 0, 20, 20), delivery_turn)
    assert handoff.write(decision, FORM).content[0]["rotation_deg"] == rotation
