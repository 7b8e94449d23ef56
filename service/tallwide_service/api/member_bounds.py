"""Bounds of every member of a job, drawn from the schemas, which hold them; `*` stands for any place of a list."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

from marshmallow import Schema, fields

from tallwide.job import ASPECT_RANGE
from tallwide_service.api.schemas import JOB_SCHEMA, AspectField, Between, CoordinateField, Counted
from tallwide_service.limits import LIMITS

Bounds = dict[str, float]


@cache
def member_bounds() -> dict[str, Bounds]:
    """Return bounds by pointer, in the words of JSON Schema."""
    return dict(_of_schema(JOB_SCHEMA, ""))


def _of_schema(schema: Schema, pointer: str) -> Iterator[tuple[str, Bounds]]:
    for name, field in schema.fields.items():
        yield from _of_field(field, f"{pointer}/{field.data_key or name}")


def _of_field(field: Any, pointer: str) -> Iterator[tuple[str, Bounds]]:
    found = _bounds(field)
    if found:
        yield pointer, found
    if isinstance(field, fields.List):
        yield from _of_field(field.inner, f"{pointer}/*")
    elif isinstance(field, fields.Nested) and pointer != "/compare/job":  # which is a job once more
        yield from _of_schema(field.schema, pointer)


def _bounds(field: Any) -> Bounds:
    if isinstance(field, AspectField):
        lowest, highest = map(float, ASPECT_RANGE)
        return {"minimum": lowest, "maximum": highest, "maxLength": LIMITS.aspect_characters}
    if isinstance(field, CoordinateField):
        return {"maxLength": LIMITS.coordinate_characters}
    found: Bounds = {}
    for validator in field.validators:
        if isinstance(validator, Between):
            found["minimum" if validator.min_inclusive else "exclusiveMinimum"] = validator.min
            found["maximum"] = validator.max
        elif isinstance(validator, Counted):
            unit = "Items" if isinstance(field, fields.List) else "Length"
            found[f"min{unit}"], found[f"max{unit}"] = validator.min or 0, validator.max or 0
    return found
