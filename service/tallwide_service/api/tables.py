"""The table view of an answer, `?view=table`: flat rows for dashboards, as a JSON array or as CSV by `Accept`."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from typing import Any

from flask import Response, request

from tallwide.handoff.csv_table import safe_cell
from tallwide.job import Job
from tallwide.rows import Row, to_rows
from tallwide.wire import to_wire
from tallwide_service.api.body import JSON_TYPE, posted_job, queried_job
from tallwide_service.api.computing import Compute, cacheable, is_fresh, json_response, not_modified, tagged
from tallwide_service.api.problems import Problem
from tallwide_service.identity import answer_id

CSV_TYPE = "text/csv"
VIEW = "view"
TABLE = "table"
View = Callable[[], Response]

VIEW_PARAMETER: dict[str, Any] = {
    "name": VIEW,
    "in": "query",
    "required": False,
    "description": "`table` answers flat rows, units in their names: a JSON array, or CSV by `Accept: text/csv`.",
    "schema": {"type": "string", "enum": [TABLE]},
}
ROWS_SCHEMA: dict[str, Any] = {
    "type": "array",
    "items": {"type": "object", "additionalProperties": {"type": ["string", "number", "boolean", "null"]}},
}


def with_table(path: str, compute: Compute, post: View, get: View) -> tuple[View, View]:
    """Return the views of an endpoint with the table view added; `compute` makes the answer that becomes rows."""

    def post_either() -> Response:
        if not _wants_table():
            return post()
        job, media_type = posted_job(request, beside=frozenset({VIEW})), _wanted_type()
        identity = _identity(path, job, media_type)
        return tagged(_rows_response(to_rows(compute(job, identity)), media_type), identity)

    def get_either() -> Response:
        if not _wants_table():
            return get()
        job, media_type = queried_job(request, beside=frozenset({VIEW})), _wanted_type()
        identity = _identity(path, job, media_type)
        if is_fresh(identity):
            return not_modified(identity)
        return cacheable(_rows_response(to_rows(compute(job, identity)), media_type), identity)

    return post_either, get_either


def or_table(answered: dict[str, Any]) -> dict[str, Any]:
    """Return the 200 response of a JSON answer with the table view beside it."""
    content = answered["content"]
    either = {"anyOf": [content[JSON_TYPE]["schema"], ROWS_SCHEMA]}
    return {**answered, "content": {JSON_TYPE: {"schema": either}, CSV_TYPE: {"schema": {"type": "string"}}}}


def _identity(path: str, job: Job, media_type: str) -> str:
    return answer_id(f"{path}?{VIEW}={TABLE}", to_wire(job), media_type=media_type)


def _wants_table() -> bool:
    wanted = request.args.getlist(VIEW)
    if wanted and wanted != [TABLE]:
        raise Problem(400, "query", "There is no such view", f"{VIEW} is {TABLE}, given once, or is left out")
    return bool(wanted)


def _wanted_type() -> str:
    wanted = request.accept_mimetypes.best_match([JSON_TYPE, CSV_TYPE])
    if wanted is None and request.accept_mimetypes:
        raise Problem(
            406,
            "not-acceptable",
            "No such representation",
            f"a table exists as {JSON_TYPE} and as {CSV_TYPE}",
            headers={"Vary": "Accept"},
        )
    return wanted or JSON_TYPE


def _rows_response(rows: list[Row], media_type: str) -> Response:
    return json_response(rows) if media_type == JSON_TYPE else Response(rows_csv(rows), mimetype=CSV_TYPE)


def rows_csv(rows: list[Row]) -> str:
    """Return rows as CSV (RFC 4180): a line of names, empty cells for nothing, no cell that a spreadsheet runs."""
    file = io.StringIO()
    writer = csv.writer(file)
    writer.writerow(rows[0] if rows else [])
    for row in rows:
        writer.writerow([_written(cell) for cell in row.values()])
    return file.getvalue()


def _written(cell: Any) -> str:
    if isinstance(cell, bool):
        return str(cell).lower()
    return safe_cell(cell)
