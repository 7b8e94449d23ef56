"""Verdicts: what there is against what is due. Decided in whole numbers or exact ratios, never in floats."""

from __future__ import annotations

from fractions import Fraction

from tallwide.answers import Verdict

Exact = int | Fraction


def verdict_of(reached: Exact, due: Exact) -> Verdict:
    """Return whether what is reached is `enough`, just what is due (`at_limit`), or `short` of it.

    Examples
    --------
    >>> verdict_of(2160, 2160), verdict_of(Fraction(2159, 2160), 1)
    ('at_limit', 'short')
    """
    if reached < due:
        return "short"
    return "at_limit" if reached == due else "enough"
