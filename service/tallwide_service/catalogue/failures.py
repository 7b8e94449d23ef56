"""What stops a catalogue run. A row that is wrong stops nothing: it is set aside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any


def problem_document(
    slug: str, title: str, detail: str, errors: Sequence[Mapping[str, Any]], status: int = 422
) -> dict[str, Any]:
    """Return a problem as the service words it (RFC 9457), without what belongs to a request."""
    return {"type": f"/problems/{slug}", "title": title, "status": status, "detail": detail, "errors": list(errors)}


class CatalogueError(Exception):
    """The run cannot be done as it was asked for: a file, a column or an option is not as it must be."""


class RefusedDeliverables(CatalogueError):
    """The list of deliverables is wrong; `problem` is what the service would answer."""

    def __init__(self, problem: dict[str, Any]) -> None:
        super().__init__(str(problem["detail"]))
        self.problem = problem
