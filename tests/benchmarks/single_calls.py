"""Calls over HTTP against an empty JSON endpoint of the same application on the same server."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from closed_loop import Load, put_load, request_bytes
from job import document
from measure import Row, quantile

CONNECTIONS = 8
PATHS = ("/v1/extractions", "/v1/margins")


def rows(rounds: int, lasting: float) -> list[Row]:
    """Return how each endpoint does beside the empty one: rates, and how far the slowest calls lag."""
    body = json.dumps(document()).encode()
    spells: dict[str, list[Load]] = {"/empty": [], **{path: [] for path in PATHS}}
    with service() as port:
        for path in spells:
            put_load(port, request_bytes(path, body), CONNECTIONS, lasting / 2)  # warms up
        for _ in range(rounds):
            for path, taken in spells.items():
                taken.append(put_load(port, request_bytes(path, body), CONNECTIONS, lasting))
    return [row for path in PATHS for row in compared(path, spells[path], spells["/empty"])]


def compared(path: str, spells: list[Load], empty: list[Load]) -> Iterator[Row]:
    """Yield the rows of one endpoint."""
    rate, peer_rate = (statistics.median(spell.rate for spell in taken) for taken in (spells, empty))
    (p50, p99), (peer_p50, peer_p99) = (
        [quantile([second for spell in taken for second in spell.seconds], share) * 1e3 for share in (0.5, 0.99)]
        for taken in (spells, empty)
    )
    yield Row(
        part=f"POST {path}, 4 deliverables",
        measured=f"{rate:,.0f} a second",
        peer=f"empty endpoint {peer_rate:,.0f} a second",
        value=rate / peer_rate,
        bound=0.4,
        way="at least",
        aim=0.75,
    )
    yield Row(
        part=f"POST {path}, p99 over p50, {CONNECTIONS} connections",
        measured=f"p50 {p50:.2f} ms, p99 {p99:.2f} ms",
        peer=f"empty endpoint p50 {peer_p50:.2f} ms, p99 {peer_p99:.2f} ms",
        value=p99 / p50,
        bound=3.0,
        way="at most",
    )


@contextlib.contextmanager
def service() -> Iterator[int]:
    """Serve on a free port of loopback."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    script = Path(__file__).with_name("empty_endpoint.py")
    command = [sys.executable, script, str(port)]
    # The journal is written, but to nowhere: a line a call.
    with subprocess.Popen(command, cwd=script.parent, env=os.environ, stderr=subprocess.DEVNULL) as process:
        try:
            wait_for(port, process)
            yield port
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(30)


def wait_for(port: int, process: subprocess.Popen[bytes]) -> None:
    """Wait until the port takes connections."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and process.poll() is None:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
            return
        time.sleep(0.1)
    raise RuntimeError("the service did not start")
