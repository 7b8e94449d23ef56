"""Calls over HTTP against an empty JSON endpoint of the same application on the same server.

python tests/benchmarks/single_calls.py   prints rate, p50 and p99 of each
"""

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

import claims
from closed_loop import Load, put_load, request_bytes
from job import document
from measure import Claim, Row, quantile

CONNECTIONS = 8
CLAIMED = {
    "/v1/extractions": (claims.CALL_EXTRACTIONS, claims.CALL_EXTRACTIONS_P99),
    "/v1/margins": (claims.CALL_MARGINS, claims.CALL_MARGINS_P99),
}


def rows(rounds: int, lasting: float) -> list[Row]:
    """Return how each endpoint does beside the empty one: rates, and how long the slowest calls take."""
    spells = measured(rounds, lasting)
    return [row for path, claimed in CLAIMED.items() for row in compared(*claimed, spells[path], spells["/empty"])]


def measured(rounds: int, lasting: float) -> dict[str, list[Load]]:
    """Return spells of load on each endpoint, in turn."""
    body = json.dumps(document()).encode()
    spells: dict[str, list[Load]] = {"/empty": [], **{path: [] for path in CLAIMED}}
    with service() as port:
        for path in spells:
            put_load(port, request_bytes(path, body), CONNECTIONS, lasting / 2)  # warms up
        for _ in range(rounds):
            for path, taken in spells.items():
                taken.append(put_load(port, request_bytes(path, body), CONNECTIONS, lasting))
    return spells


def compared(claim: Claim, at_worst: Claim, spells: list[Load], empty: list[Load]) -> Iterator[Row]:
    """Yield the rows of one endpoint."""
    rate, peer_rate = (statistics.median(spell.rate for spell in taken) for taken in (spells, empty))
    (p50, p99), (peer_p50, peer_p99) = (middle_and_slow_ms(taken) for taken in (spells, empty))
    yield Row(
        claim=claim,
        measured=f"{rate:,.0f} a second",
        peer=f"empty endpoint {peer_rate:,.0f} a second",
        value=rate / peer_rate,
    )
    yield Row(
        claim=at_worst,
        measured=f"p99 {p99:.2f} ms",
        peer=f"p50 {p50:.2f} ms (the empty endpoint: {peer_p99:.2f} and {peer_p50:.2f} ms)",
        value=p99 / p50,
    )


def middle_and_slow_ms(spells: list[Load]) -> tuple[float, float]:
    """Return the median of all calls and what one in a hundred passes."""
    seconds = [second for spell in spells for second in spell.seconds]
    return quantile(seconds, 0.5) * 1e3, quantile(seconds, 0.99) * 1e3


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


def main() -> None:
    """Print rate, p50 and p99 of each endpoint."""
    for path, spells in measured(rounds=5, lasting=1).items():
        p50, p99 = middle_and_slow_ms(spells)
        rate = statistics.median(spell.rate for spell in spells)
        print(f"{path:16} {rate:6,.0f} a second  p50 {p50:5.2f} ms  p99 {p99:5.2f} ms ({p99 / p50:.1f} times)")


if __name__ == "__main__":
    main()
