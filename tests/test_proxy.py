"""What the proxy refuses by itself, before a replica sees it: in the shape in which the service refuses."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Iterator
from http.client import HTTPResponse
from pathlib import Path

import pytest

from proxied import proxy_configuration, proxy_running
from running import free_port, running

LONG = b"a" * 40_000
CASES = {
    "a body that is too large": (b"POST /v1/overlay HTTP/1.1\r\nHost: a\r\nContent-Length: 99000000\r\n\r\n", 413),
    "a query that is too long": (b"GET /v1/margins?job=" + LONG + b" HTTP/1.1\r\nHost: a\r\n\r\n", 414),
    "a header that is too long": (b"GET /livez HTTP/1.1\r\nHost: a\r\nX-Long: " + LONG + b"\r\n\r\n", 431),
    "no host": (b"GET /livez HTTP/1.1\r\n\r\n", 400),
    "two lengths": (b"GET /livez HTTP/1.1\r\nHost: a\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n", 400),
    "no request at all": (b"NONSENSE\r\n\r\n", 400),
    "the path of its own refusals": (b"GET /refused-by-the-proxy HTTP/1.1\r\nHost: a\r\n\r\n", 404),
    "a trace": (b"TRACE / HTTP/1.1\r\nHost: a\r\n\r\n", 405),
    "an unknown coding": (b"POST /v1/margins HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: gzip\r\n\r\n", 501),
    "another HTTP": (b"GET /livez HTTP/3.0\r\nHost: a\r\n\r\n", 505),
}
# Phrases of RFC 9110, section 15, and RFC 6585, section 5; from memory.
TITLES = {
    400: "Bad Request",
    404: "Not Found",
    405: "Method Not Allowed",
    413: "Content Too Large",
    414: "URI Too Long",
    431: "Request Header Fields Too Large",
    501: "Not Implemented",
    503: "Service Unavailable",
    505: "HTTP Version Not Supported",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    made: Path = tmp_path_factory.mktemp("proxy")
    (made / "tmp").mkdir()
    return made


@pytest.fixture(scope="module")
def port(folder) -> Iterator[int]:
    port = free_port()
    with running() as replica, proxy_running(proxy_configuration(folder, port, [replica.port]), port):
        yield port


def answer(port: int, request: bytes) -> tuple[HTTPResponse, bytes]:
    """Return the answer to bytes that no client library would send."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as connection:
        connection.sendall(request)
        response = HTTPResponse(connection)
        response.begin()
        return response, response.read()


@pytest.mark.parametrize("case", CASES)
def test_what_the_proxy_refuses_it_says_as_a_problem_with_the_services_headers(port, case):
    request, status = CASES[case]
    served, _ = answer(port, b"GET /v1/nothing HTTP/1.1\r\nHost: a\r\n\r\n")
    refused, body = answer(port, request)
    problem = json.loads(body)
    assert (refused.status, problem["status"], problem["title"]) == (status, status, TITLES[status])
    assert problem["detail"]
    assert refused.headers["Content-Type"] == served.headers["Content-Type"] == "application/problem+json"
    assert refused.headers["X-Request-ID"] == problem["request_id"]
    assert refused.headers["Retry-After"] is None
    for name in ("X-Content-Type-Options", "X-Frame-Options", "Referrer-Policy", "Content-Security-Policy"):
        assert refused.headers[name] == served.headers[name] is not None, name
    assert answer(port, b"GET /livez HTTP/1.1\r\nHost: a\r\n\r\n")[0].status == 200


def test_where_no_replica_answers_the_caller_is_told_to_come_again(tmp_path):
    port = free_port()
    (tmp_path / "tmp").mkdir()
    with contextlib.ExitStack() as stack:
        with running() as replica:
            stack.enter_context(proxy_running(proxy_configuration(tmp_path, port, [replica.port]), port))
        response, body = answer(port, b"POST /v1/margins HTTP/1.1\r\nHost: a\r\nContent-Length: 2\r\n\r\n{}")
    problem = json.loads(body)
    assert (response.status, problem["status"], problem["title"]) == (503, 503, TITLES[503])
    assert response.headers["Retry-After"] == "1"
    log = [json.loads(line) for line in (tmp_path / "calls.log").read_text().splitlines()]
    assert ("/v1/margins", 503, problem["request_id"]) in [
        (line["path"], line["status"], line["request_id"]) for line in log
    ]


def test_no_query_gets_into_the_proxys_log(port, folder):
    answer(port, b"GET /v1/margins?job=a-secret-job HTTP/1.1\r\nHost: a\r\n\r\n")
    # A line is written after its answer.
    until_s = time.monotonic() + 10
    while "/v1/margins" not in (log := (folder / "calls.log").read_text()):
        assert time.monotonic() < until_s
        time.sleep(0.02)
    assert "a-secret-job" not in log
