"""Canonical JSON: the fast way writes what a reference library of RFC 8785 writes, or is not taken."""

from __future__ import annotations

import math
import struct

import pytest
import rfc8785
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tallwide_service.identity import canonical_json

numbers = st.one_of(
    st.integers(-(2**53) + 1, 2**53 - 1),
    st.integers(-(10**4), 10**4),
    st.floats(allow_nan=False, allow_infinity=False),
    st.floats(-1e-3, 1e-3),
    st.integers(-(10**7), 10**7).map(lambda thousandths: thousandths / 1000),
    st.builds(lambda digits, power: digits * 10.0**power, st.integers(-99, 99), st.integers(-25, 25)),
)
texts = st.one_of(st.text(), st.text('0123456789.eE+-:,[{"\\/\x00\x1f\x7f\u2028\U0001f3ac\ufb33', max_size=24))
values = st.recursive(
    st.one_of(st.none(), st.booleans(), numbers, texts),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(texts, inner, max_size=4)),
    max_leaves=12,
)


@settings(max_examples=600)
@given(document=st.dictionaries(texts, values, max_size=5))
@example(document={"\U0001f3ac": 1, "\ufb33": 2})
@example(document={"a": -0.0, "b": 1e21, "c": 1e-7, "d": 5.0, "e": [1e16, 2**53 - 1]})
def test_both_ways_write_the_same_bytes(document):
    assert canonical_json(document) == rfc8785.dumps(document)


@given(number=numbers)
def test_every_number_is_written_as_ecmascript_writes_it(number):
    assert canonical_json({"number": number}) == rfc8785.dumps({"number": number})


# The table of RFC 8785, appendix B: IEEE 754 doubles and their canonical form.
@pytest.mark.parametrize(
    ("bits", "written"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("41b3de4355555553", "333333333.3333332"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
    ],
)
def test_the_numbers_of_the_standard_are_written_as_it_says(bits, written):
    assert canonical_json({"n": _double(bits)}) == f'{{"n":{written}}}'.encode()


def _double(bits):
    return struct.unpack(">d", bytes.fromhex(bits))[0]


@pytest.mark.parametrize("number", [2**53, -(2**53), 2**64, 10**30, math.nan, math.inf, -math.inf])
def test_what_has_no_canonical_form_is_refused(number):
    with pytest.raises(ValueError, match=r"."):
        canonical_json({"a": [number]})


@pytest.mark.parametrize("text", ["\ud800", "a\udfff"])
def test_half_a_surrogate_pair_is_refused(text):
    for document in ({"a": text}, {text: 1}):
        with pytest.raises(ValueError, match=r"."):
            canonical_json(document)
