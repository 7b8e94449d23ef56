"""Three replicas behind the project's own proxy, on loopback, and what can happen to them."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from proxied import proxy_configuration, proxy_running
from running import Running, end, free_port, start, wait_until_ready

REPLICAS = 3


@dataclass
class Site:
    """A proxy and its replicas."""

    folder: Path
    proxy: Running
    replicas: list[Running]

    @property
    def url(self) -> str:
        """Where callers reach it."""
        return f"http://127.0.0.1:{self.proxy.port}"

    def kill(self, number: int) -> None:
        """End a replica as `kill -9` does, with all its processes."""
        os.killpg(self.replicas[number].process.pid, signal.SIGKILL)

    def hang(self, number: int) -> None:
        """Let a replica stand still: its connections stay, nothing answers."""
        os.killpg(self.replicas[number].process.pid, signal.SIGSTOP)

    def wake(self, number: int) -> None:
        """Let a replica that stands still go on, and wait for it."""
        os.killpg(self.replicas[number].process.pid, signal.SIGCONT)
        wait_until_ready(self.replicas[number])

    def stop(self, number: int) -> int:
        """Ask a replica to stop, by SIGTERM, and return what it ends with."""
        process = self.replicas[number].process
        process.send_signal(signal.SIGTERM)
        return process.wait(40)

    def start_again(self, number: int) -> None:
        """Start a replica in the place of one that has ended."""
        gone = self.replicas[number]
        end(gone)
        self.replicas[number] = self._started(gone.port)

    def start_all(self) -> None:
        """Start the replicas, each on a port of its own."""
        for _ in range(REPLICAS):
            self.replicas.append(self._started(free_port()))

    def _started(self, port: int) -> Running:
        return start(port=port, environment={"TALLWIDE_TRUST_PROXY": "on"})

    def calls(self) -> list[dict]:
        """Return what the proxy has noted of each call."""
        return [json.loads(line) for line in (self.folder / "calls.log").read_text(encoding="utf-8").splitlines()]

    def given_again(self) -> int:
        """Return how many calls the proxy gave to another replica."""
        return sum("," in call["upstream"] for call in self.calls())


@contextlib.contextmanager
def site() -> Iterator[Site]:
    """A site while a block lasts."""
    folder = Path(tempfile.mkdtemp(prefix="site-"))
    folder.chmod(0o755)  # the proxy's workers have no rights where it starts as root
    tmp = folder / "tmp"
    tmp.mkdir()
    tmp.chmod(0o1777)
    made = Site(folder, None, [])  # type: ignore[arg-type]
    try:
        made.start_all()
        port = free_port()
        configuration = proxy_configuration(folder, port, [replica.port for replica in made.replicas])
        with proxy_running(configuration, port) as made.proxy:
            yield made
    finally:
        for replica in made.replicas:
            end(replica)
        shutil.rmtree(folder)
