"""An entrance in front of an application that does as it is told, and one request through it."""

from __future__ import annotations

import io
import json
from typing import NamedTuple

import pytest

from tallwide_service.api.entrance.layer import Entrance
from tallwide_service.api.entrance.names import Routes
from tallwide_service.settings import Settings

QUIET = {"log": False}


class Got(NamedTuple):
    status: int
    headers: list[tuple[str, str]]
    body: bytes

    def header(self, name: str) -> str | None:
        return ", ".join(value for each, value in self.headers if each == name) or None

    @property
    def problem(self) -> dict:
        assert self.header("Content-Type") == "application/problem+json"
        return json.loads(self.body)


def ask(app, path: str = "/v1/extractions", method: str = "POST", body: bytes = b"{}", **environ) -> Got:
    """Send one request through a WSGI application."""
    started = []
    request = {
        "REQUEST_METHOD": method,
        "SCRIPT_NAME": "",
        "PATH_INFO": path,
        "QUERY_STRING": "",
        "CONTENT_TYPE": "application/json",
        "CONTENT_LENGTH": str(len(body)),
        "SERVER_NAME": "localhost",
        "SERVER_PORT": "80",
        "wsgi.input": io.BytesIO(body),
        "wsgi.url_scheme": "http",
        **environ,
    }
    parts = app(request, lambda status, headers, _=None: started.extend((status, headers)))
    got = b"".join(parts)
    if hasattr(parts, "close"):
        parts.close()
    return Got(int(started[0][:3]), started[1], got)


@pytest.fixture
def entrance():
    """Return the way to make an entrance in front of a function from environ to bytes."""

    def make(answer=lambda _: b"done", **settings) -> Entrance:
        def inner(environ, start_response):
            body = answer(environ)
            start_response("200 OK", [("Content-Type", "text/plain"), ("Content-Length", str(len(body)))])
            return [body]

        routes = Routes(["/v1/extractions", "/v1/limits", "/v1/handoff/<form>", "/livez", "/readyz", "/", "/v1/batch"])
        return Entrance(inner, Settings(**{**QUIET, **settings}), routes, is_bounded=True)

    return make
