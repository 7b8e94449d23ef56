"""Where one call spends its time, without server and sockets: `python tests/benchmarks/profile_call.py [PATH]`."""

from __future__ import annotations

import cProfile
import io
import json
import pstats
import sys

from job import document
from werkzeug.test import EnvironBuilder

from tallwide_service import create_app

CALLS = 500


def main(path: str = "/v1/extractions") -> None:
    """Print what the functions of a call take, each with all that it calls."""
    app, body = create_app(), json.dumps(document()).encode()
    environment = EnvironBuilder(path=path, method="POST", data=body, content_type="application/json").get_environ()

    def call() -> None:
        environment["wsgi.input"] = io.BytesIO(body)
        answer = b"".join(app(environment, lambda *_: None))
        if not answer.startswith(b'{"engine_version"'):
            raise RuntimeError(answer.decode())

    call()
    with cProfile.Profile() as profile:
        for _ in range(CALLS):
            call()
    pstats.Stats(profile).sort_stats("cumulative").print_stats("tallwide|flask|orjson", 40)


if __name__ == "__main__":
    main(*sys.argv[1:])
