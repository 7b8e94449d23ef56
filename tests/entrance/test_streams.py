"""Streams: bodies read a little ahead, answers that end once, and callers who are silent, leave early or forget."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from dataclasses import replace

import pytest

from tallwide_service.api.entrance import streams
from tallwide_service.api.entrance.places import Places
from tallwide_service.api.entrance.streams import Coming, Stream
from tallwide_service.limits import LIMITS


class Source:
    """A body that gives so many pieces, then waits until it is let go."""

    def __init__(self, pieces=0, *, waits=False):
        self.left, self.asked, self.gate = pieces, 0, threading.Event()
        if not waits:
            self.gate.set()

    def read(self, size):
        self.asked += 1
        if self.left:
            self.left -= 1
            return b"x" * size
        self.gate.wait(20)
        return b""


def until(true):
    for _ in range(200):
        if true():
            return True
        time.sleep(0.02)
    return False


def test_no_more_is_read_than_a_little_ahead():
    source = Source(pieces=100_000)
    coming = Coming(source, None)
    assert coming.read(10) == b"x" * 10
    most = LIMITS.batch_read_ahead_bytes // streams.PIECE_BYTES
    assert until(lambda: source.asked >= most)
    time.sleep(0.1)
    assert source.asked <= most + 2
    coming.leave(lambda: None)


@pytest.mark.parametrize("length", [None, 3 * 65_536], ids=["open", "announced"])
def test_what_comes_out_is_what_went_in(length):
    coming = Coming(Source(pieces=3), length)
    got = b"".join(iter(lambda: coming.read(1_000), b""))
    assert len(got) == coming.bytes == (length or 3 * streams.PIECE_BYTES)
    assert coming.read(5) == b""


def test_a_body_that_ends_early_is_an_error_each_time_it_is_asked():
    coming = Coming(Source(pieces=1), 2 * 65_536)
    assert coming.read(10**6)
    for _ in range(2):
        with pytest.raises(ConnectionError, match="65536 of 131072"):
            coming.read(10)


class Broken(Source):
    """A body whose sender is gone after so many pieces; asked again, there is nothing wrong."""

    def read(self, size):
        piece = super().read(size)
        if not piece and self.asked == 3:
            raise OSError("gone")
        return piece


def test_a_body_that_broke_off_before_it_was_taken_is_not_read_again_and_is_no_whole_one():
    source = Broken(pieces=2)
    coming = Coming(source, None)
    assert coming.read(10)
    assert until(lambda: source.asked == 3 and coming._thread is None)
    with pytest.raises(ConnectionError):
        list(iter(lambda: coming.read(100), b""))
    assert source.asked == 3


def test_a_thread_that_cannot_be_started_keeps_no_place(monkeypatch):
    def fail(_):
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", fail)
    coming, left = Coming(Source(pieces=1), None), []
    with pytest.raises(RuntimeError):
        coming.read(10)
    coming.leave(lambda: left.append(True))
    assert left


def test_a_silent_sender_is_not_waited_for_and_keeps_the_place_until_he_goes(monkeypatch):
    monkeypatch.setattr(streams, "LIMITS", replace(LIMITS, batch_silence_s=0.1))
    places, source = Places(1), Source(waits=True)
    places.take()
    coming = Coming(source, None)
    with pytest.raises(TimeoutError):
        coming.read(10)
    Stream([], iter(()), coming, places).close()
    assert places.taken == 1
    source.gate.set()
    assert until(lambda: places.taken == 0)


def test_a_stream_ends_once_and_tells_how_much_it_was():
    places, noted = Places(1), []
    places.take()
    stream = Stream([b"a"], iter([b"bc"]), Coming(Source(), 0), places)
    stream.note = lambda *sizes: noted.append(sizes)
    assert list(stream) == [b"a", b"bc"]
    stream.close()
    stream.close()
    del stream
    assert (noted, places.taken) == ([(0, 3)], 0)


def test_an_answer_that_nobody_closed_does_not_hold_up_the_end_of_the_interpreter():
    code = """
import gc, io
from tallwide_service import create_app
from tallwide_service.api.entrance.streams import Coming
environ = {"REQUEST_METHOD": "POST", "SCRIPT_NAME": "", "PATH_INFO": "/v1/batch", "SERVER_NAME": "a",
           "SERVER_PORT": "1", "CONTENT_TYPE": "application/x-ndjson", "CONTENT_LENGTH": "2",
           "wsgi.input": io.BytesIO(b"5\\n"),
           "wsgi.url_scheme": "http"}
kept = create_app()(environ, lambda *_: None)
print(next(kept))
# A thread may stand still where it holds the lock.
(coming,) = (one for one in gc.get_objects() if isinstance(one, Coming))
coming._lock.acquire()
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=60, check=True)
    assert b"invalid-line" in done.stdout
