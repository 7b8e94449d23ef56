"""Every error that the SDK raises.

    TallwideError
    ├── ConnectionFailed         no answer came; worth another try
    │   ├── TlsFailed            the certificate or the handshake; not worth another try
    │   └── TimedOut             no answer in time
    ├── ProblemError             the service answered with a problem document
    │   ├── RefusedInput         the input is wrong or cannot be met; `errors` says what and where
    │   ├── TooLarge             more than the service reads
    │   ├── RateLimited          busy; worth another try after `retry_after_s`
    │   └── Unavailable          a gateway or the service is down; worth another try
    ├── BatchCut                 a batch broke off; its first `answered` lines or clips are answered
    ├── ProtocolError            an answer that no such service gives
    ├── AddressError             the URL is no address of a service
    ├── UnwritableJob            the job holds something that JSON cannot say
    └── ServiceMissing           no URL, and the service is not installed beside the SDK

No exception of the library underneath leaks.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any


class TallwideError(Exception):
    """Base of all errors of the SDK."""

    problem: Mapping[str, Any] | None = None
    request_id: str | None = None
    retryable = False


class ConnectionFailed(TallwideError):
    """No answer came."""

    retryable = True


class TlsFailed(ConnectionFailed):
    """The connection could not be made secure."""

    retryable = False


class TimedOut(ConnectionFailed):
    """No answer came in time."""


class BatchCut(TallwideError):
    """A batch broke off: its first `answered` lines or clips are answered, the others are not; its cause says why."""

    def __init__(self, answered: int, cause: TallwideError) -> None:
        self.answered = answered
        self.__cause__ = cause
        self.problem, self.request_id, self.retryable = cause.problem, cause.request_id, cause.retryable
        super().__init__(f"the batch broke off after {answered} answered: {cause}")

    def __reduce__(self) -> tuple[Any, ...]:
        """Pickle by the arguments, so that an error comes home from a pool of processes."""
        return type(self), (self.answered, self.__cause__)


class ProtocolError(TallwideError):
    """What came back is no answer of this service."""


class AddressError(TallwideError, ValueError):
    """The URL is no address of a service."""


class UnwritableJob(TallwideError, ValueError):
    """The job holds something that JSON cannot say."""


class ServiceMissing(TallwideError):
    """There is no URL, and the service is not installed here."""


class ProblemError(TallwideError):
    """The service answered with a problem document (RFC 9457)."""

    def __init__(self, status: int, problem: Mapping[str, Any], *, retry_after_s: float | None = None) -> None:
        self.status = status
        self.problem = problem
        self.type = str(problem.get("type", "about:blank"))
        self.title = str(problem.get("title", ""))
        self.detail = str(problem.get("detail", ""))
        errors = problem.get("errors")
        self.errors: tuple[Mapping[str, Any], ...] = tuple(errors) if isinstance(errors, list) else ()
        self.request_id = str(problem["request_id"]) if "request_id" in problem else None
        self.retry_after_s = retry_after_s
        super().__init__(f"{status} {self.title}: {self.detail}")

    def __reduce__(self) -> tuple[Any, ...]:
        """Pickle by the arguments, so that an error comes home from a pool of processes."""
        return partial(type(self), retry_after_s=self.retry_after_s), (self.status, self.problem), self.__dict__


class RefusedInput(ProblemError):
    """The input is wrong, or what it asks for cannot be met."""


class TooLarge(ProblemError):
    """The input is larger than the service reads."""


class RateLimited(ProblemError):
    """The service is busy."""

    retryable = True


class Unavailable(ProblemError):
    """A gateway or the service is down for now."""

    retryable = True


_BY_STATUS: dict[int, type[ProblemError]] = {
    413: TooLarge,
    429: RateLimited,
    502: Unavailable,
    503: Unavailable,
    504: Unavailable,
}


def problem_error(status: int, problem: Mapping[str, Any], *, retry_after_s: float | None = None) -> ProblemError:
    """Return the error that stands for a problem document."""
    kind = _BY_STATUS.get(status, RefusedInput if status < 500 else ProblemError)
    return kind(status, problem, retry_after_s=retry_after_s)
