"""Three replicas behind the project's own proxy, on loopback, and what can happen to them."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from proxied import proxy_configuration, proxy_running
from running import Running, end, free_port, start, wait_until_ready

REPLICAS = 3
# $1 becomes a file system of two megabytes, for the command behind it alone.
SMALL_TMP = 'mount -t tmpfs -o size=2m,mode=1777 tmpfs "$1" && shift && exec "$@"'

# What a call may compute on a site with an odd clock.
LATE_S = 0.4
# Names the file that says by how many seconds a replica's clock is wrong.
CLOCK = "WRONG_CLOCK"
# What sets a clock leaves the monotonic one alone, and so does this. Not by a library before the C library: the common
# one makes Python's sleep fail where it leaves the monotonic clock alone.
WRONG_CLOCK = f"""
import os, time
right, right_ns = time.time, time.time_ns
def wrong_by_s():
    with open(os.environ["{CLOCK}"], encoding="ascii") as file:
        return int(file.read())
time.time = lambda: right() + wrong_by_s()
time.time_ns = lambda: right_ns() + wrong_by_s() * 1_000_000_000
"""


@dataclass
class Site:
    """A proxy and its replicas."""

    folder: Path
    proxy: Running
    replicas: list[Running]
    environment: Mapping[str, str]
    within: Sequence[str]

    @property
    def tmp(self) -> Path:
        """The folder that proxy and replicas have as /tmp."""
        return self.folder / "tmp"

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
        variables = {"TALLWIDE_TRUST_PROXY": "on", "TMPDIR": str(self.tmp), **self.environment}
        return start(port=port, environment=variables, log=self.folder / f"{port}.log", within=self.within)

    def calls(self) -> list[dict]:
        """Return what the proxy has noted of each call."""
        return [json.loads(line) for line in (self.folder / "calls.log").read_text(encoding="utf-8").splitlines()]

    def noted(self) -> Iterator[dict]:
        """Yield what the replicas have noted of each call."""
        for replica in self.replicas:
            for line in (self.folder / f"{replica.port}.log").read_text(encoding="utf-8").splitlines():
                if line.startswith("{") and (noted := json.loads(line))["event"] == "request":
                    yield noted

    def given_again(self) -> int:
        """Return how many calls the proxy gave to another replica."""
        return sum("," in call["upstream"] for call in self.calls())


@contextlib.contextmanager
def site(*, environment: Mapping[str, str] | None = None, has_small_tmp: bool = False) -> Iterator[Site]:
    """A site while a block lasts.

    Parameters
    ----------
    environment
        Further variables for the replicas.
    has_small_tmp
        Whether /tmp of the proxy and of each replica is a small file system of its own, as a container's is.
    """
    folder = Path(tempfile.mkdtemp(prefix="site-"))
    folder.chmod(0o755)  # the proxy's workers have no rights where it starts as root
    tmp = folder / "tmp"
    tmp.mkdir()
    tmp.chmod(0o1777)
    within = ["unshare", "--mount", "sh", "-c", SMALL_TMP, "sh", str(tmp)] if has_small_tmp else []
    made = Site(folder, None, [], environment or {}, within)  # type: ignore[arg-type]
    try:
        made.start_all()
        port = free_port()
        configuration = proxy_configuration(folder, port, [replica.port for replica in made.replicas])
        with proxy_running(configuration, port, within) as made.proxy:
            yield made
    finally:
        for replica in made.replicas:
            end(replica)
        shutil.rmtree(folder)


def small_site() -> AbstractContextManager[Site]:
    """Return a site of which /tmp is soon full; only root may have one."""
    return site(has_small_tmp=True)


@contextlib.contextmanager
def odd_site() -> Iterator[Site]:
    """A site whose replicas' clock is as wrong as a file says, and who have little time for a call, for a block."""
    with tempfile.TemporaryDirectory(prefix="clock-") as folder:
        wrong_by = Path(folder, "wrong_by_s")
        wrong_by.write_text("0", encoding="ascii")
        Path(folder, "sitecustomize.py").write_text(WRONG_CLOCK, encoding="ascii")
        variables = {
            CLOCK: str(wrong_by),
            "PYTHONPATH": os.pathsep.join([folder, *sys.path]),
            "TALLWIDE_DEADLINE_S": f"{LATE_S:g}",
            "TALLWIDE_LOG": "on",
        }
        with site(environment=variables) as made:
            yield made
