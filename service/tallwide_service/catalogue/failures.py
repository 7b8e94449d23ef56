"""What stops a catalogue run. A row that is wrong stops nothing: it is set aside."""

from __future__ import annotations

from typing import Any


class CatalogueError(Exception):
    """The run cannot be done as it was asked for: a file, a column or an option is not as it must be."""


class RefusedDeliverables(CatalogueError):
    """The list of deliverables is wrong; `problem` is what the service would answer."""

    def __init__(self, problem: dict[str, Any]) -> None:
        super().__init__(str(problem["detail"]))
        self.problem = problem
