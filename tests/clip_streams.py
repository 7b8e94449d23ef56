"""Tables of clips as they go over the wire, and answers as they come back."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from typing import Any, NamedTuple

import pyarrow as pa

ARROW = "application/vnd.apache.arrow.stream"


class Answer(NamedTuple):
    """What came back: rows, and what the last batch says."""

    rows: pa.Table
    end: dict[str, Any] | None


def written(table: pa.Table | pa.RecordBatch, wanted: Any = None, *, batch_rows: int | None = None, **options) -> bytes:
    """Return a table as a stream; `wanted` is what is to be delivered, as it stands in the schema's metadata."""
    if isinstance(table, pa.RecordBatch):
        table = pa.Table.from_batches([table])
    if wanted is not None:
        text = wanted if isinstance(wanted, str | bytes) else json.dumps(wanted)
        table = table.replace_schema_metadata({"tallwide": text})
    sink = io.BytesIO()
    with pa.ipc.new_stream(sink, table.schema, options=pa.ipc.IpcWriteOptions(**options)) as writer:
        writer.write_table(table, max_chunksize=batch_rows)
    return sink.getvalue()


def read(stream: bytes) -> Answer:
    """Return what of an answer can be read: the last batch says whether that is all."""
    batches, end = [], None
    reader = pa.ipc.open_stream(stream)
    while True:
        try:
            batch, metadata = reader.read_next_batch_with_custom_metadata()
        except (StopIteration, pa.ArrowInvalid, OSError):
            break
        batches.append(batch)
        if metadata is not None:
            assert batch.num_rows == 0
            end = json.loads(metadata[b"tallwide"])
    return Answer(pa.Table.from_batches(batches, reader.schema), end)


def rows_of(*clips: Mapping[str, Any], **kinds: pa.DataType) -> pa.Table:
    """Return clips as a table, some columns of other kinds than pyarrow would take."""
    names = {name: None for clip in clips for name in clip}
    return pa.table({name: pa.array([clip.get(name) for clip in clips], type=kinds.get(name)) for name in names})
