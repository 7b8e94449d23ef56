"""The core alone: one job of four deliverables, exactly solved."""

from __future__ import annotations

from collections.abc import Callable

from job import document
from measure import Row, in_turn, timed

from tallwide.job import Job
from tallwide.wire import from_wire
from tallwide_service.core import margins, solve

JOBS = 40


def rows(rounds: int) -> list[Row]:
    """Return what a job costs without any web around it."""
    jobs = [from_wire(Job, document(12_288 - 2 * number)) for number in range(JOBS)]

    def each(compute: Callable[[Job], object]) -> Callable[[], float]:
        return lambda: timed(lambda: [compute(job) for job in jobs]) / JOBS

    solving, weighing = in_turn(rounds, each(solve), each(lambda job: margins(job, solve(job))))
    return [
        Row(
            part="core: solve, 4 deliverables, 12,288 x 8,640",
            measured=f"{solving * 1e3:.3f} ms",
            peer=f"with margins {weighing * 1e3:.3f} ms",
            value=solving * 1e3,
            bound=2.0,
            way="at most",
            unit=" ms",
        )
    ]
