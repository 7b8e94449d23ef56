"""The core alone: one job of four deliverables, exactly solved."""

from __future__ import annotations

from collections.abc import Callable

import claims
from job import document
from measure import Row, in_turn, timed

from tallwide.job import Job
from tallwide.wire import from_wire
from tallwide_service.core import margins, solve
from tallwide_service.core.plain import place_plain

JOBS = 40
# The raster's grid and tolerance, and of each deliverable of `job.document`: ratio, align point, protection.
GRID, TOLERANCE = (2, 2, 2, 2), (1, 500)
FRAMES = (
    ((16, 9), (1, 2, 1, 2), None),
    ((239, 100), (1, 2, 1, 2), None),
    ((9, 16), (1, 2, 1, 2), (1, 20) * 4),
    ((4, 5), (1, 2, 0, 1), None),
)


def rows(rounds: int) -> list[Row]:
    """Return what a job costs without any web around it."""
    jobs = [from_wire(Job, document(12_288 - 2 * number)) for number in range(JOBS)]

    def each(compute: Callable[[Job], object]) -> Callable[[], float]:
        return lambda: timed(lambda: [compute(job) for job in jobs]) / JOBS

    rasters = [(job.capture.raster.width, job.capture.raster.height) for job in jobs]

    def place() -> None:
        for raster in rasters:
            for ratio, align, protection in FRAMES:
                place_plain(raster, GRID, ratio, TOLERANCE, align, protection)

    placing, solving, weighing = in_turn(
        rounds, lambda: timed(place) / JOBS, each(solve), each(lambda job: margins(job, solve(job)))
    )
    return [
        Row(
            claim=claims.FOUR_EXTRACTIONS,
            measured=f"{placing * 1e6:.1f} us",
            peer=f"as a job of nouns {solving * 1e6:.0f} us",
            value=placing * 1e6,
        ),
        Row(
            claim=claims.FOUR_AS_NOUNS,
            measured=f"{solving * 1e3:.3f} ms",
            peer=f"with margins {weighing * 1e3:.3f} ms",
            value=solving * 1e3,
        ),
    ]
