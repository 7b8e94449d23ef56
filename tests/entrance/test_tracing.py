"""Tracing: spans of the caller's trace, beside the log's ids."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from tallwide_service import create_app
from tallwide_service.api.documented import EXAMPLE_JOB
from tallwide_service.api.entrance import tracing
from tallwide_service.settings import Settings, WrongSetting

TRACE = "4bf92f3577b34da6a3ce929d0e0e4736"
PARENT = f"00-{TRACE}-00f067aa0ba902b7-01"


@pytest.fixture(scope="module")
def spans():
    from opentelemetry import trace  # noqa: PLC0415 - an extra
    from opentelemetry.sdk.trace import TracerProvider  # noqa: PLC0415
    from opentelemetry.sdk.trace.export import SimpleSpanProcessor  # noqa: PLC0415
    from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter  # noqa: PLC0415

    exporter, provider = InMemorySpanExporter(), TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(exporter))
    trace.set_tracer_provider(provider)
    return exporter


def test_a_request_is_a_span_of_its_callers_trace_and_the_log_names_the_trace(spans, monkeypatch):
    log = io.StringIO()
    monkeypatch.setattr("sys.stderr", log)
    spans.clear()
    app = create_app(Settings(tracing=True))
    client = app.test_client()
    assert (
        client.post("/v1/extractions?view=table", json=EXAMPLE_JOB, headers={"traceparent": PARENT}).status_code == 200
    )
    assert client.post("/v1/extractions", json=EXAMPLE_JOB).status_code == 200
    first, second = spans.get_finished_spans()
    assert f"{first.context.trace_id:032x}" == TRACE
    assert f"{first.parent.span_id:016x}" == "00f067aa0ba902b7"
    assert first.name == "POST /v1/extractions"
    assert dict(first.attributes) == {
        "http.request.method": "POST",
        "http.route": "/v1/extractions",
        "http.response.status_code": 200,
    }
    assert second.parent is None
    entrance = app.extensions["tallwide-entrance"]
    entrance.journal.count()
    entrance.journal.write()
    logged = [json.loads(line)["trace_id"] for line in log.getvalue().splitlines()]
    assert logged == [TRACE, f"{second.context.trace_id:032x}"]


def test_without_the_extra_the_setting_is_refused(monkeypatch):
    def missing() -> None:
        raise ImportError(name="opentelemetry")

    monkeypatch.setattr(tracing, "set_up", missing)
    with pytest.raises(WrongSetting, match=r"tallwide\[service,tracing\]"):
        create_app(Settings(tracing=True))


def test_spans_are_sent_where_the_variables_of_opentelemetry_say():
    received = threading.Event()

    class Collector(BaseHTTPRequestHandler):
        def do_POST(self):
            if self.path == "/v1/traces" and bytes.fromhex(TRACE) in self.rfile.read(
                int(self.headers["Content-Length"])
            ):
                received.set()
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_):
            pass

    collector = HTTPServer(("127.0.0.1", 0), Collector)
    threading.Thread(target=collector.serve_forever, daemon=True).start()
    program = (
        "from tallwide_service import create_app;"
        f"create_app().test_client().get('/v1/limits', headers={{'traceparent': '{PARENT}'}});"
        "from opentelemetry import trace; trace.get_tracer_provider().shutdown()"
    )
    environment = os.environ | {
        "TALLWIDE_TRACING": "on",
        "OTEL_EXPORTER_OTLP_ENDPOINT": f"http://127.0.0.1:{collector.server_port}",
        "OTEL_EXPORTER_OTLP_COMPRESSION": "none",
        "PYTHONPATH": os.pathsep.join(sys.path),
    }
    try:
        subprocess.run([sys.executable, "-c", program], env=environment, check=True, timeout=60)
        assert received.is_set()
    finally:
        collector.shutdown()
        collector.server_close()
