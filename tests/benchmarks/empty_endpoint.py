"""`tallwide serve` with one endpoint more, which answers an empty JSON object: what server and framework cost alone."""

from __future__ import annotations

import io
import os
import sys

from flask import request
from granian.constants import HTTPModes, Interfaces, Loops
from granian.server import Server

from tallwide_service.api.entrance.layer import threads_needed
from tallwide_service.api.entrance.reading import Environ, announced
from tallwide_service.front import Body, Front, Receive, Send
from tallwide_service.serving import worker_app
from tallwide_service.settings import read_settings


class FrontWithEmptyEndpoint(Front):
    """The front, with one path more that needs no thread: its body is read as any other's is."""

    async def answer(self, environ: Environ, receive: Receive, send: Send) -> None:
        """Answer a request."""
        coming, body = announced(environ), Body()
        if environ["PATH_INFO"] != "/empty" or coming is None:
            await super().answer(environ, receive, send)
            return
        await self._jobs.read(receive, coming, body)
        environ["wsgi.input"] = io.BytesIO(body.whole())
        await self.answer_at_once(environ, send)
        self._jobs.forget(body)


def create() -> Front:
    """Return what granian calls for a worker of `tallwide serve`, with `POST /empty`."""
    app, settings = worker_app(), read_settings(os.environ)

    @app.post("/empty")
    def empty() -> dict[str, str]:
        request.get_data()
        return {}

    return FrontWithEmptyEndpoint(app, threads_needed(settings), settings.threads + settings.waiting)


if __name__ == "__main__":
    Server(
        "empty_endpoint:create",
        factory=True,
        address="127.0.0.1",
        port=int(sys.argv[1]),
        interface=Interfaces.ASGI,
        loop=Loops.asyncio,
        http=HTTPModes.http1,
        workers=1,
        log_enabled=False,
    ).serve()
