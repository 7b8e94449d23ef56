"""Calls at times that were fixed before: nobody waits for an answer before the next call is due.

What a call took counts from the moment at which it was due, so a service that stands still is charged for every call
that it kept waiting, not for one. One thread and one selector take a small part of a core; how
late they were is noted.
"""

from __future__ import annotations

import gc
import selectors
import socket
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

LOST = 0  # the status of a call that was never answered
PATIENCE_S = 30.0
IDLE_S = 5.0  # servers close connections on which nothing comes; ours after 10 s
TICK_S = 0.001  # the system sleeps for whole ticks; the last part of one is looked through
PIECE_BYTES = 262_144


class Call(NamedTuple):
    """A request, when it is due (seconds from the start), and under which name it is counted."""

    due_s: float
    name: str
    request: bytes


class Answer(NamedTuple):
    """What became of a call."""

    name: str
    due_s: float
    late_s: float  # by how much it was sent too late
    seconds: float  # from when it was due until its last byte
    status: int
    head: bytes  # of refusals alone
    body: bytes


@dataclass
class Spell:
    """All that became of the calls of one spell."""

    answers: list[Answer] = field(default_factory=list)


class Connection:
    """A kept connection with at most one call under way."""

    __slots__ = ("call", "idle_since_s", "late_s", "received", "socket", "whole_bytes")

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.received = bytearray()
        self.whole_bytes = 0

    def send(self, call: Call, now_s: float) -> None:
        self.call, self.late_s = call, now_s - call.due_s
        self.received.clear()
        self.whole_bytes = 0
        self.socket.sendall(call.request)

    def is_done(self) -> bool:
        """Take what has come; whether the answer is whole, or the connection is over."""
        piece = self.socket.recv(PIECE_BYTES)
        self.received += piece
        if not self.whole_bytes:
            head_bytes = self.received.find(b"\r\n\r\n") + 4
            if head_bytes >= 4:
                self.whole_bytes = head_bytes + content_length(bytes(self.received[:head_bytes]))
        return not piece or (self.whole_bytes > 0 and len(self.received) >= self.whole_bytes)

    def answer(self, now_s: float) -> Answer:
        is_whole = 0 < self.whole_bytes == len(self.received)
        status = int(self.received[9:12]) if is_whole else LOST
        head, body = b"", b""
        if status not in (LOST, 200):
            head, _, body = bytes(self.received).partition(b"\r\n\r\n")
        call = self.call
        return Answer(call.name, call.due_s, self.late_s, now_s - call.due_s, status, head, body)


def content_length(head: bytes) -> int:
    return int(head.lower().split(b"\r\ncontent-length:")[1].split(b"\r\n")[0])


def put(port: int, calls: Iterable[Call]) -> Spell:
    """Make calls, in order of when they are due, each on a connection that is free by then or on a new one."""
    spell = Spell()
    gc.collect()
    gc.disable()  # answers make no cycles, and looking for some would delay what is due
    try:
        with selectors.DefaultSelector() as selector:
            _put(port, iter(calls), spell, selector)
    finally:
        gc.enable()
    return spell


def _put(port: int, calls: Iterator[Call], spell: Spell, selector: selectors.BaseSelector) -> None:
    free: list[Connection] = []
    under_way: set[Connection] = set()
    coming = next(calls, None)
    began_s, last_s = time.perf_counter(), 0.0
    while (now_s := time.perf_counter() - began_s) < last_s + PATIENCE_S and (coming is not None or under_way):
        if coming is not None and coming.due_s <= now_s:
            connection = _free_one(port, free, selector, now_s)
            connection.send(coming, time.perf_counter() - began_s)
            under_way.add(connection)
            last_s = coming.due_s
            coming = next(calls, None)
            continue
        until_s = coming.due_s if coming is not None else last_s + PATIENCE_S
        for key, _ in selector.select(timeout=max(0.0, until_s - now_s - TICK_S)):
            connection = key.data
            if connection not in under_way:  # the server is tired of it
                free.remove(connection)
                _close(connection, selector)
            elif connection.is_done():
                now_s = time.perf_counter() - began_s
                answer = connection.answer(now_s)
                spell.answers.append(answer)
                under_way.remove(connection)
                if answer.status == LOST:
                    _close(connection, selector)
                else:
                    connection.idle_since_s = now_s
                    free.append(connection)
    for connection in under_way:
        spell.answers.append(connection.answer(now_s)._replace(status=LOST))
    for connection in (*free, *under_way):
        _close(connection, selector)


def _free_one(port: int, free: list[Connection], selector: selectors.BaseSelector, now_s: float) -> Connection:
    """Return the connection that was used last, or a new one."""
    while free:
        connection = free.pop()
        if now_s - connection.idle_since_s < IDLE_S:
            return connection
        _close(connection, selector)
    connection = Connection(port)
    selector.register(connection.socket, selectors.EVENT_READ, connection)
    return connection


def _close(connection: Connection, selector: selectors.BaseSelector) -> None:
    selector.unregister(connection.socket)
    connection.socket.close()
