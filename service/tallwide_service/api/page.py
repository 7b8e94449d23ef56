"""The page at `/`: files of the package `tallwide_service.page`, as they stand there."""

from __future__ import annotations

import hashlib
from importlib.resources import files

from flask import Blueprint, Response, abort

from tallwide_service.api.computing import is_fresh, not_modified

MEDIA_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
# The page brings everything along and asks its own origin alone; a plate that the user drops in is a blob.
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

blueprint = Blueprint("page", __name__)


def page_files() -> dict[str, tuple[bytes, str]]:
    """Return the page's files by name: bytes and media type."""
    return {
        file.name: (file.read_bytes(), MEDIA_TYPES[suffix])
        for file in files("tallwide_service.page").iterdir()
        if (suffix := "." + file.name.rpartition(".")[2]) in MEDIA_TYPES
    }


FILES = page_files()


@blueprint.route("/", methods=["GET"])
def index() -> Response:
    """Return the page itself."""
    return served("index.html")


@blueprint.route("/page/<name>", methods=["GET"])
def part(name: str) -> Response:
    """Return a style sheet, a module or a picture of the page."""
    if name not in FILES or name == "index.html":
        abort(404, description="the page has no such part")
    return served(name)


def served(name: str) -> Response:
    """Return a file of the page; caches ask each time whether it is still the same."""
    body, media_type = FILES[name]
    tag = hashlib.sha256(body).hexdigest()
    response = not_modified(tag) if is_fresh(tag) else Response(body, mimetype=media_type)
    response.set_etag(tag)
    response.headers["Cache-Control"] = "no-cache"
    response.headers["Content-Security-Policy"] = PAGE_POLICY
    return response
