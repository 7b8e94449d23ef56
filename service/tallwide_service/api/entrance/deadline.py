"""Deadlines: work past its time ends, and its thread is free again.

The core knows no clock, so it cannot look at one. A watching thread looks instead, and has the interpreter raise
`Expired` in the thread that computes, at the next bytecode after whatever C call runs there. This is only ever done
between `begin` and `end` of a stretch, under its lock; `end` takes back what has not been delivered yet. So nothing is
raised later, in a thread that serves somebody else.
"""

from __future__ import annotations

import ctypes
import math
import os
import threading
import time
import weakref
from collections.abc import Callable
from time import sleep
from typing import Any, TypeVar

Result = TypeVar("Result")
TICK_S = 0.05
# An exception that hits a destructor is swallowed by the interpreter, so a stretch that goes on is told again.
AGAIN_S, MOST_TIMES = 1.0, 5

_raise_in = ctypes.pythonapi.PyThreadState_SetAsyncExc
_raise_in.argtypes = (ctypes.c_ulong, ctypes.py_object)
_take_back = ctypes.PYFUNCTYPE(ctypes.c_int, ctypes.c_ulong, ctypes.c_void_p)(
    ("PyThreadState_SetAsyncExc", ctypes.pythonapi)
)


class Expired(BaseException):
    """Raised in the middle of work whose time is over; no `except Exception` on its way may hold it up."""


class OutOfTime(Exception):
    """Work did not end in time, and has been ended."""


class Stretch:
    """The work that one thread does under a deadline, one after another."""

    __slots__ = ("__weakref__", "ends_s", "lock", "process", "thread", "times")

    def __init__(self) -> None:
        self.thread, self.process = threading.get_ident(), os.getpid()
        self.lock = threading.Lock()
        self.ends_s = math.inf
        self.times = 0

    def end(self) -> None:
        """Have nothing raised from here on, and take back what is on its way."""
        with self.lock:
            self.ends_s = math.inf
            if self.times:
                _take_back(self.thread, None)
                self.times = 0

    def end_if_late(self, now_s: float) -> None:
        """Raise `Expired` in the thread if its time is over."""
        if now_s < self.ends_s:
            return
        with self.lock:
            if now_s >= self.ends_s and self.times < MOST_TIMES:
                self.times += 1
                self.ends_s = now_s + AGAIN_S
                _raise_in(self.thread, Expired)


class Deadline:
    """Runs calls for a time at most; one call of a thread does not hold another.

    Parameters
    ----------
    seconds
        How long a call may take.
    """

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self._local = threading.local()
        self._stretches: weakref.WeakSet[Stretch] = weakref.WeakSet()
        self._lock = threading.Lock()
        self._watching_in = 0

    def run(self, call: Callable[..., Result], *arguments: Any) -> Result:
        """Return what a call returns.

        Raises
        ------
        OutOfTime
            If it took too long; it has been ended by `Expired`.
        """
        stretch: Stretch | None = getattr(self._local, "stretch", None)
        if stretch is None or stretch.process != os.getpid():
            stretch = self._new_stretch()
        try:
            try:
                stretch.ends_s = time.monotonic() + self.seconds
                return call(*arguments)
            finally:
                while stretch.ends_s != math.inf or stretch.times:
                    try:  # noqa: SIM105 - a context manager would be further steps on which to be hit
                        stretch.end()
                    except Expired:
                        pass
        except Expired:
            raise OutOfTime from None

    def _new_stretch(self) -> Stretch:
        stretch = self._local.stretch = Stretch()
        with self._lock:
            self._stretches.add(stretch)
            if self._watching_in != stretch.process:  # the first one, or the first one after a fork
                self._watching_in = stretch.process
                threading.Thread(target=_watch, args=(weakref.ref(self),), name="deadlines", daemon=True).start()
        return stretch

    def look(self) -> None:
        """End what is late."""
        now_s = time.monotonic()
        with self._lock:
            stretches = list(self._stretches)
        for stretch in stretches:
            stretch.end_if_late(now_s)


def _watch(watched: weakref.ref[Deadline]) -> None:
    """Look every now and then, for as long as there is somebody to look after."""
    while (deadline := watched()) is not None:
        deadline.look()
        del deadline
        sleep(TICK_S)
