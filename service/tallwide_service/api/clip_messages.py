"""Messages: the stream of Arrow in a body, one message at a time, bounded before anything of it is unpacked.

What is read is the plainest form of the format: a schema and record batches of flat columns, as they lie in memory.
Compressed buffers would unpack to more than was bounded; dictionaries, big-endian numbers, nested and extension types
nobody needs for clips. Every batch is validated in full: what offsets and lengths say is what the sender says.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pyarrow as pa

from tallwide_service.api.body import too_large
from tallwide_service.api.problems import Problem
from tallwide_service.limits import LIMITS

# What reading a body raises, through pyarrow too.
_OF_THE_BODY = (TimeoutError, ConnectionError)
# What pyarrow raises for bytes that are no such stream, and `struct` for a table that points out of its message.
_BROKEN = (pa.ArrowException, OSError, ValueError, struct.error)
_LITTLE_ENDIAN = 0
# Compiled code may take it for granted that a number lies at a multiple of its size.
_ALIGNED = 8


class Messages:
    """A stream of Arrow as it comes in.

    Parameters
    ----------
    source
        Whose `read(n)` gives up to n bytes, none at the end.
    """

    def __init__(self, source: Any) -> None:
        self._body = _Exactly(source)
        self._reader: Any = None

    def schema(self) -> pa.Schema:
        """Return what the first message says.

        Raises
        ------
        Problem
            If it is none, or too long.
        """
        self._body.most = LIMITS.batch_schema_bytes
        with self._in_own_words():
            self._reader = pa.ipc.MessageReader.open_stream(self._body)
        message = self._next()
        if message is None:
            raise no_stream("it is empty")
        with self._in_own_words():
            if _header(message, "schema").number(0, "<h") != _LITTLE_ENDIAN:
                raise no_stream("its numbers are big-endian")
            schema = pa.ipc.read_schema(message)
            _read_names(schema)
        return schema

    def batches(self, schema: pa.Schema) -> Iterator[pa.RecordBatch]:
        """Yield the record batches that follow the schema.

        Raises
        ------
        Problem
            If one is not what is read, is wrong in itself, or too large.
        ConnectionError
            If the body ends before the stream does.
        TimeoutError
            If nothing comes for too long.
        """
        self._body.most = LIMITS.batch_message_bytes
        while (message := self._next()) is not None:
            with self._in_own_words():
                _refuse_what_is_large_or_packed(_header(message, "record batch"))
                batch = pa.ipc.read_record_batch(message, schema)
                _refuse_odd_places(batch)
                batch.validate(full=True)
            yield batch
        self._body.expect_end()

    def _next(self) -> Any:
        """Return the next message, `None` where the stream or its body has ended."""
        with self._in_own_words():
            try:
                return self._reader.read_next_message()
            except StopIteration:
                return None

    @contextmanager
    def _in_own_words(self) -> Iterator[None]:
        """Say what pyarrow says as a problem, or that the body ended within a message."""
        try:
            yield
        except _OF_THE_BODY:
            raise
        except _BROKEN as error:
            self._body.refuse_early_end()
            raise no_stream(str(error)[:300]) from None


class _Exactly:
    """What pyarrow reads a body through: as many bytes as it asks for, or it is refused, or the body has ended."""

    closed = False

    def __init__(self, source: Any) -> None:
        self.most = 0
        self._source = source
        self._bytes, self._has_ended = 0, False

    def read(self, size: int) -> bytes:
        if size > self.most:
            raise too_large("a message", self.most, size, "bytes")
        self._bytes += size
        if self._bytes > LIMITS.batch_bytes:
            raise too_large("a batch", LIMITS.batch_bytes, f"more than {LIMITS.batch_bytes}", "bytes")
        pieces, left = [], size
        while left and (piece := self._source.read(left)):
            pieces.append(piece)
            left -= len(piece)
        self._has_ended |= left > 0
        return b"".join(pieces)

    def refuse_early_end(self) -> None:
        """Raise an error if the body has ended although more was asked for."""
        if self._has_ended:
            raise ConnectionError("it ended without the stream's end") from None

    def expect_end(self) -> None:
        """Raise an error if the stream did not come to its own end, or something follows."""
        self.refuse_early_end()
        if self._source.read(1):
            raise no_stream("bytes follow its end")

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        """Nothing is held open."""


class _Table:
    """A table of a message's head (FlatBuffers), of which pyarrow has verified where its offsets point."""

    def __init__(self, data: bytes, at: int) -> None:
        self._data, self._at = data, at
        self._slots = at - self._value(at, "<i")

    def _value(self, at: int, form: str) -> int:
        (value,) = struct.unpack_from(form, self._data, at)
        return int(value)

    def _place(self, slot: int) -> int:
        """Return where a member lies, 0 where it is left out."""
        entry = 4 + 2 * slot
        if entry + 2 > self._value(self._slots, "<H"):
            return 0
        offset = self._value(self._slots + entry, "<H")
        return self._at + offset if offset else 0

    def has(self, slot: int) -> bool:
        """Whether a member is there."""
        return self._place(slot) > 0

    def number(self, slot: int, form: str) -> int:
        """Return a number, 0 where it is left out."""
        place = self._place(slot)
        return self._value(place, form) if place else 0

    def table(self, slot: int) -> _Table:
        """Return a table that must be there."""
        place = self._place(slot)
        if not place:
            raise ValueError("a message has no header")
        return _Table(self._data, place + self._value(place, "<I"))


def _header(message: Any, kind: str) -> _Table:
    """Return the header of a message that must be of a kind; Arrow's Message.fbs numbers the members of both."""
    if message.type != kind:
        words = "dictionaries are not read: send their values" if message.type == "dictionary" else "it is none here"
        raise no_stream(f"a message is a {message.type}, not a {kind}; {words}")
    head = message.metadata.to_pybytes()
    return _Table(head, struct.unpack_from("<I", head)[0]).table(2)


def _read_names(schema: pa.Schema) -> None:
    """Read all names: pyarrow decodes them when they are asked for, and raises what `_BROKEN` holds."""
    for field in schema:
        _ = field.name, str(field.type)


def _refuse_what_is_large_or_packed(header: _Table) -> None:
    rows, most = header.number(0, "<q"), LIMITS.batch_message_rows
    if not 0 <= rows <= most:
        raise too_large("a record batch", most, rows, "rows")
    if header.has(3):
        raise no_stream("its buffers are compressed; send them as they are")


def _refuse_odd_places(batch: pa.RecordBatch) -> None:
    for column in batch.columns:
        if any(buffer is not None and buffer.address % _ALIGNED for buffer in column.buffers()):
            raise no_stream(f"a buffer does not begin at a multiple of {_ALIGNED} bytes")


def no_stream(why: str) -> Problem:
    """Return the problem of a body that is not the stream of Arrow that is read."""
    return Problem(400, "not-arrow", "The body is not a stream of Arrow that is read", why)
