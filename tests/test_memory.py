"""What glibc is told of memory: pieces that are freed under something that stays go back to the system."""

from __future__ import annotations

import subprocess
import sys

# A process of its own: pools of a used one have holes, and what it holds changes beside the test.
SCRIPT = """
from pathlib import Path
from tallwide_service.memory import give_pieces_back

def resident_kb():
    return next(int(line.split()[1]) for line in Path("/proc/self/status").read_text().splitlines() if "VmRSS" in line)

pieces, stays = [], []
for _ in range(512):
    pieces.append(bytes(60_000))
    stays.append(bytes(600))  # what lies above a freed piece keeps it from going back by itself
before = resident_kb()
del pieces[:]
freed = resident_kb()
give_pieces_back()
print(before - freed, before - resident_kb())
"""


def test_pieces_that_are_done_with_go_back():
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True)
    by_itself_kb, asked_kb = map(int, done.stdout.split())
    pieces_kb = 512 * 60_000 / 1024
    # Pages that a piece shares with what stays do not go.
    assert by_itself_kb < 0.3 * pieces_kb
    assert asked_kb > 0.6 * pieces_kb
