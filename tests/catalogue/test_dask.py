"""A real Dask cluster on loopback: a scheduler, two worker processes, one of them killed in the middle."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time

import pyarrow.parquet as pq
import pytest

from clip_archive import archive, command, output, start
from tallwide_service.catalogue.part import is_done
from tallwide_service.catalogue.plan import Plan

PATIENCE_S = 90
PARTS = 90


def until(condition, process=None):
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline, "nothing happens"
        assert process is None or process.poll() is None, "the process ended too early"
        time.sleep(0.005)


@pytest.fixture
def cluster(tmp_path):
    """The scheduler's address, and its two workers."""
    told = tmp_path / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    dask = [sys.executable, "-m", "dask"]
    here = ["--host", "127.0.0.1", "--no-dashboard"]
    processes = [start([*dask, "scheduler", *here, "--port", "0", "--scheduler-file", str(told)], **quiet)]
    try:
        until(told.exists, processes[0])
        address = json.loads(told.read_text(encoding="utf-8"))["address"]
        for number in range(2):
            own = ["--nthreads", "1", "--no-nanny", "--local-directory", str(tmp_path / f"worker-{number}")]
            processes.append(start([*dask, "worker", address, *here, *own], **quiet))
        yield address, processes[1:]
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()


def test_a_run_outlives_a_worker_and_gives_the_same_bytes(solve, wanted, tmp_path, cluster):
    address, workers = cluster
    clips = tmp_path / "clips.parquet"
    pq.write_table(archive(PARTS * 1_000), clips, row_group_size=1_000)
    options = ["--part-clips", "1000"]
    whole = output(solve(clips, tmp_path / "whole", *options))
    out = tmp_path / "out"
    arguments = ["run", str(clips), "--deliverables", str(wanted), "--out", str(out), *options]
    run = start(command(*arguments, "--engine", "dask", "--scheduler", address), stderr=subprocess.PIPE, text=True)
    done = out / "done"
    until(lambda: done.is_dir() and len(list(done.glob("part-*.json"))) >= 4, run)
    workers[0].send_signal(signal.SIGKILL)
    plan = Plan.read(out)
    assert sum(is_done(plan, out, number) for number in range(PARTS)) < PARTS
    _, words = run.communicate(timeout=PATIENCE_S)
    assert run.returncode == 0, words
    assert workers[0].wait(5) == -signal.SIGKILL
    assert output(out) == whole


def test_a_scheduler_that_is_not_there_is_named(wanted, tmp_path):
    clips = tmp_path / "clips.parquet"
    pq.write_table(archive(10), clips)
    arguments = ["run", str(clips), "--deliverables", str(wanted), "--out", str(tmp_path / "out")]
    run = start(
        command(*arguments, "--engine", "dask", "--scheduler", "tcp://127.0.0.1:9"), stderr=subprocess.PIPE, text=True
    )
    _, words = run.communicate(timeout=PATIENCE_S)
    assert run.returncode == 2
    assert "no Dask scheduler answers at tcp://127.0.0.1:9" in words
