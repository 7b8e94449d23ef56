"""Any WSGI server serves the app: gunicorn as it is, beside granian, which `tallwide serve` starts."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
import urllib.request

from tallwide_service.api.documented import EXAMPLE_JOB


def test_gunicorn_serves_the_app_unchanged_and_gives_the_same_bytes(client):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "gunicorn", "--bind", f"127.0.0.1:{port}", "--no-control-socket"]
    server = subprocess.Popen([*command, "tallwide_service:create_app()"], stderr=subprocess.DEVNULL)
    try:
        body = json.dumps(EXAMPLE_JOB).encode()
        request = urllib.request.Request(
            f"http://127.0.0.1:{port}/v1/extractions", data=body, headers={"Content-Type": "application/json"}
        )
        for _ in range(200):
            try:
                with urllib.request.urlopen(request, timeout=10) as response:  # noqa: S310 - see above
                    served = response.read()
                break
            except urllib.error.URLError:
                assert server.poll() is None, "gunicorn did not start"
                time.sleep(0.05)
        assert served == client.post("/v1/extractions", json=EXAMPLE_JOB).data
    finally:
        server.terminate()
        assert server.wait(30) == 0
