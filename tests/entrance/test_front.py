"""The front: bodies that do not come, places in the line, and requests as WSGI and as ASGI have them."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time

import pytest

from running import running
from tallwide_service import front as fronts
from tallwide_service.api import quick_lane
from tallwide_service.api.app import create_app
from tallwide_service.api.entrance.layer import PROBES
from tallwide_service.front import Bodies, Body, Front, environ_of, send_whole
from tallwide_service.limits import LIMITS
from tallwide_service.settings import Settings

JOB = {
    "capture": {"raster": {"width": 4800, "height": 3200}},
    "deliverables": [{"label": "tall", "raster": {"width": 1080, "height": 1920}}],
}
QUICK = json.dumps(JOB).encode()
# Takes a thread: the quick lane leaves shared points alone.
IN_A_THREAD = json.dumps({**JOB, "framing": {"arrangement": "shared_point"}}).encode()


def scope(path: str = "/v1/extractions", method: str = "POST", headers: tuple = (), **members) -> dict:
    return {
        "type": "http",
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "root_path": "",
        "headers": [(b"host", b"tallwide.example"), (b"content-type", b"application/json"), *headers],
        "client": ("192.0.2.7", 4711),
        "server": ("192.0.2.1", 8080),
        **members,
    }


def long(body: bytes) -> tuple[bytes, bytes]:
    return (b"content-length", str(len(body)).encode())


class Call:
    """One request, its body in pieces that are there when they are asked for, and what was sent for it."""

    def __init__(self, *pieces: bytes, is_whole: bool = True) -> None:
        self._pieces, self._is_whole = list(pieces), is_whole
        self.sent: list[dict] = []

    async def receive(self) -> dict:
        if self._pieces:
            piece = self._pieces.pop(0)
            return {"type": "http.request", "body": piece, "more_body": bool(self._pieces) or not self._is_whole}
        return {"type": "http.request" if self._is_whole else "http.disconnect"}

    async def send(self, message: dict) -> None:
        self.sent.append(message)

    @property
    def status(self) -> int:
        return self.sent[0]["status"]

    @property
    def headers(self) -> dict[str, str]:
        return {name.decode(): value.decode() for name, value in self.sent[0]["headers"]}

    @property
    def json(self):
        return json.loads(b"".join(message["body"] for message in self.sent[1:]))


@pytest.fixture
def front() -> Front:
    return Front(create_app(Settings(log=False, metrics=False)), threads=4, waiting=3)


def answered(front: Front, call: Call, **members) -> Call:
    asyncio.run(front(scope(**members), call.receive, call.send))
    return call


@pytest.mark.parametrize("body", [QUICK, IN_A_THREAD], ids=["on the loop", "in a thread"])
@pytest.mark.parametrize("size", [1, 7, 100_000])
@pytest.mark.parametrize("is_announced", [True, False])
def test_an_answer_is_that_of_the_application_however_its_body_comes(front, body, size, is_announced):
    pieces = [body[at : at + size] for at in range(0, len(body), size)]
    headers = (long(body),) if is_announced else ((b"transfer-encoding", b"chunked"),)
    call = answered(front, Call(*pieces), headers=headers)
    expected = create_app().test_client().post("/v1/extractions", data=body, content_type="application/json")
    assert (call.status, call.json) == (200, expected.json)
    assert call.headers["etag"] == expected.headers["ETag"]
    assert call.headers["x-content-type-options"] == "nosniff"


def test_a_quick_call_takes_no_thread_and_any_other_one(front, monkeypatch):
    seen = []
    begun = fronts.begun
    monkeypatch.setattr(fronts, "begun", lambda *call: (seen.append(in_the_loop()), begun(*call))[1])
    for body in (QUICK, IN_A_THREAD, b"{"):
        answered(front, Call(body), headers=(long(body),))
    for path in sorted(PROBES):
        answered(front, Call(), path=path, method="GET")
    answered(front, Call(), path="/v1/limits", method="GET")
    assert seen == [True, False, False, *[True] * len(PROBES), False]


def in_the_loop() -> bool:
    with contextlib.suppress(RuntimeError):
        return asyncio.get_running_loop() is not None
    return False


def test_a_body_that_breaks_off_is_refused_and_nothing_of_it_is_kept(front):
    before = front._jobs._left
    for pieces in ((), (QUICK[:20],)):
        call = answered(front, Call(*pieces, is_whole=False), headers=(long(QUICK),))
        assert (call.status, call.json["detail"]) == (400, "the body broke off before its end, or its chunks are wrong")
    assert front._jobs._left == before


def test_bodies_hold_no_more_together_than_they_may(front):
    front._jobs = Bodies(len(QUICK) - 1)
    call = answered(front, Call(QUICK[:50], QUICK[50:]), headers=(long(QUICK),))
    assert (call.status, call.headers["retry-after"]) == (429, "1")
    front._jobs = Bodies(len(QUICK))
    for _ in range(3):  # what one has held, the next may hold
        assert answered(front, Call(QUICK), headers=(long(QUICK),)).status == 200


def test_uploads_that_hold_all_they_may_hold_up_no_job(front):
    front._uploads = Bodies(0)
    upload = ((b"content-length", b"5"),)
    call, wanted = Call(b"12345"), scope("/v1/overlay", headers=upload)
    wanted["headers"][1] = (b"content-type", b"multipart/form-data; boundary=x")
    asyncio.run(front(wanted, call.receive, call.send))
    assert call.status == 429
    assert answered(front, Call(QUICK), headers=(long(QUICK),)).status == 200


def test_an_error_on_the_loop_is_answered_as_any_other(front, monkeypatch):
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    for module in (fronts, quick_lane):
        monkeypatch.setattr(module, "made_quickly", broken)
    call = answered(front, Call(QUICK), headers=(long(QUICK),))
    assert (call.status, call.json["status"], bool(call.json["request_id"])) == (500, 500, True)


def test_more_quick_calls_than_may_wait_are_sent_away_at_once(front):
    calls = [Call(QUICK) for _ in range(8)]

    async def all_at_once() -> None:
        await asyncio.gather(*(front(scope(headers=(long(QUICK),)), call.receive, call.send) for call in calls))

    asyncio.run(all_at_once())
    assert sorted(call.status for call in calls) == [200] * 3 + [429] * 5
    assert all("retry-after" in call.headers for call in calls if call.status == 429)
    assert answered(front, Call(QUICK), headers=(long(QUICK),)).status == 200


def test_small_pieces_are_kept_together():
    body = Body()
    for _ in range(100_000):
        body.add(b"x")
    assert len(body.pieces) == 3
    assert body.whole() == b"x" * 100_000


def test_no_answers_are_made_for_a_caller_who_has_gone(front):
    lines = json.dumps({"endpoint": "extractions", "job": JOB}).encode() + b"\n"

    class Leaving(Call):
        async def receive(self) -> dict:
            if self._pieces:
                return await super().receive()
            while len(self.sent) < 20:
                await asyncio.sleep(0.001)
            return {"type": "http.disconnect"}

    call = Leaving(lines * 500)
    batch = ((b"transfer-encoding", b"chunked"),)
    wanted = scope("/v1/batch", headers=batch)
    wanted["headers"][1] = (b"content-type", b"application/x-ndjson")
    asyncio.run(front(wanted, call.receive, call.send))
    assert 20 <= len(call.sent) < 60


def test_what_is_refused_anyway_is_not_read():
    front = Front(create_app(Settings(log=False, metrics=False, tokens=("harbour-crane-0123456789",))), 4, 3)
    call = Call(QUICK)
    assert answered(front, call, headers=(long(QUICK),)).status == 401
    assert call._pieces == [QUICK]
    call = Call(QUICK)
    too_long = (b"content-length", b"%d" % (LIMITS.body_bytes + 1))
    shown = (b"authorization", b"Bearer harbour-crane-0123456789")
    assert answered(front, call, headers=(too_long, shown)).status == 413
    assert call._pieces == [QUICK]


@pytest.mark.parametrize(
    ("silent_s", "since_s", "limit"),
    [
        (LIMITS.body_silence_s, LIMITS.body_silence_s, LIMITS.body_silence_s),
        (0.5, LIMITS.body_s, LIMITS.body_s),
        (LIMITS.body_silence_s - 0.5, LIMITS.body_s - 0.5, 0),
    ],
)
def test_a_body_is_late_once_it_is_silent_or_dawdles(silent_s, since_s, limit):
    async def cut_off() -> int:
        body = Body()
        body.task = asyncio.create_task(asyncio.sleep(0.05))
        body.began_s, body.last_s = -since_s, -silent_s
        body.end_if_late(0.0)
        await asyncio.wait([body.task])
        assert body.task.cancelled() == bool(limit)
        return body.limit_s

    assert asyncio.run(cut_off()) == limit


def test_silent_senders_hold_nobody_up_and_are_told_so():
    """More of them than there are threads, with a body, a part of one, and an upload."""
    kinds = ("application/json", "multipart/form-data; boundary=x")
    with running() as service, contextlib.ExitStack() as stack:
        silent = []
        began_s = time.monotonic()
        for number in range(120):
            caller = stack.enter_context(socket.create_connection(("127.0.0.1", service.port), timeout=30))
            path = ("/v1/margins", "/v1/overlay")[number % 2]
            head = (
                f"POST {path} HTTP/1.1\r\nHost: a\r\nContent-Type: {kinds[number % 2]}\r\nContent-Length: 999\r\n\r\n"
            )
            caller.sendall(head.encode() + b"{" * (number % 3))
            silent.append(caller)
        with socket.create_connection(("127.0.0.1", service.port), timeout=5) as other:
            for body in (QUICK, IN_A_THREAD, QUICK):
                head = "POST /v1/extractions HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\n"
                other.sendall(head.encode() + b"Content-Length: %d\r\n\r\n" % len(body) + body)
                assert other.recv(65_536).startswith(b"HTTP/1.1 200")
        answers = [caller.recv(65_536) for caller in silent]
        lasted_s = time.monotonic() - began_s
    assert all(answer.startswith(b"HTTP/1.1 408") for answer in answers)
    assert all(b"content-security-policy" in answer and b'"limit":10' in answer for answer in answers)
    assert LIMITS.body_silence_s <= lasted_s < LIMITS.body_silence_s + 5


@pytest.mark.parametrize(
    ("members", "name", "expected"),
    [
        ({"path": "/a%20b%C3%A9/%2Fx%FF"}, "PATH_INFO", "/a b\xc3\xa9//x\xff"),
        ({"raw_path": b"/x?job=1"}, "PATH_INFO", "/x"),
        ({"query_string": b"job=%20a&b"}, "QUERY_STRING", "job=%20a&b"),
        ({"headers": ((b"content-type", b"text/plain"),)}, "CONTENT_TYPE", "application/json"),
        ({"headers": ((b"x-a", b"one"), (b"x-a", b"two"))}, "HTTP_X_A", "one,two"),
        ({"headers": ((b"cookie", b"a=1"), (b"cookie", b"b=2"))}, "HTTP_COOKIE", "a=1;b=2"),
        ({"headers": ((b"x-b", b"caf\xe9"),)}, "HTTP_X_B", "caf\xe9"),
        ({"http_version": "1.0"}, "SERVER_PROTOCOL", "HTTP/1.0"),
        ({}, "REMOTE_ADDR", "192.0.2.7"),
        ({}, "SERVER_PORT", "8080"),
    ],
)
def test_an_environment_is_that_of_pep_3333(members, name, expected):
    assert environ_of(scope(**members))[name] == expected


def test_the_server_may_begin_and_end(front):
    incoming = [{"type": "lifespan.startup"}, {"type": "lifespan.shutdown"}]
    sent = []

    async def receive() -> dict:
        return incoming.pop(0)

    async def send(message: dict) -> None:
        sent.append(message["type"])

    asyncio.run(front({"type": "lifespan"}, receive, send))
    assert sent == ["lifespan.startup.complete", "lifespan.shutdown.complete"]


def test_a_whole_answer_is_two_messages():
    call = Call()
    asyncio.run(send_whole(200, [("Content-Type", "text/plain"), ("X-Name", "é")], [b"a", b"b"], call.send))
    assert call.sent == [
        {
            "type": "http.response.start",
            "status": 200,
            "headers": [(b"content-type", b"text/plain"), (b"x-name", b"\xe9")],
        },
        {"type": "http.response.body", "body": b"ab", "more_body": False},
    ]
