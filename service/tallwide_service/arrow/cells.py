"""Cells: columns of Arrow, of whatever kind, as the columns of numbers that the core takes.

A cell that is no number, or none that the column may hold, is its own row's fault and no other's. A cell that is empty
or null says nothing, and the default holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from tallwide_service.core.clip_columns import CLIP_COLUMNS, SQUEEZE_AXES, ClipColumn, ClipTable, Column
from tallwide_service.errors import Fault

# Where a clip does not say what it must: no whole number that anybody would write.
_ABSENT = -(1 << 31)
# Above every bound, and whole numbers of 64 bits hold it.
_FAR = 1 << 40


class WrongCells(Exception):
    """A column is of a kind whose cells are never what it must hold."""


@dataclass(frozen=True, slots=True)
class Clips:
    """The rows that are clips, as columns; where each stands among all rows; and what is wrong with the others."""

    table: ClipTable
    places: Column
    wrong: Mapping[int, Fault]


def clips_in(cells: Mapping[str, pa.Array], count: int) -> Clips:
    """Return the clips in so many rows of cells, given by the names of `CLIP_COLUMNS`; other names are passed over.

    Raises
    ------
    WrongCells
        If a column holds neither numbers nor what may be read as one.
    """
    columns: dict[str, Column] = {}
    wrong: dict[int, Fault] = {}
    for name, column in CLIP_COLUMNS.items():
        if name not in cells:
            continue
        values, faults = numbers(name, column, cells[name])
        if column.is_required:
            faults |= dict.fromkeys(np.flatnonzero(values == _ABSENT).tolist(), "is required") | faults
        columns[name] = values
        for place, detail in faults.items():
            wrong.setdefault(place, Fault(column.pointer, detail))
    table, places = ClipTable.of(columns), np.arange(count)
    if wrong:
        places = np.delete(places, list(wrong))
        table = table.rows(places)
    return Clips(table, places, wrong)


def text_of(column: pa.Array) -> pa.StringArray:
    """Return a column as text; the shortest that reads back as the same where it holds numbers."""
    try:
        return pc.cast(column, pa.string())
    except (pa.ArrowNotImplementedError, pa.ArrowInvalid):
        return pa.array([None if cell is None else str(cell) for cell in column.to_pylist()], type=pa.string())


def numbers(name: str, column: ClipColumn, cells: pa.Array) -> tuple[Column, dict[int, str]]:
    """Return a column of cells as numbers, and what is wrong by place; what is wrong counts as not given."""
    if pa.types.is_dictionary(cells.type):
        cells = cells.dictionary_decode()
    if name == "squeeze_axis" and _is_text(cells.type):
        return _axes(cells)
    faults: dict[int, str] = {}
    if _is_text(cells.type):
        cells, faults = _read_numbers(cells)
    elif pa.types.is_decimal(cells.type):
        cells = pc.cast(cells, pa.float64())
    elif not (pa.types.is_integer(cells.type) or pa.types.is_floating(cells.type) or pa.types.is_null(cells.type)):
        raise WrongCells(f"column {name} must hold numbers, not {cells.type}")
    is_single = pa.types.is_float32(cells.type) or pa.types.is_float16(cells.type)
    absent = _ABSENT if column.absent is None else column.absent
    if column.kind is np.int32 and pa.types.is_integer(cells.type):
        whole = _with_absent(cells, int(absent)) if cells.null_count else cells
        return whole.to_numpy(zero_copy_only=False), faults
    if is_single:
        real = _as_written(cells.to_numpy(zero_copy_only=False))
    else:
        real = pc.cast(cells, pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    if column.kind is np.float64:
        return real, faults
    return _whole(real, int(absent), faults)


def _with_absent(cells: pa.Array, absent: int) -> pa.Array:
    """Return whole numbers with one of their own in place of nulls, which their kind may be too narrow for."""
    if pa.types.is_uint64(cells.type):
        cells = pc.min_element_wise(cells, pa.scalar(_FAR, cells.type), skip_nulls=False)
    return pc.cast(cells, pa.int64()).fill_null(absent)


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def _axes(cells: pa.Array) -> tuple[Column, dict[int, str]]:
    places = pc.index_in(pc.utf8_trim_whitespace(cells), pa.array(SQUEEZE_AXES, type=cells.type))
    is_unknown = pc.and_(pc.is_null(places), pc.is_valid(cells)).to_numpy(zero_copy_only=False)
    words = " or ".join(SQUEEZE_AXES)
    faults = {
        place: f"must be {words}, not {_short(cells[place].as_py())}" for place in np.flatnonzero(is_unknown).tolist()
    }
    return places.fill_null(0).to_numpy(zero_copy_only=False), faults


def _read_numbers(cells: pa.Array) -> tuple[pa.Array, dict[int, str]]:
    trimmed = pc.utf8_trim_whitespace(cells)
    empty = pc.equal(trimmed, "")
    trimmed = pc.if_else(empty, pa.scalar(None, trimmed.type), trimmed) if pc.any(empty).as_py() else trimmed
    for kind in (pa.int64(), pa.float64()):
        try:
            return pc.cast(trimmed, kind), {}
        except pa.ArrowInvalid:
            continue
    values: list[float | None] = []
    faults: dict[int, str] = {}
    for place, text in enumerate(trimmed.to_pylist()):
        try:
            values.append(None if text is None else _number(text))
        except ValueError:
            faults[place] = f"must be a number, not {_short(text)}"
            values.append(None)
    return pa.array(values, type=pa.float64()), faults


def _number(text: str) -> float:
    if "_" in text or "x" in text.lower():
        raise ValueError(text)
    return float(text)


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


def _as_written(single: Column) -> Column:
    """Return numbers of 32 bits as what was meant: the shortest decimal that reads back as the same 32 bits."""
    kinds, places = np.unique(single, return_inverse=True)
    return np.array([float(str(kind)) for kind in kinds], dtype=np.float64)[places.reshape(-1)]


def _whole(real: Column, absent: int, faults: dict[int, str]) -> tuple[Column, dict[int, str]]:
    is_absent = np.isnan(real)
    with np.errstate(invalid="ignore"):
        is_broken = ~is_absent & (real != np.floor(real))
    for place in np.flatnonzero(is_broken).tolist():
        faults[place] = f"must be a whole number, not {real[place]:g}"
    kept = np.clip(np.where(is_absent | is_broken, absent, real), -(2.0**31), 2.0**31 - 1)
    return kept.astype(np.int64), faults
