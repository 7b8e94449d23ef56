"""Faults with few calls; `python tests/faults` has many. Hanging and stopping stand in tests/test_container.py."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from faults import kinds
from faults.site import Site, odd_site, site, small_site


@pytest.fixture(scope="module")
def made() -> Iterator[Site]:
    with site() as one:
        yield one


@pytest.mark.parametrize(
    "fault", [kinds.killed, kinds.killed_in_a_batch, kinds.slow_readers, kinds.dripping_headers, kinds.cut_bodies]
)
def test_every_answer_comes_and_is_right(made, fault):
    assert [each for each in fault(made, 300) if not each.is_met] == []


def test_with_a_full_disk_every_answer_comes_or_the_proxy_says_why_not():
    with small_site() as made:
        assert [each for each in kinds.full_disk(made, 60) if not each.is_met] == []


def test_clocks_that_jump_change_no_answer_and_no_deadline():
    with odd_site() as made:
        assert [each for each in kinds.jumping_clock(made, 1_200) if not each.is_met] == []
