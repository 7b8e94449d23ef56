"""A short run of the fuzzer on every operation; `python -m fuzz.contract` is the long one."""

from __future__ import annotations

from fuzz.contract import fuzz, operations_of, strict_contract
from tallwide_service import create_app
from tallwide_service.settings import Settings

OPERATIONS = len(list(operations_of(strict_contract())))


def test_every_operation_answers_right_and_wrong_data_as_the_contract_says():
    report = fuzz(40, app=create_app(Settings(log=False)))
    assert len(report.cases) == OPERATIONS
    assert all(report.cases.values())
    assert report.is_clean, str(report)
