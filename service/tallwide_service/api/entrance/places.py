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


class WaitedFor(Places):
    """Places with a bounded number of places to wait in.

    Parameters
    ----------
    number
        Requests that have a place at a time.
    waiting
        Requests that may wait.
    """

    def __init__(self, number: int, *, waiting: int) -> None:
        super().__init__(number)
        self.waiting = Places(waiting)

    def take_until(self, ends_s: float) -> None:
        """Take a place, waiting for it up to a moment of `time.monotonic`, or raise `NoPlace`."""
        try:
            self.take()
        except NoPlace:
            self.waiting.take()
            try:
                self.take(max(0.0, ends_s - time.monotonic()))
            finally:
                self.waiting.give_back()


class ComputingPlaces:
    """Places to compute in. Slow calls never have all of them where there are several, nor all places to wait in.

    A quick call therefore waits for quick calls alone, and its time does not depend on what else is asked for.

    Parameters
    ----------
    number
        Requests that compute at a time.
    waiting
        Requests that may wait, and as many of the slow ones.
    wait_s
        How long one may wait.
    """

    def __init__(self, number: int, *, waiting: int, wait_s: float) -> None:
        self._all = WaitedFor(number, waiting=waiting)
        self._slow = WaitedFor(max(1, number - 1), waiting=waiting)
        self._wait_s = wait_s
        self._usual_s = 0.0

    @property
    def taken(self) -> int:
        """How many compute now."""
        return self._all.taken

    @property
    def waited_for(self) -> int:
        """How many wait now."""
        return self._all.waiting.taken + self._slow.waiting.taken

    def take_or_wait(self, *, is_slow: bool) -> float:
        """Take a place and return how long that took, in seconds, or raise `NoPlace`."""
        began_s = time.monotonic()
        ends_s = began_s + self._wait_s
        if not is_slow:
            self._all.take_until(ends_s)
            return time.monotonic() - began_s
        self._slow.take_until(ends_s)
        try:
            self._all.take_until(ends_s)
        except BaseException:
            self._slow.give_back()
            raise
        return time.monotonic() - began_s

    def leave(self, computed_s: float, *, is_slow: bool) -> None:
        """Give a place back and remember how long computing takes these days."""
        self._usual_s += (computed_s - self._usual_s) / 16
        self._all.give_back()
        if is_slow:
            self._slow.give_back()

    @property
    def retry_after_s(self) -> int:
        """In how many seconds those who compute and wait now should be done, whole and at least one."""
        ahead = self.taken + self.waited_for
        return max(1, min(LONGEST_RETRY_S, math.ceil(ahead * self._usual_s / self._all.number)))
