"""Flat rows of an answer for dashboards and spreadsheets: one a deliverable, units in the names."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tallwide.answers import ExtractionsAnswer, MarginsAnswer, OrientationAnswer
from tallwide.wire import to_wire

Row = dict[str, Any]
_WITHOUT_UNIT = {"rect", "upright_rect", "ideal_rect", "protection_rect", "pixels", "needed", "spare_px"}


def to_rows(answer: ExtractionsAnswer | MarginsAnswer | OrientationAnswer) -> list[Row]:
    """Return an answer as flat rows: one a deliverable, or one a plan.

    Members inside members are joined by `_`; lists of words by a space; pixels end in `_px`.
    """
    if isinstance(answer, OrientationAnswer):
        return [
            {
                "decision_id": answer.decision_id,
                "plan": place,
                "recommended": place == answer.recommended.plan,
                "rolls_deg": " ".join(str(one.roll) for one in plan.passes),
                "passes": plan.cost.passes,
                "turned_passes": plan.cost.turned_passes,
                "feasible": plan.feasible,
                "smallest_oversampling": plan.smallest_oversampling,
            }
            for place, plan in enumerate(answer.plans)
        ]
    items = answer.extractions if isinstance(answer, ExtractionsAnswer) else answer.margins
    return [{"decision_id": answer.decision_id, **_flat(to_wire(item))} for item in items]


def _flat(members: Mapping[str, Any], prefix: str = "", unit: str = "") -> Row:
    row: Row = {}
    for name, value in members.items():
        inner_unit = "_px" if name in _WITHOUT_UNIT else unit
        stem = prefix + name.removesuffix("_px")
        if isinstance(value, Mapping):
            row.update(_flat(value, f"{stem}_", inner_unit))
        elif isinstance(value, list):
            row[stem] = " ".join(str(item) for item in value)
        else:
            row[stem + (unit or ("_px" if name.endswith("_px") else ""))] = value
    return row
