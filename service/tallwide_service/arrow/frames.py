"""Frames: what the core says of clips as rows of Arrow, one a clip and deliverable, in the order of the deliverables.

What needs a raster of the deliverable is null where it has none. An archive's rows are the frames that were found; on
the wire there is a row for every frame that was asked for, with `problem` where there is none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from tallwide_service.core.clip_columns import FRAME_COLUMNS, VERDICTS, Column
from tallwide_service.core.clips import ClipFrames
from tallwide_service.errors import Fault, JobError

_ARROW = {np.int32: pa.int32(), np.float64: pa.float64(), np.int8: pa.int8()}
NEED_A_RASTER = ("oversampling_smaller", "spare_x_px", "spare_y_px", "spare_pct", "reframe_room_scale")
SCHEMA = pa.schema(
    [
        pa.field("clip_row", pa.int64(), nullable=False),
        pa.field("id", pa.string()),
        pa.field("deliverable", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("enough", pa.bool_()),
        *(
            pa.field(name, pa.dictionary(pa.int8(), pa.string()) if name == "verdict" else _ARROW[kind])
            for name, kind in FRAME_COLUMNS.items()
        ),
    ]
)
ANSWER_SCHEMA = SCHEMA.append(pa.field("problem", pa.string()))


def frame_batch(rows: Column, ids: pa.StringArray, found: ClipFrames, labels: Sequence[str]) -> pa.RecordBatch:
    """Return the frames that were found."""
    kept = None if found.answered.all() else np.flatnonzero(found.answered.ravel())
    cells = _names(rows, ids, labels, kept) | _measures(found.columns, kept, None)
    return pa.RecordBatch.from_arrays([cells[name] for name in SCHEMA.names], schema=SCHEMA)


def answer_batch(
    rows: Column, ids: pa.StringArray, found: ClipFrames, labels: Sequence[str], problems: pa.StringArray
) -> pa.RecordBatch:
    """Return all frames that were asked for, null where `problems`, a text or null each, says why there is none."""
    is_left_out = None if found.answered.all() else ~found.answered.ravel()
    cells = _names(rows, ids, labels, None) | _measures(found.columns, None, is_left_out) | {"problem": problems}
    return pa.RecordBatch.from_arrays([cells[name] for name in ANSWER_SCHEMA.names], schema=ANSWER_SCHEMA)


def _names(rows: Column, ids: pa.StringArray, labels: Sequence[str], kept: Column | None) -> dict[str, pa.Array]:
    """Return what tells a row from the others; `kept` are the numbers of those that are wanted, `None` for all."""
    clips = _flat(np.repeat(np.arange(len(rows)), len(labels)), kept)
    deliverables = _flat(np.tile(np.arange(len(labels), dtype=np.int32), len(rows)), kept)
    return {
        "clip_row": pa.array(rows[clips]),
        "id": ids.take(pa.array(clips)),
        "deliverable": pa.DictionaryArray.from_arrays(pa.array(deliverables), pa.array(labels)),
    }


def _measures(columns: Mapping[str, Column], kept: Column | None, is_left_out: Column | None) -> dict[str, pa.Array]:
    """Return what was found, null where it is left out."""
    verdicts = _flat(columns["verdict"], kept)
    has_none = verdicts == 0
    if is_left_out is not None:
        has_none |= is_left_out
    cells: dict[str, pa.Array] = {"enough": pa.array(verdicts >= VERDICTS.index("at_limit"), mask=has_none)}
    for name in FRAME_COLUMNS:
        if name == "verdict":
            codes = pa.array(np.maximum(verdicts, 1) - np.int8(1), mask=has_none)
            cells[name] = pa.DictionaryArray.from_arrays(codes, pa.array(VERDICTS[1:]))
        else:
            cells[name] = pa.array(_flat(columns[name], kept), mask=has_none if name in NEED_A_RASTER else is_left_out)
    return cells


def _flat(values: Column, kept: Column | None) -> Column:
    each = values.ravel()
    return each if kept is None else each[kept]


def problem_document(
    slug: str, title: str, detail: str, errors: Sequence[Mapping[str, Any]], *, status: int = 422, root: str = ""
) -> dict[str, Any]:
    """Return a problem as the service words it (RFC 9457), without what belongs to one request.

    Parameters
    ----------
    root
        What stands before the service's own paths.
    """
    type_ = f"{root}/problems/{slug}"
    return {"type": type_, "title": title, "status": status, "detail": detail, "errors": list(errors)}


def refusal_document(kind: type[JobError], detail: str, faults: Sequence[Fault], *, root: str = "") -> dict[str, Any]:
    """Return the problem of a clip, or of one frame of it."""
    errors = [fault.document() for fault in faults]
    return problem_document(kind.slug, kind.title, detail, errors, root=root)
