"""A call whose answer comes in parts: what its entrance gave it, when it has to end, and how that is said."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import orjson

from tallwide_service.api.body import too_large
from tallwide_service.api.problems import Problem, problem_bytes
from tallwide_service.limits import LIMITS

Environ = dict[str, Any]
# What ends a call before its body does.
ENDINGS = (Problem, TimeoutError, OSError)


class BatchCall:
    """One call of a batch.

    Parameters
    ----------
    environ
        Its request.
    """

    def __init__(self, environ: Environ) -> None:
        self.environ = environ
        self.piece: Callable[..., Any] = environ.get("tallwide.piece", _at_once)
        self._stopping: Callable[[], Problem | None] = environ.get("tallwide.stopping", lambda: None)
        self._ends_s = time.monotonic() + LIMITS.batch_s

    def reason_to_stop(self) -> Problem | None:
        """Return why nothing more is to be begun, if so."""
        is_late = time.monotonic() > self._ends_s
        late = too_large("a batch", LIMITS.batch_s, f"more than {LIMITS.batch_s}", "seconds") if is_late else None
        return self._stopping() or late

    def count(self, frames: int) -> None:
        """Note how many frames were computed."""
        self.environ["tallwide.items"] = self.environ.get("tallwide.items", 0) + frames

    def end(self, counts: dict[str, int], stopped: Problem | None) -> dict[str, Any]:
        """Return what the end of an answer says: whether the batch was read to its end, counts, and why not."""
        end: dict[str, Any] = {"end": True, "complete": stopped is None, **counts}
        if stopped is not None:
            end["problem"] = orjson.loads(problem_bytes(stopped, self.environ))
        return end


def how_it_ended(error: Exception) -> Problem:
    """Return the problem of one of `ENDINGS`."""
    if isinstance(error, Problem):
        # An error that is kept holds the frames that it went through, and so the whole call, in a circle.
        error.__context__ = None
        return error.with_traceback(None)
    if isinstance(error, TimeoutError):
        return Problem(408, "", "Request Timeout", f"the batch stood still: {error}")
    return Problem(400, "", "Bad Request", f"the batch broke off: {error}")


def _at_once(call: Callable[..., Any], *arguments: Any) -> Any:
    """Return what a call returns, where nothing bounds it."""
    return call(*arguments)
