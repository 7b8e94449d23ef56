"""The layer itself: every request goes through here, in this order.

Names; the preflight of another origin's page; the token; then, for what computes, the body is read, a place is taken,
and the rest happens under a deadline. Probes, numbers, reference data and the page's files need no place, so they are
answered while every place is taken. At the end every answer gets its headers and is noted.
"""

from __future__ import annotations

import logging
import re
import sys
import time
from collections.abc import Callable, Iterable
from contextvars import copy_context
from dataclasses import dataclass
from http import HTTPStatus
from time import sleep
from typing import TYPE_CHECKING, Any, TypeVar

from tallwide_service.api.entrance.deadline import Deadline, Expired, OutOfTime
from tallwide_service.api.entrance.journal import Journal, Note
from tallwide_service.api.entrance.names import Routes, request_id, trace_id
from tallwide_service.api.entrance.origins import Headers, Origins
from tallwide_service.api.entrance.places import ComputingPlaces, NoPlace, Places
from tallwide_service.api.entrance.reading import Environ, Reading, sent_ahead
from tallwide_service.api.entrance.streams import Coming, Stream, close
from tallwide_service.api.entrance.tokens import Tokens
from tallwide_service.api.entrance.usual import UsualCost, kind_of
from tallwide_service.api.problems import BROKEN, MEDIA_TYPE, Problem, problem_bytes
from tallwide_service.errors import passed_bound
from tallwide_service.limits import LIMITS
from tallwide_service.settings import Settings

if TYPE_CHECKING:
    from tallwide_service.api.entrance.metrics import Metrics

Result = TypeVar("Result")
Application = Callable[[Environ, Callable[..., Any]], Iterable[bytes]]

LOG = logging.getLogger("tallwide_service")
PROBES = frozenset({"/livez", "/readyz", "/healthz"})
READINESS = frozenset({"/readyz", "/healthz"})
# What browsers load before anybody can type a token in: files that are the same for everybody.
FILES, FOLDERS = frozenset({"/", "/docs", "/openapi.json"}), ("/page/", "/docs/")
WITHOUT_COMPUTING = ("/v1/limits", "/v1/reference/")
STREAMING = frozenset({"/v1/batch"})
# Per process, and beside the places to compute and to wait in.
BODIES, UPLOADS, STREAMS, SPARE_THREADS = 16, 2, 8, 4
# Members of an environment by which a server that reads bodies by itself says what it has done.
BEGAN_S, READ_BYTES, BEFORE = "tallwide.began_s", "tallwide.read_bytes", "tallwide.before"
# Between two tries of a batch to find a place to wait in.
PATIENCE_S = 0.05
PREFIX = re.compile(r"(?:/[A-Za-z0-9._~-]{1,64}){1,8}")
SECURITY_HEADERS = [
    ("X-Content-Type-Options", "nosniff"),
    ("X-Frame-Options", "DENY"),
    ("Referrer-Policy", "no-referrer"),
    ("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'"),
]

# What an answer may have of its own.
POLICIES = frozenset({"Content-Security-Policy", "Cross-Origin-Resource-Policy"})


def threads_needed(settings: Settings) -> int:
    """Return the threads of a server under which a probe finds one free, whatever the others do."""
    return settings.threads + 2 * settings.waiting + BODIES + UPLOADS + STREAMS + SPARE_THREADS


@dataclass(frozen=True, slots=True)
class Before:
    """What a server that reads bodies by itself has decided by then."""

    bytes_in: int = 0
    gate: str = ""  # at which it is to be turned away
    problem: Problem | None = None  # that it is to be refused with


@dataclass(slots=True)
class Answer:
    """What goes out, and how it came about."""

    status: str
    headers: Headers
    body: list[bytes] | Stream
    waited_s: float = 0.0
    bytes_in: int = 0
    gate: str = ""  # at which it was turned away


class Entrance:
    """A WSGI application around another one.

    Parameters
    ----------
    inner
        What answers.
    settings
        What the operator decided.
    routes
        The rules that paths are counted under.
    is_bounded
        Whether places and deadlines hold; not so within somebody's own process, who bounds himself.

    Raises
    ------
    WrongSetting
        If the file of tokens cannot be used.
    """

    def __init__(self, inner: Application, settings: Settings, routes: Routes, *, is_bounded: bool) -> None:
        self._inner, self._routes = inner, routes
        self._tokens = Tokens(settings.tokens, settings.tokens_file) if settings.asks_for_tokens else None
        self._origins = Origins(settings.allowed_origins)
        self._trusts_proxy = settings.trust_proxy
        self._is_bounded, self._is_welcoming = is_bounded, True
        self.places = ComputingPlaces(settings.threads, waiting=settings.waiting, wait_s=settings.wait_s)
        self._streams = Places(STREAMS)
        self._reading = Reading(bodies=BODIES, uploads=UPLOADS)
        self.usual = UsualCost()
        self._deadline = Deadline(settings.deadline_s)
        self._always = [*SECURITY_HEADERS, ("Cross-Origin-Resource-Policy", self._origins.resource_policy)]
        self.metrics: Metrics | None = None
        if settings.metrics and is_bounded:
            from tallwide_service.api.entrance import metrics  # noqa: PLC0415 - nobody's own process counts

            self.metrics = metrics.Metrics(self.places)
        self.journal = Journal(
            self.metrics.count if self.metrics else None, sys.stderr if settings.log and is_bounded else None
        )

    def stop_welcoming(self) -> None:
        """Say from now on that requests are no longer welcome; those that come are answered all the same."""
        self._is_welcoming = False

    def __call__(self, environ: Environ, start_response: Callable[..., Any]) -> Iterable[bytes]:
        """Answer a request."""
        began_s = environ.get(BEGAN_S) or time.perf_counter()
        path = environ.get("PATH_INFO") or "/"
        environ["tallwide.request_id"] = own_id = request_id(environ.get("HTTP_X_REQUEST_ID"))
        if self._trusts_proxy and PREFIX.fullmatch(environ.get("HTTP_X_FORWARDED_PREFIX", "")):
            environ["SCRIPT_NAME"] = environ["HTTP_X_FORWARDED_PREFIX"]
        try:
            answer = self._answered(environ, path)
        except Expired:  # a second one, between the first one's landing and the end of the stretch
            answer = refusal(environ, out_of_time(self._deadline.seconds))
        except Exception:
            LOG.exception("unexpected error, request_id %s", own_id)
            answer = refusal(environ, BROKEN)
        start_response(answer.status, [*answer.headers, *self._added(answer.headers, environ, own_id)])
        body = answer.body
        if isinstance(body, list):
            self._note(environ, answer, path, began_s, sum(map(len, body)))
        else:
            answer.body = []  # no circle: a stream that is forgotten ends at once

            def note(bytes_in: int, bytes_out: int) -> None:
                answer.bytes_in = bytes_in
                self._note(environ, answer, path, began_s, bytes_out)

            body.note = note
        return body

    def _added(self, headers: Headers, environ: Environ, own_id: str) -> Headers:
        """Return the headers that every answer has, unless it has its own."""
        always = self._always
        for name, _ in headers:
            if name in POLICIES:
                own = {name for name, _ in headers}
                always = [pair for pair in always if pair[0] not in own]
                break
        return [*always, ("X-Request-ID", own_id), *self._origins.headers(environ.get("HTTP_ORIGIN"))]

    def _note(self, environ: Environ, answer: Answer, path: str, began_s: float, bytes_out: int) -> None:
        self.journal.note(
            Note(
                time_s=time.time(),
                request_id=environ["tallwide.request_id"],
                trace_id=environ.get("tallwide.trace_id") or trace_id(environ.get("HTTP_TRACEPARENT")),
                method=environ["REQUEST_METHOD"],
                path=path,
                route=self._routes.of(path),
                status=int(answer.status[:3]),
                seconds=time.perf_counter() - began_s,
                waited_s=answer.waited_s,
                bytes_in=answer.bytes_in,
                bytes_out=bytes_out,
                items=environ.get("tallwide.items", 0) if answer.status < "4" else 0,
                problem=environ.get("tallwide.problem", ""),
                gate=answer.gate,
                caller=environ.get("REMOTE_ADDR", ""),
            )
        )

    def reads_body(self, environ: Environ) -> bool:
        """Whether a request is one whose body is read: a job, from somebody who may ask."""
        path = environ["PATH_INFO"]
        return environ["REQUEST_METHOD"] == "POST" and computes(path) and self._refused(environ, path) is None

    def _refused(self, environ: Environ, path: str) -> Answer | None:
        """Return the refusal of what is not even asked, or none."""
        if environ.get("HTTP_TRANSFER_ENCODING", "chunked").lower() != "chunked":
            return refusal(environ, STRANGE_CODING)
        if "HTTP_HOST" not in environ and environ.get("SERVER_PROTOCOL") == "HTTP/1.1":
            return refusal(environ, NO_HOST)
        length = len(environ.get("PATH_INFO", "")) + len(environ.get("QUERY_STRING", ""))
        if length > LIMITS.target_characters:
            return refusal(environ, long_target(length))
        if environ["REQUEST_METHOD"] == "OPTIONS" and "HTTP_ACCESS_CONTROL_REQUEST_METHOD" in environ:
            return Answer("204 No Content", [*self._origins.preflight(), ("Cache-Control", "no-store")], [])
        if self._tokens is not None and not is_for_everybody(path):
            shown = environ.get("HTTP_AUTHORIZATION", "")
            if not self._tokens.open_for(shown):
                return refusal(environ, no_token(is_shown=bool(shown)))
        if not is_plain(path):
            return refusal(environ, NOT_FOUND)
        if path in READINESS and not self._is_welcoming:
            return refusal(environ, STOPPING)
        return None

    def _answered(self, environ: Environ, path: str) -> Answer:
        if (refused := self._refused(environ, path)) is not None:
            return refused
        if not (self._is_bounded and computes(path)):
            return self._whole(environ)
        if (before := environ.get(BEFORE)) is not None:
            return self._decided(environ, before)
        method = environ["REQUEST_METHOD"]
        if path in STREAMING and method == "POST":
            return self._streamed(environ)
        return self._computed(environ, method, path)

    def _decided(self, environ: Environ, before: Before) -> Answer:
        """Return what was decided while the body was read: a refusal, or an answer that is there already."""
        if before.gate:
            return self._turned_away(environ, before.gate, before.bytes_in)
        answer = self._whole(environ) if before.problem is None else refusal(environ, before.problem)
        answer.bytes_in = before.bytes_in
        return answer

    def _whole(self, environ: Environ) -> Answer:
        """Return an answer with all of its body."""
        status, headers, parts, written = self._begun(environ)
        try:
            body = [*parts]
        finally:
            close(parts)
        return Answer(status, headers, written + body)

    def _begun(self, environ: Environ) -> tuple[str, Headers, Iterable[bytes], list[bytes]]:
        """Return an answer whose body may still come, and what of it was written the old way."""
        started: list[Any] = []
        written: list[bytes] = []

        def start(status: str, headers: Headers, _: Any = None) -> Callable[[bytes], None]:
            started[:] = status, headers
            return written.append

        parts = self._inner(environ, start)
        if not started:  # a generator says its status with its first part
            parts = list(parts)
        return started[0], started[1], parts, written

    def _computed(self, environ: Environ, method: str, path: str) -> Answer:
        """Return an answer that was computed in a place of its own, in time."""
        bytes_in, gate = environ.get(READ_BYTES, 0), "reading"
        try:
            if method == "POST" and READ_BYTES not in environ:
                bytes_in = self._reading.read_ahead(environ)
            gate = "computing"
            kind = kind_of(self._routes.of(path), sent_ahead(environ))
            is_slow = self.usual.is_slow(kind)
            waited_s = self.places.take_or_wait(is_slow=is_slow)
        except NoPlace:
            return self._turned_away(environ, gate, bytes_in)
        began_s, processor_began_s = time.perf_counter(), time.thread_time()
        try:
            # A context of its own: whatever is cut off leaves nothing behind for the thread's next request.
            answer: Answer = self._deadline.run(copy_context().run, self._whole, environ)
        except OutOfTime:
            answer = refusal(environ, out_of_time(self._deadline.seconds))
        finally:
            self.usual.learn(kind, time.thread_time() - processor_began_s)
            self.places.leave(time.perf_counter() - began_s, is_slow=is_slow)
        answer.waited_s, answer.bytes_in = waited_s, bytes_in
        return answer

    def _turned_away(self, environ: Environ, gate: str, bytes_in: int = 0) -> Answer:
        answer = refusal(environ, busy(gate, self.places.retry_after_s))
        answer.gate, answer.bytes_in = gate, bytes_in
        return answer

    def _streamed(self, environ: Environ) -> Answer:
        """Return an answer whose parts come as they are computed, each in a place of its own."""
        try:
            self._streams.take()
        except NoPlace:
            return self._turned_away(environ, "streaming")
        environ["wsgi.input"] = coming = Coming.of(environ)
        environ["tallwide.piece"] = self._piece
        environ["tallwide.stopping"] = lambda: None if self._is_welcoming else STOPPING
        try:
            status, headers, parts, written = self._begun(environ)
        except BaseException:
            coming.leave(self._streams.give_back)
            raise
        return Answer(status, headers, Stream(written, parts, coming, self._streams))

    def _piece(self, call: Callable[..., Result], *arguments: Any) -> Result:
        """Return what a call returns, computed in a place, in time; for the lines of a streaming answer.

        Raises
        ------
        Problem
            429 if there is no place, 503 if it took too long.
        """
        self._wait_for_place()
        began_s = time.perf_counter()
        try:
            result: Result = self._deadline.run(copy_context().run, call, *arguments)
        except (OutOfTime, Expired):
            raise out_of_time(self._deadline.seconds) from None
        finally:
            self.places.leave(time.perf_counter() - began_s, is_slow=True)
        return result

    def _wait_for_place(self) -> None:
        """Take a place as slow calls do: lines together are one, and there are quick calls that it must not hold up."""
        ends_s = time.monotonic() + self._deadline.seconds
        while True:
            try:
                self.places.take_or_wait(is_slow=True)
            except NoPlace:
                if time.monotonic() > ends_s:
                    raise busy("computing", self.places.retry_after_s) from None
                sleep(PATIENCE_S)
            else:
                return


def is_for_everybody(path: str) -> bool:
    """Whether a path needs no token: probes, and files that are the same for everybody."""
    return path in PROBES or path in FILES or path.startswith(FOLDERS)


def is_plain(path: str) -> bool:
    """Whether a path begins with one stroke; what is behind would take off a second one, and route it all the same."""
    return path[0] == "/" and path[1:2] != "/"


def computes(path: str) -> bool:
    """Whether what lies under a path takes a place to compute in."""
    return path.startswith("/v1/") and not path.startswith(WITHOUT_COMPUTING)


def refusal(environ: Environ, problem: Problem) -> Answer:
    """Return a problem as an answer."""
    environ["tallwide.problem"] = problem.slug
    status = HTTPStatus(problem.status)
    body = problem_bytes(problem, environ)
    headers = [
        ("Content-Type", MEDIA_TYPE),
        ("Content-Length", str(len(body))),
        ("Cache-Control", "no-store"),
        *problem.headers.items(),
    ]
    is_head = environ["REQUEST_METHOD"] == "HEAD"
    return Answer(f"{status.value} {status.phrase}", headers, [] if is_head else [body])


# What is full where a request is turned away, as the log and the numbers name it.
FULL = {
    "reading": "as many bodies as can be read at a time are coming in",
    "computing": "all places to compute in are taken",
    "streaming": f"{STREAMS} streams are under way, as many as one process has places for",
}


def busy(gate: str, retry_after_s: int) -> Problem:
    """Return the problem of more work than the machine can do."""
    return Problem(
        429,
        "busy",
        "The service is busy",
        f"{FULL[gate]}; try again in {retry_after_s} s",
        headers={"Retry-After": str(retry_after_s)},
    )


def out_of_time(limit_s: float) -> Problem:
    """Return the problem of work past its deadline."""
    return Problem(
        503,
        "out-of-time",
        "The work took too long",
        f"it was ended after {limit_s:g} s; a smaller job may do",
        members={"limit": limit_s},
    )


def too_slow(limit_s: int) -> Problem:
    """Return the problem of a sender who has fallen silent, or dawdles."""
    is_silent = limit_s == LIMITS.body_silence_s
    return Problem(
        408,
        "too-slow",
        "The body took too long to come",
        f"nothing came for {limit_s} s" if is_silent else f"not all of it was there after {limit_s} s",
        headers={"Connection": "close"},
        members={"limit": limit_s},
    )


def no_token(*, is_shown: bool) -> Problem:
    """Return the problem of a caller without a token; what was shown is not repeated."""
    error = 'error="invalid_token"' if is_shown else ""
    return Problem(
        401,
        "no-token",
        "A token is needed",
        "the token is not one that opens this service" if is_shown else "send Authorization: Bearer and a token",
        headers={"WWW-Authenticate": ", ".join(filter(None, ['Bearer realm="tallwide"', error]))},
    )


def long_target(length: int) -> Problem:
    """Return the problem of an address that is longer than is read."""
    return Problem(
        414,
        "too-long",
        "The address is too long",
        f"path and query have at most {LIMITS.target_characters} characters, not {length}; send the job by POST",
        members=passed_bound(LIMITS.target_characters, length),
    )


BROKEN_OFF = Problem(
    400,
    "",
    "Bad Request",
    "the body broke off before its end, or its chunks are wrong",
    headers={"Connection": "close"},
)
# RFC 9112, 6.1 and 3.2: what two servers in a row might read in two ways is read in neither.
STRANGE_CODING = Problem(
    501, "", "Not Implemented", "of transfer codings, chunked alone is understood", headers={"Connection": "close"}
)
NO_HOST = Problem(400, "", "Bad Request", "a request of HTTP/1.1 names its host", headers={"Connection": "close"})
NOT_FOUND = Problem(404, "", "Not Found", "there is nothing here; a path begins with one stroke")
STOPPING = Problem(503, "stopping", "The service is about to stop", "it finishes what it has begun; ask another one")
