"""The transport: one request to a service and its 200, or an error in the SDK's own words.

Every call is a pure computation and so safe to repeat: connection failures, 429, 502, 503 and 504
are tried again after growing, jittered waits, POST included.
"""

from __future__ import annotations

import contextlib
import email.utils
import json
import logging
import math
import random
import threading
import time
from collections.abc import Generator, Iterator, Mapping
from datetime import timezone
from typing import Any
from urllib.parse import urlsplit

import requests
import urllib3
from requests.adapters import BaseAdapter
from requests.auth import AuthBase

from tallwide.errors import (
    AddressError,
    ConnectionFailed,
    ProtocolError,
    RateLimited,
    TallwideError,
    TimedOut,
    TlsFailed,
    Unavailable,
    problem_error,
)
from tallwide.version import VERSION

LOG = logging.getLogger("tallwide")
LOG.addHandler(logging.NullHandler())

JSON_TYPE, PROBLEM_TYPE = "application/json", "application/problem+json"
FIRST_WAIT_S, LONGEST_WAIT_S = 0.25, 20.0
STREAM_BYTES = 65_536
LONGEST_RETRY_AFTER_S = 120.0  # a guess: whoever is sent away for longer than this decides for himself


class Transport:
    """Sends requests to one service, a session per thread.

    Parameters
    ----------
    base_url
        Where the service is; `http` or `https`, a path in front is kept.
    adapter
        What `requests` sends through.
    timeout_s
        Seconds to connect and seconds to wait for bytes, or one number for both.
    retries
        How often a call that failed for a passing reason is tried again.
    token
        Bearer token, or `None`.
    verify
        Whether, or with which certificate bundle, the service's certificate is checked.

    Raises
    ------
    AddressError
        If `base_url` is no address of a service.
    ValueError
        If another argument makes no sense.
    """

    def __init__(
        self,
        base_url: str,
        adapter: BaseAdapter,
        *,
        timeout_s: tuple[float, float] | float,
        retries: int,
        token: str | None,
        verify: bool | str,
    ) -> None:
        self._base_url, self._adapter = _address(base_url), adapter
        self._timeout_s, self._verify = _timeouts(timeout_s), verify
        if retries < 0:
            raise ValueError(f"retries is {retries}; it must not be negative")
        self._retries = retries
        self._auth = None if token is None else _BearerToken(token)
        self._local = threading.local()

    def post(self, path: str, body: bytes, *, accept: str, content_type: str = JSON_TYPE) -> requests.Response:
        """Return the answer to a document, which is of the media type `accept`."""
        headers = {"Accept": accept, "Content-Type": content_type}
        return _of_type(accept, self._with_retries("POST", path, headers, body))

    def get(self, path: str) -> requests.Response:
        """Return a JSON resource."""
        return _of_type(JSON_TYPE, self._with_retries("GET", path, {"Accept": JSON_TYPE}, None))

    def stream(self, path: str, body: bytes, *, media_type: str) -> Generator[bytes, None, None]:
        """Yield the answer to a document piece by piece as it comes, both of one media type; nothing is tried again."""
        headers = {"Accept": media_type, "Content-Type": media_type}
        with _in_own_words(path), self._begun("POST", path, headers, body, stream=True) as response:
            yield from _of_type(media_type, response).iter_content(STREAM_BYTES)

    def close(self) -> None:
        """Close the connections that are held open; the next call opens new ones."""
        self._adapter.close()

    def _with_retries(self, method: str, path: str, headers: Mapping[str, str], body: bytes | None) -> Any:
        attempt = 0
        while True:
            try:
                return self._once(method, path, headers, body)
            except TallwideError as error:
                if not self.has_waited(error, attempt):
                    raise
                attempt += 1

    def has_waited(self, error: TallwideError, attempt: int) -> bool:
        """Wait before another try; return false at once where it is not worth one."""
        if not self.is_worth_another_try(error, attempt):
            return False
        wait_s = self._wait_s(error, attempt)
        LOG.info("attempt %d failed (%s); again in %.2f s", attempt + 1, error, wait_s)
        time.sleep(wait_s)
        return True

    def is_worth_another_try(self, error: TallwideError, attempt: int) -> bool:
        """Whether the reason may pass, soon enough to be waited for."""
        return error.retryable and attempt < self._retries and (_retry_after_s(error) or 0) <= LONGEST_RETRY_AFTER_S

    def _wait_s(self, error: TallwideError, attempt: int) -> float:
        """Return how long to wait: at least what the service asks for, or a growing bound, spread by the dice."""
        asked_s = _retry_after_s(error)
        if asked_s is not None:
            return asked_s * (1 + 0.2 * self._dice())
        return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0**attempt) * self._dice()

    def _dice(self) -> float:
        return random.random()  # noqa: S311 - spreads waits, guards nothing

    def _once(self, method: str, path: str, headers: Mapping[str, str], body: bytes | None) -> requests.Response:
        with _in_own_words(path):
            return _whole(path, self._begun(method, path, headers, body))

    def _begun(
        self, method: str, path: str, headers: Mapping[str, str], body: bytes | None, *, stream: bool = False
    ) -> requests.Response:
        """Return a 200, of which all has come unless it is to be a stream."""
        response = self._session().request(
            method,
            self._base_url + path,
            headers=dict(headers),
            data=body,
            timeout=self._timeout_s,
            allow_redirects=False,
            verify=self._verify,
            stream=stream,
        )
        LOG.debug("%s %s: %s", method, path, response.status_code)
        if response.status_code != requests.codes.ok:
            raise _refusal(path, response)
        return response

    def _session(self) -> requests.Session:
        """Return this thread's session."""
        session: requests.Session | None = getattr(self._local, "session", None)
        if session is None:
            session = requests.Session()
            session.mount(self._base_url, self._adapter)
            session.headers["User-Agent"] = f"tallwide/{VERSION} requests/{requests.__version__}"
            session.auth = self._auth
            self._local.session = session
        return session


class _BearerToken(AuthBase):
    """RFC 6750. A header set on the session would give way to an entry for the host in a .netrc file."""

    def __init__(self, token: str) -> None:
        if not (token.isascii() and token.isprintable() and token.strip() == token):
            raise ValueError("a token is printable ASCII without spaces around it")  # and is not repeated in a log
        self._header = f"Bearer {token}"

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        request.headers["Authorization"] = self._header
        return request


@contextlib.contextmanager
def _in_own_words(path: str) -> Iterator[None]:
    """Raise no exception of the library underneath."""
    try:
        yield
    except requests.exceptions.SSLError as error:
        raise TlsFailed(str(error)) from error
    except requests.exceptions.Timeout as error:
        raise TimedOut(str(error)) from error
    except (requests.exceptions.ConnectionError, requests.exceptions.ChunkedEncodingError) as error:
        raise ConnectionFailed(str(error)) from error
    except requests.exceptions.InvalidURL as error:
        raise AddressError(str(error)) from error
    except (requests.exceptions.RequestException, urllib3.exceptions.HTTPError, ValueError) as error:
        raise ProtocolError(f"{path}: {error}") from error
    except OSError as error:  # what is left of them: a certificate bundle that cannot be read
        raise TlsFailed(str(error)) from error


def parsed_json(response: requests.Response) -> Any:
    """Return the JSON value of a response."""
    try:
        return json.loads(response.content)
    except (ValueError, RecursionError) as error:
        raise _protocol_error(f"{response.url}: the answer is not JSON: {error}", response) from error


def _address(url: str) -> str:
    """Return a base URL without a slash at its end."""
    try:
        parts = urlsplit(url)
        is_address = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        is_address = False
    if not is_address or url.split() != [url] or parts.query or parts.fragment:
        shown = url.rpartition("@")[2]  # what stands before it may be a password
        raise AddressError(f"{shown!r} is no address of a service, such as http://127.0.0.1:8080")
    return url.rstrip("/")


def _timeouts(timeout_s: tuple[float, float] | float) -> tuple[float, float]:
    connect_s, read_s = timeout_s if isinstance(timeout_s, tuple) else (timeout_s, timeout_s)
    if not (0 < connect_s < math.inf and 0 < read_s < math.inf):
        raise ValueError(f"timeout_s is {timeout_s}; it must be greater than zero and finite")
    return connect_s, read_s


def _of_type(media_type: str, response: requests.Response) -> requests.Response:
    if _media_type(response) != media_type:
        came = response.headers.get("Content-Type", "nothing")
        raise _protocol_error(f"{response.url}: {media_type} was asked for, {came} came", response)
    return response


def _media_type(response: requests.Response) -> str:
    return response.headers.get("Content-Type", "").partition(";")[0].strip().lower()


def _whole(path: str, response: requests.Response) -> requests.Response:
    """Return a response of which every byte has come; urllib3 1 does not look."""
    announced = response.headers.get("Content-Length", "")
    came = response.raw.tell()
    if announced.isdigit() and came != int(announced):
        raise ConnectionFailed(f"{path}: the answer was cut at {came} of {announced} bytes")
    return response


def _refusal(path: str, response: requests.Response) -> TallwideError:
    """Return the error for a response that is no 200."""
    status, retry_after_s = response.status_code, _seconds(response.headers.get("Retry-After"))
    problem = _problem(response)
    if problem is None and status in (429, 502, 503, 504):  # a proxy in between writes no problem documents
        problem = {"title": response.reason, "detail": f"{path} was answered by something in between"}
    if problem is None:
        where = f" to {response.headers['Location']}" if "Location" in response.headers else ""
        return _protocol_error(f"{path}: status {status}{where} without a problem document", response)
    error = problem_error(status, problem, retry_after_s=retry_after_s)
    error.request_id = error.request_id or response.headers.get("X-Request-ID")
    return error


def _problem(response: requests.Response) -> dict[str, Any] | None:
    if _media_type(response) != PROBLEM_TYPE:
        return None
    try:
        problem = json.loads(response.content)
    except (ValueError, RecursionError):
        return None
    return problem if isinstance(problem, dict) else None


def _protocol_error(words: str, response: requests.Response) -> ProtocolError:
    error = ProtocolError(words)
    error.request_id = response.headers.get("X-Request-ID")
    return error


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
    if moment.tzinfo is None:  # the oldest of the three date forms names no zone and means UTC
        moment = moment.replace(tzinfo=timezone.utc)
    return max(0.0, moment.timestamp() - time.time())


def _retry_after_s(error: TallwideError) -> float | None:
    return error.retry_after_s if isinstance(error, RateLimited | Unavailable) else None
