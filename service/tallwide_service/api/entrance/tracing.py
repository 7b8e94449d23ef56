"""Tracing by OpenTelemetry, for those who asked for it by a setting and installed the extra.

A span a request, in the trace that `traceparent` names (W3C Trace Context), with the attributes of the semantic
conventions for HTTP. Where spans go and how many is OpenTelemetry's own business, by its `OTEL_` variables. The query
is no part of a span, since it may hold a job.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from tallwide.version import VERSION
from tallwide_service.api.entrance.names import Routes
from tallwide_service.settings import WrongSetting

Environ = dict[str, Any]
Application = Callable[[Environ, Callable[..., Any]], Iterable[bytes]]
CARRIED = {"HTTP_TRACEPARENT": "traceparent", "HTTP_TRACESTATE": "tracestate"}


def traced(inner: Application, routes: Routes) -> Application:
    """Return an application whose requests are spans; what a streaming answer does later is not in them.

    Raises
    ------
    WrongSetting
        If the extra is not installed.
    """
    try:
        from opentelemetry import trace  # noqa: PLC0415 - an extra
        from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator  # noqa: PLC0415

        set_up()
    except ImportError as error:
        raise WrongSetting(
            f"TALLWIDE_TRACING is on, and {error.name} is not installed: pip install 'tallwide[service,tracing]'"
        ) from error
    tracer, propagator = trace.get_tracer("tallwide", VERSION), TraceContextTextMapPropagator()

    def answer(environ: Environ, start_response: Callable[..., Any]) -> Iterable[bytes]:
        carrier = {name: environ[key] for key, name in CARRIED.items() if key in environ}
        method, route = environ["REQUEST_METHOD"], routes.of(environ.get("PATH_INFO", ""))
        with tracer.start_as_current_span(
            f"{method} {route}",
            propagator.extract(carrier),
            kind=trace.SpanKind.SERVER,
            attributes={"http.request.method": method, "http.route": route},
        ) as span:
            environ["tallwide.trace_id"] = f"{span.get_span_context().trace_id:032x}"

            def start(status: str, headers: Any, error: Any = None) -> Any:
                span.set_attribute("http.response.status_code", int(status[:3]))
                if status >= "5":
                    span.set_status(trace.StatusCode.ERROR)
                return start_response(status, headers, error)

            return inner(environ, start)

    return answer


def set_up() -> None:
    """Have spans sent by OTLP over HTTP, unless the process has set up something else."""
    from opentelemetry import trace  # noqa: PLC0415 - an extra

    if not isinstance(trace.get_tracer_provider(), trace.ProxyTracerProvider):
        return
    from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter  # noqa: PLC0415 - an extra
    from opentelemetry.sdk.resources import Resource  # noqa: PLC0415
    from opentelemetry.sdk.trace import TracerProvider  # noqa: PLC0415
    from opentelemetry.sdk.trace.export import BatchSpanProcessor  # noqa: PLC0415

    provider = TracerProvider(resource=Resource.create({"service.name": "tallwide", "service.version": VERSION}))
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter()))
    trace.set_tracer_provider(provider)
