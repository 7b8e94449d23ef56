"""Writing: rows of frames into a file of Parquet, CSV or NDJSON.

A row is there for every frame that was found; what was refused stands in a file of its own. What
needs a raster of the deliverable is null where it has none.
"""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any

import orjson
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from tallwide.handoff.csv_table import safe_cell
from tallwide_service.arrow.frames import SCHEMA

_TEXT = ("deliverable", "verdict")
# Few rasters make few rectangles: a dictionary is smaller and quicker than the numbers. Names all differ.
_DICTIONARIES = [name for name in SCHEMA.names if name not in ("clip_row", "id", "enough")]


class FrameWriter:
    """Writes batches of frames into one file; `rows` counts them."""

    def __init__(self, path: Path, form: str) -> None:
        self.rows = 0
        self._path, self._form = path, form
        self._parquet: pq.ParquetWriter | None = None
        self._file: Any = None

    def __enter__(self) -> FrameWriter:
        """Open the file."""
        if self._form == "parquet":
            self._parquet = pq.ParquetWriter(
                self._path,
                SCHEMA,
                compression="zstd",
                compression_level=1,
                use_dictionary=_DICTIONARIES,
                write_statistics=["clip_row", "deliverable", "verdict", "spare_pct"],
                store_schema=False,
            )
        else:
            self._file = self._path.open("wb")
            if self._form == "csv":
                self._file.write((",".join(SCHEMA.names) + "\n").encode())
        return self

    def write(self, batch: pa.RecordBatch) -> None:
        """Write one batch."""
        self.rows += batch.num_rows
        if self._parquet is not None:
            self._parquet.write_batch(batch)
        elif self._form == "csv":
            pa_csv.write_csv(
                _as_cells(batch), self._file, pa_csv.WriteOptions(include_header=False, quoting_style="needed")
            )
        else:
            self._file.writelines(orjson.dumps(row, option=orjson.OPT_APPEND_NEWLINE) for row in batch.to_pylist())

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the file, whole or not."""
        for opened in (self._parquet, self._file):
            if opened is not None:
                opened.close()


def _as_cells(batch: pa.RecordBatch) -> pa.RecordBatch:
    """Return a batch with texts that no spreadsheet takes for a formula."""
    columns = []
    for name, column in zip(batch.schema.names, batch.columns, strict=True):
        if name in _TEXT:
            cells = pa.array([None if text is None else safe_cell(text) for text in column.dictionary.to_pylist()])
            columns.append(pc.take(cells, column.indices))
        elif name == "id":
            columns.append(
                pa.array([None if text is None else safe_cell(text) for text in column.to_pylist()], pa.string())
            )
        else:
            columns.append(column)
    return pa.RecordBatch.from_arrays(columns, names=batch.schema.names)
