"""Deadlines: late work ends, and nothing is ever raised where no deadline holds."""

from __future__ import annotations

import contextlib
import gc
import threading
import time
from collections import Counter

import pytest

from tallwide_service.api.entrance import deadline
from tallwide_service.api.entrance.deadline import Deadline, Expired, OutOfTime


def counted_to(number: int) -> int:
    total = 0
    for each in range(number):
        total += each
    return total


def endless() -> None:
    while True:
        pass


def test_work_in_time_is_returned_as_it_is():
    assert Deadline(5).run(counted_to, 10) == 45


def test_work_that_fails_fails_as_it_did():
    with pytest.raises(ZeroDivisionError):
        Deadline(5).run(lambda: 1 / 0)


def test_work_past_its_time_is_ended_and_the_thread_is_free():
    held = Deadline(0.1)
    began = time.monotonic()
    with pytest.raises(OutOfTime):
        held.run(endless)
    assert 0.1 <= time.monotonic() - began < 5
    assert held.run(counted_to, 10) == 45


def test_no_except_exception_holds_it_up():
    def stubborn() -> None:
        while True:
            with contextlib.suppress(Exception):
                endless()

    with pytest.raises(OutOfTime):
        Deadline(0.1).run(stubborn)


def test_work_that_swallows_the_first_word_is_told_again(monkeypatch):
    monkeypatch.setattr(deadline, "AGAIN_S", 0.1)
    swallowed = []

    def swallowing() -> None:
        try:
            endless()
        except Expired as word:  # as a destructor would
            swallowed.append(word)
        endless()

    with pytest.raises(OutOfTime):
        Deadline(0.1).run(swallowing)
    assert len(swallowed) == 1


def test_a_lock_that_late_work_held_is_free():
    lock = threading.Lock()

    def holding() -> None:
        with lock:
            endless()

    with pytest.raises(OutOfTime):
        Deadline(0.1).run(holding)
    assert lock.acquire(timeout=1)


def test_nothing_is_raised_after_the_work_has_ended():
    """Thousands of calls of about the time that they have, in four threads, with unguarded work in between."""
    hurried = Deadline(0.002)
    counts, escaped = Counter(), []

    def one_after_another(seed: int) -> None:
        until = time.monotonic() + 4
        number = seed
        try:
            while time.monotonic() < until:
                number = (number * 1103515245 + 12345) % 60_000
                try:
                    assert hurried.run(counted_to, number) == number * (number - 1) // 2
                    counts["in time"] += 1
                except OutOfTime:
                    counts["late"] += 1
                counted_to(number // 50)
        except BaseException as error:  # that is what is looked for
            escaped.append(error)

    stop = threading.Event()

    def watch_closely() -> None:
        while not stop.is_set():
            hurried.look()
            stop.wait(0.0002)

    watching = threading.Thread(target=watch_closely)
    workers = [threading.Thread(target=one_after_another, args=(seed,)) for seed in range(4)]
    for thread in (watching, *workers):
        thread.start()
    for thread in workers:
        thread.join()
    stop.set()
    watching.join()
    assert escaped == []
    assert counts["late"] > 100
    assert counts["in time"] > 100


def test_a_deadline_that_nobody_keeps_is_watched_no_longer():
    names = [thread.name for thread in threading.enumerate()]
    Deadline(5).run(counted_to, 10)
    gc.collect()
    for _ in range(100):
        if [thread.name for thread in threading.enumerate()].count("deadlines") <= names.count("deadlines"):
            return
        time.sleep(0.02)
    pytest.fail("a thread goes on watching nothing")
