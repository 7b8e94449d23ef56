"""The client: against the real app in-process and over HTTP, and against servers that fail."""

from __future__ import annotations

import email.utils
import json
import socket
import subprocess
import sys
import time
from itertools import pairwise

import pytest
import requests

import tallwide
from tallwide import Client, Job, from_wire, to_wire
from tallwide.errors import (
    ConnectionFailed,
    ProtocolError,
    RateLimited,
    RefusedInput,
    TimedOut,
    TlsFailed,
    TooLarge,
    Unavailable,
)

JSON = {"Content-Type": "application/json"}
PROBLEM = {"Content-Type": "application/problem+json"}


@pytest.fixture
def quick(monkeypatch):
    """Waits are noted, not slept."""
    waits = []
    monkeypatch.setattr(time, "sleep", waits.append)
    return waits


@pytest.fixture(scope="module")
def served():
    """A real server on loopback."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-m", "tallwide", "serve", "--port", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    url = f"http://127.0.0.1:{port}"
    for _ in range(200):
        try:
            requests.get(f"{url}/readyz", timeout=1).raise_for_status()
            break
        except requests.exceptions.ConnectionError:
            time.sleep(0.05)
    yield url
    server.terminate()
    assert server.wait(30) == 0


@pytest.mark.usefixtures("clean_environment")
def test_in_process_and_over_http_the_answers_are_the_same(served, job):
    here, there = Client(), Client(served)
    assert here.extractions(job) == there.extractions(job)
    assert here.margins(job) == there.margins(job)
    assert here.orientation(job) == there.orientation(job)
    for media_type in ("image/svg+xml", "image/png"):
        assert here.overlay(job, media_type=media_type) == there.overlay(job, media_type=media_type)
    assert here.limits() == there.limits()
    assert here.version() == there.version()


def test_in_process_and_over_http_the_bytes_are_the_same(served, job, app_client):
    body = json.dumps(job).encode()
    for path in ("/v1/extractions", "/v1/margins", "/v1/orientation", "/v1/overlay"):
        over_http = requests.post(served + path, data=body, headers=JSON, timeout=10).content
        assert over_http == app_client.post(path, data=body, content_type="application/json").data


@pytest.fixture
def app_client():
    from tallwide_service import create_app  # noqa: PLC0415 - the service is only needed here

    return create_app().test_client()


@pytest.mark.usefixtures("clean_environment")
def test_a_job_and_its_json_are_one(job):
    client = Client()
    assert client.extractions(from_wire(Job, job)) == client.extractions(job)
    answer = client.extractions(job)
    assert from_wire(Job, to_wire(answer.job)) == answer.job


def test_the_url_comes_from_the_environment(monkeypatch, misbehaving):
    server = misbehaving((200, JSON, b'{"service": "x"}'))
    monkeypatch.setenv("TALLWIDE_URL", server.url)
    monkeypatch.setenv("TALLWIDE_TOKEN", "key-7")
    assert Client().version() == {"service": "x"}
    assert server.seen[0]["headers"]["Authorization"] == "Bearer key-7"
    assert server.seen[0]["headers"]["User-Agent"].startswith("tallwide/")


@pytest.mark.parametrize(
    ("status", "kind"),
    [(400, RefusedInput), (413, TooLarge), (415, RefusedInput), (422, RefusedInput)],
)
def test_a_refusal_is_raised_at_once_with_its_faults(misbehaving, quick, job, status, kind):
    problem = {"title": "No", "detail": "why", "errors": [{"pointer": "/a", "detail": "b"}], "request_id": "r1"}
    server = misbehaving((status, PROBLEM, json.dumps(problem).encode()))
    with pytest.raises(kind) as refusal:
        Client(server.url).extractions(job)
    error = refusal.value
    assert (error.status, error.detail, error.request_id) == (status, "why", "r1")
    assert error.errors == ({"pointer": "/a", "detail": "b"},)
    assert error.problem == problem
    assert (len(server.seen), quick, error.retryable) == (1, [], False)


@pytest.mark.parametrize(
    ("status", "kind"), [(429, RateLimited), (502, Unavailable), (503, Unavailable), (504, Unavailable)]
)
def test_a_passing_failure_is_tried_again_and_then_raised(misbehaving, quick, job, status, kind):
    server = misbehaving((status, PROBLEM, b'{"title": "Busy"}'))
    with pytest.raises(kind):
        Client(server.url, retries=3).extractions(job)
    assert len(server.seen) == 4
    assert len(quick) == 3
    assert all(wait <= bound for wait, bound in zip(quick, (0.25, 0.5, 1.0), strict=True))


def test_a_post_is_tried_again_until_it_is_answered(misbehaving, quick, job):
    answer = json.dumps(to_wire(Client().extractions(job))).encode()
    server = misbehaving((503, {}, b"down"), (429, {"Retry-After": "2", **PROBLEM}, b"{}"), (200, JSON, answer))
    assert Client(server.url).extractions(job) == Client().extractions(job)
    assert len({request["body"] for request in server.seen}) == 1
    assert 2 <= quick[1] <= 2.4


def test_a_retry_after_may_be_a_date(misbehaving, quick):
    when = email.utils.formatdate(time.time() + 30, usegmt=True)
    server = misbehaving((429, {"Retry-After": when, **PROBLEM}, b"{}"), (200, JSON, b"{}"))
    Client(server.url).version()
    assert 25 <= quick[0] <= 36.1


def test_waits_grow():
    client = Client("http://127.0.0.1:1")
    bounds = [max(client._wait_s(attempt, None) for _ in range(200)) for attempt in range(5)]
    assert all(later > earlier for earlier, later in pairwise(bounds))


def test_a_closed_port_is_a_failed_connection(quick, job):
    with pytest.raises(ConnectionFailed):
        Client("http://127.0.0.1:1").extractions(job)
    assert len(quick) == 3


def test_a_silent_server_is_timed_out(misbehaving, job):
    server = misbehaving(lambda _: time.sleep(2))
    with pytest.raises(TimedOut):
        Client(server.url, timeout_s=(1, 0.2), retries=0).extractions(job)


def test_tls_to_a_plain_port_is_a_tls_failure_and_not_tried_again(misbehaving, quick, job):
    server = misbehaving((200, JSON, b"{}"))
    with pytest.raises(TlsFailed):
        Client(server.url.replace("http://", "https://"), timeout_s=2).extractions(job)
    assert quick == []


def cut_short(handler):
    handler.send_response(200)
    handler.send_header("Content-Type", "application/json")
    handler.send_header("Content-Length", "1000")
    handler.end_headers()
    handler.wfile.write(b'{"extractions": [')
    handler.close_connection = True


def test_a_cut_answer_is_tried_again(misbehaving, quick):
    server = misbehaving(cut_short, (200, JSON, b'{"service": "x"}'))
    assert Client(server.url).version() == {"service": "x"}
    assert len(quick) == 1


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param((200, {"Content-Type": "text/html"}, b"<html>"), id="a page"),
        pytest.param((200, JSON, b"{"), id="not JSON"),
        pytest.param((200, JSON, b"[]"), id="another document"),
        pytest.param((302, {"Location": "http://127.0.0.1:1/"}, b""), id="a redirect"),
        pytest.param((404, {"Content-Type": "text/plain"}, b"no"), id="no such service"),
        pytest.param((500, {"Content-Type": "text/plain"}, b"oops"), id="a bare 500"),
    ],
)
def test_what_is_no_answer_of_this_service_is_a_protocol_error(misbehaving, job, answer):
    with pytest.raises(ProtocolError):
        Client(misbehaving(answer).url).extractions(job)


def test_no_exception_of_requests_leaks(misbehaving, job):
    for url in ("nonsense://x", "http://", misbehaving((200, JSON, b"{}")).url + "\x00"):
        with pytest.raises(tallwide.TallwideError):
            Client(url, retries=0).extractions(job)


def test_what_is_no_json_is_refused_before_it_is_sent():
    with pytest.raises(ValueError, match="cannot be written as JSON"):
        Client("http://127.0.0.1:1").extractions({"capture": float("nan")})


def test_the_flat_namespace_is_what_it_says():
    for name in tallwide.__all__:
        assert getattr(tallwide, name) is not None
    with pytest.raises(AttributeError):
        tallwide.nothing  # noqa: B018 - the access is the test


def test_importing_the_package_loads_nothing_heavy():
    code = "import sys, tallwide; print([m for m in ('requests', 'numpy', 'flask', 'argparse') if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert shown.strip() == "[]"
