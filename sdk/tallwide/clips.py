"""Tables of clips against one list of deliverables, as streams of Arrow: sent in blocks, answered in order.

A block is one record batch, small enough that a service takes all of it before anybody takes its answer. What broke off
is asked again from the first clip on that has no answer: an answered clip is never sent twice. Needs pyarrow.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from typing import TYPE_CHECKING, Any

from tallwide.batch import PATH, tried
from tallwide.errors import BatchCut, ConnectionFailed, ProtocolError, UnwritableJob, problem_error
from tallwide.job import Deliverable, Framing
from tallwide.transport import Transport
from tallwide.wire import to_wire

if TYPE_CHECKING:
    import pyarrow as pa

ARROW_TYPE = "application/vnd.apache.arrow.stream"
OURS = b"tallwide"
COLUMNS = (
    "id",
    *("raster_width_px", "raster_height_px", "photosites_width", "photosites_height", "photosite_pitch_um"),
    *("squeeze", "squeeze_axis", "roll_deg"),
    *("grid_x_px", "grid_y_px", "grid_width_px", "grid_height_px"),
    *("lens_image_circle_mm", "lens_offset_x_mm", "lens_offset_y_mm"),
    *("align_x", "align_y", "protection_each_side"),
)
# Less than a service reads ahead of its answers, the schema with its deliverables included.
BLOCK_BYTES, BLOCK_CLIPS = 524_288, 32_768
# More than the answers to a block come to, however many are refused.
LARGEST_MESSAGE_BYTES = 268_435_456


def answered_clips(
    transport: Transport,
    table: Any,
    members: Mapping[str, Any],
    columns: Mapping[str, str],
    done: int,
) -> Iterator[Any]:
    """Yield the schema of the answer, then record batches of answers to clips that come after so many, in order.

    Raises
    ------
    BatchCut
        If it broke off, and trying again did not help.
    ProblemError
        If nothing is answered, because the service refuses what is asked.
    """
    import pyarrow as pa  # noqa: PLC0415 - an extra

    start, is_begun = done, False
    for block in _blocks(_reader(table), members, columns):

        def ask(
            answered: int, block: pa.RecordBatch = block, first: int = done
        ) -> Iterator[tuple[int, pa.Schema | pa.RecordBatch, None]]:
            left = block.slice(answered - first)
            for part in _answers(transport, left, len(members["deliverables"]), answered):
                answered += 0 if isinstance(part, pa.Schema) else part.num_rows // len(members["deliverables"])
                yield answered, part, None

        try:
            for part in tried(transport, ask, done, done + block.num_rows):
                if not isinstance(part, pa.Schema):
                    yield part
                elif not is_begun:
                    is_begun = True
                    yield part
        except BatchCut as cut:
            if cut.answered == start and not cut.retryable and cut.__cause__ is not None:
                raise cut.__cause__ from None
            raise
        done += block.num_rows


def _reader(table: Any) -> pa.RecordBatchReader:
    """Return what reads a table: one of pyarrow, or anything that hands its columns over as Arrow does."""
    import pyarrow as pa  # noqa: PLC0415 - an extra

    if isinstance(table, pa.RecordBatch):
        return pa.RecordBatchReader.from_batches(table.schema, [table])
    return pa.RecordBatchReader.from_stream(table)


def _blocks(
    reader: pa.RecordBatchReader, members: Mapping[str, Any], columns: Mapping[str, str]
) -> Iterator[pa.RecordBatch]:
    """Yield what is sent of a table, some clips at a time; one block at least."""
    import pyarrow as pa  # noqa: PLC0415 - an extra

    there = reader.schema.names
    unknown = [*(name for name in columns if name not in COLUMNS), *(n for n in columns.values() if n not in there)]
    if unknown:
        raise ValueError(f"there is no column {unknown[0]!r}")
    chosen = {name: columns.get(name, name) for name in COLUMNS if columns.get(name, name) in there}
    kinds = {name: _plain(reader.schema.field(column).type) for name, column in chosen.items()}
    try:
        said = json.dumps(members, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError, RecursionError) as error:
        raise UnwritableJob(f"the deliverables cannot be written as JSON: {error}") from error
    schema = pa.schema(list(kinds.items()), metadata={OURS: said})
    is_empty = True
    for batch in reader:
        cells = [_cast(batch[column], kinds[name]) for name, column in chosen.items()]
        for block in _small(pa.RecordBatch.from_arrays(cells, schema=schema)):
            is_empty = False
            yield block
    if is_empty:
        yield pa.RecordBatch.from_pylist([], schema=schema)


def _plain(kind: pa.DataType) -> pa.DataType:
    """Return the plain kind that a service reads in place of a richer one."""
    import pyarrow as pa  # noqa: PLC0415 - an extra

    if pa.types.is_dictionary(kind):
        return _plain(kind.value_type)
    if pa.types.is_decimal(kind):
        return pa.float64()
    return pa.string() if pa.types.is_string_view(kind) else kind


def _cast(cells: pa.Array, kind: pa.DataType) -> pa.Array:
    return cells if cells.type == kind else cells.cast(kind)


def _small(batch: pa.RecordBatch) -> Iterator[pa.RecordBatch]:
    """Yield a batch in parts that may be sent."""
    if batch.num_rows <= 1 or (batch.num_rows <= BLOCK_CLIPS and batch.nbytes <= BLOCK_BYTES):
        if batch.num_rows:
            yield batch
        return
    half = batch.num_rows // 2
    yield from _small(batch.slice(0, half))
    yield from _small(batch.slice(half))


def _answers(
    transport: Transport, block: pa.RecordBatch, deliverables: int, done: int
) -> Iterator[pa.Schema | pa.RecordBatch]:
    """Yield the schema and the answers of a block that comes after so many clips."""
    import pyarrow as pa  # noqa: PLC0415 - an extra

    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, block.schema) as writer:
        writer.write_batch(block)
    body = sink.getvalue().to_pybytes()
    answered, is_whole = 0, False
    with closing(transport.stream(PATH, body, media_type=ARROW_TYPE)) as coming:
        pieces = _Pieces(coming)
        try:
            reader = pa.ipc.open_stream(pa.PythonFile(pieces, mode="r"))
            yield reader.schema
            while (read := _next(reader)) is not None:
                batch, said = read
                if said is not None and OURS in said:
                    _refuse_incomplete(said[OURS])
                    is_whole = answered == block.num_rows
                elif batch.num_rows:
                    batch.validate()
                    clips, rest = divmod(batch.num_rows, deliverables)
                    ends = [batch["clip_row"][place].as_py() for place in (0, -1)]
                    if rest or ends != [answered, answered + clips - 1]:
                        raise ProtocolError(f"{PATH}: clip {done + answered} was due, others came")
                    answered += clips
                    yield _behind(batch, done)
        except (pa.ArrowException, OSError, ValueError, KeyError) as error:
            if not pieces.has_ended:
                raise ProtocolError(f"{PATH}: this is no answer to a table: {error}") from error
    if not is_whole:
        raise ConnectionFailed(f"{PATH}: the answer was cut after {answered} of {block.num_rows} clips")


def _next(reader: Any) -> tuple[pa.RecordBatch, Mapping[bytes, bytes] | None] | None:
    """Return the next batch and what it says of itself, nothing where there is none any more."""
    try:
        return reader.read_next_batch_with_custom_metadata()  # type: ignore[no-any-return]
    except StopIteration:
        return None


def _refuse_incomplete(said: bytes) -> None:
    """Raise the error of an answer that its end does not call complete."""
    try:
        end = json.loads(said)
        is_complete, problem = end["complete"], end.get("problem") or {}
        kind = str(problem.get("type", "")).rpartition("/")[2]
        # What has no kind may pass: a body that broke off on its way, or stood still.
        status = 503 if kind in ("", "about:blank") else int(problem["status"])
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise ProtocolError(f"{PATH}: this is no end of an answer: {said[:100]!r}") from error
    if not is_complete:
        raise problem_error(status, {"title": "The table was not answered to its end", **problem})


def _behind(batch: pa.RecordBatch, done: int) -> pa.RecordBatch:
    """Return answers with their clips numbered as in the whole table."""
    import pyarrow as pa  # noqa: PLC0415 - an extra
    import pyarrow.compute as pc  # noqa: PLC0415 - an extra

    place = batch.schema.get_field_index("clip_row")
    numbers = pc.add(batch["clip_row"], pa.scalar(done, pa.int64()))
    return batch.set_column(place, batch.schema.field(place), numbers)


class _Pieces:
    """A file of pieces as they come."""

    closed = False

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces, self._held, self.has_ended = pieces, b"", False

    def read(self, size: int) -> bytes:
        if size > LARGEST_MESSAGE_BYTES:
            raise ProtocolError(f"{PATH}: a message of an answer has no {size} bytes")
        parts, left = [], size
        while left:
            if not self._held:
                self._held = next(self._pieces, b"")
                if not self._held:
                    self.has_ended = True
                    break
            parts.append(self._held[:left])
            self._held = self._held[left:]
            left -= len(parts[-1])
        return b"".join(parts)

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        """The pieces are closed by whoever opened them."""


def wanted(
    deliverables: Iterable[Deliverable | Mapping[str, Any]], framing: Framing | Mapping[str, Any] | None
) -> dict[str, Any]:
    """Return what is to be delivered, as a service reads it."""
    members: dict[str, Any] = {"deliverables": [_document(each) for each in deliverables]}
    if framing is not None:
        members["framing"] = _document(framing)
    return members


def _document(noun: Any) -> Any:
    return noun if isinstance(noun, Mapping) else to_wire(noun)
