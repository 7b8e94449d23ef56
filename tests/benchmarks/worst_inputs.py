"""Time and memory of the heaviest requests of every endpoint, each in a process of its own.

    PYTHONPATH=tests python tests/benchmarks/worst_inputs.py [--all] [--path /v1/...]

Prints the slowest and the largest request of each endpoint (`--all`: every one), in seconds of processor time and MB of
the whole process, libraries included, as a table for DEVELOPERS.md; fails where one is refused or beyond the bounds.
Stills and the largest pictures have a command of their own, `largest_pictures.py`.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import sys
import time
from multiprocessing.connection import Connection
from typing import NamedTuple

from flask import Flask

from tallwide_service import create_app
from worst_jobs import Heavy, heavy_requests

MOST_S, MOST_HOSTILE_S, MOST_MB = 2.0, 5.0, 300.0
CUT_OFF_S = 60
FORK = multiprocessing.get_context("fork")


class Taken(NamedTuple):
    """What one request took."""

    request: Heavy
    status: int
    seconds: float
    megabytes: float

    @property
    def is_within(self) -> bool:
        """Whether it was answered within the bounds."""
        most_s = MOST_HOSTILE_S if self.request.is_hostile else MOST_S
        return self.status == 200 and self.seconds <= most_s and self.megabytes <= MOST_MB


def main() -> int:
    """Measure, print, and return whether all is within the bounds."""
    options = argparse.ArgumentParser()
    options.add_argument("--all", action="store_true")
    options.add_argument("--path")
    wanted = options.parse_args()
    app = create_app(is_bounded=False)
    taken = [measured(app, each) for each in heavy_requests() if wanted.path in (None, each.path)]
    by_path: dict[str, list[Taken]] = {}
    for each in taken:
        by_path.setdefault(each.request.path, []).append(each)
    rows = taken if wanted.all else [one for path in by_path.values() for one in worst_of(path)]
    sys.stdout.write("| endpoint | s | MB | request |\n| --- | --- | --- | --- |\n")
    for each in rows:
        words = each.request.name if each.is_within else f"{each.request.name}: BEYOND, {each.status}"
        sys.stdout.write(f"| `{each.request.path}` | {each.seconds:.1f} | {each.megabytes:.0f} | {words} |\n")
    return 0 if all(each.is_within for each in taken) else 1


def worst_of(taken: list[Taken]) -> list[Taken]:
    """Return the slowest request, the slowest but for hostile ones, and the largest, each once."""
    ordinary = [each for each in taken if not each.request.is_hostile]
    slowest = max(taken, key=lambda one: one.seconds), max(ordinary, key=lambda one: one.seconds)
    largest = max(taken, key=lambda one: one.megabytes)
    return [each for each in taken if each in (*slowest, largest)]


def measured(app: Flask, request: Heavy) -> Taken:
    """Return what one request takes in a process that has answered nothing before."""
    ours, theirs = FORK.Pipe(duplex=False)
    child = FORK.Process(target=answer, args=(app, request, theirs))
    child.start()
    status, seconds, megabytes = ours.recv() if ours.poll(CUT_OFF_S) else (0, float(CUT_OFF_S), 0.0)
    child.kill()
    child.join()
    return Taken(request, status, seconds, megabytes)


def answer(app: Flask, request: Heavy, pipe: Connection) -> None:
    """Answer in a child process."""
    began_s = time.process_time()
    response = app.test_client().post(request.path, data=request.body, headers=request.headers)
    response.get_data()
    seconds = time.process_time() - began_s
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    if response.status_code != 200:
        sys.stderr.write(f"{request.path} {request.name} {response.get_data(as_text=True)[:300]}\n")
    pipe.send((response.status_code, seconds, megabytes))


if __name__ == "__main__":
    sys.exit(main())
