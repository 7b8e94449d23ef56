"""Tables of the joint search, in 64 bits, against fractions."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from tallwide.job import exact
from tallwide_service.core.joint_tables import Side, axis_table, parted

# Few decimals, as many as a double has, and those of numbers so small that no 64 bits hold their denominators.
aligns = st.one_of(
    st.sampled_from([Fraction(0), Fraction(1), Fraction(1, 2), Fraction("0.33")]),
    st.floats(0, 1, allow_subnormal=True).map(exact),
    st.floats(1e-30, 1e-9).map(exact),
)
shares = st.one_of(
    aligns,
    st.floats(0, 0.5).map(lambda share: share if share < 0.5 else 0.25).map(exact).map(lambda s: s / (1 - s) / 2),
)
lengths = st.lists(st.integers(1, 65_535), min_size=1, max_size=30, unique=True).map(sorted)


@given(
    lengths=lengths,
    unit=st.one_of(st.integers(1, 1 << 20), st.integers(1 << 59, (1 << 61) - 1)),
    part=st.fractions(0, 1),
)
@example(lengths=[65_535], unit=(1 << 61) - 1, part=Fraction(1))
@example(lengths=[65_535, 65_534], unit=(1 << 61) - 1, part=Fraction((1 << 61) - 2, (1 << 61) - 1))
def test_whole_parts_and_rests_are_those_of_pythons_whole_numbers(lengths, unit, part):
    share = math.floor(unit * part)
    whole, rests = parted(np.array(lengths), share, unit)
    assert [*zip(whole.tolist(), rests.tolist(), strict=True)] == [divmod(length * share, unit) for length in lengths]


@given(
    frames=st.lists(st.tuples(lengths, aligns, shares, shares), min_size=1, max_size=4),
    step=st.sampled_from([1, 2, 3, 16, 256]),
    size_step=st.sampled_from([1, 2, 16]),
    point=st.one_of(st.none(), shares.map(lambda share: share * 8640)),
)
def test_a_table_says_what_fractions_say(frames, step, size_step, point):
    sides = [Side(np.array(long), align, before, after) for long, align, before, after in frames]
    table = axis_table(sides, box=(0, 70_000), steps=(step, size_step), point=point)
    leads = [length * align for long, align, *_ in frames for length in long]
    assert table.before.tolist() == [math.ceil(length * share) for long, _, share, _ in frames for length in long]
    assert table.after.tolist() == [math.ceil(length * share) for long, *_, share in frames for length in long]
    rests = sorted({lead % step for lead in leads})
    if point is None:
        assert table.counts == len(rests)
        assert table.lead.tolist() == [int(lead // step) * len(rests) + rests.index(lead % step) for lead in leads]
        assert table.floors.tolist() == [math.floor(rest) for rest in rests]
        np.testing.assert_allclose(table.rests_px, [float(rest) for rest in rests], rtol=1e-12, atol=1e-12)
    else:
        half = Fraction(step, 2)
        assert table.first.tolist() == [step * math.ceil((point - half - lead) / step) for lead in leads]
        assert table.last.tolist() == [step * math.floor((point + half - lead) / step) for lead in leads]
    if size_step % step:
        assert table.near.tolist() == [math.floor(lead) for lead in leads]
        ends = [length - math.ceil(length * align) for long, align, *_ in frames for length in long]
        assert table.far.tolist() == ends
