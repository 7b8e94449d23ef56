"""The quick lane: the calls that come most often, answered in front of Flask.

A WSGI application around another one. A POST of plain JSON to one of a few endpoints is answered
here where `quick_answers` can; everything else, and every refusal, is handed on with its body as if
nobody had looked at it. What comes out is the same to the byte, only sooner.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from typing import Any

from tallwide.version import VERSION
from tallwide_service.api.body import JSON_TYPE
from tallwide_service.api.quick_answers import QUICK_PATHS, quick_answer
from tallwide_service.api.quick_reader import Doubt
from tallwide_service.limits import LIMITS

Environ = dict[str, Any]
Made = tuple[str, bytes, int]
# The member of an environment for what was made of a body, by this or by a server that reads bodies by itself.
MADE = "tallwide.made"
Application = Callable[[Environ, Callable[..., Any]], Iterable[bytes]]


class QuickLane:
    """A WSGI application around another one.

    Parameters
    ----------
    inner
        What answers everything else.
    """

    def __init__(self, inner: Application) -> None:
        self._inner = inner

    def __call__(self, environ: Environ, start_response: Callable[..., Any]) -> Iterable[bytes]:
        """Answer a request."""
        if MADE not in environ:
            if not may_be_quick(environ):
                return self._inner(environ, start_response)
            body = environ["wsgi.input"].read(int(environ["CONTENT_LENGTH"]))
            environ["wsgi.input"] = io.BytesIO(body)
            environ[MADE] = made_quickly(environ["PATH_INFO"], body)
        made: Made | None = environ[MADE]
        if made is None:
            return self._inner(environ, start_response)
        identity, answer, frames = made
        headers = [
            ("Content-Type", JSON_TYPE),
            ("Content-Length", str(len(answer))),
            ("ETag", f'"{identity}"'),
            ("Vary", "Accept"),
            ("Tallwide-Engine", VERSION),
        ]
        environ["tallwide.items"] = frames
        start_response("200 OK", headers)
        return [answer]


def made_quickly(path: str, body: bytes) -> Made | None:
    """Return an answer with its identity and number of frames, or none where it takes more than that."""
    try:
        return quick_answer(path, body)
    except Doubt:
        return None


def may_be_quick(environ: Environ) -> bool:
    """Whether a request is a POST of JSON of a known size that is read, without options in its query or coding."""
    length = environ.get("CONTENT_LENGTH", "")
    return (
        environ.get("PATH_INFO") in QUICK_PATHS
        and environ["REQUEST_METHOD"] == "POST"
        and environ.get("CONTENT_TYPE") == JSON_TYPE
        and not environ.get("QUERY_STRING")
        and "HTTP_CONTENT_ENCODING" not in environ
        and len(length) < 7
        and length.isascii()
        and length.isdigit()
        and int(length) <= LIMITS.body_bytes
    )
