"""Published safe areas pixel by pixel, and published rasters."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given

from strategies import rasters
from tallwide.job import Raster
from tallwide_service.core.standards import RASTERS, SAFE_AREA_SETS, inset_px, published_set, safe_rect

# EBU R 95 v1.1 (2017) and ITU-R BT.1848-1 (2015), as pages that quote their pixel margins print them:
# first and last pixel, first and last line, from 0, both ends inside; read second hand.
PRINTED = [
    pytest.param("ebu_r95", "action safe", (1920, 1080), (67, 1852, 38, 1041), id="R 95 action 1080"),
    pytest.param("ebu_r95", "graphics safe", (1920, 1080), (96, 1823, 54, 1025), id="R 95 graphics 1080"),
    pytest.param("ebu_r95", "action safe", (3840, 2160), (134, 3705, 76, 2083), id="R 95 action 2160"),
    pytest.param("ebu_r95", "graphics safe", (3840, 2160), (192, 3647, 108, 2051), id="R 95 graphics 2160"),
    pytest.param("itu_r_bt1848", "action safe", (1920, 1080), (67, 1852, 38, 1041), id="BT.1848 action 1080"),
    pytest.param("itu_r_bt1848", "graphics safe", (3840, 2160), (192, 3647, 108, 2051), id="BT.1848 graphics 2160"),
]
# The published percentages (same documents; SMPTE ST 2046-1:2009; SMPTE RP 218), the pixels worked out by
# hand with the rounding of the printed ones: no page was seen that prints these numbers.
COMPUTED = [
    pytest.param("ebu_r95", "action safe", (1280, 720), (45, 1234, 25, 694), id="R 95 action 720"),
    pytest.param("ebu_r95", "graphics safe", (1280, 720), (64, 1215, 36, 683), id="R 95 graphics 720"),
    pytest.param("ebu_r95", "action safe", (7680, 4320), (269, 7410, 151, 4168), id="R 95 action 4320"),
    pytest.param("ebu_r95", "graphics safe", (7680, 4320), (384, 7295, 216, 4103), id="R 95 graphics 4320"),
    pytest.param(
        "itu_r_bt1848", "graphics safe, 4:3 centre", (1280, 720), (208, 1071, 36, 683), id="BT.1848 4:3 centre 720"
    ),
    pytest.param(
        "itu_r_bt1848", "graphics safe, 4:3 centre", (1920, 1080), (312, 1607, 54, 1025), id="BT.1848 4:3 centre 1080"
    ),
    pytest.param(
        "itu_r_bt1848", "graphics safe, 4:3 centre", (3840, 2160), (624, 3215, 108, 2051), id="BT.1848 4:3 centre 2160"
    ),
    pytest.param("smpte_st2046_1", "safe action", (1280, 720), (45, 1234, 25, 694), id="ST 2046-1 action 720"),
    pytest.param("smpte_st2046_1", "safe title", (1280, 720), (64, 1215, 36, 683), id="ST 2046-1 title 720"),
    pytest.param("smpte_st2046_1", "safe action", (1920, 1080), (67, 1852, 38, 1041), id="ST 2046-1 action 1080"),
    pytest.param("smpte_st2046_1", "safe title", (1920, 1080), (96, 1823, 54, 1025), id="ST 2046-1 title 1080"),
    pytest.param("smpte_rp218", "safe action", (1920, 1080), (96, 1823, 54, 1025), id="RP 218 action 1080"),
    pytest.param("smpte_rp218", "safe title", (1920, 1080), (192, 1727, 108, 971), id="RP 218 title 1080"),
]


@pytest.mark.parametrize(("name", "label", "size", "ends"), PRINTED + COMPUTED)
def test_a_published_safe_area_has_the_published_first_and_last_pixels(name, label, size, ends):
    area = next(area for area in published_set(name).areas if area.label == label)
    rect = safe_rect(Raster(*size), area.insets)
    assert (rect.x, rect.right - 1, rect.y, rect.bottom - 1) == ends


def test_action_lies_outside_graphics_in_every_set():
    # One glossary prints the two the wrong way round; no set may.
    for published in SAFE_AREA_SETS:
        action, title, *_ = published.areas
        assert action.inset_x < title.inset_x
        assert action.inset_y < title.inset_y


def test_half_a_pixel_of_inset_goes_inwards():
    assert inset_px(Fraction(1, 20), 10) == 1
    assert inset_px(Fraction(35, 1000), 100) == 4


@given(raster=rasters(8))
def test_a_published_safe_area_is_centred_on_any_raster(raster):
    for published in SAFE_AREA_SETS:
        for area in published.areas:
            rect = safe_rect(raster, area.insets)
            assert (rect.x, rect.y) == (raster.width - rect.right, raster.height - rect.bottom)


def test_insets_that_leave_nothing_have_no_area():
    assert safe_rect(Raster(100, 100), (Fraction(1, 2), Fraction(0), Fraction(1, 2), Fraction(0))) is None


# ITU-R BT.601-7, BT.709-6, BT.2020-2; SMPTE ST 274, ST 296, ST 428-1 with ISDCF DCNC appendix 7.
@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("hd_720", "1.777778"),
        ("hd_1080", "1.777778"),
        ("uhd_2160", "1.777778"),
        ("uhd_4320", "1.777778"),
        ("dc_2k", "1.896296"),
        ("dc_4k", "1.896296"),
        ("dc_2k_flat", "1.850000"),
        ("dc_4k_flat", "1.850000"),
        ("dc_2k_scope", "2.386946"),
        ("dc_4k_scope", "2.386946"),
        ("sd_625_4x3", "1.367521"),
        ("sd_625_16x9", "1.823362"),
    ],
)
def test_a_published_raster_is_shown_in_its_published_shape(name, shown):
    published = next(raster for raster in RASTERS if raster.name == name)
    ratio = published.raster.width * published.pixel_aspect / published.raster.height
    assert f"{float(ratio):.6f}" == shown


def test_the_middle_702_samples_of_the_625_line_raster_are_4_to_3_and_16_to_9():
    by_name = {raster.name: raster for raster in RASTERS}
    assert 702 * by_name["sd_625_4x3"].pixel_aspect == 768
    assert 702 * by_name["sd_625_16x9"].pixel_aspect == 1024
