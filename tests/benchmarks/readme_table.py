"""The table of figures in the README, between two marks."""

from __future__ import annotations

import re

FIRST, LAST = "<!-- figures: python tests/benchmarks --write -->", "<!-- end of figures -->"
BETWEEN = re.compile(f"(?<={re.escape(FIRST)}\n).*(?=\n{re.escape(LAST)})", re.DOTALL)


def with_table(text: str, table: str) -> str:
    """Return a text with another table between its marks.

    Raises
    ------
    ValueError
        If the text has not the marks once.
    """
    written, places = BETWEEN.subn(lambda _: table, text)
    if places != 1:
        raise ValueError(f"the marks of the figures stand {places} times")
    return written


def rows_of(text: str) -> list[list[str]]:
    """Return the cells of each row of the table between the marks, its headings left out."""
    found = BETWEEN.search(text)
    if found is None:
        raise ValueError("the marks of the figures are missing")
    lines = [line for line in found.group().splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]
