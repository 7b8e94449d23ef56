"""Frames on a whole raster in plain integers: the same to the bit as the general solver gives."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from strategies import jobs
from tallwide.answers import Rect
from tallwide.geometry import combined_area, common_area, turn_rect
from tallwide.job import Aspect, Capture, Deliverable, Grid, Job, Protection, Raster
from tallwide_service.core.extraction import _place_anywhere, _place_plain, frames, ground_of
from tallwide_service.core.plain import PlainPlace, common_and_combined, upright_box
from tallwide_service.errors import CannotBeMet

odd_grids = st.builds(Grid, *(st.integers(1, 7) for _ in range(4)))
shares = st.sampled_from((0, 0.05, 0.1, 0.333, 1))


def assert_placed_alike(job: Job) -> int:
    """Compare every frame of a job; return how many were placed in plain integers."""
    ground, placed = ground_of(job), 0
    for frame in frames(job):
        plain = _place_plain(frame, ground)
        if plain is None:
            continue  # the general solver decides, here and in the service
        assert plain == _place_anywhere(frame, ground)
        placed += 1
    return placed


@settings(max_examples=300)
@given(job=jobs())
def test_any_job_is_placed_as_by_the_general_solver(job):
    assert_placed_alike(job)


@settings(max_examples=300)
@given(job=jobs(smallest=1, largest=60), grid=odd_grids, tolerance=st.sampled_from((0.1, 0.05, 0.01, 0)))
def test_small_rasters_and_coarse_odd_grids_too(job, grid, tolerance):
    framing = replace(job.framing, aspect_tolerance=tolerance)
    assert_placed_alike(replace(job, capture=replace(job.capture, grid=grid), framing=framing))


@settings(max_examples=200)
@given(
    raster=st.builds(Raster, st.integers(4, 65_535), st.integers(4, 65_535)),
    aspect=st.tuples(st.integers(1, 4000), st.integers(1, 4000)),
    sides=st.tuples(shares, shares, shares, shares),
    grid=st.sampled_from((Grid(), Grid(1, 1, 1, 1), Grid(2, 1, 2, 1), Grid(8, 8, 16, 16), Grid(4, 2, 1, 1))),
)
@example(raster=Raster(65_535, 65_535), aspect=(1, 1), sides=(1, 1, 1, 1), grid=Grid(1, 1, 1, 1))
@example(raster=Raster(4800, 3200), aspect=(3, 2), sides=(0, 0, 0, 0.05), grid=Grid())
def test_protection_by_side_is_placed_and_named_alike(raster, aspect, sides, grid):
    assume(Fraction(1, 20) <= Fraction(*aspect) <= 20)
    frame = Deliverable("a", Aspect(f"{aspect[0]}:{aspect[1]}"), protection=Protection(None, None, *sides))
    assert_placed_alike(Job(Capture(raster, grid=grid), (frame,)))


def test_what_is_common_is_placed_in_plain_integers():
    wanted = ("16:9", "2.39:1", "1.85:1", "4:3", "1:1", "4:5", "9:16", "3:4")
    for raster in (Raster(4800, 3200), Raster(12_288, 8_640), Raster(3840, 2160), Raster(4096, 3432)):
        for roll in (0, 90, 180, 270):
            deliverables = tuple(
                Deliverable(aspect, Aspect(aspect), protection=Protection(each_side=share))
                for aspect, share in zip(wanted, (0, 0.05) * 4, strict=True)
            )
            assert assert_placed_alike(Job(Capture(raster, roll=roll), deliverables)) == len(wanted)


def test_what_fits_nowhere_is_left_to_the_general_solver():
    job = Job(Capture(Raster(3, 3), grid=Grid(2, 2, 16, 16)), (Deliverable("a", Aspect("1:1")),))
    (frame,) = frames(job)
    assert _place_plain(frame, ground_of(job)) is None
    try:
        _place_anywhere(frame, ground_of(job))
    except CannotBeMet:
        return
    raise AssertionError("a frame of 16 px was found on 3 px")


boxes = st.tuples(st.integers(0, 300), st.integers(0, 300), st.integers(1, 300), st.integers(1, 300))


@given(box=boxes, roll=st.sampled_from((0, 90, 180, 270)))
def test_a_plain_box_is_turned_as_a_rectangle_is(box, roll):
    turned = turn_rect(Rect(*box), Raster(700, 650), roll)
    assert upright_box(*box, (700, 650), roll) == (turned.x, turned.y, turned.width, turned.height)


@given(found=st.lists(boxes, min_size=1, max_size=5))
def test_plain_boxes_share_and_span_what_rectangles_do(found):
    rects = [Rect(*box) for box in found]
    common, combined = common_and_combined([PlainPlace(*box, 0, 0, 0, 0, ()) for box in found])
    assert (None if common is None else Rect(*common)) == common_area(rects)
    assert Rect(*combined) == combined_area(rects)
