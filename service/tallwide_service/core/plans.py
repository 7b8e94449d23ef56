"""Plans: every way to share deliverables among the allowed passes that could be the best.

Frames that lie independently come out of a pass the same whatever else comes out of it. So among
the ways to share them between the same passes two stand for all: each deliverable from the pass
that fills most of it, and the same among passes whose lens does not cut it. Nothing beats both by
any criterion. A way that leaves a pass empty is a plan of fewer passes.

Frames on one scene point depend on their partners, so each set of them is solved as a whole. All
sets are, up to a stated amount of work. Beyond it, each set of passes is
tried with one way to share, those first that could be feasible by what their frames are alone
(which bounds what they are together); the answer then says that it is not complete.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations, product

from tallwide_service.core.passes import Passes, Taken
from tallwide_service.limits import LIMITS


@dataclass(frozen=True, slots=True)
class Candidate:
    """A plan: by pass, its state's place and its deliverables by index, in the order they are shot."""

    passes: tuple[tuple[int, Mapping[int, Taken]], ...]

    @property
    def takes(self) -> list[tuple[int, Taken]]:
        """Every deliverable of every pass, by index."""
        return sorted(
            ((index, taken) for _, items in self.passes for index, taken in items.items()), key=lambda item: item[0]
        )


@dataclass(frozen=True, slots=True)
class Found:
    """Plans that were found, and whether none was left out."""

    candidates: tuple[Candidate, ...]
    complete: bool
    rule: str


def find_plans(passes: Passes, allowed: int) -> Found:
    """Return plans of up to `allowed` passes."""
    if not passes.is_joint:
        return Found(
            tuple(_independent(passes, allowed)),
            complete=True,
            rule="frames lie independently: each from the pass that fills most of it, "
            "and from the best one whose lens does not cut it",
        )
    count, states = len(passes.job.deliverables), len(passes.states)
    work = states * (count if allowed == 1 else count << (count - 1))
    if work <= LIMITS.joint_frames_exact:
        return Found(
            tuple(_exhaustive(passes, allowed)),
            complete=True,
            rule="every set of deliverables is solved as a whole at every capture and roll",
        )
    return Found(
        tuple(_bounded(passes, allowed)),
        complete=False,
        rule=f"up to {LIMITS.joint_frames} frames are solved together, of each set of passes one way to share them: "
        "first those that could be feasible, fewest passes first, then by what their frames could be alone",
    )


def _independent(passes: Passes, allowed: int) -> Iterator[Candidate]:
    alone = [passes.alone(place) for place in range(len(passes.states))]
    uncut = [{index: taken for index, taken in items.items() if not taken.is_cut_by_the_lens} for items in alone]
    for size in range(1, min(allowed, len(passes.job.deliverables)) + 1):
        for places in combinations(range(len(alone)), size):
            first = _shared_out(places, alone, len(passes.job.deliverables))
            if first is not None:
                yield first
            second = _shared_out(places, uncut, len(passes.job.deliverables))
            if second is not None and second != first:
                yield second


def _shared_out(
    places: tuple[int, ...], taken: list[Mapping[int, Taken]] | list[dict[int, Taken]], count: int
) -> Candidate | None:
    """Give each deliverable to the pass that fills most of it, equal ones to the first; `None` if one is left."""
    shares: dict[int, dict[int, Taken]] = {place: {} for place in places}
    for index in range(count):
        able = [place for place in places if index in taken[place]]
        if not able:
            return None
        best = max(able, key=lambda place: taken[place][index].fill)
        shares[best][index] = taken[best][index]
    if not all(shares.values()):
        return None
    return Candidate(tuple(shares.items()))


def _exhaustive(passes: Passes, allowed: int) -> Iterator[Candidate]:
    count = len(passes.job.deliverables)
    for size in range(1, min(allowed, count) + 1):
        for places in combinations(range(len(passes.states)), size):
            for given in product(range(size), repeat=count):
                if len(set(given)) == size:
                    candidate = _solved(passes, places, given)
                    if candidate is not None:
                        yield candidate


def _solved(passes: Passes, places: tuple[int, ...], given: tuple[int, ...]) -> Candidate | None:
    """Return the plan that gives each deliverable to one of some passes, each solved as a whole."""
    solved = []
    for number, place in enumerate(places):
        subset = sum(1 << index for index, pass_number in enumerate(given) if pass_number == number)
        taken = passes.whole(place, subset)
        if taken is None:
            return None
        solved.append((place, taken))
    return Candidate(tuple(solved))


def _bounded(passes: Passes, allowed: int) -> list[Candidate]:
    """Return plans within the amount of work, the ones that promise most first."""
    count, places = len(passes.job.deliverables), range(len(passes.states))
    framing = replace(passes.job.framing, arrangement="independent", match="none", nest=())
    bounds = Passes(replace(passes.job, framing=framing), passes.states)
    alone = [bounds.alone(place) for place in places]
    hopes = [
        hope
        for size in range(1, min(allowed, count) + 1)
        for chosen in combinations(places, size)
        if (hope := _shared_out(chosen, alone, count)) is not None
    ]
    # A plan that falls short with every frame alone falls short together, so those come last.
    hopes.sort(key=lambda hope: (_least(hope) < 1, len(hope.passes), -_least(hope)))
    found: list[Candidate] = []
    for hope in hopes:
        work = sum(len(items) for _, items in hope.passes)
        if passes.joint_frames + work > LIMITS.joint_frames and found:
            break
        chosen = tuple(place for place, _ in hope.passes)
        of = {index: number for number, (_, items) in enumerate(hope.passes) for index in items}
        candidate = _solved(passes, chosen, tuple(of[index] for index in range(count)))
        if candidate is not None:
            found.append(candidate)
    return found


def _least(hope: Candidate) -> Fraction:
    """Return the smallest oversampling over its minimum; where no raster is asked for nothing is missing."""
    return min((taken.reach for _, taken in hope.takes if taken.reach is not None), default=Fraction(1))
