"""What binds frames on one scene point, and what letting each constraint go would bring each frame.

Each constraint that a job gives is let go by one grid step, by one mm, or entirely, and the job is
solved again; those that bring some frame more are the ones that bind. All these searches share one
allowance, the likely ones first; what it did not suffice for is named. Sizes are upright pixels.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tallwide.answers import Binding, Extraction, FrameGain, LeftOut, LetGo
from tallwide.job import LARGEST_SIDE_PX, Capture, Extent, Grid, Job, Lens, Number, Point, Protection, Raster, exact
from tallwide_service.core.allowance import Allowance
from tallwide_service.core.extraction import solve
from tallwide_service.errors import CannotBeMet, NoneFound

# Of what is left a search may take this part, however many others it is shared with: few of them are long.
_LARGEST_PART = 4


@dataclass(frozen=True, slots=True)
class Freed:
    """A job with one constraint let go; `value` is the number in its place, where it is not let go entirely."""

    pointer: str
    let_go: LetGo
    job: Job
    value: float | None = None


@dataclass(frozen=True, slots=True)
class WhatBinds:
    """The constraints that bind, and those that the allowance did not suffice for, both in the order of the job."""

    bindings: tuple[Binding, ...]
    left_out: tuple[LeftOut, ...]


def what_binds(job: Job, extractions: tuple[Extraction, ...], allowance: Allowance) -> WhatBinds:
    """Return what each binding constraint of a joint solution costs, as far as an allowance goes."""
    freed = list(freed_jobs(job))
    order = sorted(range(len(freed)), key=lambda place: _likely(freed[place], extractions))
    found: dict[int, Binding | LeftOut] = {}
    for done, place in enumerate(order):
        one = freed[place]
        own = allowance.part(one.job, min(len(freed) - done, _LARGEST_PART))
        try:
            after = solve(one.job, own, explains=False)
        except NoneFound:
            found[place] = LeftOut(one.pointer, one.let_go, one.value)
            continue
        except CannotBeMet:
            continue  # moved by one step, a point may lie where no frames can meet
        finally:
            allowance.taken += own.taken
        gap = after.certificate.gap
        gains = tuple(_gain(before, other) for before, other in zip(extractions, after.extractions, strict=True))
        if any(gain.width_gain > 0 or gain.height_gain > 0 for gain in gains):
            found[place] = Binding(one.pointer, one.let_go, gains, one.value, gap)
        elif gap > 0:
            found[place] = LeftOut(one.pointer, one.let_go, one.value)
    told = [found[place] for place in sorted(found)]
    return WhatBinds(
        tuple(each for each in told if isinstance(each, Binding)),
        tuple(each for each in told if isinstance(each, LeftOut)),
    )


def _likely(freed: Freed, extractions: Sequence[Extraction]) -> int:
    """Return 0 for constraints that are tried first: all but pairs, and protections that stand in no frame's way."""
    _, kind, *rest = freed.pointer.split("/")
    if kind == "deliverables":
        return int("protection" not in extractions[int(rest[0])].bound_by)
    return int(freed.pointer.startswith("/framing/nest/"))


def _gain(before: Extraction, after: Extraction) -> FrameGain:
    was, now = before.upright_rect, after.upright_rect
    return FrameGain(before.deliverable, now.width, now.height, now.width - was.width, now.height - was.height)


def freed_jobs(job: Job) -> Iterator[Freed]:
    """Yield the job with each of its constraints let go, in the order of the job's members."""
    yield from _freed_capture(job)
    for index, frame in enumerate(job.deliverables):
        if any(frame.protection.shares()):
            bare = replace(frame, protection=Protection(each_side=0))
            frames = (*job.deliverables[:index], bare, *job.deliverables[index + 1 :])
            yield Freed(f"/deliverables/{index}/protection", "entirely", replace(job, deliverables=frames))
    yield from _freed_framing(job)


def _freed_capture(job: Job) -> Iterator[Freed]:
    capture = job.capture
    for side, raster in _wider_rasters(capture):
        wider = replace(job, capture=replace(capture, raster=raster))
        yield Freed(f"/capture/raster/{side}", "one_step", wider, getattr(raster, side))
    if capture.grid != Grid(1, 1, 1, 1):
        yield Freed("/capture/grid", "entirely", replace(job, capture=replace(capture, grid=Grid(1, 1, 1, 1))))
    if capture.lens is not None:
        for member, let_go, lens, value in _wider_lenses(capture.lens):
            wider = replace(job, capture=replace(capture, lens=lens))
            yield Freed(f"/capture/lens/{member}", let_go, wider, value)
    if capture.usable_area is not None:
        yield Freed("/capture/usable_area", "entirely", replace(job, capture=replace(capture, usable_area=None)))


def _wider_rasters(capture: Capture) -> Iterator[tuple[str, Raster]]:
    """Yield the raster one size step wider and one higher, where pixels keep their shape and nothing is tied to it."""
    if capture.photosites is not None or capture.usable_area is not None:
        return
    raster, grid = capture.raster, capture.grid
    if raster.width + grid.width <= LARGEST_SIDE_PX:
        yield "width", Raster(raster.width + grid.width, raster.height)
    if raster.height + grid.height <= LARGEST_SIDE_PX:
        yield "height", Raster(raster.width, raster.height + grid.height)


def _wider_lenses(lens: Lens) -> Iterator[tuple[str, LetGo, Lens, float | None]]:
    """Yield the member, how far it is let go, the lens that covers more, and the number in its place."""
    circle, covered = lens.image_circle_mm, lens.covered_mm
    if circle is not None:
        more = _one_mm_more(circle)
        yield "image_circle_mm", "one_mm", replace(lens, image_circle_mm=more), more
        yield "image_circle_mm", "entirely", replace(lens, image_circle_mm=None), None
    if covered is not None:
        wider, higher = _one_mm_more(covered.width), _one_mm_more(covered.height)
        yield "covered_mm/width", "one_mm", replace(lens, covered_mm=Extent(wider, covered.height)), wider
        yield "covered_mm/height", "one_mm", replace(lens, covered_mm=Extent(covered.width, higher)), higher
        yield "covered_mm", "entirely", replace(lens, covered_mm=None), None


def _one_mm_more(length_mm: Number) -> float:
    return float(exact(length_mm) + 1)


def _freed_framing(job: Job) -> Iterator[Freed]:
    framing, point = job.framing, job.framing.point
    if point is not None:
        for name in ("x", "y"):
            yield from _freed_axis(job, point, name)
    if framing.subject is not None:
        yield Freed("/framing/subject", "entirely", replace(job, framing=replace(framing, subject=None)))
    if framing.match != "none":
        yield Freed("/framing/match", "entirely", replace(job, framing=replace(framing, match="none")))
    if framing.minimums == "held":
        yield Freed("/framing/minimums", "entirely", replace(job, framing=replace(framing, minimums=None)))
    for index, pair in enumerate(framing.nest):
        others = tuple(other for other in framing.nest if other != pair)
        yield Freed(f"/framing/nest/{index}", "entirely", replace(job, framing=replace(framing, nest=others)))
    alone = replace(framing, arrangement="independent", point=None, match="none", nest=(), minimums=None)
    yield Freed("/framing/arrangement", "entirely", replace(job, framing=alone))


def _freed_axis(job: Job, point: Point, name: str) -> Iterator[Freed]:
    """Yield the job with its point one place step away on one axis, both ways, and free on it."""
    capture, framing = job.capture, job.framing
    grid, picture, value = capture.grid, capture.upright_raster, getattr(point, name)
    if value is None:
        return
    along_rows = (name == "x") != capture.is_on_its_side
    share = exact(grid.x if along_rows else grid.y) / (picture.width if name == "x" else picture.height)
    pointer = f"/framing/point/{name}"
    for moved in (exact(value) - share, exact(value) + share):
        if 0 <= moved <= 1:
            there = _with_axis(point, name, float(moved))
            yield Freed(pointer, "one_step", replace(job, framing=replace(framing, point=there)), float(moved))
    yield Freed(pointer, "entirely", replace(job, framing=replace(framing, point=_with_axis(point, name, None))))


def _with_axis(point: Point, name: str, value: float | None) -> Point:
    return replace(point, x=value) if name == "x" else replace(point, y=value)
