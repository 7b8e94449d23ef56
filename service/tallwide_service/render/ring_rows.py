"""Rings row by row: which pixels an outline covers.

A pixel is covered where its centre is, as renderers without smoothing decide.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tallwide_service.render.scene import Ring

Runs = tuple[tuple[int, int], ...]


def ring_rows(ring: Ring, width: int, height: int) -> list[Runs]:
    """Return, for each row of a picture, the runs of pixels that a ring covers: first, and one after the last."""
    centres = np.arange(height, dtype=np.float64) + np.float64(0.5)
    left, right = _columns(*ring.outer.spans(centres), width)
    inner_left, inner_right = _columns(*ring.inner.spans(centres), width)
    columns = zip(left.tolist(), inner_left.tolist(), inner_right.tolist(), right.tolist(), strict=True)
    return [((a, b), (c, d)) if c > b else ((a, d),) for a, b, c, d in columns]


def _columns(
    first: NDArray[np.float64], last: NDArray[np.float64], width: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the first pixel whose centre lies in a span and the one after the last, within the picture."""
    missed = first >= last
    left = np.clip(np.ceil(np.where(missed, 0, first) - 0.5), 0, width).astype(np.int64)
    right = np.clip(np.ceil(np.where(missed, 0, last) - 0.5), 0, width).astype(np.int64)
    return left, np.where(missed, left, right)
