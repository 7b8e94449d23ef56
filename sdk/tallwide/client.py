"""The client: one method per endpoint, the same words as the service.

Every call is a pure computation and so safe to repeat: connection failures, 429, 502, 503 and 504
are tried again after growing, jittered waits, POST included.
"""

from __future__ import annotations

import email.utils
import json
import logging
import os
import random
import threading
import time
import urllib.parse
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

import requests
from requests.adapters import BaseAdapter, HTTPAdapter

from tallwide.answers import (
    ChartReadingAnswer,
    DialInAnswer,
    ExtractionsAnswer,
    MarginsAnswer,
    OrientationAnswer,
    SafeAreasAnswer,
)
from tallwide.check import CheckAnswer
from tallwide.compare import CompareAnswer
from tallwide.errors import (
    ConnectionFailed,
    ProtocolError,
    RateLimited,
    ServiceMissing,
    TallwideError,
    TimedOut,
    TlsFailed,
    Unavailable,
    problem_error,
)
from tallwide.handoff.document import HandoffAnswer
from tallwide.handoff.reading import ReadAnswer
from tallwide.inprocess import BASE_URL, InProcessAdapter
from tallwide.job import Comparand, FileFacts, Handoff, Job, Noun, Places, Raster
from tallwide.mapping import MapAnswer
from tallwide.version import VERSION
from tallwide.wire import from_wire, to_wire

LOG = logging.getLogger("tallwide")
LOG.addHandler(logging.NullHandler())

JobLike = Job | Mapping[str, Any]
A = TypeVar("A")
JSON_TYPE, PROBLEM_TYPE = "application/json", "application/problem+json"
FIRST_WAIT_S, LONGEST_WAIT_S = 0.25, 20.0
LONGEST_RETRY_AFTER_S = 120.0


class Client:
    """Speaks to a service at `url`, or to the installed service in-process where there is none.

    Parameters
    ----------
    url
        Where the service is; `TALLWIDE_URL` where left out; without either, in-process.
    timeout_s
        Seconds to connect and to wait for bytes.
    retries
        How often a call that failed for a passing reason is tried again.
    token
        Bearer token; `TALLWIDE_TOKEN` where left out.
    verify
        Whether, or with which certificate bundle, the service's certificate is checked.
    adapter
        A transport of your own for `requests`.
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
        self._base_url = (url or BASE_URL).rstrip("/")
        self._adapter = adapter or (HTTPAdapter() if url else _installed_service())
        self._timeout_s, self._retries, self._verify = timeout_s, retries, verify
        self._token = token or os.environ.get("TALLWIDE_TOKEN")
        self._local = threading.local()

    def extractions(self, job: JobLike) -> ExtractionsAnswer:
        """Return where each deliverable's frame lies."""
        return self._compute("/v1/extractions", job, ExtractionsAnswer)

    def margins(self, job: JobLike) -> MarginsAnswer:
        """Return what each frame has to spare for its deliverable."""
        return self._compute("/v1/margins", job, MarginsAnswer)

    def orientation(self, job: JobLike) -> OrientationAnswer:
        """Return plans to crop, to turn the camera or to shoot twice, best first."""
        return self._compute("/v1/orientation", job, OrientationAnswer)

    def overlay(self, job: JobLike, *, media_type: str = "image/svg+xml") -> bytes:
        """Return the frames drawn on the recorded raster, as one media type."""
        return self._post("/v1/overlay", _written(job), accept=media_type).content

    def safe_areas(self, job: JobLike) -> SafeAreasAnswer:
        """Return every safe area on the recorded raster, and what is safe in several frames at once."""
        return self._compute("/v1/safe-areas", job, SafeAreasAnswer)

    def dial_in(self, job: JobLike) -> DialInAnswer:
        """Return each frame as numbers to type into a monitor or finder."""
        return self._compute("/v1/dial-in", job, DialInAnswer)

    def chart(self, job: JobLike, *, media_type: str = "application/pdf") -> bytes:
        """Return the framing chart at true size, as PDF or SVG."""
        return self._post("/v1/chart", _written(job), accept=media_type).content

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
        return self._compute("/v1/map", _with(job, "map", places), MapAnswer)

    def check(self, job: JobLike, facts: FileFacts | None = None) -> CheckAnswer:
        """Return whether a file holds the recording; `facts`, or the job's own member `file`."""
        return self._compute("/v1/check", _with(job, "file", facts), CheckAnswer)

    def compare(self, job: JobLike, other: Comparand | None = None) -> CompareAnswer:
        """Return what moved between a job and another, or a document; `other`, or the job's own `compare`."""
        return self._compute("/v1/compare", _with(job, "compare", other), CompareAnswer)

    def handoff(self, job: JobLike, form: str, options: Handoff | None = None) -> HandoffAnswer:
        """Return the decision as a document of an open form, with what it cannot carry."""
        return self._compute(f"/v1/handoff/{_segment(form)}", _with(job, "handoff", options), HandoffAnswer)

    def handoff_file(self, job: JobLike, form: str, options: Handoff | None = None) -> bytes:
        """Return the decision as the bytes of a file of an open form."""
        from tallwide.handoff import MEDIA_TYPES  # noqa: PLC0415 - only hand-off needs the forms

        path, body = f"/v1/handoff/{_segment(form)}", _written(_with(job, "handoff", options))
        return self._post(path, body, accept=MEDIA_TYPES.get(form, JSON_TYPE)).content

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
        body: dict[str, Any] = {"document": document, "lenient": lenient}
        if raster is not None:
            body["raster"] = to_wire(raster)
        return self._compute(f"/v1/handoff/{_segment(form)}/read", body, ReadAnswer)

    def limits(self) -> dict[str, Any]:
        """Return every bound of the service by name."""
        return self._get("/v1/limits")

    def version(self) -> dict[str, Any]:
        """Return the versions of service, API and engine."""
        return self._get("/version")

    def _compute(self, path: str, job: JobLike, answer: type[A]) -> A:
        document = _json(self._post(path, _written(job), accept=JSON_TYPE))
        try:
            return from_wire(answer, document)
        except ValueError as error:
            raise ProtocolError(f"{path}: {error}") from error

    def _post(self, path: str, body: bytes, *, accept: str) -> requests.Response:
        headers = {"Accept": accept, "Content-Type": JSON_TYPE}
        response = self._with_retries(lambda: self._once("POST", path, headers, body))
        if response.headers.get("Content-Type", "").partition(";")[0] != accept:
            raise ProtocolError(f"{path}: {accept} was asked for, {response.headers.get('Content-Type')} came")
        return response

    def _get(self, path: str) -> dict[str, Any]:
        document = _json(self._with_retries(lambda: self._once("GET", path, {"Accept": JSON_TYPE}, None)))
        if not isinstance(document, dict):
            raise ProtocolError(f"{path}: an object was expected")
        return document

    def _once(self, method: str, path: str, headers: Mapping[str, str], body: bytes | None) -> requests.Response:
        """Send one request and return its 200, or raise what went wrong in the SDK's own words."""
        try:
            response = self._session().request(
                method,
                self._base_url + path,
                headers=dict(headers),
                data=body,
                timeout=self._timeout_s,
                allow_redirects=False,
                verify=self._verify,
            )
        except requests.exceptions.SSLError as error:
            raise TlsFailed(str(error)) from error
        except requests.exceptions.Timeout as error:
            raise TimedOut(str(error)) from error
        except (requests.exceptions.ConnectionError, requests.exceptions.ChunkedEncodingError) as error:
            raise ConnectionFailed(str(error)) from error
        except requests.exceptions.RequestException as error:
            raise ProtocolError(str(error)) from error
        LOG.debug("%s %s: %s", method, path, response.status_code)
        if response.status_code == requests.codes.ok:
            return response
        raise _refusal(path, response)

    def _session(self) -> requests.Session:
        """Return this thread's session."""
        session: requests.Session | None = getattr(self._local, "session", None)
        if session is None:
            session = requests.Session()
            session.mount(self._base_url, self._adapter)
            session.headers["User-Agent"] = f"tallwide/{VERSION} requests/{requests.__version__}"
            if self._token:
                session.headers["Authorization"] = f"Bearer {self._token}"
            self._local.session = session
        return session

    def _with_retries(self, call: Callable[[], requests.Response]) -> requests.Response:
        for attempt in range(self._retries + 1):
            try:
                return call()
            except TallwideError as error:
                if attempt == self._retries or not error.retryable:
                    raise
                wait_s = self._wait_s(attempt, _retry_after_s(error))
                LOG.info("attempt %d failed (%s); again in %.2f s", attempt + 1, error, wait_s)
                time.sleep(wait_s)
        raise AssertionError("unreachable")

    def _wait_s(self, attempt: int, retry_after_s: float | None) -> float:
        """Return how long to wait: what the service asks for, or a growing bound, spread by the dice."""
        if retry_after_s is not None:
            return min(retry_after_s, LONGEST_RETRY_AFTER_S) * (1 + 0.2 * self._dice())
        return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0**attempt) * self._dice()

    def _dice(self) -> float:
        return random.random()  # noqa: S311 - spreads waits, guards nothing


def _installed_service() -> BaseAdapter:
    try:
        from tallwide_service import create_app  # noqa: PLC0415 - only the in-process transport needs the service

        return InProcessAdapter(create_app())
    except ImportError as error:
        raise ServiceMissing(
            "no URL is given, TALLWIDE_URL is not set, and the service is not installed: "
            "pip install 'tallwide[service]'"
        ) from error


def _written(job: JobLike) -> bytes:
    try:
        return json.dumps(to_wire(job) if isinstance(job, Job) else job, allow_nan=False).encode("utf-8")
    except (TypeError, ValueError) as error:
        raise ValueError(f"the job cannot be written as JSON: {error}") from error


def _with(job: JobLike, member: str, value: Noun | None) -> JobLike:
    """Return a job with one member set, or as it is where there is nothing to set."""
    if value is None:
        return job
    if isinstance(job, Job):
        changed: dict[str, Any] = {member: value}
        return replace(job, **changed)
    return {**job, member: to_wire(value)}


def _segment(name: str) -> str:
    """Return a name as one segment of a path."""
    return urllib.parse.quote(name, safe="")


def _json(response: requests.Response) -> Any:
    try:
        return json.loads(response.content)
    except ValueError as error:
        raise ProtocolError(f"{response.url}: the answer is not JSON: {error}") from error


def _refusal(path: str, response: requests.Response) -> TallwideError:
    """Return the error for a response that is no 200."""
    retry_after_s = _seconds(response.headers.get("Retry-After"))
    status = response.status_code
    if response.headers.get("Content-Type", "").partition(";")[0] == PROBLEM_TYPE:
        try:
            problem = json.loads(response.content)
        except ValueError:
            problem = None
        if isinstance(problem, dict):
            return problem_error(status, problem, retry_after_s=retry_after_s)
    if status in (429, 502, 503, 504):  # a proxy in between writes no problem documents
        plain = {"title": response.reason, "detail": f"{path} was answered by something in between"}
        return problem_error(status, plain, retry_after_s=retry_after_s)
    return ProtocolError(f"{path}: status {status} without a problem document")


def _seconds(written: str | None) -> float | None:
    """Return a Retry-After in seconds, from seconds or from a date (RFC 9110, 10.2.3)."""
    if written is None:
        return None
    if written.isascii() and written.isdigit():
        return float(written)
    try:
        moment = email.utils.parsedate_to_datetime(written)
    except ValueError:
        return None
    return max(0.0, moment.timestamp() - time.time())


def _retry_after_s(error: TallwideError) -> float | None:
    return error.retry_after_s if isinstance(error, RateLimited | Unavailable) else None
