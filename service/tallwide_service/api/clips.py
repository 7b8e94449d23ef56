"""Clips on the wire: tables of Arrow against one list of deliverables, answered while they come in.

A stream's schema holds what is to be delivered, its record batches hold the clips. The answer is a stream too: a row a
clip and deliverable, in order, and a last batch without rows whose metadata count what was answered. Whoever has no
such batch has every row before the cut, whole, and knows by `clip_row` which clips those are.

Memory is bounded whatever the table is: a message, and the frames of a part of it. Nothing is computed while nobody
takes the answers. This module needs pyarrow, and is imported by the first call that does.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import islice
from typing import Any

import numpy as np
import orjson
import pyarrow as pa
import pyarrow.compute as pc

from tallwide_service.api.batch_call import ENDINGS, BatchCall, how_it_ended
from tallwide_service.api.body import job_for_clips, json_document, too_large
from tallwide_service.api.clip_messages import Messages
from tallwide_service.api.problems import BROKEN, Problem
from tallwide_service.arrow.cells import clips_in, text_of
from tallwide_service.arrow.frames import ANSWER_SCHEMA, answer_batch, problem_document, refusal_document
from tallwide_service.core.clip_columns import CLIP_COLUMNS, FRAME_COLUMNS, Column
from tallwide_service.core.clips import ClipFrames, ClipSolver, Refusal
from tallwide_service.errors import Fault, InvalidJob
from tallwide_service.limits import LIMITS

LOG = logging.getLogger("tallwide_service")
# The name of what is ours in the metadata of a schema and of the last batch.
OURS = "tallwide"
ID = "id"
# Frames that are solved together, in a place and under a deadline of their own: enough for the kernel to be quick,
# and few enough that a problem for each of them is no burden.
# Frames that lie together are found one clip after the other, a thousand times as slowly.
PART_FRAMES, PART_FRAMES_TOGETHER = 16_384, 256
PIECE_BYTES = 262_144


class Table:
    """A table of clips that comes in.

    Parameters
    ----------
    source
        Whose `read(n)` gives up to n bytes of the body, none at its end.

    Raises
    ------
    Problem
        If the stream's schema is not read, or asks for what there is not.
    """

    def __init__(self, source: Any) -> None:
        self._messages = Messages(source)
        self._schema = self._messages.schema()
        _refuse_columns(self._schema)
        self.solver = _solver(_written_wish(self._schema))

    def batches(self) -> Iterator[pa.RecordBatch]:
        """Yield the clips as they come."""
        return self._messages.batches(self._schema)


def _written_wish(schema: pa.Schema) -> bytes:
    """Return what a schema's metadata say is to be delivered."""
    written: bytes | None = (schema.metadata or {}).get(OURS.encode())
    if written is None:
        raise _wrong_table([Fault("", f"must say in its metadata, under the key {OURS}, what is to be delivered")])
    if len(written) > LIMITS.body_bytes:
        raise too_large("the document in the metadata", LIMITS.body_bytes, len(written), "bytes")
    return written


# Clients send a table in blocks, each a call: the captures that one has met are known to the next.
@lru_cache(maxsize=4)
def _solver(written: bytes) -> ClipSolver:
    """Return what solves any clip, remembering captures, by a document of what is to be delivered."""
    try:
        members = json_document(written)
    except Problem as problem:
        raise Problem(problem.status, problem.slug, f"{OURS} in the metadata is not JSON", problem.detail) from None
    if not isinstance(members, dict) or "capture" in members:
        raise _wrong_table([Fault("", f"must say under {OURS} an object with deliverables, and without a capture")])
    job = job_for_clips(members)
    return ClipSolver(job.deliverables, job.framing)


def _refuse_columns(schema: pa.Schema) -> None:
    """Refuse a schema with columns that clips do not have, or whose cells are never what they must be."""
    faults = [*islice(_column_faults(schema), LIMITS.faults_listed)]
    if faults:
        raise _wrong_table(faults)


def _column_faults(schema: pa.Schema) -> Iterator[Fault]:
    for name, column in CLIP_COLUMNS.items():
        if column.is_required and name not in schema.names:
            yield Fault(f"/columns/{name}", "is required")
    met: set[str] = set()
    for field in schema:
        pointer = "/columns/" + field.name[:40].replace("~", "~0").replace("/", "~1")
        kind = field.type
        is_text = pa.types.is_string(kind) or pa.types.is_large_string(kind)
        is_number = pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_null(kind)
        if field.name in met:
            yield Fault(pointer, "stands twice")
        elif field.name == ID:
            if not (is_text or pa.types.is_integer(kind) or pa.types.is_null(kind)):
                yield Fault(pointer, f"must hold texts or whole numbers, not {_said(kind)}")
        elif field.name not in CLIP_COLUMNS:
            yield Fault(pointer, "clips have no such column")
        elif not (is_number or (is_text and field.name == "squeeze_axis")):
            yield Fault(pointer, f"must hold numbers, not {_said(kind)}")
        met.add(field.name)


def _said(kind: pa.DataType) -> str:
    return str(kind)[:60]


def _wrong_table(faults: Sequence[Fault]) -> Problem:
    """Return the problem of a table with faults."""
    detail = "; ".join(f"{fault.pointer or 'the table'} {fault.detail}" for fault in faults[:3])
    if len(faults) > 3:
        detail += f"; and {len(faults) - 3} more"
    named = [fault.document() for fault in faults]
    return Problem(422, "invalid-table", "The table of clips is not as it must be", detail, faults=named)


def answered(table: Table, call: BatchCall) -> Iterator[bytes]:
    """Yield the answer in parts."""
    written = _Parts()
    writer = pa.ipc.new_stream(written, ANSWER_SCHEMA)
    counts = {"clips": 0, "rows": 0, "answers": 0, "problems": 0}
    stopped: Problem | None = None
    yield from written.pieces()
    try:
        for frames in _answers(table, call):
            writer.write_batch(frames)
            deliverables = len(table.solver.deliverables)
            counts["clips"] += frames.num_rows // deliverables
            counts["rows"] += frames.num_rows
            counts["answers"] += frames["problem"].null_count
            counts["problems"] += frames.num_rows - frames["problem"].null_count
            call.count(frames.num_rows)
            yield from written.pieces()
    except ENDINGS as error:
        stopped = how_it_ended(error)
    except Exception:
        LOG.exception("unexpected error, request_id %s", call.environ.get("tallwide.request_id"))
        stopped = BROKEN
    end = orjson.dumps(call.end(counts, stopped)).decode()
    writer.write_batch(pa.RecordBatch.from_pylist([], schema=ANSWER_SCHEMA), custom_metadata={OURS: end})
    writer.close()
    yield from written.pieces()


class _Parts:
    """Where an answer is written to, until it is taken."""

    closed = False

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def write(self, part: Any) -> None:
        self._parts.append(bytes(part))

    def pieces(self) -> Iterator[bytes]:
        """Yield what was written, and forget it."""
        parts, self._parts = self._parts[::-1], []
        held: list[bytes] = []
        size = 0
        while parts:
            held.append(parts.pop())
            size += len(held[-1])
            if size >= PIECE_BYTES:
                yield b"".join(held)
                held, size = [], 0
        if held:
            yield b"".join(held)

    def writable(self) -> bool:
        return True

    def flush(self) -> None:
        """Nothing is held back."""

    def close(self) -> None:
        """Nothing is held open."""


def _answers(table: Table, call: BatchCall) -> Iterator[pa.RecordBatch]:
    """Yield the frames of clips as they come."""
    solving = _Solving(table.solver, call.environ.get("SCRIPT_NAME", ""))
    first = 0
    for batch in table.batches():
        if first + batch.num_rows > LIMITS.batch_clips:
            raise too_large("a batch", LIMITS.batch_clips, f"more than {LIMITS.batch_clips}", "clips")
        for start in range(0, max(batch.num_rows, 1), solving.part_clips):
            yield from _in_time(solving, batch.slice(start, solving.part_clips), first + start, call)
        first += batch.num_rows


def _in_time(solving: _Solving, clips: pa.RecordBatch, first: int, call: BatchCall) -> Iterator[pa.RecordBatch]:
    """Yield the frames of clips that follow so many others; what takes too long together is done in halves."""
    reason = call.reason_to_stop()
    if reason is not None:
        raise reason
    if not clips.num_rows:
        return
    try:
        frames = call.piece(solving.frames, clips, first)
    except Problem as problem:
        if problem.slug != "out-of-time":
            raise
        if clips.num_rows > 1:
            half = clips.num_rows // 2
            yield from _in_time(solving, clips.slice(0, half), first, call)
            yield from _in_time(solving, clips.slice(half), first + half, call)
            return
        frames = solving.without_frames(clips, first, problem)
    yield frames


class _Solving:
    """Solves clips against what is to be delivered, and makes rows of what is found."""

    def __init__(self, solver: ClipSolver, root: str) -> None:
        self._labels = [deliverable.label for deliverable in solver.deliverables]
        self._solver, self._root = solver, root
        is_alone = solver.framing.arrangement == "independent" and solver.framing.subject is None
        self.part_clips = max((PART_FRAMES if is_alone else PART_FRAMES_TOGETHER) // len(self._labels), 1)

    def frames(self, clips: pa.RecordBatch, first: int) -> pa.RecordBatch:
        """Return a row a clip and deliverable."""
        ids, unnamed = _names(clips)
        sound = clips_in(dict(zip(clips.schema.names, clips.columns, strict=True)), clips.num_rows)
        found = self._solver.solve(sound.table)
        refused = [
            *(replace(each, clip=int(sound.places[each.clip])) for each in found.refused),
            *(
                Refusal(place, None, f"{fault.pointer} {fault.detail}", (fault,), InvalidJob)
                for place, fault in {**sound.wrong, **unnamed}.items()
            ),
        ]
        if refused:
            found = _spread(found, sound.places, clips.num_rows, list(unnamed))
        return self._batch(ids, first, found, self._problems(refused, clips.num_rows))

    def without_frames(self, clips: pa.RecordBatch, first: int, problem: Problem) -> pa.RecordBatch:
        """Return the rows of clips that have no frames for one and the same reason."""
        ids, _ = _names(clips)
        document = problem_document(
            problem.slug, problem.title, problem.detail, [], status=problem.status, root=self._root
        )
        text = _written({**document, **problem.members})
        shape = clips.num_rows, len(self._labels)
        found = ClipFrames(_zeros(shape), np.zeros(shape, dtype=np.bool_), ())
        return self._batch(ids, first, found, [text] * found.answered.size)

    def _batch(
        self, ids: pa.StringArray, first: int, found: ClipFrames, problems: list[str | None] | pa.Array
    ) -> pa.RecordBatch:
        rows = np.arange(first, first + len(ids))
        return answer_batch(rows, ids, found, self._labels, pa.array(problems, type=pa.string()))

    def _problems(self, refused: Sequence[Refusal], clips: int) -> list[str | None] | pa.Array:
        """Return why there are no frames, a text or nothing a row."""
        deliverables = len(self._labels)
        if not refused:
            return pa.nulls(clips * deliverables, pa.string())
        problems: list[str | None] = [None] * (clips * deliverables)
        texts: dict[Any, str] = {}
        for each in refused:
            why = each.kind, each.detail, each.faults
            if why not in texts:
                texts[why] = _written(refusal_document(*why, root=self._root))
            some = range(deliverables) if each.deliverable is None else (each.deliverable,)
            for deliverable in some:
                problems[each.clip * deliverables + deliverable] = texts[why]
        return problems


def _written(problem: Mapping[str, Any]) -> str:
    return orjson.dumps(problem).decode()


def _names(clips: pa.RecordBatch) -> tuple[pa.StringArray, dict[int, Fault]]:
    """Return the callers' names for clips, and what is wrong with those that are too long and are left out."""
    if ID not in clips.schema.names:
        return pa.nulls(clips.num_rows, pa.string()), {}
    ids = text_of(clips[ID])
    most = LIMITS.id_characters
    is_long = pc.greater(pc.utf8_length(ids), most)
    if not pc.any(is_long).as_py():
        return ids, {}
    places = np.flatnonzero(pc.fill_null(is_long, fill_value=False).to_numpy(zero_copy_only=False)).tolist()
    faults = {place: Fault("/id", f"has at most {most} characters, not {len(ids[place].as_py())}") for place in places}
    return pc.if_else(is_long, pa.scalar(None, pa.string()), ids), faults


def _spread(found: ClipFrames, places: Column, clips: int, without: Sequence[int]) -> ClipFrames:
    """Return frames at the places where their clips stand among others; those clips and some more have none."""
    shape = clips, found.answered.shape[1]
    columns = _zeros(shape)
    answered = np.zeros(shape, dtype=np.bool_)
    answered[places] = found.answered
    answered[without] = False
    for name, column in columns.items():
        column[places] = found.columns[name]
    return ClipFrames(columns, answered, ())


def _zeros(shape: tuple[int, int]) -> dict[str, Column]:
    return {name: np.zeros(shape, dtype=kind) for name, kind in FRAME_COLUMNS.items()}
