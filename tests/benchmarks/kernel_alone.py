"""The kernel alone: many rasters against one deliverable, beside a copy of the same bytes and other ways."""

from __future__ import annotations

from collections.abc import Callable

import claims
import numpy as np
from measure import Row, in_turn, timed

from tallwide.job import Align, Aspect, Capture, Deliverable, Framing, Job, Raster
from tallwide_service.core.clip_columns import FRAME_COLUMNS, ClipTable
from tallwide_service.core.clips import ClipSolver, exact_answer, job_of
from tallwide_service.core.extraction import frame_of
from tallwide_service.core.kernel import BLOCK_ROWS, Cutter, Rects
from tallwide_service.core.measures import Measurer, Measures

CLIPS = 2_000_000
LOOPED = 4_000
WIDE = Deliverable(label="wide", aspect=Aspect("2.39:1"), align=Align(0.5, 0.33))
PORTRAIT = Deliverable(label="portrait", raster=Raster(1440, 1800))


def by_integers(widths: list[int], heights: list[int]) -> list[tuple[int, int, int, int]]:
    """The same rectangles in a loop over Python's integers: 2.39:1 on a grid of 2, aligned at 0.5, 0.33."""
    found = []
    for width, height in zip(widths, heights, strict=True):
        columns, lines = width // 2, height // 2
        across = min(columns, (2 * lines + 1) * 239 // 200)
        down = min((2 * across * 100 + 239) // 478, lines)
        exact, actual = across * 100, down * 239
        if actual * 500 > exact * 501 or exact * 500 > actual * 501:
            raise ValueError("the tolerance needs another candidate")
        wide, high = 2 * across, 2 * down
        found.append(((width - wide + 1) // 4 * 2, (33 * (height - high) + 99) // 200 * 2, wide, high))
    return found


def by_plain_numpy(widths: np.ndarray, heights: np.ndarray) -> tuple[np.ndarray, ...]:
    """The same rectangles as numpy is mostly written: 64 bits, whole columns, a new array a step, a mask for doubt."""
    columns, lines = widths.astype(np.int64) // 2, heights.astype(np.int64) // 2
    across = np.minimum(columns, (2 * lines + 1) * 239 // 200)
    down = np.minimum((2 * across * 100 + 239) // 478, lines)
    exact, actual = across * 100, down * 239
    is_off = (actual * 500 > exact * 501) | (exact * 500 > actual * 501)
    if is_off.any():
        raise ValueError("the tolerance needs another candidate")
    wide, high = 2 * across, 2 * down
    return (widths - wide + 1) // 4 * 2, (33 * (heights - high) + 99) // 200 * 2, wide, high


def rasters(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Rasters that all differ, as the archive of nobody has them."""
    chance = np.random.default_rng(11)
    return (
        chance.integers(1280, 12_288, count).astype(np.int32),
        chance.integers(1080, 8_640, count).astype(np.int32),
    )


def copying_columns(source: list[np.ndarray], target: list[np.ndarray], count: int) -> Callable[[], float]:
    """A copy of the columns that come in and go out."""

    def copy() -> None:
        for one, other in zip(source, target, strict=True):
            np.copyto(other, one)

    return lambda: timed(copy) / count


def rows(rounds: int) -> list[Row]:
    """Return what a frame costs in the kernel."""
    widths, heights = rasters(CLIPS)
    job = Job(capture=Capture(Raster(4096, 2160)), deliverables=(WIDE,))
    cutter = Cutter.of(frame_of(WIDE, "", job))
    assert cutter is not None
    rects = Rects.empty(CLIPS)
    few = widths[:LOOPED].tolist(), heights[:LOOPED].tolist()
    columns = [widths, heights, rects.x, rects.y, rects.width, rects.height]
    copy = copying_columns(columns, [np.ones_like(column) for column in columns], CLIPS)
    kernel, copied, looped, plain = in_turn(
        rounds,
        lambda: timed(lambda: cutter.cut(widths, heights, rects)) / CLIPS,
        copy,
        lambda: timed(lambda: by_integers(*few)) / LOOPED,
        lambda: timed(lambda: by_plain_numpy(widths, heights)) / CLIPS,
    )
    own = list(
        zip(*(column[:LOOPED].tolist() for column in (rects.x, rects.y, rects.width, rects.height)), strict=True)
    )
    if by_integers(*few) != own or any(
        (one != other).any()
        for one, other in zip(
            by_plain_numpy(widths, heights), (rects.x, rects.y, rects.width, rects.height), strict=True
        )
    ):
        raise RuntimeError("kernel, loop and plain numpy disagree")
    ns = 1e9
    return [
        Row(
            claims.KERNEL_COPY,
            f"{kernel * ns:.1f} ns",
            f"copy {copied * ns:.1f} ns",
            kernel / copied,
        ),
        Row(
            claims.KERNEL_LOOP,
            f"{kernel * ns:.1f} ns",
            f"loop {looped * ns:.0f} ns",
            looped / kernel,
        ),
        Row(
            claims.KERNEL_PLAIN,
            f"{kernel * ns:.1f} ns",
            f"plain {plain * ns:.1f} ns",
            plain / kernel,
        ),
        *_whole_rows(rounds, widths, heights),
        *_grouped_rows(rounds),
        *_circle_rows(rounds),
    ]


def _whole_rows(rounds: int, widths: np.ndarray, heights: np.ndarray) -> list[Row]:
    """Return what all columns of a frame cost, margins and all."""
    job = Job(capture=Capture(Raster(4096, 2160)), deliverables=(PORTRAIT,))
    frame = frame_of(PORTRAIT, "", job)
    cutter, measurer, found = Cutter.of(frame), Measurer.of(frame, 0), Measures.empty(len(widths))
    assert cutter is not None and measurer is not None  # noqa: PT018

    def solve() -> None:
        cutter.cut(widths, heights, found.rects)
        measurer.fill(widths, heights, found)

    source = [widths, heights, *found.columns.values()]
    copy = copying_columns(source, [np.ones_like(column) for column in source], len(widths))
    whole, copied = in_turn(rounds, lambda: timed(solve) / len(widths), copy)
    size = sum(column.itemsize for column in source)
    return [
        Row(
            claims.KERNEL_ALL_COLUMNS,
            f"{whole * 1e9:.1f} ns, {len(FRAME_COLUMNS)} columns, {size} bytes",
            f"copy {copied * 1e9:.1f} ns",
            whole / copied,
        )
    ]


def _grouped_rows(rounds: int) -> list[Row]:
    """Return what a clip of one of 300 modes costs beside one whose raster is its own."""
    widths, heights = rasters(500_000)
    modes = np.random.default_rng(12).integers(0, 300, len(widths))
    framing = Framing()
    tables = [
        ClipTable.of({"raster_width_px": wide, "raster_height_px": high})
        for wide, high in ((widths[modes], heights[modes]), (widths, heights))
    ]
    grouped, distinct = in_turn(
        max(rounds // 3, 2),
        *(
            lambda table=table: timed(lambda: ClipSolver((PORTRAIT,), framing).solve(table)) / table.count
            for table in tables
        ),
    )
    return [
        Row(
            claims.CLIPS_GROUPED,
            f"{grouped * 1e9:.0f} ns",
            f"{distinct * 1e9:.0f} ns",
            grouped / distinct,
        )
    ]


def _circle_rows(rounds: int) -> list[Row]:
    """Return what a clip with a circle of its own costs beside the exact solver, one clip after the other."""
    widths, heights = rasters(BLOCK_ROWS)
    pitch_um = np.random.default_rng(13).choice([3.45, 5.8, 5.94], len(widths))
    circle_mm = np.round(np.hypot(widths, heights) * pitch_um / 1000 * 0.9, 1)
    table = ClipTable.of(
        {
            "raster_width_px": widths,
            "raster_height_px": heights,
            "photosite_pitch_um": pitch_um,
            "lens_image_circle_mm": circle_mm,
        }
    )
    jobs = [job_of(table.clip(row), (PORTRAIT,), Framing()) for row in range(40)]
    together, alone = in_turn(
        max(rounds // 3, 2),
        lambda: timed(lambda: ClipSolver((PORTRAIT,), Framing()).solve(table)) / table.count,
        lambda: timed(lambda: [exact_answer(job) for job in jobs]) / len(jobs),
    )
    return [
        Row(
            claims.CLIPS_CIRCLE,
            f"{together * 1e6:.1f} us",
            f"one by one {alone * 1e6:.0f} us",
            alone / together,
        )
    ]
