"""The service as `tallwide serve` starts it: probes under load, stopping, several workers, who may ask."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

import pytest

from tallwide_service.api.documented import EXAMPLE_JOB
from tallwide_service.api.entrance.layer import BODIES
from worst_jobs import LONG_SWEEP

BODY = json.dumps(EXAMPLE_JOB).encode()


class Served(NamedTuple):
    port: int
    process: subprocess.Popen
    log: Path

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=40)
        try:
            kind = {"Content-Type": "application/json"} if body else {}
            connection.request(method, path, body, {**kind, **headers})
            response = connection.getresponse()
            return response.status, response.read()
        finally:
            connection.close()

    def lines(self) -> list[dict]:
        return [json.loads(line) for line in self.log.read_text().splitlines()]


@pytest.fixture
def serve(tmp_path) -> Iterator:
    """Return the way to start a service."""
    with contextlib.ExitStack() as stack:

        def start(*options: str, **variables: str) -> Served:
            with socket.socket() as free:
                free.bind(("127.0.0.1", 0))
                port = free.getsockname()[1]
            log = tmp_path / f"{port}.log"
            inherited = {name: value for name, value in os.environ.items() if not name.startswith("TALLWIDE_")}
            with log.open("wb") as stderr:
                process = subprocess.Popen(
                    [sys.executable, "-m", "tallwide", "serve", "--port", str(port), *options],
                    env=inherited | variables | {"PYTHONPATH": os.pathsep.join(sys.path)},
                    stdout=stderr,
                    stderr=stderr,
                    start_new_session=True,
                )
            stack.callback(process.wait, 30)
            stack.callback(end, process)
            served = Served(port, process, log)
            for _ in range(600):
                assert process.poll() is None, log.read_text()
                with contextlib.suppress(OSError):
                    if served.ask("GET", "/livez")[0] == 200:
                        return served
                time.sleep(0.05)
            pytest.fail("it did not start")

        yield start


def end(process: subprocess.Popen) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)


def test_all_that_is_logged_is_json_and_says_who_may_ask(serve):
    served = serve()
    assert served.ask("POST", "/v1/extractions", BODY)[0] == 200
    served.process.terminate()
    assert served.process.wait(30) == 0
    lines = served.lines()
    assert any("on this machine alone" in line.get("message", "") for line in lines)
    asked = [line for line in lines if line["event"] == "request" and line["path"] == "/v1/extractions"]
    assert [(line["status"], line["items"], line["bytes_in"]) for line in asked] == [(200, 2, len(BODY))]


@pytest.mark.parametrize(
    ("options", "variables", "said"),
    [
        ((), {"TALLWIDE_HOST": "0.0.0.0"}, "whoever reaches it may ask"),  # noqa: S104
        (("--host", "0.0.0.0"), {}, "whoever reaches it may ask"),  # noqa: S104
        ((), {"TALLWIDE_TOKENS": "harbour-crane-0123456789"}, "one of 1 tokens"),
    ],
)
def test_who_may_ask_is_said_at_the_start(serve, options, variables, said):
    served = serve(*options, **variables)
    assert any(said in line.get("message", "") for line in served.lines())
    assert "harbour-crane" not in served.log.read_text()
    assert served.ask("GET", "/v1/limits")[0] == (401 if "TALLWIDE_TOKENS" in variables else 200)


def test_probes_and_reference_data_answer_in_time_while_all_places_are_taken(serve):
    """Heavy jobs in every place, more of them waiting, and dawdling senders: probes stay quick."""
    served = serve("--threads", "2", TALLWIDE_DEADLINE_S="4", TALLWIDE_WAIT_S="20", TALLWIDE_WAITING="4")
    heavy = json.dumps(LONG_SWEEP).encode()
    dawdling = []
    for _ in range(BODIES):
        sender = socket.create_connection(("127.0.0.1", served.port))
        sender.sendall(
            b"POST /v1/margins HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 9\r\n\r\n"
        )
        dawdling.append(sender)
    with ThreadPoolExecutor(12) as callers:
        under_way = [callers.submit(served.ask, "GET", f"/v1/extractions?job={packed(heavy)}") for _ in range(12)]
        slowest = {}
        until = time.monotonic() + 4
        while time.monotonic() < until:
            for path in ("/livez", "/readyz", "/metrics", "/v1/limits", "/v1/reference/rasters"):
                began = time.monotonic()
                assert served.ask("GET", path)[0] == 200
                slowest[path] = max(slowest.get(path, 0.0), time.monotonic() - began)
        statuses = [each.result()[0] for each in under_way]
    for sender in dawdling:
        sender.close()
    assert set(statuses) <= {200, 429, 503}
    assert 429 in statuses, "the places were never full: nothing was proven"
    assert max(slowest.values()) < 1.0, slowest  # 100 ms on a quiet machine; this one may be shared
    # The server sees in its own time that a sender has gone; then the places are free again.
    until = time.monotonic() + 10
    while (status := served.ask("POST", "/v1/extractions", BODY)[0]) == 429 and time.monotonic() < until:
        time.sleep(0.05)
    assert status == 200


def packed(document: bytes) -> str:
    import base64  # noqa: PLC0415
    import zlib  # noqa: PLC0415

    return base64.urlsafe_b64encode(zlib.compress(document)).rstrip(b"=").decode()


def test_sigterm_under_load_loses_no_answer(serve):
    """Callers that look at /readyz, as a proxy with health checks does, and keep their connections open."""
    served = serve(TALLWIDE_DRAIN_S="2", TALLWIDE_WAITING="64", TALLWIDE_WAIT_S="20")
    expected = served.ask("POST", "/v1/extractions", BODY)
    stop_asking, wrong, count = threading.Event(), [], [0]

    def ask_on() -> None:
        while not stop_asking.is_set():
            got = served.ask("POST", "/v1/extractions", BODY)
            count[0] += 1
            if got != expected:
                wrong.append(got)

    callers = [threading.Thread(target=ask_on) for _ in range(8)]
    for caller in callers:
        caller.start()
    time.sleep(1)
    served.process.send_signal(signal.SIGTERM)
    began = time.monotonic()
    while served.ask("GET", "/readyz")[0] == 200:
        assert time.monotonic() - began < 2
    stop_asking.set()
    for caller in callers:
        caller.join()
    assert served.process.wait(30) == 0
    assert wrong == []
    assert count[0] > 50


def test_a_job_under_way_is_finished_before_the_end(serve):
    served = serve(TALLWIDE_DRAIN_S="0")
    with ThreadPoolExecutor(1) as callers:
        under_way = callers.submit(served.ask, "GET", f"/v1/extractions?job={packed(json.dumps(LONG_SWEEP).encode())}")
        time.sleep(0.3)
        assert not under_way.done(), "the job is no longer heavy: nothing was proven"
        served.process.send_signal(signal.SIGTERM)
        assert under_way.result()[0] in (200, 503)
    assert served.process.wait(30) == 0


def test_numbers_of_several_workers_come_together(serve):
    served = serve("--workers", "2")
    workers = set()
    for _ in range(60):
        assert served.ask("POST", "/v1/extractions", BODY)[0] == 200
    time.sleep(0.5)
    for _ in range(10):
        status, text = served.ask("GET", "/metrics")
        assert status == 200
        found = [line for line in text.decode().splitlines() if line.startswith("tallwide_")]
        total = [line for line in found if line.startswith("tallwide_requests_total") and "extractions" in line]
        assert total == ['tallwide_requests_total{method="POST",route="/v1/extractions",status="200"} 60.0']
        assert 'tallwide_computed_items_total{route="/v1/extractions"} 120.0' in found
        assert "tallwide_computing 0.0" in found
    children = Path(f"/proc/{served.process.pid}/task/{served.process.pid}/children").read_text().split()
    workers = [child for child in children if b"resource_tracker" not in Path(f"/proc/{child}/cmdline").read_bytes()]
    assert len(workers) == 2
    os.kill(int(workers[0]), signal.SIGKILL)
    for _ in range(200):
        with contextlib.suppress(OSError):
            if served.ask("POST", "/v1/extractions", BODY)[0] == 200:
                break
        time.sleep(0.1)
    time.sleep(1)
    status, text = served.ask("GET", "/metrics")
    total = [line for line in text.decode().splitlines() if line.startswith('tallwide_requests_total{method="POST"')]
    assert float(total[0].rpartition(" ")[2]) >= 61, "what a worker counted that is no more"
