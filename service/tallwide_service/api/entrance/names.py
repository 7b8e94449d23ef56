"""Names of a request: its id, the trace that it belongs to, and the route that stands for its path in numbers.

Ids guard nothing, so they come from a quick generator that is seeded by the system and anew after a fork.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterable

_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
# W3C Trace Context: version, trace, parent, flags; later versions may add parts behind.
_TRACEPARENT = re.compile(r"(?!ff)[0-9a-f]{2}-(?!0{32})([0-9a-f]{32})-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}(?:-.*)?")
OTHER = "other"


def request_id(given: str | None) -> str:
    """Return the caller's request id where it is a plain one, else a new one."""
    if given is not None and _REQUEST_ID.fullmatch(given):
        return given
    return f"{random.getrandbits(64):016x}"


def trace_id(traceparent: str | None) -> str:
    """Return the trace of a `traceparent`, or a new one where there is none that is valid."""
    if traceparent is not None:
        found = _TRACEPARENT.fullmatch(traceparent)
        if found and (len(traceparent) == 55 or not traceparent.startswith("00")):
            return found[1]
    return f"{random.getrandbits(128) or 1:032x}"


class Routes:
    """The rule that a path falls under, of a known number of rules.

    Parameters
    ----------
    rules
        Rules as Flask writes them, `/v1/handoff/<form>`.

    Examples
    --------
    >>> routes = Routes(["/v1/limits", "/v1/handoff/<form>", "/v1/handoff/<form>/read"])
    >>> routes.of("/v1/handoff/csv"), routes.of("/v1/handoff/csv/read"), routes.of("/v1/handoff/a/b/c")
    ('/v1/handoff/{form}', '/v1/handoff/{form}/read', 'other')
    """

    def __init__(self, rules: Iterable[str]) -> None:
        self._exact: dict[str, str] = {}
        self._with_parts: list[tuple[re.Pattern[str], str]] = []
        for rule in sorted(set(rules)):
            if "<" not in rule:
                self._exact[rule] = rule
                continue
            pieces = re.split(r"(<[^>]+>)", rule)
            pattern = "".join(
                (".+" if piece.startswith("<path:") else "[^/]+") if piece.startswith("<") else re.escape(piece)
                for piece in pieces
            )
            label = re.sub(r"<(?:[^:>]+:)?([^>]+)>", r"{\1}", rule)
            self._with_parts.append((re.compile(pattern), label))

    def of(self, path: str) -> str:
        """Return the rule of a path, or `other`."""
        found = self._exact.get(path)
        if found is not None:
            return found
        for pattern, label in self._with_parts:
            if pattern.fullmatch(path):
                return label
        return OTHER
