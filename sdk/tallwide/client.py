"""The client: one method per endpoint, the same words as the service."""

from __future__ import annotations

import json
import os
import urllib.parse
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from types import TracebackType
from typing import TYPE_CHECKING, Any, TypeVar

from requests.adapters import BaseAdapter, HTTPAdapter
from urllib3.filepost import encode_multipart_formdata

from tallwide.answers import (
    ChartReadingAnswer,
    CoverageAnswer,
    DialInAnswer,
    ExtractionsAnswer,
    MarginsAnswer,
    MatchAnswer,
    OpticsAnswer,
    OrientationAnswer,
    SafeAreasAnswer,
)
from tallwide.batch import Answered, Line, answered_lines
from tallwide.clips import answered_clips, wanted
from tallwide.errors import ProtocolError, ServiceMissing, UnwritableJob
from tallwide.forms import MEDIA_TYPES
from tallwide.inprocess import BASE_URL, InProcessAdapter
from tallwide.job import CameraMatch, Comparand, Deliverable, FileFacts, Framing, Handoff, Job, Noun, Places, Raster
from tallwide.transport import JSON_TYPE, Transport, parsed_json
from tallwide.wire import from_wire, to_wire

if TYPE_CHECKING:
    import pyarrow as pa

    from tallwide.check import CheckAnswer
    from tallwide.compare import CompareAnswer
    from tallwide.handoff.document import HandoffAnswer
    from tallwide.handoff.reading import ReadAnswer
    from tallwide.mapping import MapAnswer
    from tallwide.rows import Row

CONNECTIONS = 64  # kept open at most; threads beyond them open and close their own
JobLike = Job | Mapping[str, Any]
A = TypeVar("A")


class Client:
    """Speaks to a service at `url`, or to the installed service in-process where there is none.

    Parameters
    ----------
    url
        Where the service is; `TALLWIDE_URL` where left out; without either, in-process.
    timeout_s
        Seconds to connect and seconds to wait for bytes, or one number for both.
    retries
        How often a call that failed for a passing reason is tried again.
    token
        Bearer token; `TALLWIDE_TOKEN` where left out.
    verify
        Whether, or with which certificate bundle, the service's certificate is checked.
    adapter
        A transport of your own for `requests`.

    Examples
    --------
    >>> job = {"capture": {"raster": {"width": 4800, "height": 3200}},
    ...        "deliverables": [{"label": "tall", "raster": {"width": 1080, "height": 1920}}]}
    >>> Client().extractions(job).extractions[0].rect
    Rect(x=1500, y=0, width=1800, height=3200)
    """

    def __init__(
        self,
        url: str | None = None,
        *,
        timeout_s: tuple[float, float] | float = (3.05, 30.0),
        retries: int = 3,
        token: str | None = None,
        verify: bool | str = True,
        adapter: BaseAdapter | None = None,
    ) -> None:
        url = url or os.environ.get("TALLWIDE_URL")
        self._transport = Transport(
            url or BASE_URL,
            adapter or (HTTPAdapter(pool_maxsize=CONNECTIONS) if url else _installed_service()),
            timeout_s=timeout_s,
            retries=retries,
            token=token or os.environ.get("TALLWIDE_TOKEN") or None,
            verify=verify,
        )

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections that are held open; the next call opens new ones."""
        self._transport.close()

    def extractions(self, job: JobLike) -> ExtractionsAnswer:
        """Return where each deliverable's frame lies."""
        return self._compute("/v1/extractions", job, ExtractionsAnswer)

    def margins(self, job: JobLike) -> MarginsAnswer:
        """Return what each frame has to spare for its deliverable."""
        return self._compute("/v1/margins", job, MarginsAnswer)

    def orientation(self, job: JobLike) -> OrientationAnswer:
        """Return plans to crop, to turn the camera or to shoot twice, best first."""
        return self._compute("/v1/orientation", job, OrientationAnswer)

    def coverage(self, job: JobLike) -> CoverageAnswer:
        """Return which of the job's lenses covers which deliverable on which of its captures, and by how much."""
        return self._compute("/v1/coverage", job, CoverageAnswer)

    def match(self, job: JobLike, camera: CameraMatch | None = None) -> MatchAnswer:
        """Return the focal lengths of another camera that give the job's frames; `camera`, or the job's own `match`."""
        return self._compute("/v1/match", _with(job, "match", camera), MatchAnswer)

    def optics(self, job: JobLike) -> OpticsAnswer:
        """Return equivalent focal lengths, sharpness in depth, fall-off and read-out of every frame."""
        return self._compute("/v1/optics", job, OpticsAnswer)

    def overlay(self, job: JobLike, *, media_type: str | None = None, still: bytes | None = None) -> bytes:
        """Return the frames drawn on the job's picture, as one media type.

        Parameters
        ----------
        media_type
            SVG where left out; PNG with a still.
        still
            A PNG, JPEG or TIFF file; the job's `plate` says what is made of it. A ZIP of frames is
            asked for as `application/zip`.
        """
        if still is None:
            return self._draw("/v1/overlay", job, media_type or "image/svg+xml")
        return self._draw_on("/v1/overlay", job, still, media_type or "image/png")

    def safe_areas(self, job: JobLike) -> SafeAreasAnswer:
        """Return every safe area on the recorded raster, and what is safe in several frames at once."""
        return self._compute("/v1/safe-areas", job, SafeAreasAnswer)

    def dial_in(self, job: JobLike) -> DialInAnswer:
        """Return each frame as numbers to type into a monitor or finder."""
        return self._compute("/v1/dial-in", job, DialInAnswer)

    def chart(self, job: JobLike, *, media_type: str = "application/pdf") -> bytes:
        """Return the framing chart at true size, as PDF or SVG."""
        return self._draw("/v1/chart", job, media_type)

    def sheet(self, job: JobLike, *, media_type: str = "application/pdf", still: bytes | None = None) -> bytes:
        """Return the framing sheet as PDF, its drawing on a still where one is given."""
        if still is None:
            return self._draw("/v1/sheet", job, media_type)
        return self._draw_on("/v1/sheet", job, still, media_type)

    def chart_read(self, job: JobLike) -> ChartReadingAnswer:
        """Return what the job's reading of a photographed chart says."""
        return self._compute("/v1/chart/read", job, ChartReadingAnswer)

    def reference_safe_areas(self) -> dict[str, Any]:
        """Return published sets of safe areas with their documents."""
        return self._get("/v1/reference/safe-areas")

    def reference_rasters(self) -> dict[str, Any]:
        """Return published rasters with their documents."""
        return self._get("/v1/reference/rasters")

    def map(self, job: JobLike, places: Places | None = None) -> MapAnswer:
        """Return places of one space in another; `places`, or the job's own member `map`."""
        from tallwide.mapping import MapAnswer  # noqa: PLC0415 - slow to load, and few need it

        return self._compute("/v1/map", _with(job, "map", places), MapAnswer)

    def check(self, job: JobLike, facts: FileFacts | None = None) -> CheckAnswer:
        """Return whether a file holds the recording; `facts`, or the job's own member `file`."""
        from tallwide.check import CheckAnswer  # noqa: PLC0415 - slow to load, and few need it

        return self._compute("/v1/check", _with(job, "file", facts), CheckAnswer)

    def compare(self, job: JobLike, other: Comparand | None = None) -> CompareAnswer:
        """Return what moved between a job and another, or a document; `other`, or the job's own `compare`."""
        from tallwide.compare import CompareAnswer  # noqa: PLC0415 - slow to load, and few need it

        return self._compute("/v1/compare", _with(job, "compare", other), CompareAnswer)

    def handoff(self, job: JobLike, form: str, options: Handoff | None = None) -> HandoffAnswer:
        """Return the decision as a document of an open form, with what it cannot carry."""
        from tallwide.handoff.document import HandoffAnswer  # noqa: PLC0415 - slow to load, and few need it

        return self._compute(f"/v1/handoff/{_segment(form)}", _with(job, "handoff", options), HandoffAnswer)

    def handoff_file(self, job: JobLike, form: str, options: Handoff | None = None) -> bytes:
        """Return the decision as the bytes of a file of an open form."""
        path, whole = f"/v1/handoff/{_segment(form)}", _with(job, "handoff", options)
        return self._draw(path, whole, MEDIA_TYPES.get(form, JSON_TYPE))

    def read_handoff(
        self, form: str, document: Any, *, lenient: bool = False, raster: Raster | None = None
    ) -> ReadAnswer:
        """Return the part of a job that a document carries, and what is missing.

        Parameters
        ----------
        form
            Name of the form.
        document
            A JSON value for the forms that are JSON, else text.
        lenient
            Whether liberties are taken where the standard is not kept; each is listed.
        raster
            Recorded raster, for forms that do not carry it.
        """
        from tallwide.handoff.reading import ReadAnswer  # noqa: PLC0415 - slow to load, and few need it

        body: dict[str, Any] = {"document": document, "lenient": lenient}
        if raster is not None:
            body["raster"] = to_wire(raster)
        return self._compute(f"/v1/handoff/{_segment(form)}/read", body, ReadAnswer)

    def rows(self, job: JobLike, endpoint: str = "margins") -> list[Row]:
        """Return an answer as the service's flat rows: what `to_rows` makes of it, and less to send.

        Parameters
        ----------
        endpoint
            Its name in the path: `extractions`, `margins`, `orientation`, `coverage`, `match`, `optics`,
            `safe-areas` or `dial-in`.

        Examples
        --------
        >>> job = {"capture": {"raster": {"width": 4800, "height": 3200}},
        ...        "deliverables": [{"label": "tall", "raster": {"width": 1080, "height": 1920}}]}
        >>> [(row["deliverable"], row["spare_x_px"]) for row in Client().rows(job)]
        [('tall', 720)]
        """
        path = _table(endpoint)
        rows = parsed_json(self._transport.post(path, _written(job), accept=JSON_TYPE))
        if not isinstance(rows, list):
            raise ProtocolError(f"{path}: an array of rows was expected")
        return rows

    def rows_csv(self, job: JobLike, endpoint: str = "margins") -> str:
        """Return the rows of `rows` as CSV, names first; no cell begins what a spreadsheet would run."""
        return self._transport.post(_table(endpoint), _written(job), accept="text/csv").content.decode("utf-8")

    def batch(self, lines: Iterable[Line], *, answered: int = 0) -> Iterator[Answered]:
        """Yield the answers of many jobs, in order, while the jobs are still being made.

        What breaks off is tried again from the first line on that has no answer.

        Parameters
        ----------
        lines
            Each `{"endpoint", "job"}`, and if you like an `id` of your own and, for pictures and files, a
            `media_type`; the endpoint is what stands after `/v1/` in its path. Or a line as bytes.
        answered
            How many lines came before these, to be numbered on from there: what `BatchCut.answered` said.

        Raises
        ------
        BatchCut
            If it broke off and trying again did not help; `answered` counts the lines that are answered.

        Examples
        --------
        >>> job = {"capture": {"raster": {"width": 4800, "height": 3200}},
        ...        "deliverables": [{"label": "tall", "raster": {"width": 1080, "height": 1920}}]}
        >>> lines = ({"id": name, "endpoint": name, "job": job} for name in ("extractions", "margins"))
        >>> [(answer.line, answer.id, answer.status) for answer in Client().batch(lines)]
        [(1, 'extractions', 200), (2, 'margins', 200)]
        """
        return answered_lines(self._transport, lines, answered)

    def clips(
        self,
        table: Any,
        deliverables: Iterable[Deliverable | Mapping[str, Any]],
        framing: Framing | Mapping[str, Any] | None = None,
        *,
        columns: Mapping[str, str] | None = None,
        answered: int = 0,
    ) -> pa.RecordBatchReader:
        """Return a reader of the answers to a table of clips: a row a clip and deliverable, in order, as they come.

        What breaks off is tried again from the first clip on that has no answer. Needs the extra `arrow`.

        Parameters
        ----------
        table
            A table, record batch or reader of pyarrow, or what hands its columns over as these do, such as a frame of
            pandas 2.2. Columns of the names that the contract lists are sent, and no others.
        deliverables, framing
            What has to be delivered, and how the frames lie together.
        columns
            The table's own names for some of these columns.
        answered
            How many clips came before these, to be numbered on from there: what `BatchCut.answered` said.

        Raises
        ------
        BatchCut
            While it is read, if it broke off and trying again did not help; `answered` counts the clips whose answers
            the reader has given.
        ProblemError
            If the service refuses the table as a whole.
        ImportError
            If pyarrow is not there.

        Examples
        --------
        >>> import pyarrow as pa
        >>> table = pa.table({"id": ["a", "b"], "raster_width_px": [3840, 1280], "raster_height_px": [2160, 720]})
        >>> answers = Client().clips(table, [{"label": "tall", "raster": {"width": 1080, "height": 1920}}])
        >>> answers.read_all().select(["id", "enough", "spare_x_px"]).to_pylist()
        [{'id': 'a', 'enough': True, 'spare_x_px': 136}, {'id': 'b', 'enough': False, 'spare_x_px': -676}]
        """
        try:
            import pyarrow as pa  # noqa: PLC0415 - an extra
        except ImportError as error:
            raise ImportError("tables of clips need pyarrow: pip install 'tallwide[arrow]'") from error

        parts = answered_clips(self._transport, table, wanted(deliverables, framing), columns or {}, answered)
        return pa.RecordBatchReader.from_batches(next(parts), parts)

    def limits(self) -> dict[str, Any]:
        """Return every bound of the service by name."""
        return self._get("/v1/limits")

    def version(self) -> dict[str, Any]:
        """Return the versions of service, API and engine."""
        return self._get("/version")

    def _compute(self, path: str, job: JobLike, answer: type[A]) -> A:
        document = parsed_json(self._transport.post(path, _written(job), accept=JSON_TYPE))
        try:
            return from_wire(answer, document)
        except ValueError as error:
            raise ProtocolError(f"{path}: {error}") from error

    def _draw(self, path: str, job: JobLike, media_type: str) -> bytes:
        return self._transport.post(path, _written(job), accept=media_type).content

    def _draw_on(self, path: str, job: JobLike, still: bytes, media_type: str) -> bytes:
        """Send a job and a still as multipart/form-data (RFC 7578)."""
        fields = {"job": ("job.json", _written(job), JSON_TYPE), "still": ("still", still, "application/octet-stream")}
        body, content_type = encode_multipart_formdata(fields)
        return self._transport.post(path, body, accept=media_type, content_type=content_type).content

    def _get(self, path: str) -> dict[str, Any]:
        document = parsed_json(self._transport.get(path))
        if not isinstance(document, dict):
            raise ProtocolError(f"{path}: an object was expected")
        return document


def _installed_service() -> BaseAdapter:
    try:
        from tallwide_service import create_app  # noqa: PLC0415 - only the in-process transport needs the service
        from tallwide_service.settings import Settings  # noqa: PLC0415

        # The environment's settings are a server's: nobody shows himself a token.
        return InProcessAdapter(create_app(Settings(), is_bounded=False))
    except ImportError as error:
        raise ServiceMissing(
            f"no URL is given, TALLWIDE_URL is not set, and the service is not installed here ({error.name}): "
            "pip install 'tallwide[service]'"
        ) from error


def _written(job: JobLike) -> bytes:
    try:
        return json.dumps(to_wire(job) if isinstance(job, Job) else job, allow_nan=False).encode("utf-8")
    except (TypeError, ValueError, RecursionError) as error:
        raise UnwritableJob(f"the job cannot be written as JSON: {error}") from error


def _with(job: JobLike, member: str, value: Noun | None) -> JobLike:
    """Return a job with one member set, or as it is where there is nothing to set."""
    if value is None:
        return job
    if isinstance(job, Job):
        changed: dict[str, Any] = {member: value}
        return replace(job, **changed)
    return {**job, member: to_wire(value)}


def _table(endpoint: str) -> str:
    """Return the path of an endpoint's table view."""
    return f"/v1/{_segment(endpoint)}?view=table"


def _segment(name: str) -> str:
    """Return a name as one segment of a path."""
    return urllib.parse.quote(name, safe="")
