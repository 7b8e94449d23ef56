"""The service with one endpoint more, which answers an empty JSON object: what server and framework cost alone."""

from __future__ import annotations

import sys

from flask import Flask, request
from granian.constants import Interfaces
from granian.server import Server

from tallwide_service import create_app


def create() -> Flask:
    """Return the service's own application with `POST /empty`."""
    app = create_app()

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
        workers=1,
        blocking_threads=4,
        log_enabled=False,
    ).serve()
