"""Rings row by row: which pixels an outline covers.

A pixel is covered where its centre is, as renderers without smoothing decide.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tallwide_service.render.scene import Ring, Spans

Columns = NDArray[np.int64]
Runs = tuple[tuple[int, int], ...]


def ring_rows(ring: Ring, width: int, height: int) -> list[Runs]:
    """Return, for each row of a picture, the runs of pixels that a ring covers: first, and one after the last."""
    columns = zip(*(edge.tolist() for edge in _edges(ring, width, height)), strict=True)
    return [((a, b), (c, d)) if c > b else ((a, d),) for a, b, c, d in columns]


def covers_a_pixel(ring: Ring, width: int, height: int) -> bool:
    """Whether a ring covers any pixel of a picture."""
    left, inner_left, inner_right, right = _edges(ring, width, height)
    is_open = inner_right > inner_left
    return bool(np.where(is_open, (inner_left > left) | (right > inner_right), right > left).any())


def _edges(ring: Ring, width: int, height: int) -> tuple[Columns, Columns, Columns, Columns]:
    """Return where each row enters the outer shape, enters the inner one, leaves it, and leaves the outer one."""
    centres = np.arange(height, dtype=np.float64) + np.float64(0.5)
    left, right = _columns(*ring.outer.spans(centres), width)
    return (left, *_columns(*ring.inner.spans(centres), width), right)


def _columns(first: Spans, last: Spans, width: int) -> tuple[Columns, Columns]:
    """Return the first pixel whose centre lies in a span and the one after the last, within the picture."""
    missed = first >= last
    left = np.clip(np.ceil(np.where(missed, 0, first) - 0.5), 0, width).astype(np.int64)
    right = np.clip(np.ceil(np.where(missed, 0, last) - 0.5), 0, width).astype(np.int64)
    return left, np.where(missed, left, right)
