"""Time and memory of the heaviest requests of every endpoint, each in a process of its own.

    PYTHONPATH=tests python tests/benchmarks/worst_inputs.py [--all] [--path /v1/...]

Prints the slowest and the largest request of each endpoint (`--all`: every one), in seconds of processor time and MB of
the whole process, libraries included; fails where one is refused or beyond the bounds. Stills and the largest pictures
have a command of their own, `largest_pictures.py`.
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

MOST_S, MOST_MB = 2.0, 300.0
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
        return self.status == 200 and self.seconds <= MOST_S and self.megabytes <= MOST_MB


def main() -> int:
    """Measure, print, and return whether all is within the bounds."""
    options = argparse.ArgumentParser()
    options.add_argument("--all", action="store_true")
    options.add_argument("--path")
    wanted = options.parse_args()
    app = create_app(is_bounded=False)
    by_path: dict[str, list[Taken]] = {}
    for request in heavy_requests():
        if wanted.path in (None, request.path):
            by_path.setdefault(request.path, []).append(measured(app, request))
    for path, taken in by_path.items():
        slowest, largest = max(taken, key=lambda one: one.seconds), max(taken, key=lambda one: one.megabytes)
        for each in taken if wanted.all else [slowest] if slowest is largest else [slowest, largest]:
            mark = "" if each.is_within else "  BEYOND"
            words = f"{path:36} {each.seconds:6.2f} s {each.megabytes:5.0f} MB  {each.status}  {each.request.name}"
            sys.stdout.write(f"{words}{mark}\n")
    return 0 if all(each.is_within for taken in by_path.values() for each in taken) else 1


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
