"""The proxy as the project configures it, with Debian's nginx and replicas of loopback."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path

from running import Running, wait_until_ready

CONFIGURATION = Path(__file__).resolve().parents[1] / "service/proxy/nginx.conf"


def proxy_configuration(folder: Path, port: int, replicas: Sequence[int], hang_s: int | None = None) -> Path:
    """Write the proxy's configuration as this machine can run it, and return the file.

    Only addresses, folders and, if asked for, the time that a replica may hang are changed; Debian's nginx is older
    than `resolve`, which asks Docker's name server and so means nothing here.
    """
    text = CONFIGURATION.read_text(encoding="utf-8")
    text = text.replace(" /tmp/", f" {folder}/tmp/")  # noqa: S108 - the container's own
    changes = {
        f"server tallwide:8080 resolve {way};": "".join(f"server 127.0.0.1:{each} {way};" for each in replicas)
        for way in ("max_fails=1 fail_timeout=5s", "max_fails=0 backup")
    }
    changes |= {"listen 8080": f"listen 127.0.0.1:{port}", "/dev/stdout": f"{folder}/calls.log"}
    if hang_s is not None:
        changes["proxy_read_timeout 14s"] = f"proxy_read_timeout {hang_s}s"
    for written, here in changes.items():
        assert text.count(written) == 1, f"{written} stands once in the configuration"
        text = text.replace(written, here)
    # The sub-path that the file shows how to make.
    below = re.findall(r"^ +#   (location /framing/ .*)$", text, re.MULTILINE)
    text = text.replace("    location / {", f"    {below[0]}\n    location / {{")
    file = folder / "nginx.conf"
    file.write_text(text, encoding="utf-8")
    return file


def nginx(configuration: Path, *options: str) -> list[str]:
    """Return the command that runs nginx with a configuration."""
    program = shutil.which("nginx", path=f"{os.environ['PATH']}:/usr/sbin")
    assert program, "nginx is not installed: apt-get install nginx"
    return [program, "-p", str(configuration.parent), "-e", "stderr", "-c", str(configuration), *options]


@contextlib.contextmanager
def proxy_running(configuration: Path, port: int, within: Sequence[str] = ()) -> Iterator[Running]:
    """Run the proxy, under another command if need be, while a block lasts; it ends as its container ends it."""
    with subprocess.Popen([*within, *nginx(configuration, "-g", "daemon off;")]) as process:
        proxy = Running(process, port)
        try:
            wait_until_ready(proxy)
            yield proxy
        finally:
            process.send_signal(signal.SIGQUIT)
            ended = process.wait(60)
    assert ended == 0
