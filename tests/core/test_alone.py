"""Frames alone: the optimum against an exhaustive search, the laws, and published sizes."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
import shapely
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from joint_oracle import allowed_rects, alone, candidate_sizes
from strategies import aspects, jobs
from tallwide.answers import Rect
from tallwide.job import Align, Aspect, Capture, Deliverable, Framing, Grid, Job, Protection, Raster, exact
from tallwide_service.core import solve
from tallwide_service.errors import CannotBeMet


def job_of(raster: Raster, *aspects_wanted, grid: Grid | None = None, **capture) -> Job:
    return Job(
        capture=Capture(raster=raster, grid=grid or Grid(), **capture),
        deliverables=tuple(
            Deliverable(label=f"frame {index}", aspect=Aspect(aspect)) for index, aspect in enumerate(aspects_wanted)
        ),
    )


def only_rect(job: Job) -> Rect:
    (extraction,) = solve(job).extractions
    return extraction.rect


@settings(max_examples=150)
@given(job=jobs(smallest=1, largest=26, most=1))
def test_every_chosen_rectangle_is_the_one_that_an_exhaustive_search_finds(job):
    best = alone(job, 0, allowed_rects(job, 0))
    if best is None:
        with pytest.raises(CannotBeMet):
            solve(job)
    else:
        assert only_rect(job) == best


@settings(max_examples=100)
@given(job=jobs())
def test_an_extraction_keeps_to_region_grid_aspect_and_protection(job):
    try:
        solution = solve(job)
    except CannotBeMet:
        assume(False)
    capture, grid = job.capture, job.capture.grid
    picture = shapely.box(0, 0, capture.raster.width, capture.raster.height)
    for extraction in solution.extractions:
        rect, grown = extraction.rect, extraction.protection_rect
        assert rect.x % grid.x == rect.y % grid.y == rect.width % grid.width == rect.height % grid.height == 0
        assert grown.holds(rect)
        assert picture.covers(shapely.box(grown.x, grown.y, grown.right, grown.bottom))
        requested, achieved = extraction.aspect.requested, extraction.aspect.achieved
        assert max(achieved / requested, requested / achieved) - 1 <= job.framing.aspect_tolerance + 1e-12
        ideal = extraction.ideal_rect
        assert rect.x <= ideal.x + 1e-6
        assert ideal.x + ideal.width <= rect.right + 1e-6
        assert rect.y <= ideal.y + 1e-6
        assert ideal.y + ideal.height <= rect.bottom + 1e-6
        assert extraction.bound_by


@given(job=jobs(smallest=40, largest=4000, most=1), more_columns=st.integers(0, 400), more_lines=st.integers(0, 400))
def test_a_larger_raster_never_gives_a_smaller_extraction(job, more_columns, more_lines):
    # Photosites stay one to one, so that the pixels keep their shape.
    capture = replace(job.capture, photosites=None)
    raster = capture.raster
    larger = replace(capture, raster=Raster(raster.width + more_columns, raster.height + more_lines))
    try:
        before = only_rect(replace(job, capture=capture))
    except CannotBeMet:
        assume(False)
    assert only_rect(replace(job, capture=larger)).area >= before.area


@given(raster=st.tuples(st.integers(20, 3000), st.integers(20, 3000)), aspect=aspects, step=st.sampled_from((1, 2, 4)))
def test_turning_the_capture_and_inverting_the_aspect_keeps_the_size_on_a_square_grid(raster, aspect, step):
    grid = Grid(step, step, step, step)
    upright = job_of(Raster(*raster), aspect.written, grid=grid)
    on_its_side = replace(upright, capture=replace(upright.capture, roll=90))
    inverse = 1 / aspect.ratio
    turned = replace(
        on_its_side,
        deliverables=(Deliverable(label="frame", aspect=Aspect(f"{inverse.numerator}:{inverse.denominator}")),),
    )
    try:
        first = only_rect(upright)
    except CannotBeMet:
        with pytest.raises(CannotBeMet):
            solve(turned)
    else:
        second = only_rect(turned)
        assert (first.width, first.height) == (second.width, second.height)


@given(job=jobs(smallest=10, largest=3000, most=1))
def test_mirroring_the_align_point_mirrors_the_place(job):
    # On a grid of one, with the same protection on both sides and an even gap, the nearest place is unique.
    (frame,) = job.deliverables
    frame = replace(frame, protection=Protection(each_side=0))
    job = replace(job, capture=replace(job.capture, grid=Grid(1, 1, 1, 1)), deliverables=(frame,))
    mirrored = replace(
        job,
        deliverables=(replace(frame, align=Align(float(1 - exact(frame.align.x)), float(1 - exact(frame.align.y)))),),
    )
    try:
        (here,), (there,) = solve(job).extractions, solve(mirrored).extractions
    except CannotBeMet:
        assume(False)
    width, height = job.capture.upright_raster.width, job.capture.upright_raster.height
    one, other = here.upright_rect, there.upright_rect
    for place, opposite, room, share in (
        (one.x, width - other.right, width - one.width, exact(frame.align.x)),
        (one.y, height - other.bottom, height - one.height, exact(frame.align.y)),
    ):
        is_tied = (share * room) % 1 == Fraction(1, 2)
        assert place == opposite or is_tied


@given(job=jobs(smallest=4, largest=2000, most=2), factor=st.integers(2, 8))
def test_scaling_raster_and_grid_scales_the_answer(job, factor):
    # Protection is rounded up to whole pixels, which does not scale.
    frames = tuple(replace(frame, protection=Protection(each_side=0)) for frame in job.deliverables)
    job = replace(job, deliverables=frames)
    capture, grid = job.capture, job.capture.grid
    scaled = replace(
        job,
        capture=replace(
            capture,
            raster=Raster(capture.raster.width * factor, capture.raster.height * factor),
            photosites=capture.imager,
            grid=Grid(grid.x * factor, grid.y * factor, grid.width * factor, grid.height * factor),
        ),
    )
    job = replace(job, capture=replace(capture, photosites=capture.imager))
    try:
        small = [extraction.rect for extraction in solve(job).extractions]
    except CannotBeMet:
        assume(False)
    large = [extraction.rect for extraction in solve(scaled).extractions]
    assert large == [
        Rect(rect.x * factor, rect.y * factor, rect.width * factor, rect.height * factor) for rect in small
    ]


@pytest.mark.parametrize(
    ("raster", "aspect", "size"),
    [
        # DCI Digital Cinema System Specification, picture sizes; as ISDCF's naming convention, appendix 7, lists them.
        pytest.param(Raster(4096, 2160), "1.85:1", (3996, 2160), id="DCI 4K flat"),
        pytest.param(Raster(2048, 1080), "1.85:1", (1998, 1080), id="DCI 2K flat"),
        # Scope is 858 and 1716 lines high, so its ratio is 2048:858 rather than 2.39 exactly.
        pytest.param(Raster(4096, 2160), "2048:858", (4096, 1716), id="DCI 4K scope"),
        pytest.param(Raster(2048, 1080), "2048:858", (2048, 858), id="DCI 2K scope"),
        # ITU-R BT.709-6 and BT.2020-2, picture characteristics: 16:9 with square pixels.
        pytest.param(Raster(1920, 1080), "16:9", (1920, 1080), id="BT.709"),
        pytest.param(Raster(3840, 2160), "16:9", (3840, 2160), id="BT.2020, 2160 lines"),
        pytest.param(Raster(7680, 4320), "16:9", (7680, 4320), id="BT.2020, 4320 lines"),
    ],
)
def test_agrees_with_published_picture_sizes(raster, aspect, size):
    rect = only_rect(job_of(raster, aspect))
    assert (rect.width, rect.height) == size


@pytest.mark.parametrize(
    ("width_mm", "height_mm", "squeeze", "ratio_projected"),
    [
        # SMPTE ST 195 projectable areas, as trade tables print them in inches and mm.
        pytest.param(20.96, 11.33, 1, 1.85, id="1.85"),
        pytest.param(20.96, 17.53, 2, 2.39, id="2.39, squeeze 2"),
        # ISO 2907:2002, styles B and C, from a catalogue extract of the standard.
        pytest.param(20.95, 17.53, 2, 2.39, id="ISO style B"),
        pytest.param(20.95, 15.29, 1, 1.37, id="ISO style C"),
        # Super 35 extraction for 2.40 prints: trade practice.
        pytest.param(24.00, 10.00, 1, 2.40, id="Super 35, 2.40"),
        # ISO 1007, 135 still frame (number of the standard from memory).
        pytest.param(36.00, 24.00, 1, 1.50, id="135"),
    ],
)
def test_a_frame_of_the_printed_ratio_fills_the_printed_aperture(width_mm, height_mm, squeeze, ratio_projected):
    # A raster with 100 photosites a mm; tables disagree by up to 0.05 mm, that is 5 px.
    raster = Raster(round(width_mm * 100), round(height_mm * 100))
    job = job_of(raster, ratio_projected, grid=Grid(1, 1, 1, 1), squeeze=squeeze, photosite_pitch_um=10)
    (extraction,) = solve(job).extractions
    assert abs(extraction.sensor_mm.width - width_mm) <= 0.05
    assert abs(extraction.sensor_mm.height - height_mm) <= 0.05


@pytest.mark.parametrize(("raster", "shown_as"), [(Raster(4000, 3000), 2.67), (Raster(3600, 3000), 2.4)])
def test_a_squeeze_of_two_shows_4_to_3_as_2_67_and_6_to_5_as_2_4(raster, shown_as):
    # Common practice, no source.
    job = job_of(raster, 2 * raster.width / raster.height, squeeze=2)
    (extraction,) = solve(job).extractions
    assert extraction.share_of_raster > 0.999
    assert round(extraction.aspect.achieved, 2) == shown_as


def test_a_frame_of_an_unreachable_aspect_says_what_does_not_fit():
    job = Job(
        capture=Capture(raster=Raster(7, 5)),
        deliverables=(Deliverable(label="wide", aspect=Aspect("2.39:1")),),
        framing=Framing(aspect_tolerance=0),
    )
    with pytest.raises(CannotBeMet, match="within the aspect tolerance") as refusal:
        solve(job)
    assert refusal.value.faults[0].pointer == "/deliverables/0"


@example(tolerance=0, aspect="65521:65519")
@example(tolerance=1e-9, aspect="9999.99:9973.1")
@given(tolerance=st.sampled_from((0, 1e-7, 1e-6, 1e-5)), aspect=aspects.map(lambda aspect: aspect.written))
def test_a_narrow_tolerance_on_the_largest_raster_is_searched_to_the_same_end(tolerance, aspect):
    """The sieve for narrow tolerances against a plain walk down the heights and widths."""
    job = Job(
        capture=Capture(raster=Raster(6000, 5000)),
        deliverables=(Deliverable(label="frame", aspect=Aspect(aspect)),),
        framing=Framing(aspect_tolerance=tolerance),
    )
    sizes = candidate_sizes(job.capture, job.deliverables[0].ratio, exact(tolerance))
    if not sizes:
        with pytest.raises(CannotBeMet):
            solve(job)
    else:
        rect = only_rect(job)
        assert rect.area == max(width * height for width, height in sizes)


@pytest.mark.parametrize(
    ("raster", "grid", "protection", "expected"),
    [
        pytest.param(Raster(4800, 3200), 2, 0, ("raster_left", "raster_right"), id="width fills"),
        pytest.param(Raster(4801, 3200), 2, 0, ("raster_left", "raster_right", "grid"), id="a finer grid gives more"),
        pytest.param(Raster(4800, 3200), 2, 0.1, ("raster_left", "raster_right", "protection"), id="protection"),
    ],
)
def test_what_binds_is_named(raster, grid, protection, expected):
    job = job_of(raster, "16:9", grid=Grid(grid, grid, grid, grid))
    (frame,) = job.deliverables
    job = replace(job, deliverables=(replace(frame, protection=Protection(each_side=protection)),))
    (extraction,) = solve(job).extractions
    assert extraction.bound_by == expected


def test_common_and_combined_area_are_what_shapely_finds():
    job = job_of(Raster(4800, 3200), "16:9", "9:16", "1:1")
    solution = solve(job)
    boxes = [
        shapely.box(rect.x, rect.y, rect.right, rect.bottom)
        for rect in (extraction.rect for extraction in solution.extractions)
    ]
    common, combined = solution.common_area, solution.combined_area
    assert shapely.intersection_all(boxes).bounds == (common.x, common.y, common.right, common.bottom)
    assert shapely.union_all(boxes).bounds == (combined.x, combined.y, combined.right, combined.bottom)


def test_frames_that_do_not_meet_have_no_common_area():
    job = Job(
        capture=Capture(raster=Raster(4000, 1000)),
        deliverables=(
            Deliverable(label="left", aspect=Aspect("1:1"), align=Align(0, 0)),
            Deliverable(label="right", aspect=Aspect("1:1"), align=Align(1, 0)),
        ),
    )
    assert solve(job).common_area is None


def test_of_places_that_are_equally_near_the_one_further_up_is_taken_then_the_one_further_left():
    """By hand: a square of 2 px in a box from 1 to 4 is wanted at 1.5, 1.5; the area leaves it 2, 1 and 1, 2."""
    corners = ((2, 1), (4, 1), (4, 3), (3, 4), (1, 4), (1, 2))
    one = Grid(1, 1, 1, 1)
    assert only_rect(job_of(Raster(5, 5), "1:1", grid=one, usable_area=corners)) == Rect(2, 1, 2, 2)
    # Without the area 1, 1 is as near as the other three around 1.5, 1.5.
    assert only_rect(job_of(Raster(5, 2), "1:1", grid=one)) == Rect(1, 0, 2, 2)
    assert only_rect(job_of(Raster(2, 5), "1:1", grid=one)) == Rect(0, 1, 2, 2)
