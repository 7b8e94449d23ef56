"""Clips on the wire: a table's way there and back beside the kernel, and beside lines of JSON; a line beside a call."""

from __future__ import annotations

import sys
from itertools import islice
from pathlib import Path

import claims
import numpy as np
import pyarrow as pa
from kernel_alone import PORTRAIT, rasters
from measure import Row, in_turn, timed

from tallwide import Client
from tallwide.job import Framing
from tallwide.wire import to_wire
from tallwide_service.core.clip_columns import ClipTable
from tallwide_service.core.clips import ClipSolver

sys.path.append(str(Path(__file__).parents[1]))
from running import running

CLIPS, LINES = 500_000, 2_000
MODES = 300


def clips_of_modes(count: int = CLIPS) -> pa.Table:
    """Clips of a few hundred modes, as an archive has them, with names."""
    chosen = np.random.default_rng(12).integers(0, MODES, count)
    widths, heights = (side[:MODES][chosen] for side in rasters(MODES))
    names = np.char.add("clip-", np.arange(count).astype("U8"))
    return pa.table({"id": names, "raster_width_px": widths, "raster_height_px": heights})


def clips_that_differ() -> pa.Table:
    """Clips whose rasters all differ."""
    widths, heights = rasters(CLIPS)
    return pa.table({"raster_width_px": widths, "raster_height_px": heights})


def solved(table: pa.Table) -> float:
    """Return the seconds a clip that the solver takes in this process, its columns and its answer in arrays."""
    columns = {name: table[name].combine_chunks().to_numpy() for name in ("raster_width_px", "raster_height_px")}
    solver = ClipSolver((PORTRAIT,), Framing())
    return timed(lambda: solver.solve(ClipTable.of(columns))) / len(table)


def sent(client: Client, table: pa.Table) -> float:
    """Return the seconds a clip there and back."""

    def ask() -> None:
        rows = sum(batch.num_rows for batch in client.clips(table, [PORTRAIT]))
        if rows != len(table):
            raise RuntimeError(f"{rows} rows came")

    return timed(ask) / len(table)


def lines(client: Client) -> float:
    """Return the seconds a clip as a line of JSON there and back."""
    jobs = (
        {
            "endpoint": "margins",
            "job": {"capture": {"raster": {"width": wide, "height": high}}, "deliverables": [WANTED]},
        }
        for wide, high in zip(*(side.tolist() for side in rasters(LINES)), strict=True)
    )
    return timed(lambda: sum(1 for _ in client.batch(jobs))) / LINES


WANTED = to_wire(PORTRAIT)
ONE = {"capture": {"raster": {"width": 4800, "height": 3200}}, "deliverables": [WANTED]}


def rows(rounds: int) -> list[Row]:
    """Return what a clip costs on either wire."""
    alike, unlike = clips_of_modes(), clips_that_differ()
    with running("--threads", "2") as service, Client(f"http://127.0.0.1:{service.port}") as client:
        kernel, wire, distinct_kernel, distinct_wire, line, call = in_turn(
            rounds,
            lambda: solved(alike),
            lambda: sent(client, alike),
            lambda: solved(unlike),
            lambda: sent(client, unlike),
            lambda: lines(client),
            lambda: timed(lambda: [client.margins(ONE) for _ in islice(range(LINES), 200)]) / 200,
        )
    return [
        Row(
            claims.WIRE_MODES,
            f"{wire * 1e6:.2f} us",
            f"solver {kernel * 1e6:.2f} us",
            (wire - kernel) / kernel,
        ),
        Row(
            claims.WIRE_DISTINCT,
            f"{distinct_wire * 1e6:.2f} us",
            f"solver {distinct_kernel * 1e6:.2f} us",
            (distinct_wire - distinct_kernel) / distinct_kernel,
        ),
        Row(
            claims.WIRE_LINES,
            f"{wire * 1e6:.2f} us",
            f"line {line * 1e6:.0f} us",
            line / wire,
        ),
        Row(
            claims.WIRE_CALLS,
            f"{line * 1e6:.0f} us",
            f"call {call * 1e6:.0f} us",
            call / line,
        ),
    ]
