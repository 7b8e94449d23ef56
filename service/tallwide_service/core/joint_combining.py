"""Best sizes at one scene point where frames have to be combined.

Frames that lie inside each other and have a choice of two places half way to a given point, or
whose lengths are no whole place steps, cannot each take their own largest size: an outer frame's
choice of place decides what fits inside. Choices are tried outer frames first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import product
from typing import Any

import numpy as np

from tallwide.answers import Rect
from tallwide_service.core.joint_search import Field, Looks, Sizes

# Sizes of one frame looked at in one go.
_BLOCK = 16


class Combining:
    """Tries combinations of sizes and places at single points, until `most` of them have been tried."""

    def __init__(self, field: Field, key: Callable[[Sizes], tuple[Any, ...]], most: int) -> None:
        self.field, self.key, self.left = field, key, most
        self.looks = Looks(field)
        self.lengths = (field.x.length.tolist(), field.y.length.tolist())
        # After so many sizes in a row that bring nothing new, none further down does: lengths repeat
        # their place within a step.
        self.patience = 1 if field.x.is_nested and field.y.is_nested else field.x.step + field.y.step
        self.options = tuple(product((0, 1) if field.x.has_ties else (0,), (0, 1) if field.y.has_ties else (0,)))

    @property
    def is_spent(self) -> bool:
        """Whether combinations have been left out."""
        return self.left < 0

    def at(self, x: int, y: int, most: Sizes) -> Sizes | None:
        """Return the best sizes up to a bound for one t, by the whole order; `None` where some frame has none."""
        cells = np.array([[x - 1], [x], [y - 1], [y]], dtype=np.int64)
        caps = self.looks.bound(cells, np.array(most, dtype=np.int64)[:, None])[:, 0].tolist()
        if min(caps) < 0 or self.is_spent:
            return None
        matched = self.field.matched
        if matched is None:
            return self._combined(cells, caps, [0] * len(caps))
        lengths, offsets = self.lengths[matched.axis], self.field.offsets.tolist()
        longest = min(lengths[offset + cap] for offset, cap in zip(offsets, caps, strict=True))
        for place in range(int(np.searchsorted(matched.lengths, longest, side="right")) - 1, -1, -1):
            high = [min(cap, last) for cap, last in zip(caps, matched.last_size[:, place].tolist(), strict=True)]
            low = [self._first_of_length(i, k, matched.axis) for i, k in enumerate(high)]
            found = self._combined(cells, high, low)
            if found is not None or self.is_spent:
                return found
        return None

    def _first_of_length(self, frame: int, k: int, axis: int) -> int:
        offset, lengths = int(self.field.offsets[frame]), self.lengths[axis]
        while k > 0 and lengths[offset + k - 1] == lengths[offset + k]:
            k -= 1
        return k

    def _combined(self, cells: np.ndarray, most: Sequence[int], least: Sequence[int]) -> Sizes | None:
        """Return the best combination of sizes between two bounds."""
        best: Sizes | None = None
        best_key: tuple[Any, ...] | None = None
        field = self.field

        def choose(depth: int, chosen: dict[int, tuple[int, Rect]]) -> None:
            nonlocal best, best_key
            self.left -= 1
            if self.is_spent:
                return
            if depth == len(field.order):
                sizes = tuple(chosen[i][0] for i in range(len(field.order)))
                key = self.key(sizes)
                if best_key is None or key > best_key:
                    best, best_key = sizes, key
                return
            i = field.order[depth]
            holders = [chosen[outer][1] for inner, outer in field.pairs if inner == i]
            for k, rect in self._choices(i, cells, most[i], least[i], holders):
                choose(depth + 1, {**chosen, i: (k, rect)})

        choose(0, {})
        return best

    def _choices(
        self, i: int, cells: np.ndarray, most: int, least: int, holders: Sequence[Rect]
    ) -> Iterator[tuple[int, Rect]]:
        """Yield a frame's choices for one t inside its holders, larger first, none inside another."""
        is_outer = any(outer == i for _, outer in self.field.pairs)
        kept: list[Rect] = []
        fruitless, last = 0, most
        for k, rect in self._rects(i, cells, most, least):
            if kept and k < last:
                fruitless += last - k
                if not is_outer or fruitless > self.patience:
                    return
            last = k
            if all(holder.holds(rect) for holder in holders) and not any(other.holds(rect) for other in kept):
                kept.append(rect)
                fruitless = 0
                yield k, rect

    def _rects(self, i: int, cells: np.ndarray, most: int, least: int) -> Iterator[tuple[int, Rect]]:
        """Yield where sizes may lie for one t, in the region and around the subject, larger sizes first."""
        offset, subject = int(self.field.offsets[i]), self.field.subject
        for top in range(most, least - 1, -_BLOCK):
            sizes = np.arange(top, max(top - _BLOCK, least - 1), -1, dtype=np.int64)
            index = offset + sizes
            at = np.broadcast_to(cells, (4, len(sizes)))
            found: list[tuple[int, Rect]] = []
            for option in self.options:
                fits = self.looks.core_fits(index, at, option, exactly=True)
                edges = self.looks.outline(index, at, option)
                if subject is not None:
                    fits &= edges.hold(subject)
                for place in np.flatnonzero(fits).tolist():
                    k = int(sizes[place])
                    rect = Rect(
                        int(edges.left[place]),
                        int(edges.top[place]),
                        self.lengths[0][offset + k],
                        self.lengths[1][offset + k],
                    )
                    if (k, rect) not in found:
                        found.append((k, rect))
            self.left -= 1
            if self.is_spent:
                return
            yield from sorted(found, key=lambda one: -one[0])
