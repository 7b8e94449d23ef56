"""Every field of a job, found in the schemas themselves, with values that it takes and values that it does not."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from marshmallow import fields
from marshmallow.validate import Length, OneOf, Range, Regexp

from tallwide_service.api import schemas
from tallwide_service.api.schemas import (
    JOB_SCHEMA,
    AspectField,
    CoordinateField,
    Number,
    PictureField,
    Switch,
    Text,
    Whole,
)

JOB: dict[str, Any] = {
    "capture": {"raster": {"width": 4800, "height": 3200}, "photosite_pitch_um": 5.8},
    "deliverables": [
        {"label": "wide", "aspect": "16:9", "raster": {"width": 3840, "height": 2160}},
        {"label": "tall", "raster": {"width": 1080, "height": 1920}},
    ],
}
# What objects need that none of their members needs by itself.
ONE_OF_SEVERAL: dict[type, dict[str, Any]] = {
    schemas.DeliverableSchema: {"aspect": "16:9"},
    schemas.ProtectionSchema: {"each_side": 0.05},
    schemas.ComparandSchema: {"job": JOB},
    schemas.PictureSchema: {"deliverable": "wide"},
    schemas.DisplaySchema: {"height_mm": 1000},
}
WRONG_SHAPES: tuple[Any, ...] = (None, True, [], {}, 5, "x")


@dataclass(frozen=True)
class Place:
    """One field, and where it stands in a job."""

    pointer: str
    field: fields.Field

    def __str__(self) -> str:
        return self.pointer


def places() -> list[Place]:
    """Return every field of a job, inside objects and lists too."""
    return list(_inside(JOB_SCHEMA, ""))


def _inside(schema: Any, pointer: str) -> Iterator[Place]:
    for name, field in schema.fields.items():
        here = f"{pointer}/{field.data_key or name}"
        if here != "/compare/job":  # the same fields once more
            yield from _with_items(field, here)


def _with_items(field: fields.Field, here: str) -> Iterator[Place]:
    yield Place(here, field)
    if isinstance(field, fields.List):
        yield from _with_items(field.inner, f"{here}/0")
    elif isinstance(field, fields.Nested):
        yield from _inside(field.schema, here)


def job_with(pointer: str, value: Any) -> dict[str, Any]:
    """Return the job with one value set; objects and lists on the way are made."""
    job = copy.deepcopy(JOB)
    place: Any = job
    steps = pointer.strip("/").split("/")
    for step, after in zip(steps, [*steps[1:], None], strict=True):
        made = value if after is None else [] if after.isdecimal() else {}
        if isinstance(place, list):
            if after is None or not place:
                place[:1] = [made]
            place = place[0]
        else:
            if after is None or step not in place:
                place[step] = made
            place = place[step]
    return job


def validators(field: fields.Field, kind: type) -> Iterator[Any]:
    """Yield a field's validators of one kind."""
    return (validator for validator in field.validators if isinstance(validator, kind))


def wrong_values(field: fields.Field) -> Iterator[Any]:
    """Yield values that a field refuses by itself, whatever stands beside it."""
    yield from _wrong_shapes(field)
    for span in validators(field, Range):
        yield from _outside(span, whole=isinstance(field, Whole))
    for options in validators(field, OneOf):
        number = isinstance(options.choices[0], int)
        yield max(options.choices) + 1 if number else "no such word"
    for _ in validators(field, Regexp):
        yield "\u0663 \n"
    for length in validators(field, Length):
        filler: Any = "x" if isinstance(field, Text) else [_right_item(field)]
        yield filler * ((length.max or 0) + 1)
        if length.min:
            yield filler * (length.min - 1)


def _wrong_shapes(field: fields.Field) -> Iterator[Any]:
    takes = {
        Number: (int,),
        Text: (str,),
        Switch: (bool,),
        AspectField: (int, str),
        CoordinateField: (int, str),
        PictureField: (dict,),
        fields.Nested: (dict,),
        fields.List: (list,),
    }
    right = next((kinds for kind, kinds in takes.items() if isinstance(field, kind)), (object,))
    for value in WRONG_SHAPES:
        if value is None and field.allow_none:
            continue
        if type(value) not in right and object not in right:
            yield value
    if isinstance(field, Whole):
        yield from ("1", 1.5)
    elif isinstance(field, Number):
        yield from ("1", "1e3")


def _outside(span: Range, *, whole: bool) -> Iterator[float]:
    beyond = 1 if whole else 0.0001
    if span.min is not None:
        yield span.min if not span.min_inclusive else span.min - beyond
    if span.max is not None:
        yield span.max + beyond


def _right_item(field: fields.Field) -> Any:
    inner = field.inner  # type: ignore[attr-defined]
    return next(iter(right_values(inner)), None)


def right_values(field: fields.Field) -> Iterator[Any]:
    """Yield values that a field takes by itself, those at its bounds among them."""
    choices = [choice for options in validators(field, OneOf) for choice in options.choices]
    if choices:
        yield from choices
    elif isinstance(field, Number):
        for span in validators(field, Range):
            least = span.min if span.min_inclusive else 1 if isinstance(field, Whole) else 1e-9
            yield from (least, span.max, (least + span.max) / 2 if not isinstance(field, Whole) else float(span.max))
    elif isinstance(field, Switch):
        yield from (True, False)
    elif isinstance(field, AspectField):
        yield from ("16:9", "2.39:1", 1.85, 0.05, 20, "1:20", 4.0)
    elif isinstance(field, CoordinateField):
        yield from (0, -3.5, "1/3", "-7/2")
    elif isinstance(field, Text) and not any(validators(field, Regexp)):
        yield "x"
        yield from ("\u00e9" * length.max for length in validators(field, Length))
    elif isinstance(field, fields.List):
        item = _right_item(field)
        for length in validators(field, Length):
            yield from [] if item is None else [[item] * (length.min or 1)]
    elif isinstance(field, fields.Nested):
        yield _needed_members(field.schema)


def _needed_members(schema: Any) -> dict[str, Any]:
    needed = {
        inner.data_key or name: next(right_values(inner)) for name, inner in schema.fields.items() if inner.required
    }
    return {**needed, **ONE_OF_SEVERAL.get(type(schema), {})}


def pointers_of(response: Any) -> set[str]:
    """Return where a refusal finds faults; nowhere where there is none."""
    return {error["pointer"] for error in (response.json or {}).get("errors", [])} if response.is_json else set()


def covers(pointer: str, found: set[str]) -> bool:
    """Whether a fault stands at a place, or inside it."""
    return any(each == pointer or each.startswith(pointer + "/") for each in found)
