"""A small archive of invented clips, and processes that solve it."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa

ROOT = Path(__file__).parents[1]
PATIENCE_S = 90
WANTED = {
    "deliverables": [
        {"label": "portrait", "raster": {"width": 1440, "height": 1800}},
        {"label": "tall, titles <b>", "raster": {"width": 1080, "height": 1920}, "align": {"y": 0}},
        {"label": "square", "aspect": "1:1", "protection": {"each_side": 0.05}},
    ],
    "framing": {"aspect_tolerance": 0.002},
}


def archive(count: int, seed: int = 3) -> pa.Table:
    """Clips of a few invented modes, some of them with rasters of their own, one in fifty too small for a frame."""
    rng = np.random.default_rng(seed)
    modes = rng.integers(0, 12, count)
    width = rng.choice([1920, 2048, 3840, 4608, 6144], 12)[modes]
    height = rng.choice([1080, 1152, 2160, 3164], 12)[modes]
    is_odd = rng.random(count) < 0.1
    width = np.where(is_odd, rng.integers(1, 9000, count), width)
    height = np.where(rng.random(count) < 0.02, 1, height)
    return pa.table(
        {
            "id": [f"clip-{number}" for number in range(count)],
            "mode": [None if number % 3 else f"mode {mode}" for number, mode in enumerate(modes)],
            "raster_width_px": width.astype(np.int32),
            "raster_height_px": height.astype(np.int32),
            "squeeze": rng.choice([1, 1, 1.33, 2], 12)[modes],
            "roll_deg": rng.choice([0, 0, 90, 180], 12)[modes].astype(np.int16),
        }
    )


def output(folder: Path) -> dict[str, bytes]:
    """Every file of a run by its name, but for the plan, which says where the clips lie."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "plan.json"
    }


def command(*arguments: str) -> list[str]:
    """The command line as a process of its own."""
    return [sys.executable, "-m", "tallwide", "catalogue", *arguments]


def environment() -> dict[str, str]:
    """What a process of its own needs to find the project."""
    paths = [str(ROOT / "sdk"), str(ROOT / "service"), os.environ.get("PYTHONPATH", "")]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in paths if path)}


def start(arguments: list[str], **options) -> subprocess.Popen:
    """Start a process of the project's own."""
    return subprocess.Popen(arguments, env=environment(), **options)


def until(condition: Callable[[], bool], process: subprocess.Popen | None = None) -> None:
    """Wait until something is so, while a process runs."""
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError("nothing happens")
        if process is not None and process.poll() is not None:
            raise AssertionError("the process ended too early")
        time.sleep(0.005)


@contextlib.contextmanager
def dask_cluster(folder: Path) -> Iterator[tuple[str, list[subprocess.Popen]]]:
    """A scheduler and two worker processes of one thread, on loopback: the scheduler's address, and the workers."""
    told = folder / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    dask = [sys.executable, "-m", "dask"]
    here = ["--host", "127.0.0.1", "--no-dashboard"]
    processes = [start([*dask, "scheduler", *here, "--port", "0", "--scheduler-file", str(told)], **quiet)]
    try:
        until(told.exists, processes[0])
        address = json.loads(told.read_text(encoding="utf-8"))["address"]
        for number in range(2):
            own = ["--nthreads", "1", "--no-nanny", "--local-directory", str(folder / f"worker-{number}")]
            processes.append(start([*dask, "worker", address, *here, *own], **quiet))
        yield address, processes[1:]
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()
