"""Sharing out: which deliverable comes out of which of some positions, where frames lie alone.

What the frames of a plan are worth is the least over its deliverables in each respect, so that the
best ways to share deliverables out are found one deliverable at a time: of the ways so far, only
those that no other beats can become part of one that no other beats.
"""

from __future__ import annotations

from collections.abc import Sequence

Rank = tuple[int, int, int, int]  # worth in each respect, as places in an order: larger is better
Choice = tuple[int, Rank]  # position, and what the deliverable is worth there
Way = tuple[Rank, tuple[int, ...]]  # what the frames are worth, and the position of each deliverable


def best_ways(choices: Sequence[Sequence[Choice]], positions: int) -> list[Way]:
    """Return the ways to share deliverables out over all of some positions that no other way beats.

    Parameters
    ----------
    choices
        For each deliverable, the positions that can hold it, and its worth there.
    positions
        How many positions there are; each has to get a deliverable.

    Returns
    -------
    list
        Empty where a deliverable has no position, or where a position is of no use: then fewer
        positions are worth as much. Of ways worth the same there is one.

    Notes
    -----
    A choice that another of the same deliverable equals or beats is left out. A way that has it is
    worth no more than the way with the other choice, which needs the same positions or fewer.
    """
    fronts: dict[int, list[Way]] = {0: []}
    start = True
    for options in choices:
        useful = _unbeaten(options)
        if not useful:
            return []
        grown: dict[int, list[Way]] = {}
        for mask, ways in fronts.items():
            for position, rank in useful:
                grown.setdefault(mask | 1 << position, []).extend(
                    [(rank, (position,))] if start else [(_least(had, rank), (*taken, position)) for had, taken in ways]
                )
        fronts = {mask: _front(ways) for mask, ways in grown.items()}
        start = False
    return fronts.get((1 << positions) - 1, [])


def _unbeaten(options: Sequence[Choice]) -> list[Choice]:
    kept: list[Choice] = []
    for option in sorted(options, key=lambda choice: choice[1], reverse=True):
        if not any(_covers(other[1], option[1]) for other in kept):
            kept.append(option)
    return kept


def _front(ways: list[Way]) -> list[Way]:
    if len(ways) == 1:
        return ways
    kept: list[Way] = []
    for way in sorted(ways, key=lambda each: each[0], reverse=True):
        if not any(_covers(other[0], way[0]) for other in kept):
            kept.append(way)
    return kept


def _covers(one: Rank, other: Rank) -> bool:
    """Whether `one` is as good in every respect."""
    return one[0] >= other[0] and one[1] >= other[1] and one[2] >= other[2] and one[3] >= other[3]


def _least(one: Rank, other: Rank) -> Rank:
    """Return the less of each respect."""
    a, b, c, d = one
    e, f, g, h = other
    return (a if a < e else e, b if b < f else f, c if c < g else g, d if d < h else h)
