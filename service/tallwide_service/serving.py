"""Serving: the app under granian, a WSGI server; any other takes `tallwide_service:create_app()` as well."""

from __future__ import annotations

import socket

from granian.constants import Interfaces
from granian.server import Server


def serve(host: str, port: int, *, workers: int = 1, threads: int = 4) -> None:
    """Serve on an address until SIGTERM or SIGINT; requests under way are finished first.

    Raises
    ------
    OSError
        If the address is not of this machine or is taken.
    """
    Server(
        "tallwide_service:create_app",
        factory=True,
        address=free_address(host, port),
        port=port,
        interface=Interfaces.WSGI,
        workers=workers,
        blocking_threads=threads,
        workers_kill_timeout=30,
        websockets=False,
        log_access=False,
    ).serve()


def free_address(host: str, port: int) -> str:
    """Return the IP address of a host name, once nothing else listens there.

    The server lets several processes share a port, so that a forgotten one would go on answering
    every other request.
    """
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(address)
    except OSError as error:
        raise OSError(error.errno, error.strerror, f"{host} port {port}") from error
    return str(address[0])
