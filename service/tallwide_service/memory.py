"""What the C library is told of memory, where it is glibc: left to itself, it keeps much of what is given back to it.

The names are those of mallopt(3). Elsewhere nothing is told, and nothing has to be.
"""

from __future__ import annotations

import ctypes
import sys
from functools import cache

# Blocks from this size on are mapped, and go back to the system when they are freed. Left to itself, glibc keeps blocks
# of up to 32 MB once it has seen some, and one still after the other takes more.
_M_MMAP_THRESHOLD, _MAPPED_BYTES = -3, 4 << 20
# Left to itself, glibc has eight pools a core, and each thread that has computed a large job leaves one full of holes.
_M_ARENA_MAX, _POOLS = -8, 2


@cache
def give_large_blocks_back() -> None:
    """Have the memory of a still go back when it is done with; once a process."""
    _set(_M_MMAP_THRESHOLD, _MAPPED_BYTES)


@cache
def share_pools() -> None:
    """Have the threads that are still to start share a few pools of memory; once a process."""
    _set(_M_ARENA_MAX, _POOLS)


def _set(option: int, value: int) -> None:
    set_option = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if set_option is not None:
        set_option(option, value)
