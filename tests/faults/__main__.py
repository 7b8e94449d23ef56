"""`python tests/faults`: three replicas behind the project's own proxy, and what happens to them while SDK calls go on.

python tests/faults                   10,000 calls a fault where one dies, 3,000 else; prints what was seen, fails where
                                      an answer is lost or wrong
python tests/faults --calls 600       shorter
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from faults import kinds
from faults.site import Site, odd_site, site, small_site
from findings import Finding, table

Fault = Callable[[Site, int], Iterator[Finding]]
MANY = (kinds.killed, kinds.killed_in_a_batch)
FEWER = (
    kinds.stopped_in_turn,
    kinds.hanging,
    kinds.slow_readers,
    kinds.dripping_headers,
    kinds.cut_bodies,
)


def main() -> int:
    """Do everything to one site, print, and return 1 where something is not as it should be."""
    parser = argparse.ArgumentParser(prog="python tests/faults", description=__doc__.partition("\n")[0])
    parser.add_argument("--calls", type=int, default=10_000, help="calls where a replica is killed (default: 10,000)")
    number = parser.parse_args().calls
    began_s = time.monotonic()
    findings: list[Finding] = []

    def do(fault: Fault, made: Site) -> None:
        findings.extend(fault(made, number if fault in MANY else min(number, 3_000)))
        print(f"{time.monotonic() - began_s:5.0f} s  {findings[-1].what}: {findings[-1].seen}", flush=True)

    with site() as made:
        for fault in (*MANY, *FEWER):
            do(fault, made)
    with small_site() as made:
        do(kinds.full_disk, made)
    with odd_site() as made:
        do(kinds.jumping_clock, made)
    print(f"\n{table(findings)}\n\n{time.monotonic() - began_s:.0f} s")
    return 0 if all(finding.is_met for finding in findings) else 1


if __name__ == "__main__":
    raise SystemExit(main())
