"""What stands in the way of frames that cannot share a scene point, by how much, and what holds those that can."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from tallwide.answers import Rect
from tallwide.geometry import recorded_to_upright
from tallwide.job import Deliverable, Job
from tallwide_service.core.allowance import Allowance, looks_before
from tallwide_service.core.extraction import Frame, Ground, broken_around, frames, ground_of, place_alone
from tallwide_service.core.joint import best_placed, best_sizes, least_size, together_of
from tallwide_service.errors import CannotBeMet, Fault, NoneFound

# Looks at each relaxation: enough to tell, and little beside the search that found none.
_MOST_LOOKS = 1_200_000


def conflict(job: Job, ground: Ground, wanted: Sequence[Rect], allowance: Allowance) -> CannotBeMet:
    """Return the error of frames that cannot share a point: what stands in the way alone, and by how much.

    A constraint stands in the way where the frames can share a point without it; where none does
    alone, all that are given are named.
    """
    faults = []
    for pointer, freer in _relaxations(job):
        try:
            rects = solved_freely(freer, allowance)
        except CannotBeMet:
            continue
        faults.append(Fault(pointer, _how_far(pointer, job, ground, rects)))
    if not faults:
        named = [pointer for pointer, _ in _relaxations(job)] or ["/framing/point"]
        largest = ", ".join(f"{rect.width} x {rect.height}" for rect in wanted)
        detail = f"no size of the frames meets them all on one scene point; alone they are {largest} recorded px"
        faults = [Fault(pointer, detail) for pointer in named]
    return CannotBeMet("the frames cannot share a scene point: " + faults[0].detail, tuple(faults))


def refuse_too_small(job: Job, wanted: Sequence[Rect]) -> None:
    """Refuse a job that holds a minimum oversampling which a frame misses even alone.

    Raises
    ------
    CannotBeMet
        With each such frame, and the pixels that are missing.
    """
    faults = []
    for index, (frame, rect) in enumerate(zip(job.deliverables, wanted, strict=True)):
        if _is_too_small(job, frame, rect):
            detail = f"{_below(job, index, rect)}, alone"
            faults.append(Fault(f"/deliverables/{index}/minimum_oversampling", detail))
    if faults:
        named = (*faults, Fault("/framing/minimums", "held: " + faults[0].detail))
        raise CannotBeMet("the minimum oversamplings cannot be held: " + faults[0].detail, named)


def _is_too_small(job: Job, frame: Deliverable, rect: Rect) -> bool:
    width, height = least_size(job, frame)
    return rect.width < width or rect.height < height


def _below(job: Job, index: int, rect: Rect) -> str:
    """Say by how many pixels a frame that is free of its minimum oversampling misses it, upright."""
    frame, size = job.deliverables[index], recorded_to_upright(rect, job.capture)
    width, height = least_size(job, frame)
    if job.capture.is_on_its_side:
        width, height = height, width
    return (
        f"{frame.label!r} needs {width:,} x {height:,} px and can be at most {size.width:,} x {size.height:,}, "
        f"{max(width - size.width, 0):,} x {max(height - size.height, 0):,} px too small"
    )


def not_found(job: Job) -> NoneFound:
    """Return the error of frames for which the search ended before it found any, without proof that there are none."""
    detail = "no frames on one scene point were found in the work that one job may take; there may be some"
    named = [pointer for pointer, _ in _relaxations(job)] or ["/framing/arrangement"]
    return NoneFound(detail, tuple(Fault(pointer, detail) for pointer in named))


def solved_freely(job: Job, allowance: Allowance) -> Sequence[Rect]:
    """Return the frames of a job that is asked only to tell what stands in the way of another."""
    if looks_before(job) > allowance.left:
        raise not_found(job)
    ground, views = ground_of(job), frames(job)
    wanted = [place_alone(frame, ground).rect for frame in views]
    together = together_of(job, views, ground)
    allowance.taken += looks_before(job)
    found = best_sizes(together, min(_MOST_LOOKS, allowance.left))
    allowance.taken += found.looks
    placed = best_placed(together, found, wanted)
    if placed is None:
        raise CannotBeMet("the frames cannot share a scene point")
    return placed[1][2]


def _relaxations(job: Job) -> Iterator[tuple[str, Job]]:
    """Yield each constraint of a framing by pointer, and the job without it."""
    framing, point = job.framing, job.framing.point
    if framing.subject is not None:
        yield "/framing/subject", replace(job, framing=replace(framing, subject=None))
    if point is not None and point.x is not None:
        yield "/framing/point/x", replace(job, framing=replace(framing, point=replace(point, x=None)))
    if point is not None and point.y is not None:
        yield "/framing/point/y", replace(job, framing=replace(framing, point=replace(point, y=None)))
    if framing.match != "none":
        yield "/framing/match", replace(job, framing=replace(framing, match="none"))
    if framing.minimums == "held":
        yield "/framing/minimums", replace(job, framing=replace(framing, minimums=None))
    if framing.nest:
        yield "/framing/nest", replace(job, framing=replace(framing, nest=()))


def _how_far(pointer: str, job: Job, ground: Ground, rects: Sequence[Rect]) -> str:
    """Say by how much a constraint is missed by the frames that do without it."""
    capture, labels = ground.capture, [frame.label for frame in job.deliverables]
    upright = [recorded_to_upright(rect, capture) for rect in rects]
    picture = capture.upright_raster
    if pointer == "/framing/subject" and ground.subject is not None:
        subject = recorded_to_upright(ground.subject, capture)
        out = [
            max(rect.x - subject.x, rect.y - subject.y, subject.right - rect.right, subject.bottom - rect.bottom)
            for rect in upright
        ]
        worst = max(range(len(out)), key=lambda i: out[i])
        rect = upright[worst]
        return (
            f"the subject is {subject.width} x {subject.height} px; on this point {labels[worst]!r} can be at most "
            f"{rect.width} x {rect.height} px at {rect.x}, {rect.y}, and the subject reaches {out[worst]} px out of it"
        )
    if pointer.startswith("/framing/point"):
        align, point = job.deliverables[0].align, job.framing.point
        assert point is not None  # noqa: S101 - it is what is relaxed
        if pointer.endswith("x"):
            free, length = upright[0].x + align.x * upright[0].width, picture.width
            given = (point.x or 0) * length
        else:
            free, length = upright[0].y + align.y * upright[0].height, picture.height
            given = (point.y or 0) * length
        return (
            f"no frames meet on {given:.0f} px of {length}; left free the point would lie at {free:.0f} px, "
            f"{abs(free - given):.0f} px away"
        )
    sizes = ", ".join(f"{label!r} {rect.width} x {rect.height}" for label, rect in zip(labels, upright, strict=True))
    if pointer == "/framing/minimums":
        short = (
            _below(job, index, rect)
            for index, (frame, rect) in enumerate(zip(job.deliverables, rects, strict=True))
            if _is_too_small(job, frame, rect)
        )
        return "where they are judged alone, " + "; ".join(short)
    if pointer == "/framing/match":
        return f"no {job.framing.match} on the grid is common to all frames; unmatched they are {sizes}"
    out = []
    for inner, outer in job.framing.nest:
        one, other = upright[labels.index(inner)], upright[labels.index(outer)]
        out.append(max(other.x - one.x, other.y - one.y, one.right - other.right, one.bottom - other.bottom))
    return f"without it the frames are {sizes}, and the inner one reaches {max(out)} px out of the outer one"


def held_by(frame: Frame, ground: Ground, rect: Rect, alone: Rect) -> tuple[str, ...]:
    """Name what keeps one frame of a joint solution from being larger; `partner` where it is larger alone."""
    names = broken_around(rect, frame, ground)
    if alone.area > rect.area:
        names = (*names, "partner")
    return names or ("grid",)
