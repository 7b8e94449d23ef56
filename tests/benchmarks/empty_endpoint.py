"""`tallwide serve` with one endpoint more, which answers an empty JSON object: what server and framework cost alone."""

from __future__ import annotations

import sys

from flask import Flask, request
from granian.constants import HTTPModes, Interfaces
from granian.server import Server

from tallwide_service.serving import worker_app


def create() -> Flask:
    """Return the application of a worker of `tallwide serve`, with `POST /empty`."""
    app = worker_app()

    @app.post("/empty")
    def empty() -> dict[str, str]:
        request.get_data()
        return {}

    return app


if __name__ == "__main__":
    Server(
        "empty_endpoint:create",
        factory=True,
        address="127.0.0.1",
        port=int(sys.argv[1]),
        interface=Interfaces.WSGI,
        http=HTTPModes.http1,
        workers=1,
        blocking_threads=int(sys.argv[2]),
        log_enabled=False,
    ).serve()
