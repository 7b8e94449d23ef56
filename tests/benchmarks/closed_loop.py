"""A closed loop of calls over some kept connections, cheap enough that the server is what is measured."""

from __future__ import annotations

import selectors
import socket
import time
from dataclasses import dataclass, field


@dataclass
class Load:
    """What one spell of load saw: seconds of each call, and how long it lasted."""

    seconds: list[float] = field(default_factory=list)
    lasted: float = 0.0

    @property
    def rate(self) -> float:
        """Calls per second."""
        return len(self.seconds) / self.lasted


def request_bytes(path: str, body: bytes) -> bytes:
    """Return one POST as it goes over the wire."""
    lines = ("Host: 127.0.0.1", "Content-Type: application/json", f"Content-Length: {len(body)}")
    head = "\r\n".join((f"POST {path} HTTP/1.1", *lines, "", ""))
    return head.encode("ascii") + body


class Connection:
    """One kept connection with at most one call under way."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port))
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.began = 0.0
        self.received = b""

    def send(self, request: bytes) -> None:
        """Begin a call."""
        self.received = b""
        self.began = time.perf_counter()
        self.socket.sendall(request)

    def is_answered(self) -> bool:
        """Take what has arrived; whether the answer is whole. An answer other than 200 ends the measurement."""
        self.received += self.socket.recv(262_144)
        head, gap, body = self.received.partition(b"\r\n\r\n")
        if not gap:
            return False
        if not head.startswith(b"HTTP/1.1 200"):
            raise RuntimeError(f"not answered: {self.received[:500]!r}")
        return len(body) >= int(head.lower().split(b"content-length:")[1].split(b"\r\n")[0])


def put_load(port: int, request: bytes, connections: int, lasting: float) -> Load:
    """Send the request over and over on each connection for some seconds."""
    load = Load()
    with selectors.DefaultSelector() as selector:
        opened = [Connection(port) for _ in range(connections)]
        for connection in opened:
            selector.register(connection.socket, selectors.EVENT_READ, connection)
        start = time.perf_counter()
        for connection in opened:
            connection.send(request)
        under_way = connections
        while under_way:
            for key, _ in selector.select(timeout=30):
                connection = key.data
                if connection.is_answered():
                    now = time.perf_counter()
                    load.seconds.append(now - connection.began)
                    if now - start < lasting:
                        connection.send(request)
                    else:
                        under_way -= 1
        load.lasted = time.perf_counter() - start
        for connection in opened:
            connection.socket.close()
    return load
