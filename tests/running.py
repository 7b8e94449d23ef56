"""A service of one's own: `tallwide serve` on a free port, what it uses, and its end."""

from __future__ import annotations

import contextlib
import http.client
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path


def family(pid: int) -> Iterator[int]:
    """Yield a process and all that it, or a thread of it, started."""
    yield pid
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            children = task.read_text(encoding="ascii").split()
        except OSError:
            continue  # it has ended
        for child in children:
            yield from family(int(child))


def memory_mb(pid: int, which: str = "VmRSS") -> float:
    """Return the memory of a process, now or (`VmHWM`) at its highest; 0 for one that has ended."""
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
            if line.startswith(which + ":"):
                return int(line.split()[1]) / 1024
    return 0.0


@dataclass
class Running:
    """A service that runs, with its workers in a process group of its own."""

    process: subprocess.Popen[bytes]
    port: int

    def get(self, path: str, timeout_s: float = 10) -> int:
        """Return the status of a GET on a connection of its own."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout_s)
        try:
            connection.request("GET", path)
            response = connection.getresponse()
            response.read()
            return response.status
        finally:
            connection.close()

    def workers(self) -> list[int]:
        """Return the process ids of the service and all that it started."""
        return [*family(self.process.pid)]

    def cpu_seconds(self) -> float:
        """Return the processor time that the service has used."""
        ticks = 0
        for pid in self.workers():
            with contextlib.suppress(OSError):
                fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(") ")[2].split()
                ticks += int(fields[11]) + int(fields[12])
        return ticks / os.sysconf("SC_CLK_TCK")

    def memory_mb(self, which: str = "VmRSS") -> float:
        """Return the memory of the largest process, now or (`VmHWM`) at its highest."""
        return max(memory_mb(pid, which) for pid in self.workers())


def free_port() -> int:
    """Return a port that nothing listens on."""
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        return int(server.getsockname()[1])


def wait_until_ready(service: Running, seconds: float = 60) -> None:
    """Wait until a service is ready for requests."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if service.process.poll() is not None:
            raise RuntimeError(f"the service ended with {service.process.returncode} before it was ready")
        with contextlib.suppress(OSError):
            if service.get("/readyz") == 200:
                return
        time.sleep(0.1)
    raise RuntimeError(f"the service is not ready after {seconds} s")


def start(
    *arguments: str,
    port: int | None = None,
    environment: dict[str, str] | None = None,
    log: Path | None = None,
    within: Sequence[str] = (),
) -> Running:
    """Start a service, under another command if need be, and wait until it is ready."""
    port = port or free_port()
    command = [*within, sys.executable, "-m", "tallwide", "serve", "--port", str(port), *arguments]
    with contextlib.ExitStack() as stack:
        errors = subprocess.DEVNULL if log is None else stack.enter_context(log.open("ab"))
        process = subprocess.Popen(
            command, start_new_session=True, stderr=errors, env={**os.environ, **(environment or {})}
        )
    service = Running(process, port)
    try:
        wait_until_ready(service)
    except BaseException:
        end(service)
        raise
    return service


def end(service: Running) -> None:
    """End a service with all its workers, whatever state they are in."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(service.process.pid, signal.SIGKILL)
    service.process.wait(30)


@contextlib.contextmanager
def running(
    *arguments: str,
    environment: dict[str, str] | None = None,
    log: Path | None = None,
    within: Sequence[str] = (),
) -> Iterator[Running]:
    """A service while a block lasts."""
    service = start(*arguments, environment=environment, log=log, within=within)
    try:
        yield service
    finally:
        end(service)
