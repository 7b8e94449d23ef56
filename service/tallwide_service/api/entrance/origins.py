"""Cross-origin access (CORS, as the Fetch standard has it): off, unless a setting names the pages that may ask."""

from __future__ import annotations

Headers = list[tuple[str, str]]

METHODS = "GET, HEAD, POST"
ASKED_WITH = "Accept, Authorization, Content-Type, If-None-Match, X-Request-ID, traceparent"
SHOWN = (
    "Content-Disposition, ETag, Retry-After, Tallwide-Engine, Tallwide-Lost, Tallwide-Still-Orientation, X-Request-ID"
)
REMEMBERED_S = "600"


class Origins:
    """The pages that may ask.

    Parameters
    ----------
    allowed
        Origins, or `*` alone.
    """

    def __init__(self, allowed: tuple[str, ...]) -> None:
        self._allowed = frozenset(allowed)
        self._all = allowed == ("*",)
        # Pictures in a page of another origin are asked for without an Origin, and are shown only under this policy.
        self.resource_policy = "cross-origin" if allowed else "same-origin"

    def headers(self, origin: str | None) -> Headers:
        """Return what lets the page that asks see an answer, on errors too."""
        if self._all:
            return [("Access-Control-Allow-Origin", "*"), ("Access-Control-Expose-Headers", SHOWN)]
        if not self._allowed:
            return []
        vary = ("Vary", "Origin")
        if origin is None or origin.lower() not in self._allowed:
            return [vary]
        return [("Access-Control-Allow-Origin", origin), ("Access-Control-Expose-Headers", SHOWN), vary]

    def preflight(self) -> Headers:
        """Return what else the answer to a preflight has, beside `headers`."""
        if not self._allowed:
            return []
        return [
            ("Access-Control-Allow-Methods", METHODS),
            ("Access-Control-Allow-Headers", ASKED_WITH),
            ("Access-Control-Max-Age", REMEMBERED_S),
        ]
