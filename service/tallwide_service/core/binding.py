"""What binds frames on one scene point, and what letting each constraint go would bring each frame.

Each constraint that a job gives is let go by one grid step, by one mm, or entirely, and the job is
solved again; those that bring some frame more are the ones that bind. Sizes are upright pixels.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from tallwide.answers import Binding, Extraction, FrameGain, LetGo
from tallwide.job import Capture, Grid, Job, Point, Protection, Raster, exact
from tallwide_service.core.extraction import solve
from tallwide_service.errors import CannotBeMet

Freed = tuple[str, LetGo, Job]


def what_binds(job: Job, extractions: tuple[Extraction, ...]) -> tuple[Binding, ...]:
    """Return what each binding constraint of a joint solution costs, in the order of the job's members."""
    found = []
    for pointer, let_go, freer in freed_jobs(job):
        try:
            after = solve(freer).extractions
        except CannotBeMet:
            continue
        gains = tuple(_gain(before, other) for before, other in zip(extractions, after, strict=True))
        if any(gain.width_gain > 0 or gain.height_gain > 0 for gain in gains):
            found.append(Binding(pointer, let_go, gains))
    return tuple(found)


def _gain(before: Extraction, after: Extraction) -> FrameGain:
    was, now = before.upright_rect, after.upright_rect
    return FrameGain(before.deliverable, now.width, now.height, now.width - was.width, now.height - was.height)


def freed_jobs(job: Job) -> Iterator[Freed]:
    """Yield the job with each of its constraints let go: pointer, by how much, the freer job."""
    yield from _freed_capture(job)
    for index, frame in enumerate(job.deliverables):
        if any(frame.protection.shares()):
            bare = replace(frame, protection=Protection(each_side=0))
            frames = (*job.deliverables[:index], bare, *job.deliverables[index + 1 :])
            yield f"/deliverables/{index}/protection", "entirely", replace(job, deliverables=frames)
    yield from _freed_framing(job)


def _freed_capture(job: Job) -> Iterator[Freed]:
    capture = job.capture
    for pointer, raster in _wider_rasters(capture):
        yield pointer, "one_step", replace(job, capture=replace(capture, raster=raster))
    if capture.grid != Grid(1, 1, 1, 1):
        yield "/capture/grid", "entirely", replace(job, capture=replace(capture, grid=Grid(1, 1, 1, 1)))
    lens = capture.lens
    if lens is not None and lens.image_circle_mm is not None:
        pointer = "/capture/lens/image_circle_mm"
        wider = replace(lens, image_circle_mm=lens.image_circle_mm + 1)
        yield pointer, "one_mm", replace(job, capture=replace(capture, lens=wider))
        yield pointer, "entirely", replace(job, capture=replace(capture, lens=replace(lens, image_circle_mm=None)))
    if capture.usable_area is not None:
        yield "/capture/usable_area", "entirely", replace(job, capture=replace(capture, usable_area=None))


def _wider_rasters(capture: Capture) -> Iterator[tuple[str, Raster]]:
    """Yield the raster one size step wider and one higher, where pixels keep their shape and nothing is tied to it."""
    if capture.photosites is not None or capture.usable_area is not None:
        return
    raster, grid = capture.raster, capture.grid
    if raster.width + grid.width <= 65_535:
        yield "/capture/raster/width", Raster(raster.width + grid.width, raster.height)
    if raster.height + grid.height <= 65_535:
        yield "/capture/raster/height", Raster(raster.width, raster.height + grid.height)


def _freed_framing(job: Job) -> Iterator[Freed]:
    framing, point, picture = job.framing, job.framing.point, job.capture.upright_raster
    grid = job.capture.grid
    steps = (grid.y, grid.x) if job.capture.is_on_its_side else (grid.x, grid.y)
    if point is not None:
        for name, value, step, length in (
            ("x", point.x, steps[0], picture.width),
            ("y", point.y, steps[1], picture.height),
        ):
            if value is None:
                continue
            for way in (-1, 1):
                moved = exact(value) + way * exact(step) / length
                if 0 <= moved <= 1:
                    freer = replace(framing, point=_with_axis(point, name, float(moved)))
                    yield f"/framing/point/{name}", "one_step", replace(job, framing=freer)
            freer = replace(framing, point=_with_axis(point, name, None))
            yield f"/framing/point/{name}", "entirely", replace(job, framing=freer)
    if framing.subject is not None:
        yield "/framing/subject", "entirely", replace(job, framing=replace(framing, subject=None))
    if framing.match != "none":
        yield "/framing/match", "entirely", replace(job, framing=replace(framing, match="none"))
    if framing.minimums == "held":
        yield "/framing/minimums", "entirely", replace(job, framing=replace(framing, minimums=None))
    for index, pair in enumerate(framing.nest):
        others = tuple(other for other in framing.nest if other != pair)
        yield f"/framing/nest/{index}", "entirely", replace(job, framing=replace(framing, nest=others))
    alone = replace(framing, arrangement="independent", point=None, match="none", nest=(), minimums=None)
    yield "/framing/arrangement", "entirely", replace(job, framing=alone)


def _with_axis(point: Point, name: str, value: float | None) -> Point:
    return replace(point, x=value) if name == "x" else replace(point, y=value)
