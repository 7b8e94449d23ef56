"""Grouping: which rows of several columns are equal, by their bits.

An archive of millions of clips holds a few hundred recording modes, so rows are not sorted: each
writes its number into a slot that its columns choose, and whoever stands there in the end is
compared with all that chose the slot. What loses (two kinds of row in one slot) is tried again.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Column = np.ndarray[Any, np.dtype[Any]]
Rows = npt.NDArray[np.intp]

_ROUNDS = 4
_ODD = np.uint64(0x9E3779B97F4A7C15)  # 2^64 over the golden ratio: spreads what lies close together
_LEAST_SLOT_BITS = 10


def equal_rows(columns: Sequence[Column]) -> tuple[Rows, Rows]:
    """Return the first row of each kind that was met, and for each row which kind it is of.

    Examples
    --------
    >>> firsts, kinds = equal_rows([np.array([7, 8, 7, 7]), np.array([1.0, 1.0, 1.0, 2.0])])
    >>> firsts.tolist(), kinds.tolist()
    ([0, 1, 3], [0, 1, 0, 2])
    """
    count = len(columns[0])
    bits = [_bits(column) for column in columns if not _is_constant(column)]
    if not bits:
        return np.zeros(min(count, 1), dtype=np.intp), np.zeros(count, dtype=np.intp)
    stands_for = np.arange(count, dtype=np.intp)
    open_rows: Rows = stands_for.copy()
    mixed = _mixed(bits)
    slot_bits = max(_LEAST_SLOT_BITS, count.bit_length())
    slots = np.zeros(1 << slot_bits, dtype=np.intp)
    for _ in range(_ROUNDS):
        places = (mixed >> np.uint64(64 - slot_bits)).astype(np.intp)
        # Backwards, so that the first row of a kind is the one that stays.
        slots[places[::-1]] = open_rows[::-1]
        there = slots[places]
        is_equal = np.ones(len(open_rows), dtype=np.bool_)
        for column in bits:
            is_equal &= column[there] == column[open_rows]
        stands_for[open_rows[is_equal]] = there[is_equal]
        open_rows, mixed = open_rows[~is_equal], mixed[~is_equal] * _ODD
        if not open_rows.size:
            break
    if open_rows.size:
        stands_for[open_rows] = _sorted_out(bits, open_rows)
    is_first = stands_for == np.arange(count)
    return np.flatnonzero(is_first), (np.cumsum(is_first) - 1)[stands_for]


def _is_constant(column: Column) -> bool:
    return column.strides == (0,) or len(column) == 0 or bool((column == column[0]).all())


def _bits(column: Column) -> npt.NDArray[np.uint64]:
    if column.dtype.kind == "f":
        return (column.astype(np.float64) + 0.0).view(np.uint64)  # -0.0 becomes 0.0
    return column.astype(np.uint64)


def _mixed(bits: Sequence[npt.NDArray[np.uint64]]) -> npt.NDArray[np.uint64]:
    mixed = np.zeros(len(bits[0]), dtype=np.uint64)
    for column in bits:
        mixed ^= column
        mixed *= _ODD
        mixed ^= mixed >> np.uint64(32)
    mixed *= _ODD
    return mixed


def _sorted_out(bits: Sequence[npt.NDArray[np.uint64]], rows: Rows) -> Rows:
    """Return for each of a few rows the first that is equal to it, by sorting."""
    together = np.stack([column[rows] for column in bits], axis=1)
    _, firsts, kinds = np.unique(together, axis=0, return_index=True, return_inverse=True)
    found: Rows = rows[firsts[kinds.ravel()]]
    return found
