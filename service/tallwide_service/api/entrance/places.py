"""Places: how many requests may do something at a time, and how many may wait for that.

Whoever finds no place is sent away at once, while the machine has time to say so. Tokens lie in queues of the
standard library that are written in C: taking one is a step that cannot be half done.
"""

from __future__ import annotations

import math
import time
from queue import Empty, SimpleQueue

LONGEST_RETRY_S = 30


class NoPlace(Exception):
    """All places are taken, and so are those to wait in, or the wait has been too long."""


class Places:
    """A number of places that are taken and given back."""

    def __init__(self, number: int) -> None:
        self.number = number
        self._free: SimpleQueue[None] = SimpleQueue()
        for _ in range(number):
            self._free.put(None)

    def take(self, wait_s: float = 0.0) -> None:
        """Take a place, or raise `NoPlace`."""
        try:
            if wait_s:
                self._free.get(timeout=wait_s)
            else:
                self._free.get_nowait()
        except Empty:
            raise NoPlace from None

    def give_back(self) -> None:
        """Let somebody else have it."""
        self._free.put(None)

    @property
    def taken(self) -> int:
        """How many are taken now."""
        return self.number - self._free.qsize()


class ComputingPlaces(Places):
    """Places to compute in, with a bounded number of places to wait in.

    Parameters
    ----------
    number
        Requests that compute at a time.
    waiting
        Requests that may wait.
    wait_s
        How long one may wait.
    """

    def __init__(self, number: int, *, waiting: int, wait_s: float) -> None:
        super().__init__(number)
        self.waiting = Places(waiting)
        self._wait_s = wait_s
        self._usual_s = 0.0

    def take_or_wait(self) -> float:
        """Take a place and return how long that took, in seconds, or raise `NoPlace`."""
        try:
            self.take()
        except NoPlace:
            return self._wait()
        return 0.0

    def _wait(self) -> float:
        began_s = time.perf_counter()
        self.waiting.take()
        try:
            self.take(self._wait_s)
        finally:
            self.waiting.give_back()
        return time.perf_counter() - began_s

    def leave(self, computed_s: float) -> None:
        """Give a place back and remember how long computing takes these days."""
        self._usual_s += (computed_s - self._usual_s) / 16
        self.give_back()

    @property
    def retry_after_s(self) -> int:
        """In how many seconds those who compute and wait now should be done, whole and at least one."""
        ahead = self.taken + self.waiting.taken
        return max(1, min(LONGEST_RETRY_S, math.ceil(ahead * self._usual_s / self.number)))
