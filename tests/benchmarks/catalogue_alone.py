"""A whole archive: two threads beside one, and a Dask cluster of two processes beside two threads."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from archive import WANTED, write_archive
from measure import Row, in_turn, timed

from tallwide_service.catalogue.plan import Plan, make_plan
from tallwide_service.catalogue.run import Engine, checked_deliverables, do_missing, lay_down

SOURCES = [str(path) for path in (Path(__file__).parents[2] / "sdk", Path(__file__).parents[2] / "service")]
PATIENCE_S = 60


@contextlib.contextmanager
def dask_cluster(folder: Path) -> Iterator[str]:
    """A scheduler and two worker processes of one thread, on loopback; gives the scheduler's address."""
    told = folder / "scheduler.json"
    paths = os.pathsep.join([*SOURCES, os.environ.get("PYTHONPATH", "")])
    dask = [sys.executable, "-m", "dask"]
    here = ["--host", "127.0.0.1", "--no-dashboard"]
    options = {
        "stdout": subprocess.DEVNULL,
        "stderr": subprocess.DEVNULL,
        "cwd": folder,
        "env": {**os.environ, "PYTHONPATH": paths},
    }
    processes = [subprocess.Popen([*dask, "scheduler", *here, "--port", "0", "--scheduler-file", str(told)], **options)]
    try:
        deadline = time.monotonic() + PATIENCE_S
        while not told.exists():
            if time.monotonic() > deadline:
                raise RuntimeError("the Dask scheduler does not start")
            time.sleep(0.05)
        address = json.loads(told.read_text(encoding="utf-8"))["address"]
        worker = [*dask, "worker", address, *here, "--nthreads", "1", "--no-nanny"]
        processes += [
            subprocess.Popen([*worker, "--local-directory", str(folder / name)], **options) for name in ("one", "two")
        ]
        yield address
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()


def run(plan: Plan, folder: Path, engine: Engine) -> float:
    """Return the seconds that a run takes into a new folder, its summary left out."""
    shutil.rmtree(folder, ignore_errors=True)
    lay_down(plan, folder)
    return timed(lambda: do_missing(plan, folder, range(len(plan.parts)), engine, lambda *_: None))


def rows(rounds: int, clips: int) -> list[Row]:
    """Return what a clip of an archive costs."""
    with tempfile.TemporaryDirectory() as name, dask_cluster(Path(name)) as address:
        folder = Path(name)
        write_archive(folder / "clips.parquet", clips, rows_a_group=clips // 8)
        plan = make_plan(
            [str(folder / "clips.parquet")],
            checked_deliverables(WANTED),
            {},
            form="parquet",
            part_clips=clips // 8,
        )
        engines = Engine(1), Engine(2), Engine(2, address)
        one, two, dask = in_turn(
            rounds, *(lambda engine=engine: run(plan, folder / "out", engine) for engine in engines)
        )
    each = 1e9 / clips
    return [
        Row(
            f"catalogue: {clips:,} clips, two threads beside one",
            f"{two * each:.0f} ns a clip",
            f"{one * each:.0f} ns",
            one / two,
            1.6,
            "at least",
        ),
        Row(
            "catalogue: two Dask processes beside two threads",
            f"{dask * each:.0f} ns a clip",
            f"{two * each:.0f} ns",
            dask / two,
            1.2,
            "at most",
        ),
    ]
