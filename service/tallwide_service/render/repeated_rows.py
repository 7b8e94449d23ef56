"""Deflate of rows that repeat the row above: their filtered form, written straight into deflate.

A PNG row under the Up filter that equals the row above is the filter's number and zeros. A run of
such rows is one deflate block (RFC 1951, 3.2.7) with a code made for it: nearly all of it is "258
more of the byte before", which takes two bits. Writing it costs nothing that grows with the pixels.
"""

from __future__ import annotations

from functools import cached_property
from typing import NamedTuple

UP_FILTER = 2
ADLER_BASE = 65_521
_LONGEST_MATCH = 258
_FILTER, _ZERO, _END, _LONGEST = UP_FILTER, 0, 256, 285
_LENGTHS, _DISTANCES = 286, 2
# Code lengths of the alphabet that writes the code itself, by symbol, and the order of RFC 1951.
_META_BITS = {0: 3, 1: 2, 3: 2, 17: 3, 18: 2}
_META_ORDER = (16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1)


class Bits(NamedTuple):
    """`size` bits in the order of a stream: the first one is the lowest of `value`."""

    value: int = 0
    size: int = 0

    def then(self, other: Bits) -> Bits:
        """Return these bits and those of another after them."""
        return Bits(self.value | other.value << self.size, self.size + other.size)

    def times(self, times: int) -> Bits:
        """Return these bits some times over."""
        all_bits, doubled = Bits(), self
        while times:
            if times & 1:
                all_bits = all_bits.then(doubled)
            doubled, times = doubled.then(doubled), times >> 1
        return all_bits


class RepeatedRows:
    """Rows of `row_bytes` bytes of pixels that each equal the row above."""

    def __init__(self, row_bytes: int) -> None:
        self._row_bytes = row_bytes

    def deflated(self, count: int) -> bytes:
        """Return `count` rows as deflate blocks that begin and end on whole bytes and refer to nothing before."""
        block = self._head.then(self._row.times(count)).then(self._codes[_END])
        # An empty stored block: three bits, up to the next whole byte, its length 0 and the complement.
        whole_bytes = (block.size + 3 + 7) // 8
        return block.value.to_bytes(whole_bytes, "little") + b"\x00\x00\xff\xff"

    def checked(self, check: int, count: int) -> int:
        """Return Adler-32 after `count` rows (RFC 1950, 8.2): only their filters are not zero.

        Each byte adds to the low half, and the low half to the high half; a filter at the head of a
        row of n bytes in all is counted n times by the end of its row, and n more by each next one.
        """
        low, high, length = check & 0xFFFF, check >> 16, self._row_bytes + 1
        high += count * length * low + UP_FILTER * length * (count * (count + 1) // 2)
        return high % ADLER_BASE << 16 | (low + UP_FILTER * count) % ADLER_BASE

    @cached_property
    def _rest(self) -> int:
        """Zeros of a row beyond the first one and the longest matches."""
        return (self._row_bytes - 1) % _LONGEST_MATCH

    @cached_property
    def _rest_symbol(self) -> int:
        """The symbol that a match of the rest has; any other where the rest is too short for a match."""
        return _match(max(self._rest, 3))[0]

    @cached_property
    def _code_bits(self) -> dict[int, int]:
        """Bits of each symbol: one for the longest match, three for the four others."""
        return dict.fromkeys(sorted((_ZERO, _FILTER, _END, self._rest_symbol)), 3) | {_LONGEST: 1}

    @cached_property
    def _codes(self) -> dict[int, Bits]:
        return _canonical(self._code_bits)

    @cached_property
    def _row(self) -> Bits:
        """One row: its filter, a zero, and matches of the byte before."""
        codes, before = self._codes, Bits(0, 1)
        row = codes[_FILTER].then(codes[_ZERO])
        row = row.then(codes[_LONGEST].then(before).times((self._row_bytes - 1) // _LONGEST_MATCH))
        if self._rest < 3:
            return row.then(codes[_ZERO].times(self._rest))
        symbol, extra = _match(self._rest)
        return row.then(codes[symbol]).then(extra).then(before)

    @cached_property
    def _head(self) -> Bits:
        """The head of a block: it is not the last, and this is its code; two distances, of one bit each."""
        meta = _canonical(_META_BITS)
        head = Bits(0b100, 3)
        head = head.then(Bits(_LENGTHS - 257, 5)).then(Bits(_DISTANCES - 1, 5)).then(Bits(len(_META_ORDER) - 4, 4))
        for symbol in _META_ORDER:
            head = head.then(Bits(_META_BITS.get(symbol, 0), 3))
        absent = 0
        for symbol in range(_LENGTHS + _DISTANCES):
            bits = self._code_bits.get(symbol, 0) if symbol < _LENGTHS else 1
            if bits == 0:
                absent += 1
                continue
            head = head.then(_absent(absent, meta)).then(meta[bits])
            absent = 0
        return head


def _match(length: int) -> tuple[int, Bits]:
    """Return the symbol and the extra bits of a match of 3 to 257 bytes (RFC 1951, 3.2.5)."""
    over = length - 3
    extra = max(over.bit_length() - 3, 0)
    return 257 + 4 * extra + (over >> extra), Bits(over & (1 << extra) - 1, extra)


def _canonical(lengths: dict[int, int]) -> dict[int, Bits]:
    """Return each symbol's code from its number of bits (RFC 1951, 3.2.2); codes go highest bit first."""
    codes, code, before = {}, 0, 0
    for symbol, bits in sorted(lengths.items(), key=lambda item: (item[1], item[0])):
        code <<= bits - before
        codes[symbol] = Bits(int(f"{code:0{bits}b}"[::-1], 2), bits)
        code, before = code + 1, bits
    return codes


def _absent(count: int, meta: dict[int, Bits]) -> Bits:
    """Return a run of symbols without a code."""
    bits = Bits()
    while count >= 11:
        run = min(count, 138)
        bits, count = bits.then(meta[18]).then(Bits(run - 11, 7)), count - run
    if count >= 3:
        return bits.then(meta[17]).then(Bits(count - 3, 3))
    return bits.then(meta[0].times(count))
