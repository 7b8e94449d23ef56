"""Read-out: a row-by-row simulation of a moving picture, and figures by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallwide.job import Capture, Deliverable, Job, Lens, Movement, Raster
from tallwide_service.core import solve
from tallwide_service.core.readout import readout_effect, stretch_pct

CAMERA = Capture(Raster(4000, 3000), photosite_pitch_um=5, readout_ms=10, lens=Lens(focal_length_mm=50))
WHOLE = Deliverable("whole", raster=Raster(400, 300))


def effect(movement, *, roll=0, frame=WHOLE, **changes):
    capture = replace(CAMERA, roll=roll, **changes)
    (extraction,) = solve(Job(capture, (frame,))).extractions
    return readout_effect(extraction, capture, movement)


def test_a_pan_leans_verticals_by_the_angle_of_its_speed_over_the_read_outs():
    # 50 mm x 20 degrees/s = 17.453 mm/s; 3,000 rows of 5 um in 10 ms: 1,500 mm/s.
    found = effect(Movement(pan_deg_s=20))
    assert found.leaning == "verticals"
    assert found.lean_deg == pytest.approx(math.degrees(math.atan(50 * math.radians(20) / 1500)))
    assert found.lean_px == pytest.approx(50 * math.radians(20) * 0.010 / 0.005)
    assert found.stretch_pct == 0


def test_only_the_rows_of_the_extraction_count():
    half = Deliverable("half", raster=Raster(400, 150))
    found = effect(Movement(pan_deg_s=20), frame=half)
    assert (found.rows, found.frame_ms) == (1500, 5)
    assert found.lean_deg == pytest.approx(effect(Movement(pan_deg_s=20)).lean_deg)


def test_turning_the_body_swaps_what_pan_and_tilt_do_and_the_sign_follows_the_roll():
    upright, tilt = effect(Movement(pan_deg_s=20)), effect(Movement(tilt_deg_s=20))
    tall = Deliverable("tall", raster=Raster(300, 400))
    for roll, sign in ((90, 1), (270, -1)):
        pan = effect(Movement(pan_deg_s=20), roll=roll, frame=tall)
        assert (pan.leaning, pan.stretched) == ("horizontals", "widths")
        assert (str(pan.lean_deg), str(pan.lean_px)) == ("0.0", "0.0")
        # At roll 90 rows are read from right to left, the way that a pan to the right moves the picture.
        assert math.copysign(1, pan.stretch_pct) == sign
        turned = effect(Movement(tilt_deg_s=20), roll=roll, frame=tall)
        assert turned.lean_deg == pytest.approx(-sign * upright.lean_deg)
    assert tilt.lean_deg == 0
    assert tilt.stretch_pct > 0


def test_a_squeezed_axis_leans_as_the_scene_is_shown():
    # Squeeze across: the scene is twice as wide as its image, and the lens as a 50 mm lens upright.
    plain, squeezed = effect(Movement(pan_deg_s=20)), effect(Movement(pan_deg_s=20), squeeze=2)
    assert squeezed.lean_deg == pytest.approx(plain.lean_deg)
    assert squeezed.lean_px == pytest.approx(plain.lean_px / 2)


def test_what_is_not_known_is_not_guessed():
    assert effect(None) is None
    assert effect(Movement(pan_deg_s=20), readout_ms=None) is None
    assert effect(Movement(pan_deg_s=20), lens=None) is None


def test_a_picture_that_outruns_the_read_out_has_no_length():
    assert stretch_pct(100.0, 100.0) is None
    assert stretch_pct(-100.0, 100.0) == -50


def scanned(points, speed_x, speed_y, read_x, read_y):
    """Where points of a moving picture are recorded: each is read when the row that it is on is.

    A row is where the read-out has come to: for reading along (read_x, read_y), at time t the row
    through t x (read_x, read_y). Found by bisection, not by a formula.
    """
    speed = read_x**2 + read_y**2
    places = []
    for x, y in points:

        def behind(t, x=x, y=y):
            return ((x + speed_x * t) * read_x + (y + speed_y * t) * read_y) - speed * t

        low, high = -10.0, 10.0
        for _ in range(200):
            middle = (low + high) / 2
            low, high = (middle, high) if behind(middle) > 0 else (low, middle)
        places.append((x + speed_x * low, y + speed_y * low))
    return places


@settings(max_examples=60)
@given(pan=st.integers(-60, 60), tilt=st.integers(-60, 60), roll=st.sampled_from((0, 90, 180, 270)))
def test_agrees_with_a_simulated_read_out(pan, tilt, roll):
    found = effect(Movement(pan, tilt), roll=roll, frame=Deliverable("square", raster=Raster(10, 10)))
    across, down = -50 * math.radians(pan), 50 * math.radians(tilt)
    # Row 0 of the recording is the top upright, the right at roll 90, the bottom at 180, the left at 270.
    reads = {0: (0, 1500), 90: (-1500, 0), 180: (0, -1500), 270: (1500, 0)}[roll]
    centre, right, foot = scanned([(0, 0), (1, 0), (0, 1)], across, down, *reads)
    level = (right[0] - centre[0], right[1] - centre[1])
    plumb = (foot[0] - centre[0], foot[1] - centre[1])
    if roll in (0, 180):
        lean = math.degrees(math.atan2(-plumb[0], plumb[1]))
        stretch = plumb[1]
    else:
        lean = math.degrees(math.atan2(level[1], level[0]))
        stretch = level[0]
    assert found.lean_deg == pytest.approx(lean, abs=1e-6)
    assert found.stretch_pct == pytest.approx((stretch - 1) * 100, abs=1e-6)
