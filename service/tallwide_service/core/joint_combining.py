"""Best sizes at one scene point where frames have to be combined.

Frames that lie inside each other and have a choice of two places half way to a given point, or
whose lengths are no whole place steps, cannot each take their own largest size: an outer frame's
choice of place decides what fits inside. Choices are tried outer frames first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import product

import numpy as np

from tallwide.answers import Rect
from tallwide_service.core.joint_search import Field, Looks, Sizes

# Combinations tried at one point; beyond it the point counts as unproven.
MOST_COMBINATIONS = 20_000


class Combining:
    """Tries combinations of sizes and places at single points; `cut` is a bound where some were left out."""

    def __init__(self, field: Field, key: Callable[[Sizes], tuple[object, ...]]) -> None:
        self.field, self.key = field, key
        self.looks = Looks(field)
        self.cut: Sizes | None = None
        self.tables = (field.x, field.y)
        self.lengths = (field.x.length.tolist(), field.y.length.tolist())
        # After so many sizes in a row that bring nothing new, none further down does: lengths repeat
        # their place within a step.
        self.patience = 1 if field.x.is_nested and field.y.is_nested else field.x.step + field.y.step

    def at(self, x: int, y: int, most: Sizes) -> Sizes | None:
        """Return the best sizes up to a bound for one t, by the whole order; `None` where some frame has none."""
        cells = np.array([[x - 1], [x], [y - 1], [y]], dtype=np.int64)
        caps = self.looks.bound(cells, np.array(most, dtype=np.int64)[:, None])[:, 0].tolist()
        if min(caps) < 0:
            return None
        matched = self.field.matched
        if matched is None:
            return self._combined(x, y, caps, [0] * len(caps), most)
        lengths = self.lengths[matched.axis]
        longest = min(lengths[offset + cap] for offset, cap in zip(self.field.offsets.tolist(), caps, strict=True))
        for place in range(int(np.searchsorted(matched.lengths, longest, side="right")) - 1, -1, -1):
            high = [min(cap, int(last)) for cap, last in zip(caps, matched.last_size[:, place], strict=True)]
            low = [self._first_of_length(i, k, matched.axis) for i, k in enumerate(high)]
            if any(
                lengths[offset + k] != int(matched.lengths[place])
                for offset, k in zip(self.field.offsets.tolist(), high, strict=True)
            ):
                continue
            found = self._combined(x, y, high, low, most)
            if found is not None:
                return found
        return None

    def _first_of_length(self, frame: int, k: int, axis: int) -> int:
        offset, lengths = int(self.field.offsets[frame]), self.lengths[axis]
        while k > 0 and lengths[offset + k - 1] == lengths[offset + k]:
            k -= 1
        return k

    def _combined(self, x: int, y: int, most: Sequence[int], least: Sequence[int], bound: Sizes) -> Sizes | None:
        best: Sizes | None = None
        best_key: tuple[object, ...] | None = None
        left = MOST_COMBINATIONS
        field = self.field

        def choose(depth: int, chosen: dict[int, tuple[int, Rect]]) -> None:
            nonlocal best, best_key, left
            left -= 1
            if left < 0:
                return
            if depth == len(field.order):
                sizes = tuple(chosen[i][0] for i in range(len(field.order)))
                key = self.key(sizes)
                if best_key is None or key > best_key:
                    best, best_key = sizes, key
                return
            i = field.order[depth]
            holders = [chosen[outer][1] for inner, outer in field.pairs if inner == i]
            for k, rect in self._choices(i, x, y, most[i], least[i], holders):
                choose(depth + 1, {**chosen, i: (k, rect)})

        choose(0, {})
        if left < 0 and self.cut is None:
            self.cut = bound
        return best

    def _choices(
        self, i: int, x: int, y: int, most: int, least: int, holders: Sequence[Rect]
    ) -> Iterator[tuple[int, Rect]]:
        """Yield a frame's choices for one t inside its holders, larger first, none inside another."""
        is_outer = any(outer == i for _, outer in self.field.pairs)
        kept: list[Rect] = []
        fruitless = 0
        for k in range(most, least - 1, -1):
            fresh = [
                rect
                for rect in self._rects(i, k, x, y)
                if all(holder.holds(rect) for holder in holders) and not any(other.holds(rect) for other in kept)
            ]
            for rect in fresh:
                kept.append(rect)
                yield k, rect
            fruitless = 0 if fresh else fruitless + 1
            if kept and (not is_outer or fruitless >= self.patience):
                return

    def _rects(self, i: int, k: int, x: int, y: int) -> list[Rect]:
        """Return where a size may lie for one t, in the region and around the subject."""
        place = int(self.field.offsets[i]) + k
        index = np.array([place], dtype=np.int64)
        cells = np.array([[x - 1], [x], [y - 1], [y]], dtype=np.int64)
        found = []
        for option in product((0, 1) if self.field.x.has_ties else (0,), (0, 1) if self.field.y.has_ties else (0,)):
            if not self.looks.core_fits(index, cells, option, exactly=True)[0]:
                continue
            edges = self.looks.outline(index, cells, option)
            rect = Rect(int(edges.left[0]), int(edges.top[0]), self.lengths[0][place], self.lengths[1][place])
            if rect not in found and (self.field.subject is None or rect.holds(self.field.subject)):
                found.append(rect)
        return found
