"""What a proof has found, and the table that is printed of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class Finding(NamedTuple):
    """One thing that was looked at, and whether it is as it should be."""

    what: str
    seen: str
    held_to: str
    is_met: bool


def table(findings: Sequence[Finding]) -> str:
    """Return findings as a table in Markdown, aligned for a terminal too."""
    rows = [(each.what, each.seen, each.held_to, "met" if each.is_met else "MISSED") for each in findings]
    lines = [("looked at", "seen", "held to", ""), *rows]
    widths = [max(len(line[column]) for line in lines) for column in range(4)]
    lines.insert(1, tuple("-" * width for width in widths))
    return "\n".join(
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) + " |" for line in lines
    )
