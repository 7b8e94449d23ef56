"""`python tests/load`: one worker under a mix of all endpoints; prints what it held, fails where it did not.

python tests/load                     finds the highest rate held, holds it for ten minutes, goes beyond it: 14 minutes
python tests/load --minutes 1         the same for a minute: 3 minutes
python tests/load --minutes 1 --rate 500     without looking for the rate; fails where that one is not held

Two cores: one for the service's one process, with the settings that it has by itself, one for the callers, so that
neither is measured as the other's delay.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from findings import table
from load import spells
from load.holding import of_held, of_overload
from load.mix import Mix
from running import running
from tallwide_service.settings import Settings

# Times the highest rate of short spells: at twice, all may still be served; at four times something is refused.
BEYOND = (2, 4)


def main() -> int:
    """Measure, print, and return 1 where something is not as it should be."""
    parser = argparse.ArgumentParser(prog="python tests/load", description=__doc__.partition("\n")[0])
    parser.add_argument("--minutes", type=float, default=10.0, help="how long the rate is held (default: 10)")
    parser.add_argument("--rate", type=float, help="calls a second to hold; looked for where left out")
    options = parser.parse_args()
    seconds, short_s = options.minutes * 60, max(4.0, min(10.0, options.minutes * 5))
    began_s = time.monotonic()
    mix = Mix()
    service_core, own_core = sorted(os.sched_getaffinity(0))[:2]
    os.sched_setaffinity(0, {own_core})
    with running(within=("taskset", "--cpu-list", str(service_core))) as service:
        if options.rate is None:
            highest = spells.search(service, mix, short_s, print)
            rate = highest * spells.HELD_SHARE
            print(f"held in spells of {short_s:g} s: {highest:.0f} calls a second; now {rate:.0f}", flush=True)
        else:
            rate, highest = options.rate, options.rate / spells.HELD_SHARE
            spells.warm_up(service, mix)
        held, memory_mb = spells.hold(service, mix, rate, seconds)
        print(f"{rate:6.1f} calls a second for {seconds:g} s: {spells.described(held)}", flush=True)
        twice, beyond = (
            spells.overload(service, mix, times * highest, max(short_s, min(30.0, seconds / 5))) for times in BEYOND
        )
    wait_s = Settings().wait_s
    findings = [
        *of_held(held, memory_mb),
        *of_overload(twice, held, wait_s, must_refuse=False),
        *of_overload(beyond, held, wait_s),
    ]
    print(f"\nPython {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores")
    then = " and ".join(f"{times * highest:.0f}" for times in BEYOND)
    print(f"{rate:.0f} calls a second for {options.minutes:g} minutes, then {then}\n")
    print(table(findings))
    print(f"\n{time.monotonic() - began_s:.0f} s")
    return 0 if all(finding.is_met for finding in findings) else 1


if __name__ == "__main__":
    raise SystemExit(main())
