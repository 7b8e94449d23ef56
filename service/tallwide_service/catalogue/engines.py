"""Engines: who does the parts that are missing. All give the same bytes; what differs is where they run."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from pathlib import Path
from typing import Any

import pyarrow as pa

from tallwide_service.catalogue.failures import CatalogueError
from tallwide_service.catalogue.part import do_part
from tallwide_service.catalogue.plan import Plan
from tallwide_service.core.clips import ClipSolver

Done = Callable[[int], None]


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def by_threads(plan: Plan, folder: Path, numbers: Iterable[int], threads: int, done: Done) -> None:
    """Do parts in threads of this process; what they have solved they share."""
    # One thread a part: the library's own would fight with them.
    pa.set_cpu_count(1)
    pa.set_io_thread_count(1)
    solver = ClipSolver(plan.deliverables, plan.framing)
    with ThreadPoolExecutor(threads) as pool:
        for clips in _in_turn(pool, threads, lambda number: do_part(plan, folder, number, solver), numbers):
            done(clips)


def _in_turn(
    pool: ThreadPoolExecutor, threads: int, call: Callable[[int], int], numbers: Iterable[int]
) -> Iterator[int]:
    """Yield results as they come; after the first failure nothing more is begun."""
    waiting: set[Future[int]] = set()
    left = iter(numbers)
    while True:
        for number in left:
            waiting.add(pool.submit(call, number))
            if len(waiting) > threads:
                break
        if not waiting:
            return
        finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
        try:
            for future in finished:
                yield future.result()
        except BaseException:
            for future in waiting:
                future.cancel()
            raise


def by_dask(plan: Plan, folder: Path, numbers: Iterable[int], scheduler: str, done: Done) -> None:
    """Do parts on a Dask cluster that somebody else runs; its workers see the same files under the same names.

    A worker that is lost costs the parts that it was at; the scheduler gives them to another.

    Raises
    ------
    CatalogueError
        If the scheduler cannot be reached, or parts fail again and again.
    """
    import distributed  # noqa: PLC0415 - most runs need no Dask
    from distributed.scheduler import KilledWorker  # noqa: PLC0415

    try:
        client: Any = distributed.Client(scheduler, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise CatalogueError(f"no Dask scheduler answers at {scheduler}: {error}") from error
    with client:
        futures = [
            client.submit(
                _do_part_there,
                str(folder),
                plan.identity,
                number,
                key=f"tallwide-{plan.identity[:16]}-{number}",
                pure=False,
            )
            for number in numbers
        ]
        for future in distributed.as_completed(futures, loop=client.loop):
            try:
                done(future.result())
            except KilledWorker as error:
                raise CatalogueError(f"workers were lost again and again: {error}") from error
            future.release()


_PATIENCE_S = 10
_solvers: dict[str, tuple[Plan, ClipSolver]] = {}


def _do_part_there(folder: str, identity: str, number: int) -> int:
    """Do one part in a worker process, which reads the plan once."""
    known = _solvers.get(identity)
    if known is None:
        plan = Plan.read(Path(folder))
        if plan.identity != identity:
            raise CatalogueError(f"the plan in {folder} is another one on this worker")
        _solvers.clear()
        known = _solvers[identity] = (plan, ClipSolver(plan.deliverables, plan.framing))
    return do_part(known[0], Path(folder), number, known[1])
