"""Plans: sets of passes, and which deliverables come out of which; all of them weighed, none by guessing.

Frames that lie alone do not depend on what else comes out of a pass, so that all ways to share
them out are weighed exactly, one deliverable at a time (`core.sharing`). Frames on a shared point
do: each pass is solved as a whole. Where all passes there could be are few enough, all of them are
solved, and all plans weighed. Beyond that, of each set of positions the plans that promise most are
solved, until none of them that is left promises more than the best one found. Whether any other plan
could come before it is then looked at set by set: beside others no frame is larger than it is alone
(candidates form a chain, `core.candidates`), so that no plan of a set is worth more than one with
each frame as good in every respect as the best of the set's positions has it alone. Work is bounded
by a number of steps, not by a clock, so that equal jobs give equal answers.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import combinations, combinations_with_replacement, product
from typing import Literal, get_args

import numpy as np

from tallwide.answers import Skipped
from tallwide.job import Capture, Criterion, Job, Rig, Roll
from tallwide_service.core.positions import (
    Pass,
    Position,
    Refused,
    Searches,
    Take,
    alone,
    have_enough,
    planned,
    positions_of,
)
from tallwide_service.core.region import lens_bounds
from tallwide_service.core.rig import rig_check, rig_faults
from tallwide_service.core.sharing import Choice, Rank, best_ways
from tallwide_service.core.standing import Draft, Value, Worth, draft, order_of, standing, value_of, worth
from tallwide_service.errors import CannotBeMet, Fault, NoneFound
from tallwide_service.limits import LIMITS

Table = Sequence[Take | CannotBeMet]
Proof = Literal["exhausted", "bounded", "none"]
PASSES = 2
# Measured: a step takes about 0.8 ms; a frame takes one for each 4,096 px of the raster's longer side begun, three
# times as many in a region with curved edges, and a pass of several frames as long as three before its first one.
_SIDE_A_STEP = 4096
_CURVED_COSTS = 3
_SETTING_UP = 3
_MOST_PLANS_EXHAUSTED = 20_000


@dataclass(frozen=True, slots=True)
class Found:
    """Plans in order, best first, and how they were found.

    `beaten_by` holds, for each plan, the place of one that beats it; the first of them in order.
    """

    drafts: tuple[Draft, ...]
    beaten_by: tuple[int | None, ...]
    skipped: tuple[Skipped, ...]
    positions: int
    passes_solved: int
    weighed: int
    possible: int
    proof: Proof
    # What comes out of the job's own capture at each roll, each deliverable alone.
    own: Mapping[Roll, Table] = field(default_factory=dict)


def find_plans(job: Job, searches: Searches | None = None) -> Found:
    """Return the plans of a job; passes that are solved as a whole may share the searches of an answer.

    Raises
    ------
    CannotBeMet
        If no plan places every deliverable.
    """
    positions, refused = positions_of(job)
    tables = [alone(job, position) for position in positions]
    count = min(job.passes or PASSES, len(job.deliverables))
    if job.framing.arrangement == "shared_point":
        found = _Together(searches or Searches(job), positions, tables, count).find()
    else:
        found = _find_alone(job, positions, tables, count)
    if not found.drafts:
        raise _no_plan(job, tables, refused, found.proof)
    own = {position.roll: table for position, table in zip(positions, tables, strict=True) if position.number == 0}
    return replace(found, skipped=(*_refused(refused), *_skipped(job, positions, tables)), own=own)


def _no_plan(job: Job, tables: Sequence[Table], refused: Sequence[Refused], proof: Proof) -> CannotBeMet:
    """Return the error for a job that no plan places: what keeps the first deliverable that no position holds."""
    for index in range(len(job.deliverables)):
        column = [table[index] for table in tables]
        errors = [item for item in column if isinstance(item, CannotBeMet)]
        if len(errors) == len(column):
            first = (*errors, *(each.error for each in refused))[0]
            return CannotBeMet(f"no plan places every deliverable: {first}", first.faults)
    count = "one pass" if job.passes == 1 else f"{job.passes or PASSES} passes"
    which = "no plan" if proof == "exhausted" else "no plan of those that were weighed"
    detail = f"{which} places every deliverable in at most {count}"
    faults = [Fault("/passes", f"{detail}: allow more passes")]
    if job.framing.arrangement == "shared_point":
        faults.append(Fault("/framing", f"{detail}: frames that come out of one pass share a point"))
    return CannotBeMet(detail, tuple(faults))


def _refused(refused: Sequence[Refused]) -> Iterator[Skipped]:
    for each in refused:
        yield Skipped(each.label, each.number, each.roll, (), str(each.error))


def _skipped(job: Job, positions: Sequence[Position], tables: Sequence[Table]) -> Iterator[Skipped]:
    """Yield the positions that cannot hold some deliverables, with the first reason."""
    for position, table in zip(positions, tables, strict=True):
        errors = {index: item for index, item in enumerate(table) if isinstance(item, CannotBeMet)}
        if errors:
            labels = tuple(job.deliverables[index].label for index in errors)
            text = str(next(iter(errors.values())))
            yield Skipped(position.capture.label, position.number, position.roll, labels, text)


def listed_places(beaten_by: Sequence[int | None], most: int) -> tuple[int, ...]:
    """Return the places of the plans that are listed, in order: those that none beats, then the best of the others.

    A plan that beats a listed one is listed: it comes before it, and no other beats it.
    """
    unbeaten = [place for place, beater in enumerate(beaten_by) if beater is None]
    beaten = [place for place, beater in enumerate(beaten_by) if beater is not None]
    if len(unbeaten) >= most:
        return tuple(unbeaten[:most])
    return tuple(sorted((*unbeaten, *beaten[: most - len(unbeaten)])))


def ranked(
    drafts: Iterable[Draft], order: Sequence[Criterion], rig: Rig | None = None
) -> tuple[tuple[Draft, ...], tuple[int | None, ...]]:
    """Return plans in order, best first, and for each the place of the first that beats it.

    What beats a plan stands before it, since the order looks at the same criteria. Of plans that are
    worth the same, those come first whose positions leave fewer faults of the rig.
    """
    faults = {roll: 0 if rig is None else len(rig_faults(rig_check(rig, roll))) for roll in get_args(Roll)}

    def key(plan: Draft) -> tuple[tuple[Worth, ...], int]:
        return worth(plan, order), -sum(faults[one.position.roll] for one in plan.passes)

    best_first = sorted(drafts, key=key, reverse=True)
    return tuple(best_first), beaters([tuple(standing(plan).values()) for plan in best_first])


def beaters(values: Sequence[Sequence[Worth]]) -> tuple[int | None, ...]:
    """Return, for each of some plans in order, the place of the first before it that beats it.

    One plan beats another that it equals in every criterion and surpasses in one. Values are
    compared as places in the order of all values of their criterion, which numpy does at once.

    Examples
    --------
    >>> beaters([(2, 5), (2, 4), (3, 1), (1, 1)])
    (None, 0, None, 0)
    """
    columns = []
    for column in zip(*values, strict=True):
        places = {value: place for place, value in enumerate(sorted(set(column)))}
        columns.append([places[value] for value in column])
    table = np.array(columns, dtype=np.int32).T
    unbeaten = np.empty(len(values), dtype=np.int64)
    count = 0
    beaten_by: list[int | None] = []
    for place, row in enumerate(table):
        before = table[unbeaten[:count]]
        better = np.flatnonzero((before >= row).all(axis=1) & (before > row).any(axis=1))
        beaten_by.append(int(unbeaten[better[0]]) if better.size else None)
        if not better.size:
            unbeaten[count] = place
            count += 1
    return tuple(beaten_by)


def ways_possible(deliverables: int, positions: int, passes: int, *, repeated: bool) -> int:
    """Return how many plans there are: sets of positions, times the ways to share out over all of them.

    `repeated`: one position may be taken for several passes.
    """
    total = 0
    for size in range(1, passes + 1):
        onto = sum((-1) ** k * math.comb(size, k) * (size - k) ** deliverables for k in range(size + 1))
        if repeated:  # parts of the deliverables, each with any position
            total += onto // math.factorial(size) * positions**size
        else:
            total += onto * math.comb(positions, size)
    return total


def _find_alone(job: Job, positions: Sequence[Position], tables: Sequence[Table], passes: int) -> Found:
    drafts = list(_drafts_alone(job, positions, tables, passes))
    order = order_of(job)
    best_first, beaten_by = ranked(drafts, order, job.rig)
    possible = ways_possible(len(job.deliverables), len(positions), passes, repeated=False)
    return Found(best_first, beaten_by, (), len(positions), len(positions), possible, possible, "exhausted")


def _drafts_alone(job: Job, positions: Sequence[Position], tables: Sequence[Table], passes: int) -> Iterator[Draft]:
    """Yield the plans that no other plan of the same positions beats."""
    scale = Scale.of(tables)
    ranks = scale.ranks
    for size in range(1, passes + 1):
        for chosen in combinations(range(len(positions)), size):
            choices = [
                [(place, rank) for place, number in enumerate(chosen) if (rank := ranks[number][index]) is not None]
                for index in range(len(job.deliverables))
            ]
            for found, taken in best_ways(choices, size):
                whole = _passes(positions, tables, chosen, taken)
                yield draft(whole, job.production, value=scale.value(found))


def _passes(
    positions: Sequence[Position],
    tables: Sequence[Table],
    chosen: Sequence[int],
    taken: Sequence[int],
) -> tuple[Pass, ...]:
    """Return the passes of a way to share out; `taken` is the place in `chosen` of each deliverable."""
    return tuple(
        Pass(
            positions[number],
            tuple(
                take
                for index, mine in enumerate(taken)
                if mine == place and isinstance(take := tables[number][index], Take)
            ),
        )
        for place, number in enumerate(chosen)
    )


@dataclass(frozen=True, slots=True)
class Scale:
    """Every take's worth as places in the order of all values, which compare faster than fractions."""

    reaches: list[Fraction]
    overs: list[Fraction]
    rooms: list[Worth]
    ranks: list[list[Rank | None]]

    @classmethod
    def of(cls, tables: Sequence[Table], *, alone: bool = True) -> Scale:
        """Return the scale of all takes; not `alone`, of what is known of frames that lie beside others."""
        values = [[_value_in(take, alone=alone) for take in table] for table in tables]
        known = [value for row in values for value in row if value is not None]
        columns = (
            sorted({value.reach for value in known}),
            sorted({value.over for value in known}),
            sorted({value.room for value in known}),
        )
        reaches, overs, rooms = ({worth: place for place, worth in enumerate(column)} for column in columns)
        ranks: list[list[Rank | None]] = [
            [
                None if value is None else (reaches[value.reach], value.covered, overs[value.over], rooms[value.room])
                for value in row
            ]
            for row in values
        ]
        return cls(*columns, ranks)

    def value(self, rank: Rank) -> Value:
        """Return the value of a rank."""
        reach, covered, over, room = rank
        return Value(self.reaches[reach], covered, self.overs[over], self.rooms[room])


def _value_in(take: Take | CannotBeMet, *, alone: bool) -> Value | None:
    """Return what one frame is worth; beside others it may be covered, and have any room."""
    if not isinstance(take, Take):
        return None
    value = value_of((take,))
    return value if alone else replace(value, covered=1, room=math.inf)


Parts = tuple[tuple[int, tuple[int, ...]], ...]  # positions by number, each with its deliverables


@dataclass(frozen=True, slots=True)
class _Sketch:
    """A plan that is not solved yet, and what it would be worth if every frame were as large as alone."""

    parts: Parts
    hoped: tuple[Worth, ...]


class _Together:
    """The search where frames share a point: what was solved, and how much work is left."""

    def __init__(self, searches: Searches, positions: Sequence[Position], tables: Sequence[Table], passes: int) -> None:
        self.searches, self.job = searches, searches.job
        self.positions, self.tables, self.passes = positions, tables, passes
        self.order = order_of(self.job)
        self.solved: dict[tuple[int, tuple[int, ...]], Pass | None] = {}
        self.steps_a_frame = [_steps_a_frame(position.capture) for position in positions]
        self.work = LIMITS.orientation_work
        self.is_proven = True  # no search for a pass ended early

    def find(self) -> Found:
        """Return the plans: all of them where all can be weighed, else the most promising."""
        possible = ways_possible(len(self.job.deliverables), len(self.positions), self.passes, repeated=True)
        exhaustive = possible <= _MOST_PLANS_EXHAUSTED and self._work_of_all() <= self.work
        if exhaustive:
            drafts = [plan for parts in self._all_parts() if (plan := self._solve(parts)) is not None]
            weighed: int = possible
            proof: Proof = "exhausted"
        elif self._partners_cost_nothing():
            return self._find_side_by_side(possible)
        else:
            solved, proof = self._most_promising()
            solved |= self._other_single_passes(solved)
            drafts, weighed = [plan for plan in solved.values() if plan is not None], len(solved)
        best_first, beaten_by = ranked(drafts, self.order, self.job.rig)
        return self._found(best_first, beaten_by, weighed, possible, proof)

    def _found(
        self, drafts: tuple[Draft, ...], beaten_by: tuple[int | None, ...], weighed: int, possible: int, proof: Proof
    ) -> Found:
        """Return plans as they were found: nothing is proven where a pass might be better than it is known to be."""
        known = proof if self.is_proven else "none"
        return Found(drafts, beaten_by, (), len(self.positions), len(self.solved), weighed, possible, known)

    def _partners_cost_nothing(self) -> bool:
        """Whether in every position all frames that it holds are, on one point, each as large as it is there alone.

        Then they are in every part of them too: each has the largest of its sizes, whatever the objective. It is
        asked of whole rasters only, where the room of a frame depends on its size alone, and not beyond the work.
        """
        everything = tuple(range(len(self.job.deliverables)))
        if sum(self._cost(number, everything) for number in range(len(self.positions))) > self.work:
            return False
        if any(_is_cut(position.capture) for position in self.positions):
            return False
        if self._is_given and not self._take_point():
            return False
        for number, table in enumerate(self.tables):
            indices = tuple(index for index, take in enumerate(table) if isinstance(take, Take))
            if indices and not self._is_as_alone(number, indices):
                return False
        return True

    @property
    def _is_given(self) -> bool:
        point = self.job.framing.point
        return point is not None and (point.x is not None or point.y is not None)

    def _take_point(self) -> bool:
        """Hold every frame to the given point, each alone; whether the work allows it."""
        frames = range(len(self.job.deliverables))
        if sum(self.steps_a_frame) * len(frames) > self.work // 2:
            return False
        self.tables = [
            tuple(self._on_point(number, index) for index in frames) for number in range(len(self.positions))
        ]
        return True

    def _on_point(self, number: int, index: int) -> Take | CannotBeMet:
        found = self.tables[number][index]
        if isinstance(found, CannotBeMet):
            return found
        one = self._pass(number, (index,))
        return CannotBeMet("the frame has no place on the given point") if one is None else one.takes[0]

    def _is_as_alone(self, number: int, indices: tuple[int, ...]) -> bool:
        one, table = self._pass(number, indices), self.tables[number]
        return one is not None and all(
            isinstance(alone, Take) and take.extraction.rect.area == alone.extraction.rect.area
            for take, alone in zip(one.takes, (table[index] for index in indices), strict=True)
        )

    def _find_side_by_side(self, possible: int) -> Found:
        """Return the plans of frames that cost their partners nothing: those of frames that lie alone, on one point.

        Two passes in one position are worth less than one there. What is not listed is not solved.
        """
        drafts = _drafts_alone(self.job, self.positions, self.tables, self.passes)
        best_first, beaten_by = ranked(drafts, self.order, self.job.rig)
        listed = frozenset(listed_places(beaten_by, LIMITS.plans_listed))
        solved = tuple(self._on_one_point(one) if place in listed else one for place, one in enumerate(best_first))
        return self._found(solved, beaten_by, possible, possible, "exhausted")

    def _on_one_point(self, plan: Draft) -> Draft:
        """Return a plan of frames that lie alone with each pass solved as a whole; it is worth the same."""
        parts = tuple(
            (self.positions.index(one.position), tuple(take.index for take in one.takes)) for one in plan.passes
        )
        return self._solve(parts) or plan

    def _work_of_all(self) -> int:
        frames = len(self.job.deliverables)
        everything = tuple(range(frames))
        if self.passes == 1:
            return sum(self._cost(number, everything) for number in range(len(self.positions)))
        if frames > 16:  # two to that power alone is beyond any bound
            return self.work + 1
        return sum(
            math.comb(frames, size) * self._cost(number, everything[:size])
            for number in range(len(self.positions))
            for size in range(1, frames + 1)
        )

    def _cost(self, number: int, indices: tuple[int, ...]) -> int:
        return self.steps_a_frame[number] * (len(indices) + _SETTING_UP if len(indices) > 1 else 1)

    def _all_parts(self) -> Iterator[Parts]:
        frames = range(len(self.job.deliverables))
        for blocks in partitions(tuple(frames), self.passes):
            for numbers in product(range(len(self.positions)), repeat=len(blocks)):
                yield tuple(sorted(zip(numbers, blocks, strict=True)))

    def _solve(self, parts: Parts) -> Draft | None:
        passes = [self._pass(number, indices) for number, indices in parts]
        known = tuple(one for one in passes if one is not None)
        return draft(known, self.job.production) if len(known) == len(passes) else None

    def _pass(self, number: int, indices: tuple[int, ...]) -> Pass | None:
        key = (number, indices)
        if key not in self.solved:
            self.work -= self._cost(number, indices)
            solved = None
            if all(isinstance(self.tables[number][index], Take) for index in indices):
                solved = self._planned(number, indices)
            self.solved[key] = solved
        return self.solved[key]

    def _planned(self, number: int, indices: tuple[int, ...]) -> Pass | None:
        try:
            found = planned(self.searches, self.positions[number], indices)
        except CannotBeMet as error:
            self.is_proven &= not isinstance(error, NoneFound)
            return None
        self.is_proven &= found.is_proven
        by_itself = (take for index in indices if isinstance(take := self.tables[number][index], Take))
        if (found.unheld is not None or not found.has_enough) and have_enough(by_itself):
            # Solved once more, for the minimums; where a frame is too small by itself they are not searched for.
            self.work -= self._cost(number, indices)
        return found

    def _most_promising(self) -> tuple[dict[Parts, Draft | None], Proof]:
        """Solve plans in the order of what they could be worth, until no other can be better or the work is done."""
        scale = Scale.of(self.tables, alone=False)
        sketches = sorted(self._sketches(scale), key=_hope, reverse=True)
        solved: dict[Parts, Draft | None] = {}
        best: tuple[Worth, ...] | None = None
        for sketch in sketches:
            if best is not None and sketch.hoped <= best:
                return solved, self._proof(best, scale)
            needed = sum(self._cost(*part) for part in sketch.parts if part not in self.solved)
            if solved and needed > self.work:
                return solved, "none"
            solved[sketch.parts] = plan = self._solve(sketch.parts)
            if plan is not None:
                found = worth(plan, self.order)
                best = found if best is None or found > best else best
        if all(len(sketch.parts) == 1 for sketch in sketches):  # no set of positions has a plan that was not sketched
            return solved, "exhausted"
        return solved, self._proof(best, scale)

    def _other_single_passes(self, solved: Collection[Parts]) -> dict[Parts, Draft | None]:
        """Return the plans of one pass that are not among some plans, where the work allows all of them."""
        everything = tuple(range(len(self.job.deliverables)))
        singles = [(number, everything) for number in range(len(self.positions))]
        others = [part for part in singles if (part,) not in solved]
        needed = sum(self._cost(*part) for part in others if part not in self.solved)
        return {(part,): self._solve((part,)) for part in others} if needed <= self.work else {}

    def _proof(self, best: tuple[Worth, ...] | None, scale: Scale) -> Proof:
        """Return whether the plans that were never sketched can come before the best one.

        Of one position there is one plan, which is sketched; of several positions only some are.
        """
        if best is None:
            return "none"
        return "bounded" if all(ceiling <= best for ceiling in self._ceilings(scale)) else "none"

    def _ceilings(self, scale: Scale) -> Iterator[tuple[Worth, ...]]:
        """Yield, for every set of several positions, what no plan of it can be worth more than."""
        frames = range(len(self.job.deliverables))
        for size in range(2, self.passes + 1):
            for chosen in combinations_with_replacement(range(len(self.positions)), size):
                held = [[rank for number in chosen if (rank := scale.ranks[number][index])] for index in frames]
                if all(held):
                    best_of_each = [tuple(map(max, zip(*ranks, strict=True))) for ranks in held]
                    yield self._worth_of(chosen, tuple(map(min, zip(*best_of_each, strict=True))), scale)

    def _worth_of(self, chosen: Iterable[int], rank: Rank, scale: Scale) -> tuple[Worth, ...]:
        """Return what a plan of these positions is worth whose frames have at least this rank."""
        passes = tuple(Pass(self.positions[number], ()) for number in chosen)
        return worth(draft(passes, self.job.production, value=scale.value(rank)), self.order)

    def _sketches(self, scale: Scale) -> Iterator[_Sketch]:
        """Yield the plans that are solved if the work allows: of each set of positions those that promise most."""
        everything = tuple(range(len(self.job.deliverables)))
        for size in range(1, self.passes + 1):
            for chosen in combinations_with_replacement(range(len(self.positions)), size):
                seen: set[Parts] = set()
                for parts in self._promising(scale.ranks, chosen, everything):
                    if parts not in seen:
                        seen.add(parts)
                        yield self._sketch(parts, scale)

    def _promising(
        self, ranks: list[list[Rank | None]], chosen: tuple[int, ...], everything: tuple[int, ...]
    ) -> Iterator[Parts]:
        if len(set(chosen)) < len(chosen):
            yield from self._split_in_one_position(chosen, everything)
            return
        choices: list[list[Choice]] = [
            [(place, rank) for place, number in enumerate(chosen) if (rank := ranks[number][index]) is not None]
            for index in everything
        ]
        for _, taken in best_ways(choices, len(chosen)):
            yield tuple(
                (number, tuple(index for index in everything if taken[index] == place))
                for place, number in enumerate(chosen)
            )

    def _split_in_one_position(self, chosen: tuple[int, ...], everything: tuple[int, ...]) -> Iterator[Parts]:
        """Yield tall frames beside wide ones, and each frame beside all the others."""
        if len(chosen) != 2:
            return
        number = chosen[0]
        tall = tuple(index for index in everything if self.job.deliverables[index].ratio < 1)
        for part in (tall, *((index,) for index in everything)):
            rest = tuple(index for index in everything if index not in part)
            if part and rest:
                first, second = sorted((part, rest))
                yield (number, first), (number, second)

    def _sketch(self, parts: Parts, scale: Scale) -> _Sketch:
        ranks = [scale.ranks[number][index] for number, indices in parts for index in indices]
        held = [rank for rank in ranks if rank is not None]
        if len(held) < len(ranks):
            return _Sketch(parts, (Fraction(-1),))
        least = tuple(map(min, zip(*held, strict=True)))
        return _Sketch(parts, self._worth_of((number for number, _ in parts), least, scale))


def _steps_a_frame(capture: Capture) -> int:
    """Return how many steps of work a frame takes."""
    side = 1 + max(capture.raster.width, capture.raster.height) // _SIDE_A_STEP
    return side * (_CURVED_COSTS if _is_cut(capture) else 1)


def _is_cut(capture: Capture) -> bool:
    """Whether a lens or a usable area leaves less than the whole raster; asked of areas that are none, too."""
    return capture.usable_area is not None or bool(lens_bounds(capture))


def _hope(sketch: _Sketch) -> tuple[Worth, ...]:
    return sketch.hoped


def partitions(items: tuple[int, ...], most: int) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Yield every way to part items into at most so many blocks; blocks are in order of their first item.

    Examples
    --------
    >>> [*partitions((0, 1, 2), 2)]
    [((0, 1, 2),), ((0, 1), (2,)), ((0, 2), (1,)), ((0,), (1, 2))]
    """
    if len(items) == 1:
        yield (items,)
        return
    for blocks in partitions(items[:-1], most):
        for place, block in enumerate(blocks):
            yield (*blocks[:place], (*block, items[-1]), *blocks[place + 1 :])
        if len(blocks) < most:
            yield (*blocks, (items[-1],))
