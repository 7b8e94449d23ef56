"""Flat rows of an answer for dashboards and spreadsheets: the same columns in every row, units in their names.

The columns follow from the answer's type alone, so that they stay where a member is `None` in one
row, in all of them, or in the next job. A member inside a member is joined by `_` and the unit
moves to the end: `angle_of_view_deg.horizontal` is the column `angle_of_view_horizontal_deg`.
"""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Callable, Iterator
from functools import cache
from operator import attrgetter
from typing import Any, Union, get_args, get_origin, get_type_hints

from tallwide.answers import (
    Answer,
    ChartReadingAnswer,
    CoverageAnswer,
    DialInAnswer,
    ExtractionsAnswer,
    MarginsAnswer,
    MatchAnswer,
    OpticsAnswer,
    OrientationAnswer,
    RealRect,
    Rect,
    SafeAreasAnswer,
)

Row = dict[str, Any]
UNITS = ("_px", "_mm", "_deg", "_pct")
# Pixels by their meaning, where the name of the member does not say so.
IN_PIXELS = {"pixels", "needed", "delivered_raster", "reframe_room"}
RATIOS = {"scale"}


def to_rows(answer: Answer) -> list[Row]:
    """Return an answer as flat rows.

    One row a deliverable; of an orientation one a plan, of a coverage one a capture, lens and
    deliverable, of a match one a deliverable and side, of safe areas one an area, of numbers to
    dial in one a frame, unit and origin. Lists of words are joined by a space.

    Raises
    ------
    TypeError
        If this kind of answer has no rows.

    Examples
    --------
    >>> from tallwide import Client
    >>> job = {"capture": {"raster": {"width": 4800, "height": 3200}},
    ...        "deliverables": [{"label": "tall", "raster": {"width": 1080, "height": 1920}}]}
    >>> row = to_rows(Client().margins(job))[0]
    >>> row["deliverable"], row["pixels_width_px"], row["spare_x_px"], row["verdict"]
    ('tall', 1800, 720, 'enough')
    """
    rows_of = _ROWS.get(type(answer))
    if rows_of is None:
        raise TypeError(f"{type(answer).__name__} has no rows")
    head = {
        "decision_id": answer.decision_id,
        "job_id": answer.job.id,
        "capture": answer.job.capture.label,
        "roll_deg": answer.job.capture.roll,
    }
    return [head | row for row in rows_of(answer)]


def _items(member: str) -> Callable[[Any], Iterator[Row]]:
    return lambda answer: (_flat(item) for item in getattr(answer, member))


def _plans(answer: OrientationAnswer) -> Iterator[Row]:
    for place, plan in enumerate(answer.plans):
        yield {
            "plan": place,
            "recommended": place == answer.recommended.plan,
            "rolls_deg": " ".join(str(one.roll) for one in plan.passes),
            "captures": " ".join(str(one.capture_index) for one in plan.passes),
            "passes": plan.cost.passes,
            "changeovers": plan.cost.changeovers,
            "minutes": plan.cost.minutes,
            "megabytes": plan.cost.megabytes,
            "reframe_room_share": plan.criteria.reframe_room,
            "lens_covers": plan.criteria.lens_covers,
            "dominated_by": plan.dominated_by,
            "turned_passes": plan.cost.turned_passes,
            "same_moment": plan.cost.same_moment,
            "feasible": plan.feasible,
            "smallest_oversampling": plan.smallest_oversampling,
            "smallest_reach": plan.smallest_reach,
            "reasons": " ".join(dict.fromkeys(reason.code for reason in plan.reasons)),
        }


def _dialled(answer: DialInAnswer) -> Iterator[Row]:
    for frame in answer.frames:
        for row in frame.rows:
            yield _flat(frame) | _flat(row)


_ROWS: dict[type[Answer], Callable[[Any], Iterator[Row]]] = {
    ExtractionsAnswer: _items("extractions"),
    MarginsAnswer: _items("margins"),
    OrientationAnswer: _plans,
    CoverageAnswer: _items("rows"),
    MatchAnswer: _items("rows"),
    OpticsAnswer: _items("frames"),
    SafeAreasAnswer: _items("safe_areas"),
    DialInAnswer: _dialled,
    ChartReadingAnswer: _items("frames"),
}


def _flat(item: Any) -> Row:
    columns = _columns(type(item))  # type: ignore[arg-type] # a class is hashable
    return {name: _cell(value_of(item)) for name, value_of in columns}


def _cell(value: Any) -> Any:
    return " ".join(str(each) for each in value) if isinstance(value, tuple) else value


@cache
def _columns(noun: type) -> tuple[tuple[str, Callable[[Any], Any]], ...]:
    """Return the columns of a noun: a name, and how its value is found."""
    return tuple((name, _finder(path)) for name, path in _paths(noun))


def _finder(path: tuple[str, ...]) -> Callable[[Any], Any]:
    if len(path) == 1:
        return attrgetter(path[0])

    def find(item: Any) -> Any:
        for member in path:
            if item is None:
                return None
            item = getattr(item, member)
        return item

    return find


def _paths(noun: type, stem: str = "", unit: str = "") -> Iterator[tuple[str, tuple[str, ...]]]:
    hints = get_type_hints(noun)
    for member in dataclasses.fields(noun):
        inner = _without_none(hints[member.name])
        name, own_unit = _name_and_unit(member.name)
        if dataclasses.is_dataclass(inner) and isinstance(inner, type):
            is_px = inner in (Rect, RealRect) or member.name in IN_PIXELS
            deeper = own_unit or ("_px" if is_px else unit)
            for column, path in _paths(inner, f"{stem}{name}_", deeper):
                yield column, (member.name, *path)
        elif not _holds_rows(inner):
            yield stem + name + (own_unit or ("" if member.name in RATIOS else unit)), (member.name,)


def _without_none(hint: Any) -> Any:
    if get_origin(hint) in (Union, types.UnionType):
        choices = [choice for choice in get_args(hint) if choice is not type(None)]
        return choices[0] if len(choices) == 1 else hint
    return hint


def _name_and_unit(name: str) -> tuple[str, str]:
    for unit in UNITS:
        if name.endswith(unit):
            return name.removesuffix(unit), unit
    return name, ""


def _holds_rows(hint: Any) -> bool:
    """Whether a member is a list of nouns, which has rows of its own."""
    return get_origin(hint) is tuple and dataclasses.is_dataclass(get_args(hint)[0])
