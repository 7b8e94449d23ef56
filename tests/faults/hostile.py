"""Callers that nobody wants: slow readers, dripping headers, connections cut in the middle of a body."""

from __future__ import annotations

import contextlib
import json
import selectors
import socket
import struct
import threading
import time
from collections.abc import Iterator

DRIP = b"POST /v1/extractions HTTP/1.1\r\nHost: x\r\nX-Slow: "


def connected(port: int, receive_bytes: int | None = None) -> socket.socket:
    """Return a connection, whose kernel takes in no more than so many bytes ahead."""
    connection = socket.socket()
    if receive_bytes is not None:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
    connection.settimeout(30)
    connection.connect(("127.0.0.1", port))
    return connection


def post(path: str, body: bytes, accept: str) -> bytes:
    """Return a POST as it goes over the wire, on a connection that ends with its answer."""
    lines = ("Host: x", "Content-Type: application/json", f"Accept: {accept}", f"Content-Length: {len(body)}")
    return "\r\n".join((f"POST {path} HTTP/1.1", *lines, "Connection: close", "", "")).encode() + body


class SlowReaders:
    """Callers that take their answers in small pieces, with long waits between them, while a block lasts."""

    def __init__(self, ports: list[int], request: bytes) -> None:
        self.connections = [connected(port, 4096) for port in ports]
        for connection in self.connections:
            connection.sendall(request)
        self.received = [b"" for _ in ports]
        self._over = threading.Event()

    def __enter__(self) -> SlowReaders:
        self._thread = threading.Thread(target=self._read_slowly)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _read_slowly(self) -> None:
        while not self._over.wait(0.2):
            for number, connection in enumerate(self.connections):
                with contextlib.suppress(TimeoutError):
                    self.received[number] += connection.recv(512)

    def rest(self) -> list[bytes]:
        """Return the bodies of all answers, of which the rest is now read as fast as it comes."""
        for number, connection in enumerate(self.connections):
            with connection, contextlib.suppress(OSError):
                while piece := connection.recv(65_536):
                    self.received[number] += piece
        return [received.partition(b"\r\n\r\n")[2] for received in self.received]


class Dripping:
    """Callers that send a header a byte a second, while a block lasts; how long each was borne with."""

    def __init__(self, ports: list[int]) -> None:
        self.borne_s: list[float] = []
        self._ports, self._over = ports, threading.Event()

    def __enter__(self) -> Dripping:
        self._thread = threading.Thread(target=self._drip)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _drip(self) -> None:
        began_s = time.monotonic()
        with selectors.DefaultSelector() as selector:
            for port in self._ports:
                connection = connected(port)
                connection.sendall(DRIP)
                selector.register(connection, selectors.EVENT_READ)
            while selector.get_map() and not self._over.is_set():
                next_s = time.monotonic() + 1
                while (left_s := next_s - time.monotonic()) > 0 and not self._over.is_set():
                    for key, _ in selector.select(timeout=min(left_s, 0.1)):
                        self._end(selector, key.fileobj, began_s)
                for key in list(selector.get_map().values()):
                    try:
                        key.fileobj.send(b"a")
                    except OSError:
                        self._end(selector, key.fileobj, began_s)
            for key in list(selector.get_map().values()):
                key.fileobj.close()

    def _end(self, selector: selectors.BaseSelector, connection: socket.socket, began_s: float) -> None:
        """Note that the other side has had enough: it answers 408, or just closes."""
        self.borne_s.append(time.monotonic() - began_s)
        selector.unregister(connection)
        connection.close()


def cut_in_the_middle(port: int, times: int, body: bytes) -> None:
    """Send half a body and cut the connection, by an end (FIN) and by a reset in turn."""
    whole = post("/v1/extractions", body, "application/json")
    for number in range(times):
        connection = connected(port)
        connection.sendall(whole[: len(whole) - len(body) // 2])
        if number % 2:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        connection.close()


def numbers(port: int) -> dict[str, float]:
    """Return a replica's own numbers by name and labels."""
    with connected(port) as connection:
        connection.sendall(b"GET /metrics HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        text = b"".join(pieces(connection)).partition(b"\r\n\r\n")[2].decode()
    found = (line.rpartition(" ") for line in text.splitlines() if line.startswith("tallwide_"))
    return {name: float(value) for name, _, value in found}


def pieces(connection: socket.socket) -> Iterator[bytes]:
    """Yield what comes until the other side closes."""
    while piece := connection.recv(65_536):
        yield piece


def encoded(job: object) -> bytes:
    """Return a job as it is sent."""
    return json.dumps(job).encode()
