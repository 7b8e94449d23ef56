"""Faults with few calls; `python tests/faults` has many. Hanging and stopping stand in tests/test_container.py."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from faults import kinds
from faults.site import Site, site


@pytest.fixture(scope="module")
def made() -> Iterator[Site]:
    with site() as one:
        yield one


@pytest.mark.parametrize(
    "fault", [kinds.killed, kinds.killed_in_a_batch, kinds.slow_readers, kinds.dripping_headers, kinds.cut_bodies]
)
def test_every_answer_comes_and_is_right(made, fault):
    assert [each for each in fault(made, 300) if not each.is_met] == []
