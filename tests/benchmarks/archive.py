"""A generated archive of clips: invented modes, and one clip in ten whose raster is its own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

MODES = 300
OWN_SHARE = 0.1
WANTED = [{"label": "portrait", "raster": {"width": 1440, "height": 1800}}]
SCHEMA = pa.schema(
    [
        ("id", pa.string()),
        ("raster_width_px", pa.int32()),
        ("raster_height_px", pa.int32()),
        ("squeeze", pa.float64()),
        ("roll_deg", pa.int16()),
    ]
)


def write_archive(path: Path, clips: int, rows_a_group: int = 500_000) -> None:
    """Write so many clips, a row group at a time, so that the memory does not grow with their number."""
    chance = np.random.default_rng(21)
    width = 2 * chance.integers(640, 6144, MODES)
    height = np.maximum((width / chance.choice([1.5, 1.78, 1.33, 2.39, 1.0], MODES)).astype(np.int64) // 2 * 2, 720)
    squeeze, roll = chance.choice([1, 1, 1, 1.33, 2], MODES), chance.choice([0, 0, 0, 90, 180], MODES)
    with pq.ParquetWriter(path, SCHEMA, compression="zstd", compression_level=1) as writer:
        for first in range(0, clips, rows_a_group):
            count = min(rows_a_group, clips - first)
            mode = chance.integers(0, MODES, count)
            is_own = chance.random(count) < OWN_SHARE
            columns = (
                pa.array(np.char.add("clip-", np.arange(first, first + count).astype("U9"))),
                pa.array(np.where(is_own, chance.integers(1280, 12_288, count), width[mode]).astype(np.int32)),
                pa.array(np.where(is_own, chance.integers(720, 8_640, count), height[mode]).astype(np.int32)),
                pa.array(squeeze[mode]),
                pa.array(roll[mode].astype(np.int16)),
            )
            writer.write_batch(pa.record_batch(list(columns), schema=SCHEMA))
