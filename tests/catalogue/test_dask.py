"""A real Dask cluster on loopback: a scheduler, two worker processes, one of them killed in the middle."""

from __future__ import annotations

import signal
import subprocess

import pyarrow.parquet as pq
import pytest

from clip_archive import PATIENCE_S, archive, command, dask_cluster, output, start, until
from tallwide_service.catalogue.part import is_done
from tallwide_service.catalogue.plan import Plan

PARTS = 90


@pytest.fixture
def cluster(tmp_path):
    """The scheduler's address, and its two workers."""
    with dask_cluster(tmp_path) as address_and_workers:
        yield address_and_workers


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
