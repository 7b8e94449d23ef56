"""The in-process transport: `requests` against a WSGI application, without a socket.

The same client code and the same bytes as over HTTP; for scripts, notebooks and tests.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterable, Mapping
from typing import Any
from urllib.parse import unquote, urlsplit

from requests import PreparedRequest, Response
from requests.adapters import BaseAdapter
from requests.structures import CaseInsensitiveDict
from urllib3 import HTTPResponse

BASE_URL = "http://tallwide.invalid"  # a name that RFC 2606 keeps from ever existing
WsgiApp = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


class InProcessAdapter(BaseAdapter):
    """Answers requests by calling a WSGI application."""

    def __init__(self, app: WsgiApp) -> None:
        super().__init__()
        self._app = app

    def send(self, request: PreparedRequest, *_: Any, **__: Any) -> Response:
        """Return the application's response to one request."""
        started: dict[str, Any] = {}
        body: list[bytes] = []

        def start_response(status: str, headers: list[tuple[str, str]], _: Any = None) -> Callable[[bytes], None]:
            started.update(status=status, headers=headers)
            return body.append

        parts = self._app(_environ(request), start_response)
        try:
            body.extend(parts)
        finally:
            close = getattr(parts, "close", None)
            if close is not None:
                close()
        return _response(request, started["status"], started["headers"], b"".join(body))

    def close(self) -> None:
        """Nothing is held open."""


def _environ(request: PreparedRequest) -> dict[str, Any]:
    url = urlsplit(request.url or "")
    body = request.body or b""
    body = body.encode("utf-8") if isinstance(body, str) else bytes(body)
    headers: Mapping[str, str] = request.headers
    environ: dict[str, Any] = {
        "REQUEST_METHOD": request.method,
        "SCRIPT_NAME": "",
        "PATH_INFO": unquote(url.path, encoding="latin-1"),
        "QUERY_STRING": url.query,
        "HTTP_HOST": url.netloc,
        "SERVER_NAME": url.hostname or "",
        "SERVER_PORT": "80",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "REMOTE_ADDR": "127.0.0.1",
        "CONTENT_LENGTH": str(len(body)),
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": url.scheme,
        "wsgi.input": io.BytesIO(body),
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": True,
        "wsgi.multiprocess": False,
        "wsgi.run_once": False,
    }
    for name, value in headers.items():
        key = name.upper().replace("-", "_")
        if key == "CONTENT_TYPE":
            environ[key] = value
        elif key != "CONTENT_LENGTH":
            environ[f"HTTP_{key}"] = value
    return environ


def _response(request: PreparedRequest, status: str, headers: list[tuple[str, str]], body: bytes) -> Response:
    code, _, reason = status.partition(" ")
    response = Response()
    response.status_code, response.reason = int(code), reason
    response.headers = CaseInsensitiveDict(headers)
    response.url = request.url or ""
    response.request = request
    response.raw = HTTPResponse(body=io.BytesIO(body), headers=dict(headers), status=int(code), preload_content=False)
    return response
