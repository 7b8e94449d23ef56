"""The chart's geometry, and reading back what a camera saw of it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from skimage.transform import AffineTransform, ProjectiveTransform

from strategies import rolls
from tallwide.answers import Rect
from tallwide.job import Aspect, Capture, Chart, ChartReading, Deliverable, Job, Lens, Raster, ReadFrame
from tallwide_service.core import solve
from tallwide_service.core.chart import chart_layout, frames_on_chart, scene_ratio
from tallwide_service.core.reading import bend_of, corners_of, read_chart
from tallwide_service.errors import CannotBeMet


def full_frame(**more) -> Capture:
    return Capture(raster=Raster(3600, 2400), photosite_pitch_um=10, lens=Lens(focal_length_mm=50), **more)


def test_the_distance_follows_the_lens_formula():
    # 24 mm of sensor on 240 mm of chart: m = 1/10; 50 (1 + 10) = 550 mm, and 55 mm more to the sensor.
    layout = chart_layout(full_frame(), Chart(width_mm=360))
    assert layout.distance.from_lens_mm == pytest.approx(550)
    assert layout.distance.from_sensor_mm == pytest.approx(605)


def test_a_squeezed_lens_is_measured_along_its_plain_axis():
    squeezed = chart_layout(full_frame(squeeze=2), Chart(width_mm=720))
    assert squeezed.distance.from_lens_mm == pytest.approx(550)
    other_axis = chart_layout(full_frame(squeeze=2, squeeze_axis="sensor_height"), Chart(width_mm=360))
    assert other_axis.distance.from_lens_mm == pytest.approx(550)


@given(roll=rolls)
def test_a_turned_camera_needs_the_same_distance_for_a_turned_chart(roll):
    width = 240 if roll in (90, 270) else 360
    assert chart_layout(full_frame(roll=roll), Chart(width_mm=width)).distance.from_lens_mm == pytest.approx(550)


def test_without_pitch_or_lens_no_distance_is_stated():
    assert chart_layout(Capture(raster=Raster(3600, 2400)), Chart()).distance is None


@given(
    roll=rolls,
    paper=st.sampled_from(("A3", "A2")),
    squeeze=st.sampled_from((1, 1.5, 2, 0.5)),
    width=st.integers(200, 8000),
    height=st.integers(200, 8000),
)
def test_the_picture_lies_on_the_paper_in_the_scenes_shape(roll, paper, squeeze, width, height):
    capture = Capture(raster=Raster(width, height), roll=roll, squeeze=squeeze)
    assume(1 / 12 < scene_ratio(capture) < 12)  # beyond, scales have no room, and no chart is made
    layout = chart_layout(capture, Chart(paper=paper))
    left, top, wide, high = layout.picture
    assert wide / high == scene_ratio(capture)
    assert left >= 10
    assert top >= 10
    assert left + wide <= layout.page_width_mm - 10
    assert top + high <= layout.page_height_mm - 26
    sides = sorted((layout.page_width_mm, layout.page_height_mm))
    assert sides == ([297, 420] if paper == "A3" else [420, 594])


def test_frames_lie_on_the_paper_where_they_lie_in_the_upright_picture():
    job = Job(full_frame(), (Deliverable("tall", aspect=Aspect("9:16")),))  # 1350 x 2400 at 1124 or so
    extractions = solve(job).extractions
    (frame,) = frames_on_chart(chart_layout(job.capture, Chart(width_mm=360)), extractions)
    assert frame.width == pytest.approx(extractions[0].upright_rect.width / 10)
    assert frame.x == pytest.approx(10 + extractions[0].upright_rect.x / 10)


small = st.floats(-0.02, 0.02)


@settings(max_examples=80)
@given(
    shift=st.tuples(st.floats(-80, 80), st.floats(-80, 80)),
    scale=st.tuples(st.floats(0.9, 1.1), st.floats(0.9, 1.1)),
    rotation=st.floats(-8, 8),
    skew=st.floats(-2, 2),
    keystone=st.tuples(small, small),
    ratio=st.sampled_from((1.0, 2.0, 0.75)),
)
def test_a_known_bend_is_read_back(shift, scale, rotation, skew, keystone, ratio):
    frame = Rect(600, 200, 1800, 1400)
    seen = bent(frame, shift, scale, rotation, skew, keystone, ratio)
    bend = bend_of(frame, seen, pixel_ratio=ratio)
    assert bend.shift == pytest.approx(shift, abs=1e-6)
    assert bend.scale == pytest.approx(scale, abs=1e-9)
    assert bend.rotation_deg == pytest.approx(rotation, abs=1e-7)
    assert bend.skew_deg == pytest.approx(skew, abs=1e-7)
    assert bend.keystone == pytest.approx(keystone, abs=1e-9)


def bent(frame: Rect, shift, scale, rotation, skew, keystone, ratio):
    """Bend a frame's corners with scikit-image's transforms, as an independent forward model."""
    centre = np.array([frame.x + frame.width / 2, frame.y + frame.height / 2])
    stretch = np.array([ratio, 1.0])
    half = np.array([frame.width, frame.height]) / 2 * stretch
    # A share k = 1/(1 - a) - 1/(1 + a) of one edge over the other: a is the smaller root of k a^2 + 2 a - k.
    a = np.array([k / (1 + math.sqrt(1 + k * k)) for k in keystone])
    projective = ProjectiveTransform(matrix=np.array([[1, 0, 0], [0, 1, 0], [*(a / half), 1]]))
    turn = AffineTransform(rotation=math.radians(rotation))
    shear = AffineTransform(
        matrix=np.array([[scale[0], math.tan(math.radians(skew)) * scale[1], 0], [0, scale[1], 0], [0, 0, 1]])
    )
    moved = AffineTransform(translation=np.array(shift) * stretch)
    model = projective + shear + turn + moved
    return model((corners_of(frame) - centre) * stretch) / stretch + centre


def recorded_corners(belongs, capture):
    """Return where an upright rectangle's corners, in the chart's order, lie on the recorded raster."""
    upright = corners_of(belongs)
    width, height = capture.raster.width, capture.raster.height
    x, y = upright[:, 0], upright[:, 1]
    turned = {0: (x, y), 90: (y, height - x), 180: (width - x, height - y), 270: (width - y, x)}[capture.roll]
    return np.stack(turned, axis=1)


@given(roll=rolls)
def test_a_chart_seen_where_it_belongs_reads_as_nothing_off(roll):
    job = Job(full_frame(roll=roll), (Deliverable("tall", aspect=Aspect("9:16")),))
    extractions = solve(job).extractions
    corners = recorded_corners(extractions[0].upright_rect, job.capture)
    reading = ChartReading((ReadFrame("tall", tuple((float(x), float(y)) for x, y in corners)),))
    (answer,) = read_chart(job, extractions, reading)
    assert answer.verdict == "within"
    assert answer.largest_error_px == pytest.approx(0, abs=1e-9)
    assert answer.rotation_deg == pytest.approx(0, abs=1e-9)


def test_a_shift_beyond_the_tolerance_is_beyond_it():
    job = Job(full_frame(), (Deliverable("wide", aspect=Aspect("16:9")),))
    extractions = solve(job).extractions
    corners = corners_of(extractions[0].rect) + np.array((3, -4))
    for tolerance, verdict in ((5, "within"), (4.999, "beyond")):
        frames = (ReadFrame("wide", tuple(map(tuple, corners.tolist()))),)
        (answer,) = read_chart(job, extractions, ChartReading(frames, tolerance_px=tolerance))
        assert (answer.verdict, answer.shift_px.x, answer.shift_px.y) == (verdict, pytest.approx(3), pytest.approx(-4))


@pytest.mark.parametrize(
    "corners",
    [
        pytest.param(((0, 0), (0, 10), (10, 10), (10, 0)), id="mirrored"),
        pytest.param(((0, 0), (10, 10), (10, 0), (0, 10)), id="crossed"),
        pytest.param(((0, 0), (5, 0), (10, 0), (0, 10)), id="in one line"),
        pytest.param(((3, 3), (3, 3), (3, 3), (3, 3)), id="one point"),
    ],
)
def test_corners_that_are_no_frame_are_refused(corners):
    job = Job(full_frame(), (Deliverable("wide", aspect=Aspect("16:9")),))
    with pytest.raises(CannotBeMet, match="no frame"):
        read_chart(job, solve(job).extractions, ChartReading((ReadFrame("wide", corners),)))
