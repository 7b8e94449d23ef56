"""`python tests/benchmarks/decisions.py`: how long the largest accepted decisions take, on one core, solver alone.

32 deliverables, 9 captures, 3 rolls, 2 passes and a day of shooting; the most rows of coverage; every case in a process
of its own, so that memory is its own too.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable
from dataclasses import replace
from multiprocessing import get_context

from tallwide.job import Align, Capture, Deliverable, Framing, Job, Lens, LensChoice, Point, Production, Raster
from tallwide_service.core import coverage, orientation
from tallwide_service.limits import LIMITS

WIDTH, HEIGHT, PITCH_UM = 12_288, 8_640, 5
DAY = Production(
    shots=10,
    takes_per_shot=3,
    minutes_per_take=4,
    minutes_per_changeover=15,
    minutes_available=300,
    megabytes_available=2_000_000,
)
CIRCLE = Lens(image_circle_mm=60)


def frames(count: int, *, apart: bool = False) -> tuple[Deliverable, ...]:
    """Return deliverables of many shapes; `apart` align at four heights, so that on one point they are rivals."""
    return tuple(
        Deliverable(
            f"frame {index}",
            raster=Raster(1000 + 137 * index % 2900, 4000 - 61 * index),
            align=Align(0.5, index % 4 / 3) if apart else Align(),
        )
        for index in range(count)
    )


def modes(count: int, lens: Lens | None = None, width: int = WIDTH, height: int = HEIGHT) -> tuple[Capture, ...]:
    """Return recording modes, each a little smaller than the one before it."""
    return tuple(
        Capture(
            Raster(width - 90 * index, height - 60 * index),
            label=f"mode {index}",
            photosite_pitch_um=PITCH_UM,
            data_rate_mb_s=300 + 10 * index,
            lens=lens,
        )
        for index in range(count)
    )


def day(captures: tuple[Capture, ...], *, together: bool = False, most: int = LIMITS.deliverables) -> Job:
    """Return a whole day's decision."""
    framing = Framing("shared_point", point=Point(None, None)) if together else Framing()
    return Job(captures[0], frames(most, apart=together), framing, alternatives=captures[1:], production=DAY)


def rental(rows: int, *, together: bool = False) -> Job:
    """Return a table of coverage with as many rows as are computed: of 16 deliverables on two modes."""
    count, captures = 16, modes(2)
    lenses = tuple(
        LensChoice(f"lens {index}", image_circle_mm=40 + index, focal_length_mm=20 + index)
        for index in range(rows // count // len(captures))
    )
    framing = Framing("shared_point", point=Point(None, None)) if together else Framing()
    return Job(captures[0], frames(count, apart=together), framing, captures=captures, lenses=lenses)


CASES: dict[str, tuple[Callable[[Job], object], Callable[[], Job]]] = {
    "alone": (orientation, lambda: day(modes(9))),
    "alone, image circles": (orientation, lambda: day(modes(9, CIRCLE))),
    "alone, 65,000 px, image circles": (orientation, lambda: day(modes(9, Lens(image_circle_mm=330), 65_000, 43_000))),
    "one point": (orientation, lambda: day(modes(9), together=True)),
    "one point, 65,000 px": (orientation, lambda: day(modes(9, None, 65_000, 43_000), together=True)),
    "one point, image circles": (orientation, lambda: day(modes(9, CIRCLE), together=True)),
    "one point, image circles, 8 frames": (orientation, lambda: day(modes(9, CIRCLE), together=True, most=8)),
    "one point, image circles, 4 frames, 1 mode": (
        orientation,
        lambda: day(modes(1, Lens(image_circle_mm=24), 4800, 3200), together=True, most=4),
    ),
    "coverage": (coverage, lambda: rental(LIMITS.coverage_rows)),
    "coverage, one point": (coverage, lambda: rental(LIMITS.coverage_rows_together, together=True)),
}


def measured(case: str) -> tuple[float, float, str]:
    """Return seconds of processor time, peak MB, and what came of it."""
    compute, job_of = CASES[case]
    small = job_of()
    compute(replace(small, deliverables=small.deliverables[:1], alternatives=None, production=None))
    job = job_of()
    begin = time.process_time()
    answer = compute(job)
    taken = time.process_time() - begin
    said = f"{len(answer)} rows" if isinstance(answer, tuple) else answer.considered.proof  # type: ignore[attr-defined]
    return taken, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, said


def main() -> None:
    """Print a line a case."""
    argparse.ArgumentParser(prog="python tests/benchmarks/decisions.py", description=__doc__).parse_args()
    with get_context("spawn").Pool(1, maxtasksperchild=1) as pool:
        for case, (taken, peak_mb, said) in zip(CASES, pool.imap(measured, CASES), strict=True):
            print(f"{case:<45}{taken:6.2f} s{peak_mb:7.0f} MB  {said}", flush=True)


if __name__ == "__main__":
    main()
