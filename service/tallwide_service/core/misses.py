"""By how much a job that cannot be met misses one of its constraints, in words.

What the frames would be without it, and two neighbouring values of it, of which one would do and one
would not. Sizes and places are upright pixels, but for the usable area and the grid, which are of the
recorded raster.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from fractions import Fraction
from typing import Protocol

from tallwide.answers import Rect
from tallwide.geometry import pixels_a_mm, recorded_to_upright
from tallwide.job import Extent, Job, Lens, Protection, Subject, exact
from tallwide_service.core.extraction import frames
from tallwide_service.core.joint import is_too_small, least_size
from tallwide_service.core.region import corners, protected, usable_region
from tallwide_service.errors import NoneFound

# Frames of which is said what they can be at most.
_MOST_NAMED = 3
# Parts in which protections are tried; the finest steps of tolerances.
_PARTS, _TOLERANCES = 1000, 10_000


class Meets(Protocol):
    """What tries other jobs."""

    def rects(self, job: Job, grown_px: int = 0) -> list[Rect] | None:
        """Return a job's frames, if it has any."""

    def can_be_met(self, job: Job, grown_px: int = 0) -> bool:
        """Whether a job has frames."""


def without_it(pointer: str, job: Job, rects: Sequence[Rect], trials: Meets) -> str:
    """Say what the frames would be without a constraint, and how far they would be from keeping to it."""
    kind = _kind(pointer)
    if kind in ("x", "y"):
        return _off_point(kind, job, rects)
    if kind == "subject":
        return _beside_subject(job, rects, trials)
    if kind == "minimums":
        return _beside_minimums(job, rects, trials)
    free = f"without it the frames are {sizes_of(job, rects)}"
    if kind == "match":
        axis = job.framing.match
        lengths = [getattr(rect, axis) for rect in _upright(job, rects)]
        return (
            f"no {axis} on the grid is common to all frames; unmatched they are {sizes_of(job, rects)}, "
            f"{max(lengths) - min(lengths):,} px apart"
        )
    if kind == "nest":
        labels, upright = [frame.label for frame in job.deliverables], _upright(job, rects)
        inner, outer = (
            upright[labels.index(label)] for label in job.framing.nest[int(pointer.rsplit("/", maxsplit=1)[-1])]
        )
        return f"{free}, and the inner one reaches {_reach(inner, outer):,} px out of the outer one"
    if kind in ("image_circle_mm", "covered_mm"):
        return f"{free} and reach {_reach_mm(kind, job, rects):.2f} mm out of what the lens covers"
    if kind == "usable_area":
        return f"{free} and reach {_reach_out_of_area(job, rects):,} px out of it"
    if kind == "grid":
        grid = job.capture.grid
        steps = (grid.x, grid.y, grid.width, grid.height)
        off = max(
            min(value % step, -value % step)
            for rect in rects
            for value, step in zip((rect.x, rect.y, rect.width, rect.height), steps, strict=True)
        )
        return f"on a grid of one pixel the frames are {sizes_of(job, rects)}, up to {off:,} px off this one"
    return free


def by_how_much(pointer: str, job: Job, rects: Sequence[Rect], trials: Meets) -> str:
    """Say which value of a constraint would do and which, a step nearer to what is asked, would not; "" if unknown."""
    kind = _kind(pointer)
    if kind in ("x", "y"):
        return _moved_point(kind, job, rects, trials)
    if kind == "subject":
        return _other_subject(job, rects, trials)
    if kind == "image_circle_mm":
        return _wider_circle(job, trials)
    if kind == "covered_mm":
        return _wider_cover(job, trials)
    if kind == "usable_area":
        return _larger_area(job, trials)
    if kind == "protection":
        return _less_protection(int(pointer.split("/")[2]), job, rects, trials)
    if kind == "aspect_tolerance":
        return _wider_tolerance(job, trials)
    return ""


def below(job: Job, index: int, rect: Rect, is_at: str = "can be at most") -> str:
    """Say by how many pixels a frame that is free of its minimum oversampling misses it, upright."""
    frame, size = job.deliverables[index], recorded_to_upright(rect, job.capture)
    width, height = least_size(job, frame)
    if job.capture.is_on_its_side:
        width, height = height, width
    return (
        f"{frame.label!r} needs {width:,} x {height:,} px and {is_at} {size.width:,} x {size.height:,}, "
        f"{max(width - size.width, 0):,} x {max(height - size.height, 0):,} px too small"
    )


def sizes_of(job: Job, rects: Sequence[Rect]) -> str:
    """Return the sizes of frames with their labels."""
    named = zip(job.deliverables, _upright(job, rects), strict=True)
    return ", ".join(f"{frame.label!r} {rect.width:,} x {rect.height:,}" for frame, rect in named)


def _kind(pointer: str) -> str:
    _, *parts = pointer.split("/")
    return "nest" if "nest" in parts else parts[-1]


def _upright(job: Job, rects: Sequence[Rect]) -> list[Rect]:
    return [recorded_to_upright(rect, job.capture) for rect in rects]


def _reach(inner: Rect, outer: Rect) -> int:
    """Return by how much a rectangle reaches out of another at its worst side; below 0 where it lies inside."""
    return max(outer.x - inner.x, outer.y - inner.y, inner.right - outer.right, inner.bottom - outer.bottom)


def _least(does: int, can_be_met: Callable[[int], bool]) -> tuple[int, int] | None:
    """Return how many steps something must be let go: a number that does, and the last below it known not to.

    Nought is known not to; `None` where it is not known that `does`, the most, does.
    """
    fails, is_known = 0, False
    with suppress(NoneFound):
        is_known = does > 0 and can_be_met(does)
        while is_known and does - fails > 1:
            middle = (does + fails) // 2
            if can_be_met(middle):
                does = middle
            else:
                fails = middle
    return (does, fails) if is_known else None


def _alone_on_point(job: Job, index: int, trials: Meets) -> Rect | None:
    """Return the largest frame of one deliverable with nothing beside it, on the job's point if one is given."""
    framing = replace(job.framing, subject=None, match="none", nest=(), minimums=None, objective="in_order")
    try:
        rects = trials.rects(replace(job, deliverables=(job.deliverables[index],), framing=framing))
    except NoneFound:
        return None
    return None if rects is None else rects[0]


def _beside_subject(job: Job, rects: Sequence[Rect], trials: Meets) -> str:
    subject, upright = job.framing.subject, _upright(job, rects)
    assert subject is not None  # noqa: S101 - it is what is let go
    where = "on this point " if job.framing.arrangement == "shared_point" else ""
    said = []
    for index, frame in enumerate(job.deliverables):
        rect = _alone_on_point(job, index, trials)
        if rect is None:
            continue
        most = recorded_to_upright(rect, job.capture)
        if most.width >= subject.width and most.height >= subject.height:
            continue
        missing = max(subject.width - most.width, 0), max(subject.height - most.height, 0)
        said.append(
            f"{frame.label!r} can be at most {most.width:,} x {most.height:,} px, "
            f"{missing[0]:,} x {missing[1]:,} px too small"
        )
        if len(said) == _MOST_NAMED:
            break
    if not said:
        around = Rect(subject.x, subject.y, subject.width, subject.height)
        out = [_reach(around, rect) for rect in upright]
        worst = max(range(len(out)), key=lambda i: out[i])
        rect = upright[worst]
        said = [
            f"without it {job.deliverables[worst].label!r} is {rect.width:,} x {rect.height:,} px at "
            f"{rect.x:,}, {rect.y:,}, and the subject reaches {out[worst]:,} px out of it"
        ]
    return f"the subject is {subject.width:,} x {subject.height:,} px; {where}" + ", ".join(said)


def _other_subject(job: Job, rects: Sequence[Rect], trials: Meets) -> str:
    """Say how much smaller the subject would have to be, or how far to be moved where no smaller one would do."""
    subject, upright = job.framing.subject, _upright(job, rects)
    assert subject is not None  # noqa: S101 - it is what is let go

    def can_be_met(other: Subject) -> bool:
        return trials.can_be_met(replace(job, framing=replace(job.framing, subject=other)))

    def cut(px: int) -> Subject:
        return Subject(subject.x + px, subject.y + px, subject.width - 2 * px, subject.height - 2 * px)

    found = _least((min(subject.width, subject.height) - 1) // 2, lambda px: can_be_met(cut(px)))
    if found is not None:
        return f"{found[0]:,} px less of it on every side would do, {found[1]:,} px would not"
    left, top = max(rect.x for rect in upright), max(rect.y for rect in upright)
    right, bottom = min(rect.right for rect in upright), min(rect.bottom for rect in upright)
    across = min(max(subject.x, left), right - subject.width) - subject.x
    down = min(max(subject.y, top), bottom - subject.height) - subject.y
    most = max(abs(across), abs(down))

    def moved(px: int) -> tuple[int, int]:
        return round(Fraction(across * px, most)), round(Fraction(down * px, most))

    def there(px: int) -> Subject:
        x, y = moved(px)
        return replace(subject, x=max(subject.x + x, 0), y=max(subject.y + y, 0))

    found = _least(most, lambda px: can_be_met(there(px)))
    if found is None:
        return ""
    (x, y), (near_x, near_y) = (moved(px) for px in found)
    return f"moved by {x:+,}, {y:+,} px it would do, by {near_x:+,}, {near_y:+,} px it would not"


def _beside_minimums(job: Job, rects: Sequence[Rect], trials: Meets) -> str:
    said: list[str] = []
    for index, (frame, rect) in enumerate(zip(job.deliverables, rects, strict=True)):
        if len(said) == _MOST_NAMED:
            break
        if is_too_small(job, frame, rect):
            most = _alone_on_point(job, index, trials)
            if most is not None and is_too_small(job, frame, most):
                said.append(below(job, index, most))
            else:
                said.append(below(job, index, rect, "beside the others is"))
    return "without it " + "; ".join(said)


def _point_px(axis: str, job: Job, rects: Sequence[Rect]) -> Fraction:
    """Return a place within half a step of all align points, upright px."""
    found = []
    for frame, rect in zip(job.deliverables, _upright(job, rects), strict=True):
        place, side = (rect.x, rect.width) if axis == "x" else (rect.y, rect.height)
        found.append(place + exact(getattr(frame.align, axis)) * side)
    return (min(found) + max(found)) / 2


def _given_px(axis: str, job: Job) -> tuple[Fraction, int]:
    """Return where the point is given, upright px, and the length of the picture."""
    point, picture = job.framing.point, job.capture.upright_raster
    assert point is not None  # noqa: S101 - it is what is let go
    length = picture.width if axis == "x" else picture.height
    return exact(getattr(point, axis)) * length, length


def _off_point(axis: str, job: Job, rects: Sequence[Rect]) -> str:
    given, length = _given_px(axis, job)
    free = _point_px(axis, job, rects)
    return (
        f"no frames meet on {float(given):,.0f} px of {length:,}; left free the point would lie at "
        f"{float(free):,.0f} px, {float(abs(free - given)):,.0f} px away"
    )


def _moved_point(axis: str, job: Job, rects: Sequence[Rect], trials: Meets) -> str:
    given, length = _given_px(axis, job)
    way = _point_px(axis, job, rects) - given
    grid, point = job.capture.grid, job.framing.point
    step = grid.x if (axis == "x") != job.capture.is_on_its_side else grid.y

    def moved(steps: int) -> Fraction:
        return min(Fraction(steps * step), abs(way)) * (1 if way > 0 else -1)

    def can_be_met(steps: int) -> bool:
        share = float(min(max((given + moved(steps)) / length, Fraction(0)), Fraction(1)))
        there = replace(point, x=share) if axis == "x" else replace(point, y=share)  # type: ignore[type-var]
        return trials.can_be_met(replace(job, framing=replace(job.framing, point=there)))

    found = _least(math.ceil(abs(way) / step), can_be_met)
    if found is None:
        return ""
    does, fails = (float(moved(steps)) for steps in found)
    return f"moved by {_signed(does)} px they meet, by {_signed(fails)} px they do not"


def _signed(px: float) -> str:
    return f"{px:+,.6g}" if px else "0"


def _reach_mm(kind: str, job: Job, rects: Sequence[Rect]) -> float:
    """Return how far frames with their protection reach out of what the lens covers, mm on the sensor."""
    lens, found = _lens(job), 0.0
    for x, y in _protected_corners(job, rects):
        across, down = _from_axis_mm(job, x, y)
        if kind == "covered_mm":
            assert lens.covered_mm is not None  # noqa: S101 - it is what is let go
            out = max(across - exact(lens.covered_mm.width) / 2, down - exact(lens.covered_mm.height) / 2)
            found = max(found, float(out))
        else:
            found = max(found, math.hypot(across, down) - float(exact(lens.image_circle_mm or 0) / 2))
    return found


def _lens(job: Job) -> Lens:
    lens = job.capture.lens
    assert lens is not None  # noqa: S101 - what it covers is let go
    return lens


def _protected_corners(job: Job, rects: Sequence[Rect]) -> list[tuple[int, int]]:
    return [
        corner
        for frame, rect in zip(frames(job), rects, strict=True)
        for corner in corners(protected(rect, frame.protection))
    ]


def _from_axis_mm(job: Job, x: int, y: int) -> tuple[Fraction, Fraction]:
    """Return how far a place on the recorded raster lies from the lens's axis, along both sides of the sensor, mm."""
    capture, offset = job.capture, _lens(job).offset_mm
    assert capture.photosite_pitch_um is not None  # noqa: S101 - what a lens covers needs it
    across, down = pixels_a_mm(capture, capture.photosite_pitch_um)
    return (
        abs((x - Fraction(capture.raster.width, 2)) / across - exact(offset.x)),
        abs((y - Fraction(capture.raster.height, 2)) / down - exact(offset.y)),
    )


def _furthest_mm(job: Job) -> list[tuple[Fraction, Fraction]]:
    """Return how far the corners of the raster lie from the lens's axis, mm."""
    raster = job.capture.raster
    return [_from_axis_mm(job, x, y) for x in (0, raster.width) for y in (0, raster.height)]


def _with_lens(job: Job, lens: Lens) -> Job:
    return replace(job, capture=replace(job.capture, lens=lens))


def _wider_circle(job: Job, trials: Meets) -> str:
    lens = _lens(job)
    circle = exact(lens.image_circle_mm or 0)
    whole = 2 * max(math.hypot(*corner) for corner in _furthest_mm(job))

    def circle_mm(steps: int) -> float:
        return float(circle + Fraction(steps, 100))

    found = _least(
        math.ceil((whole - float(circle)) * 100) + 1,
        lambda steps: trials.can_be_met(_with_lens(job, replace(lens, image_circle_mm=circle_mm(steps)))),
    )
    if found is None:
        return ""
    does, fails = (circle_mm(steps) for steps in found)
    return f"a circle of {does:g} mm would do, {found[0] / 100:g} mm more, one of {fails:g} mm would not"


def _wider_cover(job: Job, trials: Meets) -> str:
    lens = _lens(job)
    covered = lens.covered_mm
    assert covered is not None  # noqa: S101 - it is what is let go

    def more(steps: int) -> Extent:
        width, height = (float(exact(side) + Fraction(steps, 100)) for side in (covered.width, covered.height))
        return Extent(width, height)

    across, down = (2 * max(corner[axis] for corner in _furthest_mm(job)) for axis in (0, 1))
    whole = max(across - exact(covered.width), down - exact(covered.height))
    found = _least(
        math.ceil(whole * 100), lambda steps: trials.can_be_met(_with_lens(job, replace(lens, covered_mm=more(steps))))
    )
    if found is None:
        return ""
    return f"{found[0] / 100:g} mm more of width and height would do, {found[1] / 100:g} mm would not"


def _reach_out_of_area(job: Job, rects: Sequence[Rect]) -> int:
    """Return how far frames with their protection reach out of the usable area, whole recorded px, rounded up."""
    found, places = 0.0, _protected_corners(job, rects)
    for area in usable_region(replace(job.capture, lens=None)).cuts:
        for side in area.sides:  # type: ignore[union-attr]
            out = max(side.a * x + side.b * y - side.c for x, y in places)
            found = max(found, float(out) / math.hypot(side.a, side.b))
    return math.ceil(found - 1e-9)


def _larger_area(job: Job, trials: Meets) -> str:
    raster = job.capture.raster
    found = _least(raster.width + raster.height, lambda steps: trials.can_be_met(job, steps))
    return (
        "" if found is None else f"grown by {found[0]:,} px on every side it would do, by {found[1]:,} px it would not"
    )


def _less_protection(index: int, job: Job, rects: Sequence[Rect], trials: Meets) -> str:
    frame = job.deliverables[index]
    shares = frame.protection.shares()

    def less(steps: int) -> Job:
        left, top, right, bottom = (float(share * (_PARTS - steps) / _PARTS) for share in shares)
        own = Protection(left=left, top=top, right=right, bottom=bottom)
        frames = (*job.deliverables[:index], replace(frame, protection=own), *job.deliverables[index + 1 :])
        return replace(job, deliverables=frames)

    found = _least(_PARTS, lambda steps: trials.can_be_met(less(steps)))
    if found is None:
        return ""
    rect = _upright(job, rects)[index]
    sides = (rect.width, rect.height, rect.width, rect.height)
    most = max(float(share) * side for share, side in zip(shares, sides, strict=True))
    kept, lost = ((_PARTS - steps) * 100 / _PARTS for steps in found)
    return (
        f"{kept:g} % of it would do, {lost:g} % would not; of that frame's up to {most:,.0f} px a side this is "
        f"{most * found[0] / _PARTS:,.0f} px less"
    )


def _wider_tolerance(job: Job, trials: Meets) -> str:
    tolerance = exact(job.framing.aspect_tolerance)

    def wider(steps: int) -> float:
        return float(tolerance + Fraction(steps, _TOLERANCES))

    found = _least(
        math.floor((Fraction(1, 10) - tolerance) * _TOLERANCES),
        lambda steps: trials.can_be_met(replace(job, framing=replace(job.framing, aspect_tolerance=wider(steps)))),
    )
    return "" if found is None else f"{wider(found[0]):g} would do, {wider(found[1]):g} would not"
