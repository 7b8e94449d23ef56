"""Serving: the app behind its front, under granian; any WSGI server takes `tallwide_service:create_app()` as well.

On SIGTERM the workers are told by SIGUSR1 to say on `/readyz` that they are leaving; some time later the server takes
no more calls, finishes those that it has begun, and ends.
"""

from __future__ import annotations

import gc
import logging
import os
import shutil
import signal
import socket
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import active_children
from pathlib import Path
from types import FrameType
from typing import Any

from flask import Flask
from granian.constants import HTTPModes, Interfaces, Loops
from granian.http import HTTP1Settings
from granian.server import Server

from tallwide_service.api.app import create_app
from tallwide_service.api.entrance.journal import JsonLines
from tallwide_service.api.entrance.layer import threads_needed
from tallwide_service.api.entrance.tokens import Tokens
from tallwide_service.front import Front
from tallwide_service.limits import LIMITS
from tallwide_service.memory import share_pools
from tallwide_service.settings import PREFIX, Settings, read_settings

LOG = logging.getLogger("tallwide_service")
# From SIGTERM to the end; what is not done by then is cut off.
STOP_S = 29
HEADER_S = 10
# Left to itself, the interpreter lets a thread that computes keep the others waiting for ten times as long, several
# times a call. What is loaded by the start stays anyhow, so nobody need look through it for garbage (gc.freeze).
SWITCH_S = 0.0005
LEAVING = signal.SIGUSR1
ON_THE_COMMAND_LINE = ("host", "port", "workers", "threads")
SHARED_NUMBERS = "PROMETHEUS_MULTIPROC_DIR"
# What pyarrow reads when the first table loads it: its own pools would keep what was ever needed, and calls run side by
# side, each in a thread that it has already.
OF_ARROW = {"ARROW_DEFAULT_MEMORY_POOL": "system", "OMP_NUM_THREADS": "1"}
# The files that prometheus-client makes for one process, each of this size at first.
NUMBER_FILES, NUMBER_FILE_BYTES = ("counter", "histogram", "gauge_livesum", "gauge_max"), 1 << 20
LOGGING: dict[str, Any] = {
    "formatters": {"json": {"()": JsonLines}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "stream": "ext://sys.stderr", "formatter": "json"}},
    "loggers": {
        name: {"handlers": ["stderr"], "level": "INFO", "propagate": False} for name in ("_granian", "tallwide_service")
    },
}


def serve(settings: Settings) -> None:
    """Serve until SIGTERM or SIGINT; requests under way are finished first.

    Raises
    ------
    OSError
        If the address is not of this machine or is taken.
    WrongSetting
        If the file of tokens cannot be used.
    """
    address = free_address(settings.host, settings.port)
    tokens = Tokens(settings.tokens, settings.tokens_file)  # here too, so that a wrong file is said at once
    hand_down(settings)
    # Its advice is about threads that compute; these wait.
    logging.getLogger("_granian").addFilter(lambda record: "quite high" not in record.getMessage())
    # A worker that has not yet said what to do with it must not end by it.
    signal.signal(LEAVING, signal.SIG_IGN)
    with shared_numbers(settings):
        server = Server(
            "tallwide_service.serving:worker_front",
            factory=True,
            address=address,
            port=settings.port,
            interface=Interfaces.ASGI,
            loop=Loops.asyncio,  # whatever else may be installed
            http=HTTPModes.http1,  # proxies speak nothing else to what is behind them
            workers=settings.workers,
            respawn_failed_workers=True,
            workers_kill_timeout=STOP_S - int(settings.drain_s),
            http1_settings=HTTP1Settings(header_read_timeout=HEADER_S * 1000, max_buffer_size=LIMITS.head_bytes),
            websockets=False,
            log_access=False,
            log_dictconfig=LOGGING,
        )
        say_who_may_ask(settings, address, tokens)
        server.on_startup(lambda: stop_in_two_steps(settings.drain_s))
        server.serve()


def worker_app() -> Flask:
    """Return the app of one worker, which SIGUSR1 tells that it is about to stop."""
    share_pools()
    reserve_numbers()
    for name, value in OF_ARROW.items():
        os.environ.setdefault(name, value)
    app = create_app()
    sys.setswitchinterval(SWITCH_S)
    gc.freeze()
    signal.signal(LEAVING, lambda *_: app.extensions["tallwide-entrance"].stop_welcoming())
    return app


def worker_front() -> Front:
    """Return what granian calls: the app of one worker behind its front."""
    settings = read_settings(os.environ)
    return Front(worker_app(), threads_needed(settings), settings.threads + settings.waiting)


def hand_down(settings: Settings) -> None:
    """Give workers the settings that the command line may have changed, whatever the environment says of them."""
    for name in ON_THE_COMMAND_LINE:
        os.environ[PREFIX + name.upper()] = str(getattr(settings, name))


def say_who_may_ask(settings: Settings, address: str, tokens: Tokens) -> None:
    """Say at the start whom the service is open for."""
    if settings.asks_for_tokens:
        LOG.info("callers need one of %d tokens", tokens.number)
    elif address.startswith("127.") or address == "::1":
        LOG.info("no tokens are set: the service listens on this machine alone, at %s", address)
    else:
        LOG.warning("no tokens are set, and the service listens at %s: whoever reaches it may ask", address)


def stop_in_two_steps(drain_s: float) -> None:
    """Have SIGTERM first make every worker say that it is leaving, and stop the server after a while."""
    stop: Any = signal.getsignal(signal.SIGTERM)

    def leave(number: int, frame: FrameType | None) -> None:
        signal.signal(signal.SIGTERM, stop)  # a second one stops it at once
        for worker in active_children():
            if worker.pid is not None:
                os.kill(worker.pid, LEAVING)
        timer = threading.Timer(drain_s, stop, (number, frame))
        timer.daemon = True
        timer.start()

    signal.signal(signal.SIGTERM, leave)


@contextmanager
def shared_numbers(settings: Settings) -> Iterator[None]:
    """Have a folder in which several workers put their numbers together, unless the environment names one."""
    if settings.workers == 1 or not settings.metrics or SHARED_NUMBERS in os.environ:
        yield
        return
    folder = tempfile.mkdtemp(prefix="tallwide-numbers-")
    os.environ[SHARED_NUMBERS] = folder
    try:
        yield
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def reserve_numbers() -> None:
    """Take the space for this process' numbers; a full disk that is found later would end the process (SIGBUS).

    Where there is none, the process counts for itself.
    """
    folder = os.environ.get(SHARED_NUMBERS)
    if folder is None:
        return
    try:
        for name in NUMBER_FILES:
            with Path(folder, f"{name}_{os.getpid()}.db").open("ab") as file:
                os.posix_fallocate(file.fileno(), 0, NUMBER_FILE_BYTES)
    except OSError as error:
        LOG.warning("no room for shared numbers, /metrics has those of one worker: %s", error)
        del os.environ[SHARED_NUMBERS]


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
