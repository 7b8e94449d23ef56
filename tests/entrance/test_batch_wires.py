"""Both wires of a batch, lines and tables, over a server's sockets: answers while questions come, callers who take
nothing, leave, or are cut off, and what is the same whichever way it is asked."""

from __future__ import annotations

import http.client
import json
import socket
import time
from dataclasses import dataclass
from typing import Any

import pyarrow as pa
import pytest

from clip_streams import ARROW, read, written
from running import Running, running
from tallwide_service.api.entrance.streams import PIECE_BYTES

CAPTURE = {"raster": {"width": 3840, "height": 2160}}
WANTED = {"deliverables": [{"label": "portrait", "raster": {"width": 1440, "height": 1800}}]}
LINE = json.dumps({"endpoint": "margins", "job": {"capture": CAPTURE, **WANTED}}).encode()
LINE = LINE.ljust(PIECE_BYTES - 1) + b"\n"
CLIPS = pa.table({"raster_width_px": pa.array([3840] * 60_000, pa.int32()), "raster_height_px": [2160] * 60_000})


@dataclass(frozen=True)
class Wire:
    """How a batch is asked on one wire.

    `opening` comes before all questions, `one` is one question, `many` are many of them, `ending` comes after all.
    """

    media_type: str
    opening: bytes
    one: bytes
    many: bytes
    ending: bytes

    def end(self, answer: bytes) -> dict[str, Any] | None:
        """Return what the end of an answer says."""
        if self.media_type == ARROW:
            return read(answer).end
        last = json.loads(answer.splitlines()[-1])
        return last if last.get("end") else None

    def seen(self, answer: bytes) -> int:
        """Return how many answers are there, whole, of an answer that is still coming."""
        if self.media_type == ARROW:
            return read(answer).rows.num_rows if answer else 0
        return answer.count(b"\n")

    def answered(self, end: dict[str, Any]) -> int:
        """Return how many questions were answered, as an end says it."""
        return end["clips" if self.media_type == ARROW else "lines"]


def parted(stream: bytes) -> tuple[bytes, bytes, bytes]:
    """Return a stream's schema, its batches and its end."""
    schema = 8 + int.from_bytes(stream[4:8], "little")
    return stream[:schema], stream[schema:-8], stream[-8:]


def padded(message: bytes) -> bytes:
    """Return a message as long as whole pieces of a body in chunks, which is how servers hand that over."""
    head = 8 + int.from_bytes(message[4:8], "little")
    room = -len(message) % PIECE_BYTES
    return message[:4] + (head - 8 + room).to_bytes(4, "little") + message[8:head] + bytes(room) + message[head:]


def tables() -> Wire:
    schema, many, end = parted(written(CLIPS, WANTED, batch_rows=60_000))
    _, one, _ = parted(written(CLIPS.slice(0, 1), WANTED))
    return Wire(ARROW, padded(schema), padded(one), many, end)


WIRES = {"lines": Wire("application/x-ndjson", b"", LINE, LINE * 100, b""), "tables": tables()}


@pytest.fixture(params=WIRES)
def wire(request) -> Wire:
    return WIRES[request.param]


@pytest.fixture(scope="module")
def service():
    with running() as service:
        with opened(service, WIRES["tables"]) as caller:  # so that the library of tables is loaded
            caller.sendall(chunk(WIRES["tables"].ending) + chunk(b""))
            received(caller, b"0\r\n\r\n")
        yield service


def opened(service: Running, wire: Wire, *, receive_bytes: int | None = None) -> socket.socket:
    caller = socket.socket()
    if receive_bytes:
        caller.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
    caller.settimeout(20)
    caller.connect(("127.0.0.1", service.port))
    head = f"POST /v1/batch HTTP/1.1\r\nHost: a\r\nContent-Type: {wire.media_type}\r\n"
    caller.sendall(head.encode() + b"Transfer-Encoding: chunked\r\n\r\n")
    if wire.opening:
        caller.sendall(chunk(wire.opening))
    return caller


def chunk(data: bytes) -> bytes:
    return b"%x\r\n%s\r\n" % (len(data), data)


def received(caller: socket.socket, end: bytes) -> bytes:
    got = b""
    while end not in got:
        piece = caller.recv(65_536)
        assert piece, got[-500:]
        got += piece
    return got


def body_of(answer: bytes) -> bytes:
    """Return what has come of the body of an answer in chunks."""
    head, _, rest = answer.partition(b"\r\n\r\n")
    assert b"HTTP/1.1 200".startswith(head[:12]), answer[:500]
    body = b""
    while b"\r\n" in rest:
        size, _, rest = rest.partition(b"\r\n")
        count = int(size, 16)
        if not count:
            break
        body, rest = body + rest[:count], rest[count + 2 :]
    return body


def ask(service: Running, wire: Wire) -> int:
    """Return the status of a batch of one question."""
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=30)
    try:
        connection.request(
            "POST", "/v1/batch", wire.opening + wire.one + wire.ending, {"Content-Type": wire.media_type}
        )
        response = connection.getresponse()
        answer = response.read()
        if response.status == 200:
            end = wire.end(answer)
            assert end["complete"]
            assert wire.answered(end) == 1
        return response.status
    finally:
        connection.close()


def until(true) -> bool:
    for _ in range(100):
        if true():
            return True
        time.sleep(0.05)
    return False


def test_answers_come_while_questions_are_still_to_be_sent(service, wire):
    with opened(service, wire) as caller:
        got = b""
        for number in range(1, 4):
            caller.sendall(chunk(wire.one))
            while wire.seen(body_of(got)) < number:
                got += caller.recv(65_536)
        caller.sendall((chunk(wire.ending) if wire.ending else b"") + chunk(b""))
        got += received(caller, b"0\r\n\r\n")
    end = wire.end(body_of(got))
    assert (end["complete"], wire.answered(end)) == (True, 3)


def send_again_and_again(caller: socket.socket, block: bytes, most: int) -> None:
    for _ in range(most // len(block)):
        caller.sendall(block)


def test_a_caller_who_takes_nothing_stops_the_computing_and_fills_no_memory(service, wire):
    """Sends for as long as anybody reads; in the end nobody does, and others are answered as before."""
    block = chunk(wire.many)
    service.get("/readyz")
    before_mb = service.memory_mb()
    with opened(service, wire, receive_bytes=4_096) as caller:
        caller.settimeout(1.5)
        with pytest.raises(TimeoutError):
            send_again_and_again(caller, block, 200_000_000)
        used_s = service.cpu_seconds()
        time.sleep(0.5)
        assert service.cpu_seconds() - used_s < 0.25
        assert service.memory_mb() - before_mb < 60
        assert ask(service, wire) == 200


def test_a_caller_who_leaves_in_the_middle_gives_the_stream_back(service, wire):
    for _ in range(20):  # more than there are places for streams
        with opened(service, wire) as caller:
            caller.sendall(chunk(wire.one))
            received(caller, b"\r\n\r\n")
    assert until(lambda: ask(service, wire) == 200), "no stream was given back"


def test_a_body_cut_in_the_middle_is_answered_as_far_as_it_came_and_not_called_whole(service, wire):
    """Announced by its length, of which a part comes, and then nobody writes any more."""
    body = wire.opening + wire.one * 2 + wire.one[:-30]
    head = f"POST /v1/batch HTTP/1.1\r\nHost: a\r\nContent-Type: {wire.media_type}\r\n"
    with socket.create_connection(("127.0.0.1", service.port), timeout=20) as caller:
        caller.sendall(head.encode() + b"Content-Length: %d\r\n\r\n" % (len(body) + 30) + body)
        caller.shutdown(socket.SHUT_WR)
        end = wire.end(body_of(received(caller, b"0\r\n\r\n")))
    assert (end["complete"], wire.answered(end), end["problem"]["status"]) == (False, 2, 400)


def test_a_body_in_chunks_that_breaks_off_is_not_called_whole(service, wire):
    """Between two questions too, where nothing of them is missing."""
    with opened(service, wire) as caller:
        caller.sendall(chunk(wire.one) * 2)
        caller.shutdown(socket.SHUT_WR)
        end = wire.end(body_of(received(caller, b"0\r\n\r\n")))
    assert (end["complete"], wire.answered(end)) == (False, 2)
    assert "broke off" in end["problem"]["detail"]
