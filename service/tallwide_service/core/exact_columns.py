"""Exact columns: fractions a row, numerators and denominators of 64 bits, and which rows they are right in.

Whoever needs more than 64 bits gets no wrong number but a row that is not `sound`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

Long = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

# Sums of two numbers below it stay within 64 bits.
ROOM = float(1 << 61)
_MOST_DECIMALS = 9
_SURE_DIGITS = 1e15


@dataclass(frozen=True, slots=True)
class Ratios:
    """A fraction a row, in lowest terms, its denominator positive; 0 / 1 where it is not `sound`."""

    top: Long
    bottom: Long
    sound: Flags

    @classmethod
    def of(cls, top: Long, bottom: Long, sound: Flags) -> Ratios:
        """Return whole numbers over positive ones."""
        divisor = np.gcd(top, bottom)
        return cls(top // divisor, bottom // divisor, sound)

    @classmethod
    def same(cls, value: Fraction, count: int) -> Ratios:
        """Return one fraction in every row."""
        top, bottom = value.as_integer_ratio()
        is_sound = max(abs(top), bottom) < ROOM
        if not is_sound:
            top, bottom = 0, 1
        whole, parts = (np.full(count, number, dtype=np.int64) for number in (top, bottom))
        return cls(whole, parts, np.full(count, is_sound))

    @classmethod
    def written(cls, values: Real) -> Ratios:
        """Return what doubles stand for: the shortest decimal that reads back as the same double.

        n / 10^k, rounded once, is the double that the decimal reads back as, and of up to 15 digits no two
        decimals read back as one double; so the first k that gives the double back gives the shortest.
        """
        top, bottom = np.zeros(len(values), dtype=np.int64), np.ones(len(values), dtype=np.int64)
        sound = np.zeros(len(values), dtype=np.bool_)
        for decimals in range(_MOST_DECIMALS + 1):
            whole = np.rint(values * 10.0**decimals)
            fits = ~sound & (whole / 10.0**decimals == values) & (np.abs(whole) < _SURE_DIGITS)
            top[fits], bottom[fits] = whole[fits], 10**decimals
            sound |= fits
            if sound.all():
                break
        return cls.of(top, bottom, sound)

    def __mul__(self, other: Ratios) -> Ratios:
        """Return the products."""
        first, second = np.gcd(self.top, other.bottom), np.gcd(other.top, self.bottom)
        top = self.top // first, other.top // second
        bottom = self.bottom // second, other.bottom // first
        sound = self.sound & other.sound & is_short(*top) & is_short(*bottom)
        return Ratios(np.where(sound, top[0] * top[1], 0), np.where(sound, bottom[0] * bottom[1], 1), sound)

    def inverse(self) -> Ratios:
        """Return one over positive fractions."""
        sound = self.sound & (self.top > 0)
        return Ratios(np.where(sound, self.bottom, 0), np.where(sound, self.top, 1), sound)

    def rest(self) -> Ratios:
        """Return one less each, for shares from 0 to 1."""
        return Ratios(self.bottom - self.top, self.bottom, self.sound)

    def where(self, is_chosen: Flags, other: Ratios) -> Ratios:
        """Return these fractions where they are chosen, others elsewhere."""
        one, two = (self.top, self.bottom, self.sound), (other.top, other.bottom, other.sound)
        return Ratios(*(np.where(is_chosen, mine, theirs) for mine, theirs in zip(one, two, strict=True)))

    def rows(self, chosen: npt.NDArray[np.intp] | Flags) -> Ratios:
        """Return some of the rows."""
        return Ratios(self.top[chosen], self.bottom[chosen], self.sound[chosen])


def is_short(*factors: Long | Real | int) -> Flags:
    """Whether the product of numbers keeps below `ROOM`, so that sums of two fit 64 bits."""
    product = np.abs(np.asarray(factors[0], dtype=np.float64))
    for factor in factors[1:]:
        product = product * np.abs(np.asarray(factor, dtype=np.float64))
    # Each step is off by less than 2^-50 of itself.
    return np.asarray(product < ROOM * (1 - 1e-9))


def common_multiple(first: Long, second: Long) -> tuple[Long, Flags]:
    """Return the least common multiple of positive numbers, 1 where it is too large, and where it is not."""
    rest = second // np.gcd(first, second)
    is_sound = is_short(first, rest)
    return np.where(is_sound, first * rest, 1), is_sound


def root(square: Long) -> Long:
    """Return the largest whole number whose square is not above a whole number from 0 to 2^62."""
    found = np.sqrt(square.astype(np.float64)).astype(np.int64)
    # A double is off by less than one here.
    found -= found * found > square
    found += (found + 1) * (found + 1) <= square
    return found
