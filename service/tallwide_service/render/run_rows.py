"""Deflate of rows that are made of runs and mostly repeat the row above, written by hand.

A PNG row under the Up filter that equals the row above is the filter's number and zeros. A whole
stretch of an overlay's rows is one deflate block (RFC 1951, 3.2.7) with a code made for it, in
which nearly everything is "258 more of the byte before". A row that repeats is encoded once and its
bits are laid down again, so that it costs nothing that grows with its pixels. No block refers to
anything before it.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

UP_FILTER = 2
ADLER_BASE = 65_521
_LONGEST_MATCH = 258
_END, _LONGEST, _SYMBOLS, _DISTANCES = 256, 285, 286, 2
_MOST_BITS, _MOST_META_BITS = 15, 7
# The order in which the lengths of the code for code lengths stand.
_META_ORDER = (16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15)
# Tokens whose bits are laid out at once.
_TOKENS_AT_ONCE = 1 << 15

Bytes = NDArray[np.uint8]
Numbers = NDArray[np.int64]


def up_filtered(rows: Bytes, above: Bytes) -> Bytes:
    """Return rows as their differences from the row above, each behind the filter's number (PNG, 9.2)."""
    filtered = np.empty((len(rows), rows.shape[1] + 1), dtype=np.uint8)
    filtered[:, 0] = UP_FILTER
    np.subtract(rows[0], above, out=filtered[0, 1:])
    np.subtract(rows[1:], rows[:-1], out=filtered[1:, 1:])
    return filtered


def deflated(rows: Bytes, repeats: Sequence[int]) -> bytes:
    """Return filtered rows, each followed by some that equal it, as deflate blocks that end on a whole byte.

    Parameters
    ----------
    rows
        Shape (n, 1 + bytes of pixels): the filter's number, then the filtered bytes.
    repeats
        How many rows that equal the one above, under the Up filter, follow each.
    """
    tokens = _tokens(rows)
    again = _tokens(_again(rows.shape[1]))
    counts = np.bincount(tokens.symbols, minlength=_SYMBOLS)
    counts += sum(repeats) * np.bincount(again.symbols, minlength=_SYMBOLS)
    counts[_END] = 1
    code = _Code.of(counts.tolist(), _MOST_BITS)
    bits, row_ends = _bits_of(tokens, code)
    again_bits, _ = _bits_of(again, code)
    pieces: list[Bytes] = [_head(code)]
    start = 0
    for end, times in zip(row_ends.tolist(), repeats, strict=True):
        if times:
            pieces += (bits[start:end], np.tile(again_bits, times))
            start = end
    pieces += (bits[start:], code.bits_of(_END), _bits(0, 3))
    # The last three bits begin an empty stored block: up to the next whole byte, its length 0 and the complement.
    return np.packbits(np.concatenate(pieces), bitorder="little").tobytes() + b"\x00\x00\xff\xff"


def checked(check: int, row_bytes: int, count: int) -> int:
    """Return Adler-32 (RFC 1950, 8.2) after `count` rows that repeat the one above: only their filters are not zero.

    Each byte adds to the low half, and the low half to the high half; a filter at the head of a row
    of n bytes in all is counted n times by the end of its row, and n more by each next one.
    """
    low, high = check & 0xFFFF, check >> 16
    high += count * row_bytes * low + UP_FILTER * row_bytes * (count * (count + 1) // 2)
    return high % ADLER_BASE << 16 | (low + UP_FILTER * count) % ADLER_BASE


def _again(row_bytes: int) -> Bytes:
    row = np.zeros((1, row_bytes), dtype=np.uint8)
    row[0, 0] = UP_FILTER
    return row


class _Tokens(NamedTuple):
    """Literals, and matches of the byte before: symbol, extra bits with their number, and where each row ends."""

    symbols: Numbers
    extra: Numbers
    extra_bits: Numbers
    row_ends: Numbers


def _tokens(rows: Bytes) -> _Tokens:
    """Return rows as tokens: each run is a literal, as many longest matches as fit, and the rest."""
    begins = np.empty(rows.shape, dtype=bool)
    begins[:, 0] = True
    np.not_equal(rows[:, 1:], rows[:, :-1], out=begins[:, 1:])
    starts = np.flatnonzero(begins)
    more = np.diff(starts, append=rows.size) - 1
    longest, rest = more // _LONGEST_MATCH, more % _LONGEST_MATCH
    # No match is shorter than three bytes.
    last = np.where(rest < 3, rest, 1)
    counts = 1 + longest + last
    ends = np.cumsum(counts)
    place = np.arange(ends[-1]) - np.repeat(ends - counts, counts)
    longest, rest = np.repeat(longest, counts), np.repeat(rest, counts)
    symbols = np.repeat(rows.ravel()[starts], counts).astype(np.int64)
    symbols[(place > 0) & (place <= longest)] = _LONGEST
    extra, extra_bits = np.zeros_like(symbols), np.zeros_like(symbols)
    is_rest = (place > longest) & (rest >= 3)
    symbols[is_rest], extra[is_rest], extra_bits[is_rest] = (part[rest[is_rest]] for part in _MATCHES)
    first_of_rows = np.searchsorted(starts, np.arange(rows.shape[0] + 1) * rows.shape[1])[1:]
    return _Tokens(symbols, extra, extra_bits, ends[first_of_rows - 1])


def _matches() -> tuple[Numbers, Numbers, Numbers]:
    """Return symbol, extra bits and their number for each length of a match up to 257 (RFC 1951, 3.2.5)."""
    rows = []
    for length in range(_LONGEST_MATCH):
        over = max(length - 3, 0)
        extra = max(over.bit_length() - 3, 0)
        rows.append((257 + 4 * extra + (over >> extra), over & (1 << extra) - 1, extra))
    symbols, extras, sizes = np.array(rows, dtype=np.int64).T
    return symbols, extras, sizes


_MATCHES = _matches()


@dataclass(frozen=True, slots=True)
class _Code:
    """A canonical prefix code: for each symbol its number of bits and the bits, first one lowest (RFC 1951, 3.2.2)."""

    sizes: tuple[int, ...]
    values: tuple[int, ...]

    @classmethod
    def of(cls, counts: Sequence[int], most_bits: int) -> _Code:
        """Return the code that is shortest for symbols that come so often, none longer than `most_bits`."""
        sizes = code_lengths(counts, most_bits)
        values, code, before = [0] * len(sizes), 0, 0
        for size, symbol in sorted((size, symbol) for symbol, size in enumerate(sizes) if size):
            code <<= size - before
            values[symbol] = int(f"{code:0{size}b}"[::-1], 2)
            code, before = code + 1, size
        return cls(tuple(sizes), tuple(values))

    def bits_of(self, symbol: int) -> Bytes:
        """Return the bits of one symbol."""
        return _bits(self.values[symbol], self.sizes[symbol])


def code_lengths(counts: Sequence[int], most_bits: int) -> list[int]:
    """Return the number of bits of each symbol in a shortest prefix code (Huffman 1952), 0 where it never comes.

    Examples
    --------
    >>> code_lengths([8, 0, 3, 1, 2], 15)
    [1, 0, 2, 3, 3]
    """
    weights = list(counts)
    while True:
        lengths = [0] * len(weights)
        heap = [(weight, symbol, [symbol]) for symbol, weight in enumerate(weights) if weight]
        if len(heap) == 1:
            lengths[heap[0][1]] = 1
            return lengths
        heapq.heapify(heap)
        while len(heap) > 1:
            (one, order, members), (other, _, others) = heapq.heappop(heap), heapq.heappop(heap)
            members = members + others
            for symbol in members:
                lengths[symbol] += 1
            heapq.heappush(heap, (one + other, order, members))
        if max(lengths) <= most_bits:
            return lengths
        # Weights that are nearer to each other give a flatter tree.
        weights = [(weight + 1) // 2 for weight in weights]


def _bits_of(tokens: _Tokens, code: _Code) -> tuple[Bytes, Numbers]:
    """Return the bits of tokens, one a byte, and where those of each row end."""
    sizes, values = np.array(code.sizes), np.array(code.values)
    size = sizes[tokens.symbols]
    value = values[tokens.symbols] | tokens.extra << size
    size += tokens.extra_bits
    # After a match stands its distance: 1, whose code is one bit, 0.
    size += tokens.symbols > _END
    ends = np.cumsum(size)
    blocks = [
        _laid_out(value[first : first + _TOKENS_AT_ONCE], size[first : first + _TOKENS_AT_ONCE])
        for first in range(0, len(size), _TOKENS_AT_ONCE)
    ]
    return np.concatenate(blocks), ends[tokens.row_ends - 1]


def _laid_out(values: Numbers, sizes: Numbers) -> Bytes:
    places = np.arange(sizes.max())
    bits = (values[:, np.newaxis] >> places & 1).astype(np.uint8)
    return np.asarray(bits[places < sizes[:, np.newaxis]])


def _bits(value: int, size: int) -> Bytes:
    return np.array([value >> place & 1 for place in range(size)], dtype=np.uint8)


def _head(code: _Code) -> Bytes:
    """Return the head of a block: it is not the last, and this is its code; two distances, of one bit each."""
    words = list(_length_words([*code.sizes, *[1] * _DISTANCES]))
    meta = _Code.of(np.bincount([word for word, _, _ in words], minlength=19).tolist(), _MOST_META_BITS)
    # At least four of them stand there.
    last = max(3, *(place for place, word in enumerate(_META_ORDER) if meta.sizes[word]))
    fields = [(0b100, 3), (_SYMBOLS - 257, 5), (_DISTANCES - 1, 5), (last + 1 - 4, 4)]
    fields += [(meta.sizes[word], 3) for word in _META_ORDER[: last + 1]]
    for word, extra, extra_bits in words:
        fields += [(meta.values[word], meta.sizes[word]), (extra, extra_bits)]
    return np.concatenate([_bits(value, size) for value, size in fields])


def _length_words(sizes: Sequence[int]) -> Iterator[tuple[int, int, int]]:
    """Yield code lengths as they are written: a length, or a run of zeros; with extra bits and their number."""
    place = 0
    while place < len(sizes):
        run = 0
        while place + run < len(sizes) and sizes[place + run] == 0 and run < 138:
            run += 1
        if run >= 11:
            yield 18, run - 11, 7
        elif run >= 3:
            yield 17, run - 3, 3
        else:
            run = 1
            yield sizes[place], 0, 0
        place += run
