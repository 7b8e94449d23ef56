"""Columns of clips hold just what a capture's members may hold."""

from __future__ import annotations

import numpy as np
import pytest
from marshmallow import ValidationError

from tallwide_service.api.schemas import AlignSchema, CaptureSchema, ProtectionSchema
from tallwide_service.core.clip_columns import CLIP_COLUMNS, SQUEEZE_AXES

PITCH = {"photosite_pitch_um": 5}
RASTER = {"width": 4800, "height": 3200}


def accepted(name, value) -> bool:
    """Whether the schema of the service takes a value at the column's pointer."""
    _, noun, *path = CLIP_COLUMNS[name].pointer.split("/")
    if noun == "deliverables":
        _, member, name_of_value = path
        schema = {"align": AlignSchema, "protection": ProtectionSchema}[member]()
        document = {name_of_value: value}
    else:
        schema = CaptureSchema()
        document = {"raster": dict(RASTER), **({} if name == "photosite_pitch_um" else PITCH)}
        inner = document
        for member in path[:-1]:
            inner = inner.setdefault(member, {"width": 8, "height": 8} if member in ("raster", "photosites") else {})
        inner[path[-1]] = SQUEEZE_AXES[value] if name == "squeeze_axis" and 0 <= value < 2 else value
    try:
        schema.load(document)
    except ValidationError:
        return False
    return True


@pytest.mark.parametrize("name", CLIP_COLUMNS)
def test_a_column_takes_what_the_schema_takes(name):
    column = CLIP_COLUMNS[name]
    step = 1 if column.kind is np.int32 else 1e-6
    values = [column.lowest, column.lowest + step, column.lowest - step, column.highest, column.highest - step]
    values += [column.highest + step, *column.choices, *(() if column.kind is np.int32 else (1e-10, 2e-9, -1.0, 0.0))]
    for value in (column.kind(each).item() for each in values):
        bad = column.faulty(np.array([value], dtype=column.kind))
        if bad is not None or value != column.absent:  # what stands for "not given" is no value
            assert (bad is None) == accepted(name, value), value
