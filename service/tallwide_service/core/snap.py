"""Snapping: the one place where exact places and sizes become whole pixels on a grid.

Everything here is integer or rational arithmetic; ties are named, never left to a float.
"""

from __future__ import annotations

from fractions import Fraction


def ceil_share(share: Fraction, side: int) -> int:
    """Return `share` of a side in whole pixels, rounded up.

    Examples
    --------
    >>> ceil_share(Fraction(1, 20), 1080), ceil_share(Fraction(1, 20), 1081)
    (54, 55)
    """
    return -(-share.numerator * side // share.denominator)


def ceil_to_step(value: int, step: int) -> int:
    """Return the smallest multiple of `step` that is not below `value`."""
    return -(-value // step) * step


def floor_to_step(value: int, step: int) -> int:
    """Return the largest multiple of `step` that is not above `value`."""
    return value // step * step


def nearest_step(value: Fraction, step: int, *, lowest: int, highest: int) -> int:
    """Return the multiple of `step` nearest to `value` between two multiples; a tie goes to the smaller.

    Examples
    --------
    >>> nearest_step(Fraction(5), 2, lowest=0, highest=10)
    4
    """
    return nearest_step_of(value.numerator, value.denominator, step, lowest=lowest, highest=highest)


def nearest_step_of(numerator: int, denominator: int, step: int, *, lowest: int, highest: int) -> int:
    """Return the same for `numerator / denominator`, which need not be in lowest terms."""
    # The smaller of two equally near: ceil(value/step - 1/2).
    whole = denominator * step
    nearest = -((whole - 2 * numerator) // (2 * whole)) * step
    return min(max(nearest, lowest), highest)
