"""Viewing: rows that can be seen, against published viewing distances and arithmetic by hand."""

from __future__ import annotations

import pytest

from tallwide.job import Capture, Deliverable, Display, Job, Raster
from tallwide_service.core import margins, solve
from tallwide_service.core.viewing import resolvable_rows


def seen(display, *, raster=None):
    job = Job(Capture(Raster(4800, 3200)), (Deliverable("tall", raster=raster or Raster(1080, 1920), display=display),))
    return margins(job, solve(job))[0].eye_limit


@pytest.mark.parametrize(
    ("lines", "picture_heights", "rel"),
    [
        # ITU-R BT.500-14, design viewing distance by one arc minute a line: printed as 3.2 H at 1080 lines and
        # about 7 H at 483 lines (a page that quotes the table).
        pytest.param(1080, 3.2, 0.01, id="1080 lines"),
        pytest.param(483, 7, 0.02, id="483 lines"),
        # From memory, and following from the same definition; distances rounded to a tenth of the height.
        pytest.param(2160, 1.6, 0.01, id="2160 lines"),
        pytest.param(4320, 0.8, 0.01, id="4320 lines"),
        pytest.param(720, 4.8, 0.01, id="720 lines"),
        # ITU-R BT.1845: 3.1831 H and 1.5915 H exactly, by the same definition.
        pytest.param(1080, 3.18310, 1e-3, id="1080 lines, exact"),
        pytest.param(2160, 1.59155, 1e-3, id="2160 lines, exact"),
    ],
)
def test_rows_at_the_design_viewing_distance_are_the_pictures_lines(lines, picture_heights, rel):
    assert resolvable_rows(1000, 1000 * picture_heights) == pytest.approx(lines, rel=rel)


def test_a_screen_of_1720_mm_at_4_m_shows_1478_rows():
    # 2 x 4,000 mm x tan 0.5' = 1.16355 mm a row.
    found = seen(Display(height_mm=1720, viewing_distance_mm=4000))
    assert found.rows == 1478
    assert (found.rows_delivered, found.rows_extracted, found.limited_by) == (1920, 3200, "eye")
    assert found.verdict == "enough"
    # 1,720 mm / 3,200 rows seen under one arc minute: 1,847.8 mm.
    assert found.extraction_enough_from_mm == pytest.approx(1847.8, abs=0.1)


def test_the_extraction_limits_where_it_has_the_fewest_rows():
    found = seen(Display(height_mm=1720, viewing_distance_mm=1000), raster=Raster(2700, 4800))
    assert (found.rows_extracted, found.limited_by, found.verdict) == (3200, "extraction", "short")
    assert resolvable_rows(1720, found.extraction_enough_from_mm * 1.001) <= 3200


def test_an_led_wall_shows_as_many_rows_as_it_has():
    found = seen(Display(height_mm=3000, pixel_pitch_mm=2.5))
    assert (found.rows, found.screen_rows, found.limited_by) == (None, 1200, "screen")
    assert found.extraction_enough_from_mm is None


def test_a_hand_held_screen_shows_what_the_pictures_shape_leaves_of_it():
    # A 4:5 picture on 1,170 x 2,532 px as held: as wide as the screen, 1,462 rows.
    found = seen(Display(screen=Raster(1170, 2532)), raster=Raster(1080, 1350))
    assert (found.screen_rows, found.limited_by) == (1462, "delivery")


def test_a_print_has_pixels_per_inch():
    found = seen(Display(height_mm=254), raster=Raster(1080, 1920))
    assert (found.delivered_pixels_per_inch, found.extracted_pixels_per_inch) == (192, 320)


def test_the_contracted_raster_keeps_its_own_verdict():
    job = Job(
        Capture(Raster(4800, 3200)),
        (Deliverable("wall", raster=Raster(4000, 6000), display=Display(height_mm=1720, viewing_distance_mm=4000)),),
    )
    (margin,) = margins(job, solve(job))
    assert (margin.verdict, margin.eye_limit.verdict) == ("short", "enough")


def test_a_detail_factor_is_counted_beside_the_pixels_and_never_decides():
    job = Job(Capture(Raster(4800, 3200), detail_factor=0.7), (Deliverable("tall", raster=Raster(1800, 3200)),))
    (margin,) = margins(job, solve(job))
    assert (margin.oversampling.smaller, margin.detail_oversampling.smaller, margin.verdict) == (1, 0.7, "at_limit")
    assert margin.detail_factor == 0.7
