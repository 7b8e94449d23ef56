"""Choices of places that depend on each other: the cheapest that are allowed, exactly.

On a given axis a frame has one place, or two where it lies half way. Frames inside each other
cannot choose freely: each pair allows some choices. Choices are settled one frame after the other;
what a frame costs at best goes over to the frames that it is tied to, so that work grows with how
many frames are tied to one another at once, not with how many there are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product

Costs = Sequence[Sequence[int | None]]
Allowed = Callable[[int, int], bool]
# Costs by the choices of some frames; those that are not there are not allowed.
Table = dict[tuple[int, ...], int]


def cheapest(costs: Costs, pairs: dict[tuple[int, int], Allowed]) -> tuple[int, ...] | None:
    """Return each frame's choice, the sum of costs least; `None` where no choices are allowed together.

    Parameters
    ----------
    costs
        Of each choice of each frame; `None` where a choice is not open.
    pairs
        Two frames, and which choices of theirs go together.
    """
    open_choices = [[k for k, cost in enumerate(row) if cost is not None] for row in costs]
    tables: list[tuple[tuple[int, ...], Table]] = [
        ((frame,), {(k,): cost for k, cost in enumerate(row) if cost is not None}) for frame, row in enumerate(costs)
    ]
    for (one, other), allowed in pairs.items():
        both = product(open_choices[one], open_choices[other])
        tables.append(((one, other), {choice: 0 for choice in both if allowed(*choice)}))
    settled: list[tuple[int, tuple[int, ...], dict[tuple[int, ...], int]]] = []
    left = set(range(len(costs)))
    while left:
        frame = min(left, key=lambda each: (len(_tied(each, tables)), each))
        around = _tied(frame, tables)
        table, best = _settle(frame, around, [one for one in tables if frame in one[0]], open_choices)
        tables = [one for one in tables if frame not in one[0]]
        tables.append((around, table))
        settled.append((frame, around, best))
        left.remove(frame)
    choice: dict[int, int] = {}
    for frame, around, best in reversed(settled):
        found = best.get(tuple(choice[each] for each in around))
        if found is None:
            return None
        choice[frame] = found
    return tuple(choice[frame] for frame in range(len(costs)))


def _tied(frame: int, tables: Sequence[tuple[tuple[int, ...], Table]]) -> tuple[int, ...]:
    """Return the frames that share a table with one."""
    return tuple(sorted({each for scope, _ in tables if frame in scope for each in scope} - {frame}))


def _settle(
    frame: int,
    around: tuple[int, ...],
    tables: Sequence[tuple[tuple[int, ...], Table]],
    open_choices: Sequence[Sequence[int]],
) -> tuple[Table, dict[tuple[int, ...], int]]:
    """Return a frame's least cost and its best choice for all choices of the frames that it is tied to."""
    least: Table = {}
    best: dict[tuple[int, ...], int] = {}
    for others in product(*(open_choices[each] for each in around)):
        chosen = dict(zip(around, others, strict=True))
        for k in open_choices[frame]:
            chosen[frame] = k
            costs = [table.get(tuple(chosen[each] for each in scope)) for scope, table in tables]
            known = [cost for cost in costs if cost is not None]
            if len(known) < len(costs):
                continue
            total = sum(known)
            if others not in least or total < least[others]:
                least[others], best[others] = total, k
    return least, best
