"""A whole archive: two threads beside one, and a Dask cluster of two processes beside two threads.

Every run has a plan of its own (another label), so that nobody has met its deliverables before.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from itertools import count
from pathlib import Path

import claims
from archive import WANTED, write_archive
from measure import Row, in_turn, timed

from tallwide_service.catalogue.plan import Plan, make_plan
from tallwide_service.catalogue.run import Engine, checked_deliverables, do_missing, lay_down

sys.path.append(str(Path(__file__).parents[1]))
from clip_archive import dask_cluster

LABELS = (f"portrait {number}" for number in count())


def fresh_plan(clips: Path, part_clips: int) -> Plan:
    """Return the plan for an archive whose deliverable has a label that no plan had."""
    wanted = checked_deliverables([{**WANTED[0], "label": next(LABELS)}])
    return make_plan([str(clips)], wanted, {}, form="parquet", part_clips=part_clips)


def run(plan: Plan, folder: Path, engine: Engine) -> float:
    """Return the seconds that a run takes into a new folder, its summary left out."""
    shutil.rmtree(folder, ignore_errors=True)
    lay_down(plan, folder)
    return timed(lambda: do_missing(plan, folder, range(len(plan.parts)), engine, lambda *_: None))


def rows(rounds: int, clips: int) -> list[Row]:
    """Return what a clip of an archive costs."""
    with tempfile.TemporaryDirectory() as name, dask_cluster(Path(name)) as (address, _):
        folder = Path(name)
        write_archive(folder / "clips.parquet", clips, rows_a_group=clips // 8)
        engines = Engine(1), Engine(2), Engine(2, address)
        one, two, dask = in_turn(
            rounds,
            *(
                lambda engine=engine: run(fresh_plan(folder / "clips.parquet", clips // 8), folder / "out", engine)
                for engine in engines
            ),
        )
    each = 1e9 / clips
    return [
        Row(
            claims.CATALOGUE_THREADS,
            f"{two * each:.0f} ns a clip of {clips:,}",
            f"{one * each:.0f} ns",
            one / two,
        ),
        Row(
            claims.CATALOGUE_DASK,
            f"{dask * each:.0f} ns a clip",
            f"{two * each:.0f} ns",
            dask / two,
        ),
    ]
