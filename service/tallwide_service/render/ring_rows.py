"""Rings row by row: which pixels an outline covers.

A pixel is covered where its centre is, as renderers without smoothing decide.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tallwide_service.render.scene import Ring, Spans

Columns = NDArray[np.int64]
Edges = tuple[Columns, Columns, Columns, Columns]
Runs = tuple[tuple[int, int], ...]


def ring_rows(ring: Ring, width: int, height: int) -> list[Runs]:
    """Return, for each row of a picture, the runs of pixels that a ring covers: first, and one after the last."""
    columns = zip(*(edge.tolist() for edge in ring_edges(ring, width, height)), strict=True)
    return [((a, b), (c, d)) if c > b else ((a, d),) for a, b, c, d in columns]


def covers_a_pixel(ring: Ring, width: int, height: int) -> bool:
    """Whether a ring covers any pixel of a picture."""
    left, inner_left, inner_right, right = ring_edges(ring, width, height)
    is_open = inner_right > inner_left
    return bool(np.where(is_open, (inner_left > left) | (right > inner_right), right > left).any())


def ring_edges(ring: Ring, width: int, height: int) -> Edges:
    """Return where each row enters the outer shape, enters the inner one, leaves it, and leaves the outer one."""
    centres = np.arange(height, dtype=np.float64) + np.float64(0.5)
    left, right = _columns(*ring.outer.spans(centres), width)
    return (left, *_columns(*ring.inner.spans(centres), width), right)


def ring_pixels(edges: Edges, rows: range) -> tuple[Columns, Columns]:
    """Return the pixels that a ring covers on some rows: rows, counted from the first of these, and columns."""
    left, inner_left, inner_right, right = (edge[rows.start : rows.stop] for edge in edges)
    is_open = inner_right > inner_left
    firsts = np.concatenate((left, np.where(is_open, inner_right, 0)))
    lengths = np.concatenate((np.where(is_open, inner_left, right) - left, np.where(is_open, right - inner_right, 0)))
    lengths = np.maximum(lengths, 0)
    row = np.repeat(np.tile(np.arange(len(rows)), 2), lengths)
    return row, np.arange(len(row)) + np.repeat(firsts - np.cumsum(lengths) + lengths, lengths)


def _columns(first: Spans, last: Spans, width: int) -> tuple[Columns, Columns]:
    """Return the first pixel whose centre lies in a span and the one after the last, within the picture."""
    missed = first >= last
    left = np.clip(np.ceil(np.where(missed, 0, first) - 0.5), 0, width).astype(np.int64)
    right = np.clip(np.ceil(np.where(missed, 0, last) - 0.5), 0, width).astype(np.int64)
    return left, np.where(missed, left, right)
