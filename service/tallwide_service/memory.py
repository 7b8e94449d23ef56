"""What the C library is told of memory, where it is glibc: left to itself, it keeps much of what is given back to it.

The names are those of mallopt(3) and malloc_trim(3). Elsewhere nothing is told, and nothing has to be.
"""

from __future__ import annotations

import ctypes
import sys
from functools import cache
from typing import Any

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


def give_pieces_back() -> None:
    """Have the memory of many small pieces go back, now that they are done with.

    What is freed in the middle of a pool stays in the process until somebody asks for it: as much as a still's file has
    come in, while the still needs that much again.
    """
    trim = _function("malloc_trim")
    if trim is not None:
        trim(0)


def _set(option: int, value: int) -> None:
    set_option = _function("mallopt")
    if set_option is not None:
        set_option(option, value)


def _function(name: str) -> Any:
    return getattr(ctypes.CDLL(None), name, None) if sys.platform == "linux" else None
