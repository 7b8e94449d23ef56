"""A job of the invented production, and a real server on loopback that misbehaves as it is told."""

from __future__ import annotations

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

JOB = {
    "capture": {"raster": {"width": 4800, "height": 3200}, "photosite_pitch_um": 5.8},
    "deliverables": [
        {"label": "wide", "aspect": "16:9", "raster": {"width": 3840, "height": 2160}},
        {"label": "tall", "raster": {"width": 1080, "height": 1920}},
    ],
}


@pytest.fixture
def job():
    return json.loads(json.dumps(JOB))


@pytest.fixture
def clean_environment(monkeypatch):
    for name in ("TALLWIDE_URL", "TALLWIDE_TOKEN"):
        monkeypatch.delenv(name, raising=False)


class Misbehaving(ThreadingHTTPServer):
    """Answers requests from a script of (status, headers, body); the last one again and again."""

    daemon_threads = True

    def __init__(self, *script):
        super().__init__(("127.0.0.1", 0), _Handler)
        self.script = list(script)
        self.seen: list[dict] = []
        self.url = f"http://127.0.0.1:{self.server_port}"


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def answer(self):
        length = int(self.headers.get("Content-Length") or 0)
        body = self.rfile.read(length)
        self.server.seen.append({"path": self.path, "headers": dict(self.headers), "body": body})
        step = self.server.script[min(len(self.server.seen), len(self.server.script)) - 1]
        if callable(step):
            step(self)
            return
        status, headers, text = step
        self.send_response(status)
        for name, value in {"Content-Length": str(len(text)), **headers}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(text)

    do_GET = do_POST = answer  # noqa: N815 - the names that http.server calls

    def log_message(self, *_):
        pass


@pytest.fixture
def misbehaving():
    servers = []

    def start(*script):
        server = Misbehaving(*script)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        servers.append(server)
        return server

    yield start
    for server in servers:
        server.shutdown()
        server.server_close()
