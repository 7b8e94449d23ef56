"""The front: an event loop (ASGI 3.0) between the server and the WSGI application that everything else is.

What is quick by its nature is answered on the loop itself: threads that fight for the interpreter over calls of a fifth
of a millisecond cost more than the calls. Everything else gets a thread once its body is there, so a sender who dawdles
or falls silent holds neither a thread nor a place, and is told so after a while. A stream holds a thread only while a
part of it is made.
"""

from __future__ import annotations

import asyncio
import io
import sys
import time
from collections import deque
from collections.abc import Awaitable, Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any
from urllib.parse import unquote_to_bytes

from flask import Flask

from tallwide_service.api.entrance.layer import (
    BEFORE,
    BEGAN_S,
    BODIES,
    BROKEN_OFF,
    PROBES,
    READ_BYTES,
    STREAMING,
    UPLOADS,
    Before,
    Entrance,
    too_slow,
)
from tallwide_service.api.entrance.places import NoPlace
from tallwide_service.api.entrance.reading import (
    LARGEST_UPLOAD_BYTES,
    PIECE_BYTES,
    Announced,
    Environ,
    Upload,
    announced,
)
from tallwide_service.api.entrance.streams import close
from tallwide_service.api.quick_lane import MADE, made_quickly, may_be_quick
from tallwide_service.limits import LIMITS

Headers = list[tuple[str, str]]
Scope = dict[str, Any]
Receive = Callable[[], Awaitable[dict[str, Any]]]
Send = Callable[[dict[str, Any]], Awaitable[None]]
Application = Callable[[Environ, Callable[..., Any]], Iterable[bytes]]
# What all jobs together may hold, from their first byte until they are answered, and what all uploads may.
MOST_JOB_BYTES, MOST_UPLOAD_BYTES = BODIES * LIMITS.body_bytes, UPLOADS * LARGEST_UPLOAD_BYTES
# PEP 3333 has no HTTP_ before these two. One of them twice is no list: the first one counts.
OWN_NAMES = {b"content-type": "CONTENT_TYPE", b"content-length": "CONTENT_LENGTH"}
# Between two looks at who still sends.
LOOK_S = 1.0


class Gone(ConnectionError):
    """The caller has gone before the end of the body."""


class Front:
    """An ASGI application in front of a WSGI application.

    Parameters
    ----------
    app
        The service.
    threads
        How many calls that are not quick may be under way.
    waiting
        How many quick calls may wait for their turn; more are sent away at once.
    """

    def __init__(self, app: Flask, threads: int, waiting: int) -> None:
        self._app: Application = app.wsgi_app
        self._entrance: Entrance = app.extensions["tallwide-entrance"]
        self._threads = ThreadPoolExecutor(threads, "computing")
        self._most_waiting, self._waiting = waiting, 0
        self._jobs, self._uploads = Bodies(MOST_JOB_BYTES), Bodies(MOST_UPLOAD_BYTES)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request; or take part in the server's start and stop, at which there is nothing to do."""
        if scope["type"] == "http":
            await self.answer(environ_of(scope), receive, send)
        elif scope["type"] == "lifespan":
            while (message := await receive())["type"] != "lifespan.shutdown":
                await send({"type": f"{message['type']}.complete"})
            self._threads.shutdown(wait=False, cancel_futures=True)
            await send({"type": "lifespan.shutdown.complete"})

    async def answer(self, environ: Environ, receive: Receive, send: Send) -> None:
        """Answer a request, whose body is still to come."""
        path = environ["PATH_INFO"]
        if path in PROBES:
            await self.answer_at_once(environ, send)
        elif path in STREAMING and environ["REQUEST_METHOD"] == "POST":
            environ["wsgi.input"] = incoming = Incoming(receive, asyncio.get_running_loop())
            try:
                await self._answer_by_threads(environ, send, incoming)
            finally:
                incoming.leave()
        elif self._entrance.reads_body(environ) and (coming := announced(environ)) is not None:
            await self._answer_body(environ, coming, receive, send)
        else:
            await self._answer_by_threads(environ, send)

    async def _answer_body(self, environ: Environ, coming: Announced, receive: Receive, send: Send) -> None:
        """Answer a request whose body is read first."""
        body, bodies = Body(), self._uploads if coming.is_upload else self._jobs
        try:
            environ[BEFORE] = await bodies.read(receive, coming, body)
            if environ[BEFORE] is not None:
                await self.answer_at_once(environ, send)
                return
            environ[READ_BYTES] = body.length
            if coming.is_upload:
                environ["wsgi.input"] = Upload(body.pieces)
                await self._answer_by_threads(environ, send)
                return
            job = body.whole()
            environ["wsgi.input"] = io.BytesIO(job)
            if not (may_be_quick(environ) and await self._answer_quickly(environ, job, send)):
                await self._answer_by_threads(environ, send)
        finally:
            bodies.forget(body)

    async def _answer_quickly(self, environ: Environ, job: bytes, send: Send) -> bool:
        """Answer on the loop, behind those that came before, or say that it takes a thread."""
        if self._waiting >= self._most_waiting:
            environ[BEFORE] = Before(len(job), gate="computing")
            await self.answer_at_once(environ, send)
            return True
        self._waiting += 1
        try:
            await asyncio.sleep(0)  # all that has come by now is lined up before one of them is computed
        finally:
            self._waiting -= 1
        try:
            environ[MADE] = made_quickly(environ["PATH_INFO"], job)
        except Exception:
            return False  # a thread meets it again, and answers and logs it as any other
        if environ[MADE] is None:
            return False
        environ[BEFORE] = Before(len(job))
        await self.answer_at_once(environ, send)
        return True

    async def answer_at_once(self, environ: Environ, send: Send) -> None:
        """Answer here and now, on the loop."""
        await send_whole(*begun(self._app, environ), send)

    async def _answer_by_threads(self, environ: Environ, send: Send, incoming: Incoming | None = None) -> None:
        """Answer in a thread; a stream in one for each of its parts, as soon as the part before has been taken."""
        in_thread = partial(asyncio.get_running_loop().run_in_executor, self._threads)
        status, headers, parts = await in_thread(begun, self._app, environ)
        if isinstance(parts, list):
            await send_whole(status, headers, parts, send)
            return
        try:
            await send(start_of(status, headers))
            while part := await in_thread(next_of, parts):
                if incoming is not None and incoming.is_left:  # servers take what nobody will get without a word
                    return
                await send({"type": "http.response.body", "body": part, "more_body": True})
            await send({"type": "http.response.body", "body": b"", "more_body": False})
        finally:
            await in_thread(close, parts)


class Body:
    """What has come of a body, and who waits for it since when."""

    __slots__ = ("began_s", "last_s", "length", "limit_s", "pieces", "task")

    def __init__(self) -> None:
        self.length = 0
        self.pieces: deque[bytes | bytearray] = deque()
        self.task: asyncio.Task[None] | None = None
        self.began_s = self.last_s = time.monotonic()
        self.limit_s = 0  # that has passed

    def add(self, piece: bytes) -> None:
        """Add what has come; small pieces come together, since each would hold many times its length."""
        last = self.pieces[-1] if self.pieces else b""
        if isinstance(last, bytearray) and len(last) < PIECE_BYTES:
            last += piece
        else:
            self.pieces.append(bytearray(piece) if self.pieces else piece)
        self.length += len(piece)
        self.last_s = time.monotonic()

    def whole(self) -> bytes:
        """Return all of it in one piece, and forget the pieces."""
        whole = bytes(self.pieces[0]) if len(self.pieces) == 1 else b"".join(self.pieces)
        self.pieces.clear()
        return whole

    def end_if_late(self, now_s: float) -> None:
        """Cut it off where nothing has come for too long, or not all of it."""
        if now_s - self.began_s >= LIMITS.body_s:
            self.limit_s = LIMITS.body_s
        elif now_s - self.last_s >= LIMITS.body_silence_s:
            self.limit_s = LIMITS.body_silence_s
        if self.limit_s and self.task is not None:
            self.task.cancel()


class Bodies:
    """Reads bodies, of which all together hold no more than so many bytes; whoever sends nothing holds nothing.

    Parameters
    ----------
    most_bytes
        What is held at most.
    """

    def __init__(self, most_bytes: int) -> None:
        self._left = most_bytes
        self._coming: set[Body] = set()
        self._is_looking = False

    def forget(self, body: Body) -> None:
        """Let others have what a body has held."""
        self._left += body.length

    async def read(self, receive: Receive, coming: Announced, body: Body) -> Before | None:
        """Read a body, or return what is to be answered without it."""
        self._look_after(body)
        try:
            async for piece in Pieces(receive):
                self._take(body, piece)
                if body.length >= coming.most:
                    break
        except asyncio.CancelledError:
            if not body.limit_s:
                raise
            return Before(body.length, problem=too_slow(body.limit_s))
        except NoPlace:
            return Before(body.length, gate="reading")
        except Gone:
            return Before(body.length, problem=BROKEN_OFF)
        finally:
            self._coming.discard(body)
        return Before(body.length, problem=BROKEN_OFF) if body.length < coming.length else None

    def _look_after(self, body: Body) -> None:
        """Have it looked at every second whether a body still comes; a timer for each would cost more than the body."""
        body.task = asyncio.current_task()
        self._coming.add(body)
        if not self._is_looking:
            self._is_looking = True
            asyncio.get_running_loop().call_later(LOOK_S, self._look)

    def _look(self) -> None:
        now_s = time.monotonic()
        for body in self._coming:
            body.end_if_late(now_s)
        self._is_looking = bool(self._coming)
        if self._is_looking:
            asyncio.get_running_loop().call_later(LOOK_S, self._look)

    def _take(self, body: Body, piece: bytes) -> None:
        if len(piece) > self._left:
            raise NoPlace
        self._left -= len(piece)
        body.add(piece)


class Incoming:
    """The body of a stream, as the thread that reads it sees it: what there is, as soon as it comes.

    After its end somebody waits for the caller's leaving, so that no answers are made for nobody.
    """

    def __init__(self, receive: Receive, loop: asyncio.AbstractEventLoop) -> None:
        self.is_left = False
        self._receive, self._pieces, self._loop = receive, Pieces(receive), loop
        self._rest, self._is_over = b"", False
        self._watching: asyncio.Task[None] | None = None

    def read(self, size: int, /) -> bytes:
        """Return up to so many bytes; none at the end.

        Raises
        ------
        ConnectionError
            If the sender has gone before the end.
        """
        if not (self._rest or self._is_over):
            self._rest = asyncio.run_coroutine_threadsafe(self._next(), self._loop).result()
        piece, self._rest = self._rest[:size], self._rest[size:]
        return piece

    async def _next(self) -> bytes:
        async for piece in self._pieces:
            return piece
        self._is_over = True
        self._watching = asyncio.create_task(self._watch())
        return b""

    async def _watch(self) -> None:
        while (await self._receive())["type"] != "http.disconnect":
            pass
        self.is_left = True

    def leave(self) -> None:
        """Wait for nobody any more."""
        if self._watching is not None:
            self._watching.cancel()


class Pieces:
    """A body as it comes; no generator, since those that are left in the middle are tidied up at a price."""

    def __init__(self, receive: Receive) -> None:
        self._receive, self._is_more = receive, True

    def __aiter__(self) -> Pieces:
        return self

    async def __anext__(self) -> bytes:
        """Return what comes next.

        Raises
        ------
        Gone
            If the caller has gone before the end.
        """
        while self._is_more:
            message = await self._receive()
            if message["type"] != "http.request":
                raise Gone
            self._is_more = message.get("more_body", False)
            if piece := message.get("body", b""):
                return bytes(piece)
        raise StopAsyncIteration


def environ_of(scope: Scope) -> Environ:
    """Return a request's environment after PEP 3333, but for its body."""
    path: bytes = scope["raw_path"].partition(b"?")[0]
    host, port = scope["server"]
    environ: Environ = {
        BEGAN_S: time.perf_counter(),
        "REQUEST_METHOD": scope["method"],
        "SCRIPT_NAME": "",
        "PATH_INFO": (unquote_to_bytes(path) if b"%" in path else path).decode("latin-1"),
        "QUERY_STRING": scope["query_string"].decode("latin-1"),
        "SERVER_NAME": host,
        "SERVER_PORT": str(port),
        "SERVER_PROTOCOL": f"HTTP/{scope['http_version']}",
        "REMOTE_ADDR": scope["client"][0],
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": scope["scheme"],
        "wsgi.input": io.BytesIO(),
        "wsgi.input_terminated": True,
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": True,
        "wsgi.multiprocess": False,
        "wsgi.run_once": False,
    }
    for name, value in scope["headers"]:
        if name in OWN_NAMES:
            environ.setdefault(OWN_NAMES[name], value.decode("latin-1"))
            continue
        key = f"HTTP_{name.decode('latin-1').upper().replace('-', '_')}"
        before = environ.get(key)
        text = value.decode("latin-1")
        environ[key] = text if before is None else f"{before}{';' if name == b'cookie' else ','}{text}"
    return environ


def begun(app: Application, environ: Environ) -> tuple[int, Headers, Iterable[bytes]]:
    """Return status, headers and body of an answer; the body of a stream is still to come."""
    started: list[Any] = []
    parts = app(environ, lambda status, headers, _=None: started.extend((status, headers)))
    return int(started[0][:3]), started[1], parts


def next_of(parts: Iterable[bytes]) -> bytes:
    """Return the next part of a stream that is not empty, nothing at its end."""
    return next(filter(None, iter(parts)), b"")


def start_of(status: int, headers: Headers) -> dict[str, Any]:
    """Return the message that begins an answer."""
    encoded = [(name.encode("latin-1").lower(), value.encode("latin-1")) for name, value in headers]
    return {"type": "http.response.start", "status": status, "headers": encoded}


async def send_whole(status: int, headers: Headers, parts: Iterable[bytes], send: Send) -> None:
    """Send an answer that is there as a whole."""
    await send(start_of(status, headers))
    await send({"type": "http.response.body", "body": b"".join(parts), "more_body": False})
