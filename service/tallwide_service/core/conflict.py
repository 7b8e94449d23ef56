"""What stands in the way of a job that cannot be met: each constraint without which it could be, and by how much.

Where no constraint stands in the way alone, a least set of them does, each told with the others of
the set let go. By how much is said by what the frames would be without the constraint, and by two
neighbouring values of it, both tried out: one that would do and one that would not. Sizes and places
are upright pixels, but for the usable area and the grid, which are of the recorded raster.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from tallwide.answers import Rect
from tallwide.job import Framing, Job
from tallwide_service.core.allowance import Allowance, looks_before
from tallwide_service.core.binding import freed_jobs
from tallwide_service.core.extraction import Frame, Ground, broken_around, frames, ground_of, place_alone
from tallwide_service.core.joint import best_together, is_too_small
from tallwide_service.core.misses import below, by_how_much, sizes_of, without_it
from tallwide_service.core.region import usable_region
from tallwide_service.errors import CannotBeMet, Fault, NoneFound

# Looks at each trial: enough to tell, and little beside the search that found none.
_MOST_LOOKS = 1_200_000
# The largest tolerance that a job may have.
_WIDEST_TOLERANCE = 0.1
# What stands in the way is told in this order.
_ORDER = ("framing", "capture", "deliverables")
_NO_POINT = "the frames cannot share a scene point"


@dataclass(frozen=True, slots=True)
class Trials:
    """Jobs like one that cannot be met, tried as far as an allowance goes."""

    allowance: Allowance

    def rects(self, job: Job, grown_px: int = 0) -> list[Rect] | None:
        """Return the frames of a job whose usable area is grown on every side; `None` where there are none.

        Raises
        ------
        NoneFound
            If the allowance does not suffice to tell.
        """
        before = looks_before(job)
        if before > self.allowance.left:
            raise not_found(job)
        self.allowance.taken += before
        try:
            ground, views = replace(ground_of(job), region=usable_region(job.capture, grown_px)), frames(job)
            wanted = [place_alone(frame, ground).rect for frame in views]
            if job.framing.minimums == "held":
                refuse_too_small(job, wanted)
        except CannotBeMet:
            return None
        if job.framing.arrangement == "independent":
            return wanted
        _, found, placed = best_together(job, views, ground, wanted, min(_MOST_LOOKS, self.allowance.left))
        self.allowance.taken += found.looks
        if placed is None and found.left is not None:
            raise not_found(job)
        return None if placed is None else list(placed[1][2])

    def can_be_met(self, job: Job, grown_px: int = 0) -> bool:
        """Whether a job has frames; in order, since which are best makes no difference and these are found soonest."""
        return self.rects(replace(job, framing=replace(job.framing, objective="in_order")), grown_px) is not None


@dataclass(frozen=True, slots=True)
class Miss:
    """A constraint that stands in the way: what there is without it, and how far it would have to be let go."""

    pointer: str
    without: str
    how_much: str

    def fault(self, said: str = "") -> Fault:
        """Return the miss as a fault, after what is said already."""
        return Fault(self.pointer, "; ".join(each for each in (said or self.without, self.how_much) if each))


def conflict(job: Job, allowance: Allowance) -> CannotBeMet:
    """Return the error of frames that cannot share a point: all that stands in the way, and by how much."""
    # Half of what is left: a refusal is no reason to take as long as an answer may.
    own = allowance.part(job, 2)
    faults = tuple(_faults(job, Trials(own), is_exact=True))
    allowance.taken += own.taken
    return CannotBeMet(f"{_NO_POINT}: {faults[0].detail}", faults)


def first_reason(job: Job, allowance: Allowance) -> str:
    """Return the first thing that stands in the way of frames that cannot share a point, in a sentence."""
    return f"{_NO_POINT}: {next(_faults(job, Trials(allowance), is_exact=False)).detail}"


def also_in_the_way(job: Job, index: int, error: CannotBeMet, allowance: Allowance) -> CannotBeMet:
    """Return the error of a deliverable that has no frame even alone, with whatever else stands in its way."""
    only = replace(job, deliverables=(job.deliverables[index],), framing=_alone(job.framing))
    said = {fault.pointer: fault for fault in error.faults}
    for miss in _misses(only, Trials(allowance), is_exact=True):
        pointer = miss.pointer.replace("/deliverables/0", f"/deliverables/{index}")
        how_much = miss.how_much and f"for {only.deliverables[0].label!r} alone: {miss.how_much}"
        own = replace(miss, pointer=pointer, how_much=how_much)
        said[pointer] = own.fault(said[pointer].detail if pointer in said else "")
    return CannotBeMet(str(error), tuple(said.values()))


def _alone(framing: Framing) -> Framing:
    return replace(framing, arrangement="independent", point=None, match="none", nest=(), minimums=None)


def _faults(job: Job, trials: Trials, *, is_exact: bool) -> Iterator[Fault]:
    """Yield what stands in the way of frames that cannot share a point; at least one."""
    is_told = False
    for tell in (_misses, _joint_misses):
        if not is_told:
            for miss in tell(job, trials, is_exact=is_exact):
                is_told = True
                yield miss.fault()
    if not is_told:
        detail = "no frames meet all; the work that one job may take did not tell what stands in the way"
        yield from (Fault(pointer, detail) for pointer in _pointers(job))


def _misses(job: Job, trials: Trials, *, is_exact: bool) -> Iterator[Miss]:
    """Yield each constraint that stands in the way alone, as far as can be told."""
    for pointer, _ in _constraints(job):
        with suppress(NoneFound):
            miss = _miss(pointer, job, trials, is_exact=is_exact)
            if miss is not None:
                yield miss


def _miss(pointer: str, job: Job, trials: Trials, *, is_exact: bool) -> Miss | None:
    """Return by how much a job misses one constraint; `None` where letting it go would not do."""
    rects = trials.rects(_without(job, (pointer,)))
    if rects is None:
        return None
    how_much = by_how_much(pointer, job, rects, trials) if is_exact else ""
    return Miss(pointer, without_it(pointer, job, rects, trials), how_much)


def _joint_misses(job: Job, trials: Trials, *, is_exact: bool) -> Iterator[Miss]:
    """Yield a least set of constraints that stand in the way together, each with the others let go."""
    with suppress(NoneFound):
        needed = _least_set(job, trials)
        if not needed:
            rects = trials.rects(replace(job, framing=_alone(job.framing)))
            alone = "" if rects is None else f"; alone they are {sizes_of(job, rects)} px"
            yield Miss("/framing/arrangement", f"no sizes that aspects and grid allow meet on one point{alone}", "")
        for pointer in needed:
            others = [other for other in needed if other != pointer]
            miss = _miss(_renamed(pointer, others), _without(job, others), trials, is_exact=is_exact)
            if miss is not None:
                yield replace(miss, pointer=pointer, without=f"even without {' and '.join(others)}: {miss.without}")


def _least_set(job: Job, trials: Trials) -> list[str]:
    """Return constraints that would have to be let go together; none where letting all of them go would not do."""
    needed = [pointer for pointer, _ in _constraints(job)]
    if not trials.can_be_met(_without(job, needed)):
        return []
    # A second round, because a free axis is not in every way freer than a given one: see the rules of places.
    for pointer in needed * 2:
        fewer = [other for other in needed if other != pointer]
        if trials.can_be_met(_without(job, fewer)):
            needed = fewer
    return needed


def _constraints(job: Job) -> list[tuple[str, Job]]:
    """Return each constraint of a job by pointer, in the order in which they are told, and the job without it."""
    found = [
        (freed.pointer, freed.job)
        for freed in freed_jobs(job)
        if freed.let_go == "entirely" and freed.pointer != "/framing/arrangement"
    ]
    if job.framing.aspect_tolerance < _WIDEST_TOLERANCE:
        wider = replace(job.framing, aspect_tolerance=_WIDEST_TOLERANCE)
        found.append(("/framing/aspect_tolerance", replace(job, framing=wider)))
    first, last = "/framing/subject", ("/capture/grid", "/framing/aspect_tolerance")
    return sorted(found, key=lambda one: (one[0] in last, one[0] != first, _ORDER.index(one[0].split("/")[1])))


def _renamed(pointer: str, gone: Sequence[str]) -> str:
    """Return where a constraint stands once others are gone: pairs of frames inside each other are counted."""
    stem = "/framing/nest/"
    if not pointer.startswith(stem):
        return pointer
    place = int(pointer.removeprefix(stem))
    before = sum(other.startswith(stem) and int(other.removeprefix(stem)) < place for other in gone)
    return f"{stem}{place - before}"


def _without(job: Job, pointers: Sequence[str]) -> Job:
    """Return a job without some of its constraints."""
    # Pairs of frames inside each other are counted; from the last one on the others keep their numbers.
    for pointer in sorted(pointers, key=lambda one: (len(one), one), reverse=True):
        job = dict(_constraints(job))[pointer]
    return job


def refuse_too_small(job: Job, wanted: Sequence[Rect]) -> None:
    """Refuse a job that holds a minimum oversampling which a frame misses even alone.

    Raises
    ------
    CannotBeMet
        With each such frame, and the pixels that are missing.
    """
    faults = []
    for index, (frame, rect) in enumerate(zip(job.deliverables, wanted, strict=True)):
        if is_too_small(job, frame, rect):
            detail = f"{below(job, index, rect)}, alone"
            faults.append(Fault(f"/deliverables/{index}/minimum_oversampling", detail))
    if faults:
        named = (*faults, Fault("/framing/minimums", "held: " + faults[0].detail))
        raise CannotBeMet("the minimum oversamplings cannot be held: " + faults[0].detail, named)


def not_found(job: Job) -> NoneFound:
    """Return the error of frames for which the search ended before it found any, without proof that there are none."""
    detail = "no frames on one scene point were found in the work that one job may take; there may be some"
    return NoneFound(detail, tuple(Fault(pointer, detail) for pointer in _pointers(job)))


def _pointers(job: Job) -> list[str]:
    """Return where a job's constraints stand; that the frames share a point, where there are no others."""
    return [pointer for pointer, _ in _constraints(job)] or ["/framing/arrangement"]


def held_by(frame: Frame, ground: Ground, rect: Rect, alone: Rect) -> tuple[str, ...]:
    """Name what keeps one frame of a joint solution from being larger; `partner` where it is larger alone."""
    names = broken_around(rect, frame, ground)
    if alone.area > rect.area:
        names = (*names, "partner")
    return names or ("grid",)
