"""Running: plan a folder once, do what is missing, verify the whole."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tallwide.wire import to_wire
from tallwide_service.api.body import job_for_clips
from tallwide_service.api.problems import Problem
from tallwide_service.arrow.frames import problem_document
from tallwide_service.catalogue.engines import by_dask, by_threads
from tallwide_service.catalogue.failures import CatalogueError, RefusedDeliverables
from tallwide_service.catalogue.part import is_done
from tallwide_service.catalogue.plan import PLAN_FILE, Plan, write_whole


@dataclass(frozen=True, slots=True)
class Shard:
    """Every `count`-th part, beginning with part `index`."""

    index: int
    count: int

    @classmethod
    def of(cls, written: str) -> Shard:
        """Return a shard written i/n, i from 0 to n - 1.

        Raises
        ------
        CatalogueError
            If it is not written so.
        """
        index, slash, count = written.partition("/")
        if not slash or not (index.isdecimal() and count.isdecimal()) or int(index) >= int(count):
            raise CatalogueError(f"a shard is written i/n with i from 0 to n - 1, not {written!r}")
        return cls(int(index), int(count))

    def parts(self, plan: Plan) -> Iterable[int]:
        """Return the numbers of its parts."""
        return range(self.index, len(plan.parts), self.count)


@dataclass(frozen=True, slots=True)
class Engine:
    """Who does the parts: `threads` of this process, or the Dask cluster of a scheduler."""

    threads: int
    scheduler: str | None = None


def checked_deliverables(document: Any) -> dict[str, Any]:
    """Return deliverables and framing of a document with their defaults.

    Parameters
    ----------
    document
        A list of deliverables, or an object with `deliverables` and perhaps `framing`: a job is one.

    Raises
    ------
    RefusedDeliverables
        If the service would refuse them.
    """
    members = {"deliverables": document} if isinstance(document, list) else document
    if not isinstance(members, dict):
        raise CatalogueError("deliverables are a JSON list, or an object with a member deliverables")
    kept = {name: members[name] for name in ("deliverables", "framing") if name in members}
    try:
        job = job_for_clips(kept)
    except Problem as problem:
        raise RefusedDeliverables(
            problem_document(problem.slug, problem.title, problem.detail, problem.faults or [], status=problem.status)
        ) from problem
    return {"deliverables": to_wire(job.deliverables), "framing": to_wire(job.framing)}


def lay_down(plan: Plan, folder: Path) -> None:
    """Put a plan into a folder that holds none, or the same.

    Raises
    ------
    CatalogueError
        If the folder holds another one.
    """
    if (folder / PLAN_FILE).exists():
        try:
            is_same = Plan.read(folder).identity == plan.identity
        except CatalogueError:
            is_same = False
        if not is_same:
            raise CatalogueError(
                f"{folder} holds another run (other clips, deliverables or options): choose a new folder"
            )
    write_whole(folder / PLAN_FILE, plan.to_json())


def do_missing(
    plan: Plan, folder: Path, numbers: Iterable[int], engine: Engine, told: Callable[[int, int], None]
) -> int:
    """Do the parts that are not done yet; return how many there were.

    Parameters
    ----------
    told
        Called with clips done by now and clips in all, at first with what was there.
    """
    chosen = list(numbers)
    missing = [number for number in chosen if not is_done(plan, folder, number)]
    whole = sum(plan.parts[number].rows for number in chosen)
    ready = whole - sum(plan.parts[number].rows for number in missing)
    told(ready, whole)

    def done(clips: int) -> None:
        nonlocal ready
        ready += clips
        told(ready, whole)

    if engine.scheduler is not None:
        by_dask(plan, folder, missing, engine.scheduler, done)
    else:
        by_threads(plan, folder, missing, engine.threads, done)
    return len(missing)
