"""What calls of a kind have cost of late, so that a slow one is known as such before it is begun.

Jobs that look alike cost alike: the same endpoint, the same words that make a job dear, about the same length. Cost is
processor time of the computing thread, which does not grow when others compute beside it.
"""

from __future__ import annotations

from typing import NamedTuple

# What a page waits for while a hand moves, frames on one point in a circle too, takes less: it must not queue behind
# the sweeps and plans that the page asked for before and has given up.
SLOW_S = 0.025
MOST_KINDS = 4_096
# Frames that depend on each other, regions that are not the raster, many solutions instead of one.
DEAR = (b'"shared_point"', b'"image_circle_mm"', b'"usable_area"', b'"sweep"')


class Kind(NamedTuple):
    """Calls that are expected to cost alike."""

    route: str
    dear: tuple[bool, ...]
    length_bits: int


def kind_of(route: str, job: bytes) -> Kind:
    """Return the kind of a call from what can be seen without reading its job."""
    return Kind(route, tuple(word in job for word in DEAR), len(job).bit_length())


class UsualCost:
    """Remembers what kinds of calls have cost.

    Examples
    --------
    >>> usual, kind = UsualCost(), kind_of("/v1/margins", b"{}")
    >>> usual.is_slow(kind)  # as long as nobody knows
    False
    >>> usual.learn(kind, 0.2)
    >>> usual.is_slow(kind)
    True
    """

    def __init__(self) -> None:
        self._seconds: dict[Kind, float] = {}

    def __len__(self) -> int:
        """How many kinds are remembered."""
        return len(self._seconds)

    def is_slow(self, kind: Kind) -> bool:
        """Whether a call of this kind may take so long that quick ones should not wait for it."""
        return self._seconds.get(kind, 0.0) >= SLOW_S

    def learn(self, kind: Kind, seconds: float) -> None:
        """Remember what a call has cost."""
        if len(self._seconds) >= MOST_KINDS and kind not in self._seconds:
            self._seconds.clear()
        before_s = self._seconds.get(kind, seconds)
        self._seconds[kind] = before_s + (seconds - before_s) / 8
