"""Angles and frequencies against printed tables. Each row's page was read unless it says otherwise."""

from __future__ import annotations

import math

import pytest

from tallwide.answers import Rect
from tallwide.job import Capture, Lens, Offset, Raster
from tallwide_service.core.optics import angle_between_deg, image_facts, nyquist_lp_mm


@pytest.mark.parametrize(
    ("focal_mm", "size_mm", "angle_deg", "tolerance_deg"),
    [
        # An encyclopaedia's worked example: 30 mm lens, 22.5 mm wide sensor.
        pytest.param(30, 22.5, 41.1, 0.05, id="30 mm on 22.5 mm"),
        # Field-of-view table for the 135 frame: width, height and diagonal at 50 mm.
        pytest.param(50, 36, 39.6, 0.05, id="50 mm, width of 135"),
        pytest.param(50, 24, 27.0, 0.05, id="50 mm, height of 135"),
        pytest.param(50, 43.2666, 46.8, 0.05, id="50 mm, diagonal of 135"),
        pytest.param(50, 43.2, 46.72, 0.01, id="50 mm, 43.2 mm"),
        # Glossary of a lens collector, vignetting: diagonal angles on the 135 frame.
        pytest.param(45, 43.2666, 51.4, 0.06, id="45 mm diagonal"),
        pytest.param(40, 43.2666, 56.8, 0.06, id="40 mm diagonal"),
        pytest.param(38, 43.2666, 59.3, 0.06, id="38 mm diagonal"),
    ],
)
def test_agrees_with_printed_angles_of_view(focal_mm, size_mm, angle_deg, tolerance_deg):
    half = size_mm / 2
    assert abs(angle_between_deg((-half, 0), (half, 0), focal_mm) - angle_deg) < tolerance_deg


@pytest.mark.parametrize(
    ("pitch_um", "printed"), [(1.67, 299.4), (2.2, 227.3), (3.45, 144.9), (4.54, 110.1), (5.5, 90.9)]
)
def test_agrees_with_printed_nyquist_frequencies(pitch_um, printed):
    # An optics maker's application note on resolution, table 1.
    assert round(nyquist_lp_mm(pitch_um), 1) == printed


def capture_of(roll: int = 0, squeeze: float = 1, offset: Offset | None = None) -> Capture:
    lens = Lens(focal_length_mm=50, offset_mm=offset or Offset())
    return Capture(raster=Raster(3600, 2400), photosite_pitch_um=10, roll=roll, squeeze=squeeze, lens=lens)


def test_turning_the_camera_swaps_horizontal_and_vertical():
    whole = Rect(0, 0, 3600, 2400)
    upright, turned = image_facts(whole, capture_of()), image_facts(whole, capture_of(roll=90))
    assert upright.angle_of_view_deg.horizontal == turned.angle_of_view_deg.vertical
    assert (upright.size_mm.width, upright.size_mm.height) == (36, 24)
    assert (turned.size_mm.width, turned.size_mm.height) == (24, 36)


def test_a_squeezed_axis_sees_as_a_shorter_lens_does():
    facts = image_facts(Rect(0, 0, 3600, 2400), capture_of(squeeze=2))
    assert facts.angle_of_view_deg.horizontal == pytest.approx(2 * math.degrees(math.atan(36 / 50)))
    assert facts.angle_of_view_deg.vertical == pytest.approx(2 * math.degrees(math.atan(12 / 50)))


def test_a_frame_off_the_axis_is_seen_from_where_it_lies():
    facts = image_facts(Rect(0, 0, 1200, 2400), capture_of())
    # From 18 mm to 6 mm left of the axis.
    expected = math.degrees(math.atan(18 / 50) - math.atan(6 / 50))
    assert facts.angle_of_view_deg.horizontal == pytest.approx(expected)
    assert facts.off_axis_mm == pytest.approx(12)


def test_the_axis_moves_with_the_lens():
    facts = image_facts(Rect(0, 0, 3600, 2400), capture_of(offset=Offset(3, 4)))
    assert facts.off_axis_mm == pytest.approx(5)


def test_without_a_pitch_nothing_is_claimed():
    facts = image_facts(Rect(0, 0, 10, 10), Capture(raster=Raster(10, 10), lens=Lens(focal_length_mm=50)))
    assert (facts.size_mm, facts.angle_of_view_deg, facts.off_axis_mm) == (None, None, None)
