"""Coverage and camera match: tables by hand, and against the solver and shapely."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point as ShapelyPoint
from shapely import box

from tallwide.job import (
    CameraMatch,
    Capture,
    Deliverable,
    Extent,
    Framing,
    Job,
    Lens,
    LensChoice,
    Offset,
    Point,
    Raster,
    RateLimit,
    Subject,
    ZoomSetting,
)
from tallwide_service.core import coverage, match_cameras, solve
from tallwide_service.errors import CannotBeMet, MemberMissing

# 4,000 x 3,000 photosites of 5 um: 20 x 15 mm, diagonal 25 mm.
MODE = Capture(Raster(4000, 3000), label="A", photosite_pitch_um=5)
WHOLE = Deliverable("whole", raster=Raster(2000, 1500))
WIDE = Deliverable("wide", raster=Raster(1920, 1080))


def rows(job):
    return {(row.capture, row.lens, row.focal_length_mm, row.deliverable): row for row in coverage(job)}


def test_a_circle_as_wide_as_the_diagonal_covers_exactly():
    lenses = (LensChoice("25", image_circle_mm=25), LensChoice("24", image_circle_mm=24, focal_length_mm=50))
    found = rows(Job(MODE, (WHOLE,), lenses=lenses))
    exact, small = found["A", "25", None, "whole"], found["A", "24", 50, "whole"]
    assert (exact.covered, exact.spare_mm) == (True, 0)
    assert (small.covered, small.spare_mm) == (False, -0.5)
    assert small.extraction.width == 4000
    # The largest 4:3 inside 24 mm is 19.2 x 14.4 mm.
    assert (small.largest.width, small.largest.height) == (3840, 2880)
    assert small.oversampling.smaller == 1.92
    assert small.wanted_oversampling.smaller == 2
    assert small.equivalent_focal_mm.by_diagonal == pytest.approx(50 * 25 / 24)


def test_protection_must_be_covered_too():
    guarded = replace(WHOLE, protection=replace(WHOLE.protection, each_side=0.05))
    (row,) = coverage(Job(replace(MODE, lens=Lens(label="l", image_circle_mm=24)), (guarded,)))
    assert row.covered is False


def test_a_zoom_is_a_row_for_each_of_its_settings():
    zoom = LensChoice(
        "zoom", settings=(ZoomSetting(20, image_circle_mm=22), ZoomSetting(40, image_circle_mm=26), ZoomSetting(60))
    )
    found = rows(Job(MODE, (WHOLE, WIDE), lenses=(zoom,)))
    assert [row.covered for row in found.values()] == [False, False, True, True, None, None]
    assert len({row.lens_index for row in found.values()}) == 1


def test_a_covered_width_and_height_is_measured_at_its_nearest_side():
    lens = LensChoice("squeezed", covered_mm=Extent(18, 16), squeeze=2, offset_mm=Offset(0.25, 0))
    (row,) = coverage(Job(MODE, (Deliverable("scope", aspect=None, raster=Raster(2400, 900)),), lenses=(lens,)))
    # 20 mm wide in 18 mm that begins 0.25 mm to the right: 1.25 mm missing on the left.
    assert row.extraction.width == 4000
    assert (row.covered, row.spare_mm) == (False, pytest.approx(-1.25))
    assert row.largest.width * 5 / 1000 <= 18


def test_every_capture_meets_every_lens_and_every_deliverable():
    modes = (MODE, replace(MODE, label="B", raster=Raster(3000, 2000)))
    lenses = (LensChoice("1", image_circle_mm=30), LensChoice("2", image_circle_mm=20))
    job = Job(MODE, (WHOLE, WIDE), captures=modes, lenses=lenses)
    found = coverage(job)
    assert [(row.capture_index, row.lens_index, row.deliverable) for row in found] == [
        (mode, lens, frame) for mode in (0, 1) for lens in (0, 1) for frame in ("whole", "wide")
    ]


def test_a_circle_without_a_pitch_is_refused_by_pointer():
    job = Job(MODE, (WHOLE,), captures=(Capture(Raster(100, 100)),), lenses=(LensChoice("1", image_circle_mm=3),))
    with pytest.raises(CannotBeMet) as refused:
        coverage(job)
    assert refused.value.faults[0].pointer == "/captures/0/photosite_pitch_um"


def test_a_circle_too_small_for_anything_is_a_row_that_says_so():
    (row,) = coverage(Job(MODE, (WHOLE,), lenses=(LensChoice("pinhead", image_circle_mm=0.001),)))
    assert (row.covered, row.largest, row.oversampling) == (False, None, None)
    assert "no candidate size" in row.problem or "does not fit" in row.problem


def test_a_subject_outside_another_mode_is_a_row_that_says_so():
    small = replace(MODE, label="B", raster=Raster(500, 500))
    job = Job(MODE, (WHOLE,), Framing(subject=Subject(0, 0, 1500, 1000)), captures=(MODE, small))
    found = coverage(job)
    assert [row.problem is None for row in found] == [True, False]


def test_frames_on_a_shared_point_are_solved_as_a_whole():
    job = Job(MODE, (WHOLE, WIDE), Framing("shared_point", point=Point(None, None)), lenses=(LensChoice("l"),))
    assert [row.extraction for row in coverage(job)] == [each.rect for each in solve(job).extractions]


@settings(max_examples=25)
@given(lenses=st.permutations(range(4)), focal_mm=st.sampled_from((None, 50)))
def test_lenses_in_another_order_are_the_same_rows_in_that_order(lenses, focal_mm):
    """A longer lens shows the subject larger, as far as both lenses name their focal lengths."""
    own = MODE if focal_mm is None else replace(MODE, lens=Lens(focal_length_mm=focal_mm))
    framing = Framing(subject=Subject(1800, 1300, 300, 900))
    choices = [LensChoice(f"{mm} mm", focal_length_mm=mm) for mm in (25, 50, 100)]
    choices.append(LensChoice("25 mm, small", focal_length_mm=25, image_circle_mm=20))

    def rows_by_lens(order):
        found = coverage(Job(own, (WHOLE, WIDE), framing, lenses=tuple(choices[place] for place in order)))
        return {(row.lens, row.deliverable): replace(row, lens_index=0) for row in found}

    assert rows_by_lens(lenses) == rows_by_lens(range(4))
    alone = {key: row for place in range(4) for key, row in rows_by_lens((place,)).items()}
    assert rows_by_lens(lenses) == alone


@settings(max_examples=40)
@given(
    circle=st.integers(30, 300).map(lambda tenths: tenths / 10),
    x=st.integers(-20, 20).map(lambda tenths: tenths / 10),
    y=st.integers(-20, 20).map(lambda tenths: tenths / 10),
)
def test_covered_frames_lie_in_the_circle_and_spare_is_the_way_to_it(circle, x, y):
    """Against shapely: the circle as a polygon of 720 sides is at most 0.00002 of its radius inside it."""
    lens = LensChoice("l", image_circle_mm=circle, offset_mm=Offset(x, y))
    (row,) = coverage(Job(MODE, (WIDE,), lenses=(lens,)))
    disc = ShapelyPoint(x, y).buffer(circle / 2, quad_segs=180)
    rect = row.extraction
    frame = box(rect.x * 0.005 - 10, rect.y * 0.005 - 7.5, rect.right * 0.005 - 10, rect.bottom * 0.005 - 7.5)
    if abs(row.spare_mm) > 1e-3 * circle:
        assert row.covered == disc.contains(frame)
    corners = [hypot(a - x, b - y) for a, b in frame.exterior.coords]
    assert row.spare_mm == pytest.approx(circle / 2 - max(corners), abs=1e-9)
    if row.largest is not None:
        job = Job(replace(MODE, lens=Lens(image_circle_mm=circle, offset_mm=Offset(x, y))), (WIDE,))
        assert row.largest == solve(job).extractions[0].rect


def match_of(job):
    found, _ = match_cameras(job, solve(job))
    return {(row.deliverable, row.by): row for row in found}


A = replace(MODE, lens=Lens(focal_length_mm=40))
B = Capture(Raster(6000, 4000), label="B", photosite_pitch_um=6)  # 36 x 24 mm


def test_a_match_by_each_side_is_the_focal_length_in_proportion():
    found = match_of(Job(A, (WIDE,), match=CameraMatch(B)))
    # Wide is 20 x 11.25 mm on A and 36 x 20.25 mm on B: 1.8 times in every direction.
    assert found["wide", "width"].exact_mm == pytest.approx(72)
    assert found["wide", "diagonal"].exact_mm == pytest.approx(72, rel=1e-3)  # 3,376 lines of the grid for 3,375
    assert found["wide", "width"].error_pct == 0
    whole = match_of(Job(A, (Deliverable("full", raster=Raster(3000, 2000)), WHOLE), match=CameraMatch(B)))
    # 4:3 is 20 x 15 mm on A and 32 x 24 mm on B.
    assert whole["whole", "height"].exact_mm == pytest.approx(40 * 24 / 15)


def test_the_nearest_of_a_list_shows_so_much_more_or_less():
    found = match_of(Job(A, (WIDE,), match=CameraMatch(B, (50, 65, 75, 100))))["wide", "width"]
    assert found.focal_length_mm == 75
    assert found.error_pct == pytest.approx((72 / 75 - 1) * 100)
    assert found.width_error_pct == found.error_pct


def test_a_squeezed_camera_is_matched_by_what_it_shows():
    squeezed = replace(B, squeeze=2)
    found = match_of(Job(A, (Deliverable("scope", raster=Raster(2400, 1000)),), match=CameraMatch(squeezed)))
    # 2.4 on A is 20 mm wide; on B 4,000 lines high and 4,800 wide: 28.8 mm that show 57.6.
    assert found["scope", "width"].exact_mm == pytest.approx(40 * 57.6 / 20, rel=1e-3)


@settings(max_examples=30)
@given(focal=st.integers(10, 200))
def test_matching_there_and_back_is_where_it_began(focal):
    job = Job(replace(MODE, lens=Lens(focal_length_mm=focal)), (WIDE,), match=CameraMatch(B))
    there = match_of(job)["wide", "width"].exact_mm
    back = Job(replace(B, lens=Lens(focal_length_mm=there)), (WIDE,), match=CameraMatch(replace(MODE, label=None)))
    assert match_of(back)["wide", "width"].exact_mm == pytest.approx(focal)


def test_what_a_match_needs_is_named():
    with pytest.raises(MemberMissing) as missing:
        match_cameras(Job(MODE, (WIDE,), match=CameraMatch(Capture(Raster(100, 100)))), solve(Job(MODE, (WIDE,))))
    assert {fault.pointer for fault in missing.value.faults} == {
        "/capture/lens/focal_length_mm",
        "/match/capture/photosite_pitch_um",
    }
    with pytest.raises(MemberMissing, match="no camera to match"):
        match_cameras(Job(MODE, (WIDE,)), solve(Job(MODE, (WIDE,))))


def test_a_camera_beside_that_records_fewer_lines_is_matched_on_those():
    """B at 100 frames per second: 1,600 of 4,000 lines, 36 x 9.6 mm: a 16:9 frame is 17.07 mm wide."""
    slow = replace(B, frames_per_second=100, rate_limits=(RateLimit(60, 4000), RateLimit(120, 1600)))
    job = Job(A, (WIDE,), match=CameraMatch(slow))
    found, beside = match_cameras(job, solve(job))
    assert (beside.capture.raster.width, beside.capture.raster.height) == (6000, 1600)
    assert beside.extractions[0].rect.height == 1600
    assert found[0].exact_mm == pytest.approx(40 * (1600 * 16 / 9 * 0.006) / 20, rel=1e-3)
    # The same on the raster as it is recorded, stated outright.
    plain = Job(A, (WIDE,), match=CameraMatch(replace(B, raster=Raster(6000, 1600))))
    assert match_cameras(plain, solve(plain))[0] == found
    scaled = replace(slow, photosites=Raster(12_000, 8000), photosite_pitch_um=3)
    job = Job(A, (WIDE,), match=CameraMatch(scaled))
    assert [row.exact_mm for row in match_cameras(job, solve(job))[0]] == pytest.approx([row.exact_mm for row in found])
