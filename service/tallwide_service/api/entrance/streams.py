"""Streams: answers that go out while their request is still coming in.

Nothing is computed while nobody takes what is there, and no more is read than a little ahead of what is answered, so
a stream needs as much memory as it did at its start. A place is held until both directions have ended.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from queue import Empty, Full, Queue
from typing import Any

from tallwide_service.api.entrance.places import Places
from tallwide_service.limits import LIMITS

# Servers hold back what has come until it is as much as was asked for: little, where the sender may wait for an answer.
PIECE_BYTES, ANNOUNCED_PIECE_BYTES = 1_024, 65_536
LOOK_S = 1.0


class Coming:
    """A body that a thread of its own reads a little ahead: nobody has to wait for ever for a sender that is silent.

    Parameters
    ----------
    source
        What the server hands over.
    length
        How many bytes are announced; `None` where only the end tells.
    """

    def __init__(self, source: Any, length: int | None) -> None:
        self.bytes = 0
        self._source, self._length = source, length
        self._piece_bytes = PIECE_BYTES if length is None else ANNOUNCED_PIECE_BYTES
        self._pieces: Queue[bytes | None] = Queue(LIMITS.batch_read_ahead_bytes // self._piece_bytes)
        self._rest, self._is_begun, self._is_whole, self._is_left = b"", False, True, False
        self._after: Callable[[], None] | None = None
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()

    @classmethod
    def of(cls, environ: dict[str, Any]) -> Coming:
        """Return the body of a request."""
        length = environ.get("CONTENT_LENGTH") or ""
        if length.isascii() and length.isdigit():
            return cls(environ["wsgi.input"], int(length[:18]))
        return cls(environ["wsgi.input"], None if environ.get("wsgi.input_terminated") else 0)

    def read(self, size: int, /) -> bytes:
        """Return up to so many bytes of what comes next; none at the end.

        Raises
        ------
        TimeoutError
            If nothing comes for too long.
        ConnectionError
            If it ends before as much has come as was announced.
        """
        if not self._is_begun:
            self._begin()
        if not self._rest:
            try:
                piece = self._pieces.get(timeout=LIMITS.batch_silence_s)
            except Empty:
                raise TimeoutError(f"nothing came for {LIMITS.batch_silence_s} s") from None
            if piece is None:
                self._pieces.put_nowait(None)  # so that the end is still there for whoever asks again
                if not self._is_whole:
                    raise ConnectionError(f"it ended after {self.bytes} of {self._length} bytes")
                return b""
            self._rest = piece
        piece, self._rest = self._rest[:size], self._rest[size:]
        return piece

    def _begin(self) -> None:
        self._is_begun = True
        with self._lock:  # which the thread needs to end: it is known before, and not at all where it cannot start
            thread = threading.Thread(target=self._read_ahead, name="stream", daemon=True)
            thread.start()
            self._thread = thread

    def _read_ahead(self) -> None:
        try:
            while not self._is_left and (piece := self._next()):
                self.bytes += len(piece)
                self._hand_over(piece)
            self._is_whole = self._length is None or self.bytes == self._length
        except Exception:  # whatever kind a server has for a caller who is gone
            self._is_whole = False
        finally:
            self._hand_over(None)
            with self._lock:
                self._thread, after = None, self._after
            if after is not None:
                after()

    def _next(self) -> bytes:
        left = self._piece_bytes if self._length is None else min(self._piece_bytes, self._length - self.bytes)
        piece: bytes = self._source.read(left) if left else b""
        return piece

    def _hand_over(self, piece: bytes | None) -> None:
        while not self._is_left:
            try:
                self._pieces.put(piece, timeout=LOOK_S)
            except Full:
                continue
            return

    def leave(self, after: Callable[[], None]) -> None:
        """Read no more; `after` is called once the thread has ended, which a silent sender puts off until he leaves."""
        with self._lock:
            self._is_left = True
            if self._thread is not None:
                self._after = after
                return
        after()


class Stream:
    """The body of an answer that comes in parts; its end is noted, and its place given back, once."""

    def __init__(self, written: list[bytes], parts: Iterable[bytes], coming: Coming, places: Places) -> None:
        self._parts, self._inner = chain(written, parts), parts
        self._coming, self._places = coming, places
        self._bytes, self._is_open = 0, True
        self.note: Callable[[int, int], None] = lambda _, __: None

    def __iter__(self) -> Iterator[bytes]:
        return self

    def __next__(self) -> bytes:
        part = next(self._parts)
        self._bytes += len(part)
        return part

    def close(self) -> None:
        """End it, whether or not all of it was taken."""
        if not self._is_open:
            return
        self._is_open = False
        try:
            close(self._inner)
        finally:
            self._coming.leave(self._places.give_back)
            self.note(self._coming.bytes, self._bytes)

    def __del__(self) -> None:
        # Servers may forget to, when a caller leaves. In an interpreter that ends threads stand still, whatever locks
        # they hold, and what keeps the journal may start others: neither must be waited for.
        if not sys.is_finalizing():
            self.close()


def close(parts: Iterable[bytes]) -> None:
    """Close the body of an answer, where it can be."""
    end = getattr(parts, "close", None)
    if end is not None:
        end()
