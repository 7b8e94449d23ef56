"""Clips: kernel, grouping and join against the exact solver of single jobs, bit for bit."""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from strategies import aligns, aspects, protections, rasters, rolls, tolerances
from tallwide.job import Align, Aspect, Deliverable, Framing, Job, Protection, Raster, exact
from tallwide.wire import to_wire
from tallwide_service.core import clips as clips_module
from tallwide_service.core import margins, solve
from tallwide_service.core.clip_columns import FRAME_COLUMNS, ClipTable
from tallwide_service.core.clips import ClipSolver, job_of
from tallwide_service.core.exact_columns import Ratios, root
from tallwide_service.core.extraction import frame_of
from tallwide_service.core.grouping import equal_rows
from tallwide_service.core.kernel import Cutter
from tallwide_service.core.measures import measures_of
from tallwide_service.errors import CannotBeMet

WIDE = Deliverable(label="wide", raster=Raster(3840, 2160))
TALL = Deliverable(label="tall", raster=Raster(1080, 1920), protection=Protection(each_side=0.05), align=Align(0.5, 0))
SQUARE = Deliverable(label="square", aspect=Aspect("1:1"))


def bits(row):
    """Numbers by their bits, so that NaN is equal to itself and 0.0 is not -0.0."""
    return tuple(struct.pack("<d", value) if isinstance(value, float) else int(value) for value in row)


def found_row(found, clip, deliverable):
    return bits(found.columns[name][clip, deliverable].item() for name in FRAME_COLUMNS)


def exact_row(job: Job):
    """The row of a job of one deliverable, by the endpoints' own functions; `None` where it cannot be met."""
    try:
        solution = solve(job)
    except CannotBeMet:
        return None
    return bits(measures_of(solution.extractions[0], margins(job, solution)[0]))


def assert_equal_to_single_jobs(table: ClipTable, deliverables, framing):
    found = ClipSolver(deliverables, framing).solve(table)
    refused = {(each.clip, each.deliverable) for each in found.refused}
    for clip in range(table.count):
        for index, deliverable in enumerate(deliverables):
            expected = exact_row(job_of(table.clip(clip), (deliverable,), framing))
            assert bool(found.answered[clip, index]) == (expected is not None)
            assert ((clip, index) in refused) == (expected is None)
            if expected is not None:
                assert found_row(found, clip, index) == expected


sizes_px = st.one_of(
    st.integers(1, 65_535), st.integers(1, 600), st.sampled_from((1, 2, 3, 65_534, 65_535, 4_096, 2_160))
)
grid_steps = st.one_of(st.integers(1, 4), st.sampled_from((8, 16, 256)))
decimals = st.floats(0, 1).filter(lambda value: value == 0 or value >= 1e-9)


@st.composite
def tables(draw):
    """Captures of one or two families, with rasters anywhere in the range."""
    count = draw(st.integers(clips_module._FEW, 40))
    widths = draw(st.lists(sizes_px, min_size=count, max_size=count))
    heights = draw(st.lists(sizes_px, min_size=count, max_size=count))
    of_two = draw(st.lists(st.booleans(), min_size=count, max_size=count)) if draw(st.booleans()) else [False] * count

    def chosen(values, kind):
        pair = np.array([draw(values), draw(values)], dtype=kind)
        return pair[np.array(of_two, dtype=np.intp)]

    columns = {
        "raster_width_px": np.array(widths, dtype=np.int32),
        "raster_height_px": np.array(heights, dtype=np.int32),
        "squeeze": chosen(st.one_of(st.sampled_from((1, 1.33, 1.5, 1.8, 2, 0.25, 4)), st.floats(0.25, 4)), np.float64),
        "squeeze_axis": chosen(st.integers(0, 1), np.int32),
        "roll_deg": chosen(rolls, np.int32),
    }
    for name in ("x", "y", "width", "height"):
        columns[f"grid_{name}_px"] = chosen(grid_steps, np.int32)
    if draw(st.booleans()):
        factor = draw(st.sampled_from((1, 2, 3)))
        columns["photosites_width"] = np.minimum(columns["raster_width_px"] * factor, 65_535).astype(np.int32)
        columns["photosites_height"] = columns["raster_height_px"]
    if draw(st.booleans()):
        columns["align_x"] = chosen(decimals, np.float64)
        columns["align_y"] = chosen(decimals, np.float64)
    if draw(st.booleans()):
        columns["protection_each_side"] = chosen(st.one_of(st.just(0), st.just(0.05), decimals), np.float64)
    return ClipTable.of(columns)


@st.composite
def wanted(draw, label: str):
    raster = draw(st.one_of(st.none(), rasters(1, 65_535)))
    if raster is not None and not 0.05 <= raster.width / raster.height <= 20:
        raster = None
    return Deliverable(
        label=label,
        aspect=None if raster else draw(aspects),
        raster=raster,
        align=draw(aligns),
        protection=draw(protections),
        minimum_oversampling=draw(st.sampled_from((1, 1, 0.5, 1.1, 20, 0.05))),
    )


@st.composite
def unlike_tables(draw, largest_px: int):
    """Captures that differ in all that they may, of one roll and with a circle or without, so that they go together."""
    count = draw(st.integers(clips_module._FEW, 30))

    def each(values, kind):
        values = draw(
            st.one_of(st.lists(values, min_size=count, max_size=count), values.map(lambda one: [one] * count))
        )
        return np.array(values, dtype=kind)

    sides = st.one_of(st.integers(1, largest_px), st.integers(largest_px // 3, largest_px))
    few_decimals = st.integers(0, 1000).map(lambda thousandths: thousandths / 1000)
    wide, high = each(sides, np.int32), each(sides, np.int32)
    columns = {
        "raster_width_px": wide,
        "raster_height_px": high,
        "squeeze": each(
            st.one_of(st.sampled_from((1, 1.33, 2)), st.integers(25, 400).map(lambda n: n / 100)), np.float64
        ),
        "squeeze_axis": each(st.integers(0, 1), np.int32),
        "roll_deg": np.full(count, draw(rolls), dtype=np.int32),
        "align_x": each(
            st.one_of(st.just(float("nan")), st.sampled_from((0, 0.5, 1)), few_decimals, decimals), np.float64
        ),
        "align_y": each(st.one_of(st.just(float("nan")), st.sampled_from((0, 0.5, 1)), few_decimals), np.float64),
        "protection_each_side": each(st.sampled_from((float("nan"), 0, 0.05, 0.1, 0.333)), np.float64),
    }
    for name in ("x", "y", "width", "height"):
        columns[f"grid_{name}_px"] = each(grid_steps, np.int32)
    factor = draw(st.sampled_from((0, 1, 2)))
    if factor:
        columns["photosites_width"] = np.minimum(wide * factor, 65_535).astype(np.int32)
        columns["photosites_height"] = np.minimum(high * each(st.integers(1, 2), np.int32), 65_535).astype(np.int32)
    if draw(st.integers(0, 3)):
        pitch = each(st.sampled_from((2.2, 3.45, 5.8, 5.94, 8)), np.float64)
        across, down = wide * max(factor, 1), columns.get("photosites_height", high)
        diagonal_mm = np.hypot(across, down) * pitch / 1000
        columns["photosite_pitch_um"] = pitch
        share = each(st.integers(20, 120).map(lambda hundredths: hundredths / 100), np.float64)
        columns["lens_image_circle_mm"] = np.clip(np.round(diagonal_mm * share, 2), 0.01, 1000)
        for name in ("x", "y"):
            off = each(st.sampled_from((0, 0, 0.1, -0.2)), np.float64)
            columns[f"lens_offset_{name}_mm"] = np.round(diagonal_mm * off, 2)
    return ClipTable.of(columns)


@settings(max_examples=60, deadline=None)
@given(table=tables(), frame=wanted("a"), other=wanted("b"), tolerance=tolerances)
def test_every_row_is_that_of_the_exact_solver(table, frame, other, tolerance):
    assert_equal_to_single_jobs(table, (frame, other), Framing(aspect_tolerance=tolerance))


@pytest.mark.parametrize(
    ("largest_px", "examples"),
    [pytest.param(40, 60, id="tiny"), pytest.param(900, 60, id="small"), pytest.param(65_535, 6, id="any size")],
)
def test_every_unlike_row_is_that_of_the_exact_solver(largest_px, examples):
    @settings(max_examples=examples, deadline=None)
    @given(table=unlike_tables(largest_px), frame=wanted("a"), tolerance=tolerances)
    def holds(table, frame, tolerance):
        assert_equal_to_single_jobs(table, (frame,), Framing(aspect_tolerance=tolerance))

    holds()


@pytest.mark.parametrize("align", [Align(0.5, 0.5), Align(0.5, 0), Align(0.13, 0.97)])
@pytest.mark.parametrize("offset_mm", [0, 1.5])
def test_clips_with_circles_of_their_own_never_ask_the_exact_solver(monkeypatch, align, offset_mm):
    rng = np.random.default_rng(5)
    width, height = rng.integers(2000, 8000, 200), rng.integers(1500, 6000, 200)
    pitch = rng.choice([3.45, 5.8, 5.94], 200)
    table = ClipTable.of(
        {
            "raster_width_px": width.astype(np.int32),
            "raster_height_px": height.astype(np.int32),
            "photosite_pitch_um": pitch,
            "lens_image_circle_mm": np.round(np.hypot(width, height) * pitch / 1000 * rng.uniform(0.5, 1.1, 200), 1),
            "lens_offset_y_mm": np.full(200, offset_mm),
            "squeeze": np.round(rng.uniform(1, 2, 200), 2),
        }
    )
    asked = counting(monkeypatch)
    deliverables = replace(WIDE, align=align), replace(TALL, align=align)
    found = ClipSolver(deliverables, Framing()).solve(table)
    assert asked == []
    assert found.answered.all()
    for clip in range(0, 200, 20):
        for index, deliverable in enumerate(deliverables):
            assert found_row(found, clip, index) == exact_row(job_of(table.clip(clip), (deliverable,), Framing()))


@given(
    values=st.lists(
        st.one_of(
            st.floats(-1000, 1000),
            st.integers(0, 10**9).map(lambda n: n / 10**6),
            st.sampled_from((0.1 + 0.2, 1e-9, -0.0)),
        ),
        min_size=1,
        max_size=40,
    )
)
@example(values=[1e-14])
def test_a_column_of_doubles_is_read_as_decimals_or_not_at_all(values):
    """Up to nine decimals, as they are written; what has more is left to the exact solver."""
    read = Ratios.written(np.array(values))
    for value, top, bottom, sound in zip(values, read.top, read.bottom, read.sound, strict=True):
        if sound:
            assert Fraction(int(top), int(bottom)) == exact(value)
        else:
            assert (exact(value) * 10**9).denominator > 1


@given(squares=st.lists(st.one_of(st.integers(0, 1 << 61), st.integers(0, 1 << 30).map(lambda n: n * n)), min_size=1))
def test_whole_roots_are_exact(squares):
    around = [near for square in squares for near in (max(square - 1, 0), square, square + 1)]
    assert root(np.array(around)).tolist() == [math.isqrt(square) for square in around]


@given(st.lists(st.tuples(*[st.integers(1, 1 << 62)] * 4), min_size=1, max_size=20))
def test_products_of_ratios_are_exact_or_not_sound(numbers):
    a, b, c, d = (np.array(column, dtype=np.int64) for column in zip(*numbers, strict=True))
    every = np.ones(len(numbers), dtype=np.bool_)
    product = Ratios.of(a, b, every) * Ratios.of(c, d, every)
    for (top, bottom, other_top, other_bottom), found_top, found_bottom, sound in zip(
        numbers, product.top, product.bottom, product.sound, strict=True
    ):
        true = Fraction(top, bottom) * Fraction(other_top, other_bottom)
        is_short = max(true.numerator, true.denominator) < 1 << 60
        assert not is_short or sound
        assert not sound or Fraction(int(found_top), int(found_bottom)) == true


@pytest.mark.parametrize(
    ("frame", "number"),
    [
        pytest.param(TALL, np.uint32, id="plain numbers fit 32 bits"),
        pytest.param(replace(SQUARE, align=Align(0.123456789, 0.5)), np.uint64, id="many decimals need 64"),
        pytest.param(
            replace(SQUARE, align=Align(0.1234567890123457, 0.5)), None, id="as many as a double has need more"
        ),
    ],
)
def test_integers_are_as_wide_as_the_largest_number_needs(frame, number):
    job = Job(capture=job_of(ClipTable.of(RASTERS).clip(0), (), Framing()).capture, deliverables=(frame,))
    cutter = Cutter.of(frame_of(frame, "", job))
    assert (None if cutter is None else cutter.number) is number


RASTERS = {
    "raster_width_px": np.arange(1000, 1200, dtype=np.int32),
    "raster_height_px": np.arange(2000, 1800, -1, dtype=np.int32),
}


@given(values=st.lists(st.tuples(st.integers(0, 3), st.sampled_from((0.0, -0.0, 1.0, float("nan")))), max_size=60))
def test_rows_of_one_kind_are_equal_and_of_two_kinds_differ(values):
    whole = np.array([pair[0] for pair in values], dtype=np.int32)
    real = np.array([pair[1] for pair in values], dtype=np.float64)
    firsts, kinds = equal_rows((whole, real, np.broadcast_to(np.array(7), (len(values),))))
    keys = [(pair[0], str(pair[1] + 0.0)) for pair in values]
    assert len(firsts) == len(set(keys))
    assert [keys[firsts[kind]] for kind in kinds] == keys


def test_kinds_that_share_a_slot_are_told_apart():
    """More kinds than slots in every round: what sorting must do in the end."""
    whole = np.tile(np.arange(3000, dtype=np.int64) << 40, 2)
    firsts, kinds = equal_rows((whole,))
    assert firsts.tolist() == list(range(3000))
    assert kinds.tolist() == [*range(3000), *range(3000)]


def counting(monkeypatch):
    asked = []
    exact = clips_module.exact_answer
    monkeypatch.setattr(clips_module, "exact_answer", lambda job: asked.append(job) or exact(job))
    return asked


def test_equal_captures_are_solved_once(monkeypatch):
    asked = counting(monkeypatch)
    rng = np.random.default_rng(7)
    modes = rng.integers(0, 5, 90_000)
    table = ClipTable.of(
        {
            "raster_width_px": np.array([4096, 3840, 1920, 2048, 6144], dtype=np.int32)[modes],
            "raster_height_px": np.array([2160, 2160, 1080, 1152, 3240], dtype=np.int32)[modes],
        }
    )
    solver = ClipSolver((WIDE, TALL), Framing())
    found = solver.solve(table)
    solver.solve(table)
    assert len(asked) == 5
    for clip in (0, 1, 50_000, 89_999):
        assert found_row(found, clip, 1) == exact_row(job_of(table.clip(clip), (TALL,), Framing()))


def test_captures_that_differ_in_their_rasters_never_ask_the_exact_solver(monkeypatch):
    asked = counting(monkeypatch)
    found = ClipSolver((WIDE, TALL, SQUARE), Framing()).solve(ClipTable.of(RASTERS))
    assert found.answered.all()
    assert asked == []


@pytest.mark.parametrize(
    "framing",
    [
        pytest.param(Framing(arrangement="shared_point"), id="frames on one point"),
        pytest.param(Framing(arrangement="shared_point", match="height"), id="of one height"),
    ],
)
def test_frames_on_a_shared_point_are_those_of_the_joint_solver(framing):
    table = ClipTable.of({name: column[:3] for name, column in RASTERS.items()})
    deliverables = (replace(WIDE, align=TALL.align), replace(TALL, protection=Protection(each_side=0)))
    found = ClipSolver(deliverables, framing).solve(table)
    for clip in range(table.count):
        job = job_of(table.clip(clip), deliverables, framing)
        solution = solve(job)
        for index, margin in enumerate(margins(job, solution)):
            assert found_row(found, clip, index) == bits(measures_of(solution.extractions[index], margin))


def test_a_deliverable_without_a_frame_is_refused_by_itself_and_the_reason_named():
    table = ClipTable.of({name: np.array([1000, 1, 1000], dtype=np.int32) for name in RASTERS})
    found = ClipSolver((SQUARE, WIDE), Framing()).solve(table)
    assert found.answered.tolist() == [[True, True], [False, False], [True, True]]
    assert [(each.clip, each.deliverable, each.faults[0].pointer) for each in found.refused] == [
        (1, 0, "/deliverables/0"),
        (1, 1, "/deliverables/1"),
    ]
    assert "one grid step of width, 2 px, does not fit" in found.refused[0].detail


def test_a_clip_out_of_bounds_is_refused_as_a_whole_and_its_member_named():
    columns = {name: column[:6].copy() for name, column in RASTERS.items()}
    columns["raster_width_px"][0] = 0
    columns["raster_height_px"][1] = 65_536
    columns["roll_deg"] = np.array([0, 0, 45, 0, 0, 0])
    columns["lens_image_circle_mm"] = np.array([np.nan, np.nan, np.nan, 30, np.nan, np.nan])
    columns["photosites_width"] = np.array([0, 0, 0, 0, 4000, 0])
    found = ClipSolver((SQUARE,), Framing()).solve(ClipTable.of(columns))
    assert found.answered.tolist() == [[False]] * 5 + [[True]]
    assert [(each.deliverable, each.detail) for each in found.refused] == [
        (None, "/capture/raster/width must be from 1 to 65535, not 0"),
        (None, "/capture/raster/height must be from 1 to 65535, not 65536"),
        (None, "/capture/roll must be one of 0, 90, 180, 270, not 45"),
        (None, "/capture/photosite_pitch_um is required with lens.image_circle_mm"),
        (None, "/capture/photosites/height is required with photosites.width"),
    ]


def test_a_bad_number_in_place_of_a_deliverables_own_is_named_where_the_clips_job_has_it():
    columns = {name: column[:3].copy() for name, column in RASTERS.items()}
    columns["align_x"] = np.array([2, np.nan, np.nan])
    columns["align_y"] = np.array([np.nan, -1, np.nan])
    columns["protection_each_side"] = np.array([np.nan, np.nan, 1.5])
    found = ClipSolver((SQUARE, WIDE), Framing()).solve(ClipTable.of(columns))
    for refusal, value in zip(found.refused, (2, -1, 1.5), strict=True):
        (fault,) = refusal.faults
        place = to_wire(job_of(ClipTable.of(columns).clip(refusal.clip), (SQUARE, WIDE), Framing()))
        for step in fault.pointer.removeprefix("/").split("/"):
            place = place[int(step)] if isinstance(place, list) else place[step]
        assert place == value


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"raster_width_px": np.array([1])}, "need a column 'raster_height_px'"),
        ({**RASTERS, "colour": np.zeros(200)}, "no column 'colour'"),
        ({**RASTERS, "squeeze": np.ones(3)}, "there are 200 clips"),
        ({**RASTERS, "roll_deg": np.zeros(200)}, "whole numbers"),
        ({**RASTERS, "squeeze": np.array(["2"] * 200)}, "must hold numbers"),
    ],
)
def test_a_table_that_is_none_is_refused_by_the_column(columns, words):
    with pytest.raises(ValueError, match=words):
        ClipTable.of(columns)


def test_a_number_that_is_not_given_is_the_default():
    given_columns = {**RASTERS, "squeeze": np.full(200, np.nan), "lens_offset_x_mm": np.full(200, np.nan)}
    one, other = (ClipSolver((TALL,), Framing()).solve(ClipTable.of(columns)) for columns in (given_columns, RASTERS))
    for name in FRAME_COLUMNS:
        np.testing.assert_array_equal(one.columns[name], other.columns[name])


def test_no_clips_have_no_frames():
    found = ClipSolver((WIDE, TALL), Framing()).solve(
        ClipTable.of({name: column[:0] for name, column in RASTERS.items()})
    )
    assert found.answered.shape == found.columns["rect_x_px"].shape == (0, 2)
    assert found.refused == ()
