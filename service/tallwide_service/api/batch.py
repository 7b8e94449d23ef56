"""Batches: many jobs in one call, a line each, answered while they come in.

A batch is NDJSON. Each line asks one endpoint: `{"id", "endpoint", "job"}`; each line of the answer
is an answer or a problem, in the same order, with the number of its line. The last line counts what
was answered. Whoever has no such line has every row before the cut, whole, and knows which those are.

Memory is bounded whatever the batch is: a line, what was answered since the last part went out, and
what the entrance reads ahead. Nothing is computed while nobody takes the answers.
"""

from __future__ import annotations

import base64
import io
import json
import logging
import re
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

import orjson
from flask import Flask, Response, current_app, request
from flask_smorest import Blueprint
from werkzeug.exceptions import HTTPException

from tallwide_service.api.batch_call import ENDINGS, BatchCall, Environ, how_it_ended
from tallwide_service.api.body import JSON_TYPE, json_document, refuse_coding, refuse_unknown_parameters, too_large
from tallwide_service.api.documented import EXAMPLE_QUERY_JOB, refusals
from tallwide_service.api.entrance.streams import close
from tallwide_service.api.problems import BROKEN, Problem, problem_bytes
from tallwide_service.api.quick_answers import QUICK_PATHS, quick_answer_to
from tallwide_service.api.quick_reader import Doubt, quick_document
from tallwide_service.api.schemas import has_half_pair
from tallwide_service.core.clip_columns import CLIP_COLUMNS
from tallwide_service.limits import LIMITS

LOG = logging.getLogger("tallwide_service")
PATH = "/v1/batch"
NDJSON_TYPE, ARROW_TYPE = "application/x-ndjson", "application/vnd.apache.arrow.stream"
PIECE_BYTES = 65_536
# What is answered goes out when it is as much as this, or as old, and whenever more has to be waited for.
PART_BYTES, PART_S = 65_536, 1.0
MEMBERS = frozenset({"id", "endpoint", "job", "media_type"})
ENDPOINT = re.compile(r"[a-z]+(?:-[a-z]+)*(?:/[a-z]+(?:-[a-z]+)*){0,2}")
MEDIA_RANGE = re.compile(r"[a-z0-9.+*-]{1,64}/[a-z0-9.+*-]{1,64}")
# What a line's own request keeps of the batch's.
KEPT = frozenset({"tallwide.request_id", "HTTP_HOST"})
_OPENING, _COLON, _COMMA = re.compile(r"\s*\{\s*"), re.compile(r"\s*:\s*"), re.compile(r"\s*,\s*")
_reader = json.JSONDecoder()

blueprint = Blueprint("batch", __name__, description="Many jobs in one call.")


class Line(NamedTuple):
    """What one line asks: `endpoint` is the path below /v1, `job` what would be the body there."""

    endpoint: str
    job: Any
    media_type: str | None
    is_quick: bool  # whether the quick way may be tried


def lines_of(source: Any) -> Iterator[bytes | None]:
    """Yield the lines of a body without their ends; `None` whenever more has to be read.

    A line that is too long is yielded cut, one byte longer than a line may be, and its rest is passed over.

    Raises
    ------
    Problem
        If the batch has more bytes than are read.
    """
    most = LIMITS.batch_line_bytes
    held, is_passed_over, read_bytes = b"", False, 0
    while True:
        yield None
        piece = source.read(PIECE_BYTES)
        read_bytes += len(piece)
        if read_bytes > LIMITS.batch_bytes:
            raise too_large("a batch", LIMITS.batch_bytes, f"more than {LIMITS.batch_bytes}", "bytes")
        *whole, rest = (held + piece).split(b"\n")
        for line in whole:
            if not is_passed_over:
                yield line[: most + 1]
            is_passed_over = False
        held = b"" if is_passed_over else rest
        if len(held) > most:
            yield held[: most + 1]
            held, is_passed_over = b"", True
        if not piece:
            break
    if held:
        yield held


def answered(source: Any, ask: Asking) -> Iterator[bytes]:
    """Yield the lines of the answer in parts."""
    counts = {"lines": 0, "answers": 0, "problems": 0}
    done: list[bytes] = []
    size, sent_s = 0, time.monotonic()
    stopped: Problem | None = None
    try:
        for line in lines_of(source):
            now_s = time.monotonic()
            if done and (line is None or size > PART_BYTES or now_s - sent_s > PART_S):
                yield b"".join(done)
                done, size, sent_s = [], 0, now_s
            # Also while a line is still coming in: one without an end is no way to stay for ever.
            stopped = ask.reason_to_stop()
            if stopped is not None:
                break
            if line is None:
                continue
            if counts["lines"] == LIMITS.batch_lines:
                raise too_large("a batch", LIMITS.batch_lines, f"more than {LIMITS.batch_lines}", "lines")
            counts["lines"] += 1
            if not line.strip() and len(line) <= LIMITS.batch_line_bytes:  # of one that is longer the rest is not known
                continue
            is_answer, written = ask.line(counts["lines"], line)
            counts["answers" if is_answer else "problems"] += 1
            done.append(written)
            size += len(written)
    except ENDINGS as error:
        stopped = how_it_ended(error)
    yield b"".join([*done, orjson.dumps(ask.end(counts, stopped), option=orjson.OPT_APPEND_NEWLINE)])


class Asking(BatchCall):
    """Asks the endpoints of an application, line by line.

    Parameters
    ----------
    app
        The application; asked behind its entrance, since the batch has come through that.
    environ
        The batch's own request.
    """

    def __init__(self, app: Flask, environ: Environ) -> None:
        super().__init__(environ)
        self._app = app

    def line(self, number: int, line: bytes) -> tuple[bool, bytes]:
        """Return whether a line has an answer, and the answer or the problem as a line."""
        identity: str | int | None = None
        path = PATH
        try:
            document, is_quick = read_line(line)
            identity = name_in(document)
            asked = asked_in(document, is_quick=is_quick)
            path = f"/v1/{asked.endpoint}"
            status, written = self.piece(self._asked, path, asked, line)
        except Problem as problem:
            status, written = self._refused(problem, path)
        except Exception:
            LOG.exception("unexpected error in line %d, request_id %s", number, self.environ.get("tallwide.request_id"))
            status, written = self._refused(BROKEN, path)
        head = b'{"line":%d,"id":%s,"status":%d,' % (number, orjson.dumps(identity), status)
        return status == 200, head + written + b"}\n"

    def _refused(self, problem: Problem, path: str) -> tuple[int, bytes]:
        return problem.status, _problem_member(problem_bytes(problem, self._environ_of(path, b"")))

    def _asked(self, path: str, asked: Line, line: bytes) -> tuple[int, bytes]:
        """Return the status of a line's answer, and the member that holds the answer or the problem."""
        if asked.is_quick and path in QUICK_PATHS:
            try:
                _, answer, frames = quick_answer_to(path, asked.job)
            except Doubt:
                pass
            else:
                self.count(frames)
                return 200, b'"answer":' + answer.rstrip()
        self._refuse_what_is_no_endpoint(path)
        environ = self._environ_of(path, job_text(line.decode("utf-8")).encode("utf-8"))
        environ["HTTP_ACCEPT"] = asked.media_type or f"{JSON_TYPE}, */*;q=0.1"
        status, media_type, answer = self._called(environ)
        if status != 200:
            return status, _problem_member(answer)
        self.count(environ.get("tallwide.items", 0))
        if media_type == JSON_TYPE:
            return status, b'"answer":' + answer.rstrip()
        return status, b'"media_type":%s,"base64":"%s"' % (orjson.dumps(media_type), base64.b64encode(answer))

    def _refuse_what_is_no_endpoint(self, path: str) -> None:
        try:
            self._app.url_map.bind("").match(path, method="POST")
        except HTTPException:
            raise wrong_line([("/endpoint", "no endpoint of this name takes a job")]) from None

    def _called(self, environ: Environ) -> tuple[int, str, bytes]:
        """Return status, media type and body of what an endpoint answers."""
        started: dict[str, Any] = {}

        def start_response(status: str, headers: list[tuple[str, str]], _: Any = None) -> Callable[[bytes], None]:
            started.update({name.lower(): value for name, value in headers}, status=int(status[:3]))
            return lambda _: None

        # The class's own: what the instance has under this name is its entrance.
        parts = Flask.wsgi_app(self._app, environ, start_response)
        try:
            answer = b"".join(parts)
        finally:
            close(parts)
        return started["status"], started.get("content-type", "").partition(";")[0], answer

    def _environ_of(self, path: str, body: bytes) -> Environ:
        """Return the request that a line stands for."""
        kept = {
            name: value
            for name, value in self.environ.items()
            if not name.startswith(("HTTP_", "tallwide.", "werkzeug.", "flask.")) or name in KEPT
        }
        return {
            **kept,
            "PATH_INFO": path,
            "QUERY_STRING": "",
            "CONTENT_TYPE": JSON_TYPE,
            "CONTENT_LENGTH": str(len(body)),
            "wsgi.input": io.BytesIO(body),
        }


def _problem_member(problem: bytes) -> bytes:
    return b'"problem":' + problem.rstrip()


def read_line(line: bytes) -> tuple[Any, bool]:
    """Return the JSON value in a line, and whether the quick way may be tried with it.

    Raises
    ------
    Problem
        If it is too long or no JSON.
    """
    if len(line) > LIMITS.batch_line_bytes:
        most = LIMITS.batch_line_bytes
        raise too_large("a line", most, f"more than {most}", "bytes")
    try:
        # A job that alone would be too long goes to its endpoint to be refused.
        return quick_document(line), len(line) <= LIMITS.body_bytes
    except Doubt:
        # A job stands one level deeper here than alone; its own endpoint looks at its levels again.
        return json_document(line, levels=LIMITS.nesting + 1), False


def name_in(document: Any) -> str | int | None:
    """Return the caller's name for a line, however wrong the rest of it is; none where it has none that can be said."""
    identity = document.get("id") if isinstance(document, dict) else None
    is_text = isinstance(identity, str) and len(identity) <= LIMITS.id_characters and not has_half_pair(identity)
    is_whole = isinstance(identity, int) and not isinstance(identity, bool) and abs(identity) < 2**53
    return identity if is_text or is_whole else None


def asked_in(document: Any, *, is_quick: bool) -> Line:
    """Return what a line asks.

    Raises
    ------
    Problem
        If it does not say which endpoint is asked what.
    """
    faults = list(_line_faults(document))
    if faults:
        raise wrong_line(faults)
    media_type = document.get("media_type")
    return Line(document["endpoint"], document["job"], media_type, is_quick and media_type is None)


def wrong_line(faults: Sequence[tuple[str, str]]) -> Problem:
    """Return the problem of a line with faults, each a pointer and a sentence."""
    detail = "; ".join(f"{pointer or 'the line'}: {fault}" for pointer, fault in faults)
    named = [{"pointer": pointer, "detail": fault} for pointer, fault in faults]
    return Problem(422, "invalid-line", "The line cannot be asked", detail, faults=named)


def job_text(line: str) -> str:
    """Return the job in a line that has been read, as it is written there: its endpoint reads what a caller wrote."""
    at = _end_of(_OPENING, line, 0)
    while True:
        name, at = _reader.raw_decode(line, at)
        at = _end_of(_COLON, line, at)
        _, end = _reader.raw_decode(line, at)
        if name == "job":
            return line[at:end]
        at = _end_of(_COMMA, line, end)


def _end_of(pattern: re.Pattern[str], text: str, at: int) -> int:
    found = pattern.match(text, at)
    return at if found is None else found.end()


def _line_faults(document: Any) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with a line, as a pointer and a sentence."""
    if not isinstance(document, dict):
        yield "", "must be a JSON object"
        return
    unknown = [name for name in document.keys() - MEMBERS if not name.startswith("_")]
    if unknown:
        yield "/" + min(unknown)[:40].replace("~", "~0").replace("/", "~1"), "no such member"
    if document.get("id") is not None and name_in(document) is None:
        most = LIMITS.id_characters
        yield "/id", f"must be a string of at most {most} characters, or a whole number of 53 bits"
    endpoint = document.get("endpoint")
    if not isinstance(endpoint, str) or not ENDPOINT.fullmatch(endpoint) or endpoint == "batch":
        yield "/endpoint", 'must be what stands after /v1/ in the path of an endpoint that takes a job: "extractions"'
    if "job" not in document:
        yield "/job", "is required"
    media_type = document.get("media_type")
    if media_type is not None and not (isinstance(media_type, str) and MEDIA_RANGE.fullmatch(media_type)):
        yield "/media_type", "must be a media type that the endpoint answers"


EXAMPLE = "".join(
    json.dumps({"id": name, "endpoint": endpoint, "job": EXAMPLE_QUERY_JOB}) + "\n"
    for name, endpoint in (("a", "extractions"), ("b", "margins"))
)
_COLUMNS = ", ".join(f"`{name}`" for name in CLIP_COLUMNS)
DESCRIPTION = (
    'Each line is `{"id", "endpoint", "job"}`: a name of your own (or none), what stands after /v1/ in the path '
    "of an endpoint that takes a job, and what would be its body. `media_type` asks for a picture or a file, which "
    'comes in base64. Lines are answered in order while they come in: `{"line", "id", "status", "answer"}` (or '
    '`"media_type", "base64"`), or `{"line", "id", "status", "problem"}`. The last line is `{"end": true, "complete", '
    '"lines", "answers", "problems"}`, with a `problem` where the batch was not read to its end. Without it, what '
    "came before is whole, and the rest is not answered. That a body broke off is seen by its Content-Length; one sent "
    "in chunks may look whole then, so compare `lines` with what you sent. Take answers while you send: no more than "
    "`batch_read_ahead_bytes` is read ahead of what is answered.\n\n"
    "Tables of clips against one list of deliverables come and go as streams of Arrow (the columnar format's IPC "
    "stream), where the service has pyarrow. The schema's metadata hold a JSON object under the key `tallwide`: a job "
    "without its capture. Columns are `id` (texts or whole numbers) and {}; whole or floating-point numbers, null or "
    "NaN where a clip says nothing, `squeeze_axis` also by its name. Buffers are not compressed; dictionaries, nested "
    "and big-endian columns are not read. The answer has a row a clip and deliverable, in order: `clip_row` counted "
    "from 0, `id`, `deliverable`, what the endpoints say of such a frame, and `problem`, a problem document as text "
    "where there is no frame. Its last batch has no rows; its metadata hold under the key `tallwide` "
    '`{"end": true, "complete", "clips", "rows", "answers", "problems"}`, with a `problem` as above. A table that '
    "does not come to its stream's end is not complete."
)


@blueprint.route(PATH, methods=["POST"], endpoint="batch")
@blueprint.doc(
    operationId="batch",
    summary="Answer many jobs in one call, a line each, or a table of clips",
    description=DESCRIPTION,
    requestBody={
        "required": True,
        "content": {
            NDJSON_TYPE: {"schema": {"type": "string"}, "examples": {"batch": {"value": EXAMPLE}}},
            ARROW_TYPE: {"schema": {"type": "string", "format": "binary"}},
        },
    },
    responses={
        "200": {
            "description": "A line for each line, and a last one that counts them; or a table for a table.",
            "content": {
                NDJSON_TYPE: {"schema": {"type": "string"}},
                ARROW_TYPE: {"schema": {"type": "string", "format": "binary"}},
            },
        },
        **refusals(400, 413, 415, 422),
    },
)
def batch() -> Response:
    """Answer a batch while it comes in."""
    refuse_unknown_parameters(request, frozenset())
    if request.mimetype not in (NDJSON_TYPE, ARROW_TYPE):
        raise _wrong_type(f"send {NDJSON_TYPE} or {ARROW_TYPE}, not {request.mimetype or 'nothing'}")
    refuse_coding(request)
    environ = request.environ
    source = environ["wsgi.input"]
    if request.mimetype == ARROW_TYPE:
        parts = _clips_answered(source, environ)
    else:
        app: Flask = current_app._get_current_object()  # type: ignore[attr-defined] # the proxy ends with the request
        parts = answered(source, Asking(app, environ))
    response = Response(parts, mimetype=request.mimetype)
    response.headers["Cache-Control"] = "no-store"
    response.headers["X-Accel-Buffering"] = "no"  # nginx and those like it hold nothing back then
    return response


def _clips_answered(source: Any, environ: Environ) -> Iterator[bytes]:
    """Return the answer to a table, once it is known what it asks."""
    try:
        from tallwide_service.api import clips  # noqa: PLC0415 - pyarrow, which only tables need
    except ModuleNotFoundError as error:
        if error.name != "pyarrow":
            raise
        words = "tables need pyarrow, which this service has not (pip install 'tallwide[arrow]')"
        raise _wrong_type(f"{words}; send {NDJSON_TYPE}", NDJSON_TYPE) from None
    try:
        return clips.answered(clips.Table(source), BatchCall(environ))
    except ENDINGS as error:
        raise how_it_ended(error) from None


def _wrong_type(detail: str, read: str = f"{NDJSON_TYPE}, {ARROW_TYPE}") -> Problem:
    return Problem(415, "content-type", "The content type is not one of a batch", detail, headers={"Accept": read})
