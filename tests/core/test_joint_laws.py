"""Laws of frames on one scene point: what is let go never costs, and a mirrored job has the mirrored answer.

Small random jobs of every kind; whether the answers are the best ones is asked in `test_together`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from joint_jobs import job_of_seed, random_job, solved
from tallwide.answers import Rect
from tallwide.job import (
    Align,
    Aspect,
    Capture,
    Deliverable,
    Extent,
    Framing,
    Grid,
    Job,
    Point,
    Protection,
    Raster,
    exact,
)
from tallwide_service.core.extraction import frames

seeds = st.integers(0, 10_000_000)
Worth = tuple[Fraction | float, ...]


def worth(job: Job, rects: Sequence[Rect]) -> Worth:
    """Return what an objective orders frames by: areas, the product of areas to their weights, or oversamplings."""
    if job.framing.objective == "in_order":
        return tuple(Fraction(rect.area) for rect in rects)
    if job.framing.objective == "largest":
        return (
            math.fsum(frame.weight * math.log(rect.area) for frame, rect in zip(job.deliverables, rects, strict=True)),
        )
    found = []
    for frame, rect in zip(job.deliverables, rects, strict=True):
        needed = (1, 1) if frame.raster is None else (frame.raster.width, frame.raster.height)
        across, down = needed[::-1] if job.capture.is_on_its_side else needed
        found.append(min(Fraction(rect.width, across), Fraction(rect.height, down)))
    return tuple(sorted(found))


def is_no_worse(job: Job, after: Sequence[Rect] | None, before: Sequence[Rect]) -> bool:
    """Whether frames are worth as much as others; logarithms are compared but for their last digits."""
    if after is None:
        return False
    now, then = worth(job, after), worth(job, before)
    return now >= then or (job.framing.objective == "largest" and now[0] == pytest.approx(then[0], rel=1e-12))


def joint_job(seed: int) -> Job:
    """Return a random job of frames on one point that can be met, with its objective taken in turn."""
    job = job_of_seed(seed)
    objective = ("in_order", "largest", "raise_smallest")[seed % 3]
    return replace(job, framing=replace(job.framing, arrangement="shared_point", objective=objective))


def without_protection(job: Job) -> Job:
    bare = tuple(replace(frame, protection=Protection(each_side=0)) for frame in job.deliverables)
    return replace(job, deliverables=bare)


FREER: dict[str, Callable[[Job], Job]] = {
    "subject": lambda job: replace(job, framing=replace(job.framing, subject=None)),
    "match": lambda job: replace(job, framing=replace(job.framing, match="none")),
    "nest": lambda job: replace(job, framing=replace(job.framing, nest=())),
    "minimums": lambda job: replace(job, framing=replace(job.framing, minimums=None)),
    "usable area": lambda job: replace(job, capture=replace(job.capture, usable_area=None)),
    "image circle": lambda job: replace(job, capture=replace(job.capture, lens=None)),
    "protection": without_protection,
}


@pytest.mark.parametrize("constraint", FREER)
def test_a_dropped_constraint_never_lowers_the_objective(constraint):
    tried = 0
    for seed in range(600):
        job = joint_job(seed)
        freer = FREER[constraint](job)
        if freer == job:
            continue
        before = solved(job)
        if before is not None:
            tried += 1
            assert is_no_worse(job, solved(freer), before), f"seed {seed}"
    assert tried > 5


def spread(job: Job, rects: Sequence[Rect], axis: int) -> Fraction:
    """Return how far the align points of frames lie apart along one axis of the recorded raster, px."""
    points = [
        (rect.x + frame.align[0] * rect.width, rect.y + frame.align[1] * rect.height)[axis]
        for frame, rect in zip(frames(job), rects, strict=True)
    ]
    return max(points) - min(points)


@pytest.mark.parametrize("let_go", [("x",), ("y",), ("x", "y")], ids="".join)
def test_a_point_let_go_never_lowers_the_objective_of_frames_less_than_a_step_apart(let_go):
    """On a given axis align points may lie a whole step apart, on a free one only less: there nothing is said."""
    tried = 0
    for seed in range(600):
        job = joint_job(seed)
        point = job.framing.point
        if point is None or all(getattr(point, axis) is None for axis in let_go):
            continue
        before = solved(job)
        grid = job.capture.grid
        if before is None or any(spread(job, before, axis) >= step for axis, step in enumerate((grid.x, grid.y))):
            continue
        tried += 1
        freer = replace(job, framing=replace(job.framing, point=replace(point, **dict.fromkeys(let_go))))
        assert is_no_worse(job, solved(freer), before), f"seed {seed}"
    assert tried > 20


def test_a_point_let_go_may_cost_frames_that_lie_a_whole_step_apart():
    """The smallest example, as DEVELOPERS.md has it."""
    squares = tuple(
        Deliverable(label, aspect=Aspect("1:1"), align=Align(x, 0)) for label, x in (("left", 0), ("right", 1))
    )
    job = Job(Capture(Raster(10, 6), grid=Grid(1, 1, 1, 1)), squares, Framing("shared_point", point=Point(0.45, None)))
    given, free = (
        solved(replace(job, framing=replace(job.framing, objective="largest", point=point)))
        for point in (Point(0.45, None), None)
    )
    assert [(rect.width, rect.height) for rect in given] == [(6, 6), (5, 5)]
    assert spread(job, given, 0) == 1
    assert [(rect.width, rect.height) for rect in free] == [(5, 5), (5, 5)]


@pytest.mark.parametrize("objective", ["in_order", "largest", "raise_smallest"])
def test_a_dropped_deliverable_never_costs_the_others_anything(objective):
    """What is left is worth at least what it was worth beside the one that is gone."""
    tried = 0
    for seed in range(150):
        job = random_job(seed)
        if len(job.deliverables) < 2:
            continue
        job = replace(job, framing=replace(job.framing, arrangement="shared_point", objective=objective))
        before = solved(job)
        # In order, a frame costs only those after it.
        gone = len(job.deliverables) - 1 if objective == "in_order" else seed % len(job.deliverables)
        if before is None:
            continue
        label = job.deliverables[gone].label
        nest = tuple(pair for pair in job.framing.nest if label not in pair)
        left = job.deliverables[:gone] + job.deliverables[gone + 1 :]
        fewer = replace(job, deliverables=left, framing=replace(job.framing, nest=nest))
        tried += 1
        assert is_no_worse(fewer, solved(fewer), before[:gone] + before[gone + 1 :]), f"seed {seed}"
    assert tried > 30


@settings(max_examples=60)
@given(seed=seeds, more=st.integers(1, 5))
def test_a_larger_raster_never_lowers_the_objective(seed, more):
    job = joint_job(seed)
    capture, framing = job.capture, job.framing
    # Shares of another raster mean another place, and so do a lens's middle and pixels with photosites behind them.
    point = None if framing.point is None else Point(None, None)
    capture = replace(capture, lens=None, usable_area=None, photosites=None)
    job = replace(job, capture=capture, framing=replace(framing, point=point, subject=None))
    before = solved(job)
    assume(before is not None)
    grid, raster = capture.grid, capture.raster
    larger = Raster(raster.width + more * grid.x, raster.height + more * grid.y)
    assert is_no_worse(job, solved(replace(job, capture=replace(capture, raster=larger))), before)


def wider_circles(job: Job) -> list[Job]:
    lens = job.capture.lens
    if lens is None:
        return []
    wider = []
    for more in (0.1, 0.7, 3):
        circle, covered = lens.image_circle_mm, lens.covered_mm
        wider.append(
            replace(
                lens,
                image_circle_mm=None if circle is None else round(circle + more, 3),
                covered_mm=None if covered is None else Extent(round(covered.width + more, 3), covered.height),
            )
        )
    return [replace(job, capture=replace(job.capture, lens=each)) for each in wider]


def larger_areas(job: Job) -> list[Job]:
    area = job.capture.usable_area
    if area is None:
        return []
    left, right = (end(x for x, _ in area) for end in (min, max))
    top, bottom = (end(y for _, y in area) for end in (min, max))
    box = ((left, top), (right, top), (right, bottom), (left, bottom))
    return [replace(job, capture=replace(job.capture, usable_area=box))]


@pytest.mark.parametrize("larger", [wider_circles, larger_areas])
def test_a_wider_circle_or_a_larger_usable_area_never_lowers_the_objective(larger):
    tried = 0
    for seed in range(400):
        job = joint_job(seed)
        others = larger(job)
        before = solved(job) if others else None
        if before is None:
            continue
        for other in others:
            tried += 1
            assert is_no_worse(job, solved(other), before), f"seed {seed}"
    assert tried > 5


def mirrored(job: Job, axis: str) -> Job:
    """Return a job with left and right, or top and bottom, exchanged; upright, so that both are those of the raster."""
    capture, framing = job.capture, job.framing
    width, height = capture.raster.width, capture.raster.height
    is_across = axis == "x"

    def flipped(x, y):
        return (width - x, y) if is_across else (x, height - y)

    def other(share):
        return None if share is None else float(1 - exact(share))

    def sides(protection: Protection) -> Protection:
        if protection.left is None:
            return protection
        if is_across:
            return replace(protection, left=protection.right, right=protection.left)
        return replace(protection, top=protection.bottom, bottom=protection.top)

    def exchanged(noun):
        return replace(noun, **{axis: other(getattr(noun, axis))})

    lens, subject = capture.lens, framing.subject
    if lens is not None:
        lens = replace(lens, offset_mm=replace(lens.offset_mm, **{axis: -getattr(lens.offset_mm, axis)}))
    if subject is not None:
        place = width - subject.x - subject.width if is_across else height - subject.y - subject.height
        subject = replace(subject, **{axis: place})
    area = None if capture.usable_area is None else tuple(flipped(*corner) for corner in capture.usable_area)
    frames = tuple(
        replace(frame, align=exchanged(frame.align), protection=sides(frame.protection)) for frame in job.deliverables
    )
    point = None if framing.point is None else exchanged(framing.point)
    return replace(
        job,
        capture=replace(capture, usable_area=area, lens=lens),
        deliverables=frames,
        framing=replace(framing, point=point, subject=subject),
    )


def cost(job: Job, rects: Sequence[Rect], alone: Sequence[Rect]) -> Fraction:
    """Return the sum of squared distances of align points from where frames have them alone."""
    found = Fraction(0)
    for frame, rect, other in zip(job.deliverables, rects, alone, strict=True):
        x, y = exact(frame.align.x), exact(frame.align.y)
        found += (rect.x - other.x + x * (rect.width - other.width)) ** 2
        found += (rect.y - other.y + y * (rect.height - other.height)) ** 2
    return found


@pytest.mark.parametrize("axis", ["x", "y"])
def test_a_mirrored_job_has_the_mirrored_answer(axis):
    """The same sizes; and the mirrored places, but where others are as near, of which the smaller y and x are taken."""
    tried = placed = 0
    for seed in range(240):
        job = joint_job(seed)
        job = replace(job, capture=replace(job.capture, roll=0))
        raster, grid = job.capture.raster, job.capture.grid
        length, step, size = (raster.width, grid.x, grid.width) if axis == "x" else (raster.height, grid.y, grid.height)
        if size % step or length % step:
            continue  # mirrored places would lie off the grid
        other = mirrored(job, axis)
        here, there = solved(job), solved(other)
        assert (here is None) == (there is None), f"seed {seed}"
        if here is None:
            continue
        tried += 1
        assert [(rect.width, rect.height) for rect in here] == [(rect.width, rect.height) for rect in there]
        back = [
            replace(rect, x=length - rect.right) if axis == "x" else replace(rect, y=length - rect.bottom)
            for rect in there
        ]
        independent = Framing(subject=job.framing.subject, aspect_tolerance=job.framing.aspect_tolerance)
        alone = [
            solved(replace(each, framing=replace(independent, subject=each.framing.subject))) for each in (job, other)
        ]
        flipped = [
            replace(rect, x=length - rect.right) if axis == "x" else replace(rect, y=length - rect.bottom)
            for rect in alone[1]
        ]
        if flipped == alone[0]:
            # What is wanted is mirrored, so the mirrored places are as near to it.
            placed += 1
            assert cost(job, here, alone[0]) == cost(other, there, alone[1]) == cost(job, back, alone[0])
    assert tried > 30
    assert placed > 15
