"""`python tests/benchmarks`: measures what the project claims, prints the table, fails where a bound is missed.

python tests/benchmarks           the figures, 200 s on 2 cores
python tests/benchmarks --short   70 s, and only gross regressions fail: a factor of three, measured twice
python tests/benchmarks --write   the figures, and those of the README's claims into the README

How long it took is the last line.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import burning_in
import catalogue_alone
import core_alone
import joint_alone
import kernel_alone
import on_the_wire
import overlay_png
import redraw
import single_calls
import starting
from measure import Row, retried, table
from readme_table import with_table

GROSS = 3.0
README = Path(__file__).parents[2] / "README.md"


def parts(*, short: bool) -> list[Callable[[], list[Row]]]:
    """Return all that is measured, one after the other."""
    return [
        partial(core_alone.rows, rounds=5 if short else 25),
        partial(kernel_alone.rows, rounds=3 if short else 9),
        partial(catalogue_alone.rows, rounds=1 if short else 5, clips=200_000 if short else 2_000_000),
        partial(on_the_wire.rows, rounds=1 if short else 5),
        partial(joint_alone.rows, rounds=3 if short else 15, hostile=10 if short else 100),
        partial(overlay_png.rows, rounds=3 if short else 15),
        partial(burning_in.rows, rounds=2 if short else 7),
        partial(single_calls.rows, rounds=3 if short else 12, lasting=0.7 if short else 1.5),
        partial(redraw.rows, rounds=8 if short else 40),
        partial(starting.rows, rounds=3 if short else 15),
    ]


def main() -> int:
    """Measure, print, and return 1 where a bound is missed."""
    parser = argparse.ArgumentParser(prog="python tests/benchmarks", description=__doc__)
    length = parser.add_mutually_exclusive_group()
    length.add_argument("--short", action="store_true", help="shorter, and only gross regressions fail")
    length.add_argument("--write", action="store_true", help="put the figures into the README")
    options = parser.parse_args()
    short = options.short
    slack, tries = (GROSS, 2) if short else (1.0, 1)
    began = time.monotonic()
    rows = [row for part in parts(short=short) for row in retried(tries, part, slack)]
    machine = f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores"
    print(f"{machine}\n\n{table(rows, slack)}")
    if options.write:
        write_into_readme([row for row in rows if row.claim.in_readme], machine)
    print(f"\n{time.monotonic() - began:.0f} s")
    missed = [row.claim.part for row in rows if not row.is_met(slack)]
    for part in missed:
        print(f"missed{' by more than a factor of three' if short else ''}: {part}", file=sys.stderr)
    return 1 if missed else 0


def write_into_readme(rows: Sequence[Row], machine: str) -> None:
    """Put a table between its marks in the README."""
    text = README.read_text(encoding="utf-8")
    README.write_text(with_table(text, f"{machine}:\n\n{table(rows)}"), encoding="utf-8")


if __name__ == "__main__":
    raise SystemExit(main())
