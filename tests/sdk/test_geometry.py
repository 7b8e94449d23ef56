"""Quarter turns: the identity, and agreement with EXIF orientation as Pillow applies it."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageOps

from strategies import captures, rasters, shares
from tallwide.answers import Rect
from tallwide.geometry import (
    Sides,
    recorded_ratio,
    recorded_to_upright,
    shown_ratio,
    turn_rect,
    turned_raster,
    upright_fraction_to_recorded,
    upright_sides_to_recorded,
    upright_to_recorded,
)
from tallwide.job import Capture, Raster, exact

# CIPA DC-008 (Exif 2.32), tag 274 Orientation: how a stored picture is turned to be shown.
EXIF_ORIENTATION = {0: 1, 90: 6, 180: 3, 270: 8}


@st.composite
def rects_in(draw, raster: Raster):
    x, y = draw(st.integers(0, raster.width - 1)), draw(st.integers(0, raster.height - 1))
    return Rect(x, y, draw(st.integers(1, raster.width - x)), draw(st.integers(1, raster.height - y)))


@given(data=st.data(), raster=rasters())
def test_four_quarter_turns_are_the_identity(data, raster):
    rect = data.draw(rects_in(raster))
    turned, size = rect, raster
    for _ in range(4):
        turned, size = turn_rect(turned, size, 90), turned_raster(size, 90)
    assert (turned, size) == (rect, raster)


@given(data=st.data(), capture=captures())
def test_upright_and_back_is_the_identity(data, capture):
    rect = data.draw(rects_in(capture.raster))
    assert upright_to_recorded(recorded_to_upright(rect, capture), capture) == rect


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
@given(data=st.data())
def test_the_upright_picture_is_what_pillow_shows_for_the_exif_orientation(roll, data):
    raster = Raster(data.draw(st.integers(1, 12)), data.draw(st.integers(1, 12)))
    rect = data.draw(rects_in(raster))
    stored = np.zeros((raster.height, raster.width), dtype=np.uint8)
    stored[rect.y : rect.bottom, rect.x : rect.right] = 255
    picture = Image.fromarray(stored)
    picture.getexif()[274] = EXIF_ORIENTATION[roll]
    shown = np.asarray(ImageOps.exif_transpose(picture))
    expected = turn_rect(rect, raster, roll)
    marked = np.zeros_like(shown)
    marked[expected.y : expected.bottom, expected.x : expected.right] = 255
    assert np.array_equal(shown, marked)


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
@given(x=shares, y=shares)
def test_a_point_turns_with_its_picture(roll, x, y):
    """Turning by hand: a quarter clockwise takes (x, y) of a unit square to (1 - y, x)."""
    recorded = upright_fraction_to_recorded(exact(x), exact(y), roll)
    for _ in range(roll // 90):
        recorded = (1 - recorded[1], recorded[0])
    assert recorded == (exact(x), exact(y))


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
def test_sides_turn_with_the_picture(roll):
    raster = Raster(100, 60)
    size = turned_raster(raster, roll)
    upright = Rect(11, 7, size.width - 11 - 3, size.height - 7 - 5)
    capture = Capture(raster=raster, roll=roll)
    rect = upright_to_recorded(upright, capture)
    sides = upright_sides_to_recorded(map(Fraction, (11, 7, 3, 5)), roll)
    assert sides == Sides(rect.x, rect.y, raster.width - rect.right, raster.height - rect.bottom)


@given(capture=captures(), width=st.integers(1, 5000), height=st.integers(1, 5000))
def test_the_recorded_ratio_of_what_is_shown_is_the_recorded_ratio(capture, width, height):
    assert recorded_ratio(shown_ratio(width, height, capture), capture) == Fraction(width, height)
