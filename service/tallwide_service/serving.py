"""Serving: the app under granian, a WSGI server; any other takes `tallwide_service:create_app()` as well."""

from __future__ import annotations

from granian.constants import Interfaces
from granian.server import Server


def serve(host: str, port: int, *, workers: int = 1, threads: int = 4) -> None:
    """Serve on an address until SIGTERM or SIGINT; requests under way are finished first."""
    Server(
        "tallwide_service:create_app",
        factory=True,
        address=host,
        port=port,
        interface=Interfaces.WSGI,
        workers=workers,
        blocking_threads=threads,
        workers_kill_timeout=30,
        log_access=False,
    ).serve()
