"""Reading: the clips of one part as columns of numbers, block by block, whatever the file was.

A cell that is no number, or none that the column may hold, sets its own row aside and no other. A
cell that is empty or null says nothing, and the default holds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from tallwide_service.catalogue.failures import CatalogueError
from tallwide_service.catalogue.sources import Part, Source, csv_names
from tallwide_service.core.clip_columns import CLIP_COLUMNS, SQUEEZE_AXES, ClipColumn, ClipTable, Column
from tallwide_service.core.kernel import BLOCK_ROWS

ID, MODE = "id", "mode"
# Where a clip does not say what it must: no whole number that anybody would write.
_ABSENT = -(1 << 31)


@dataclass(frozen=True, slots=True)
class Aside:
    """A row that is no clip: where it stands in the whole catalogue, and what is wrong with it."""

    row: int
    pointer: str
    detail: str


@dataclass(frozen=True, slots=True)
class Block:
    """Clips that were read together: their numbers in the catalogue, names, modes and columns, and what is no clip."""

    rows: Column
    ids: pa.StringArray
    modes: pa.StringArray
    table: ClipTable
    aside: tuple[Aside, ...]


def blocks_of(source: Source, part: Part, mapping: Mapping[str, str]) -> Iterator[Block]:
    """Yield the clips of a part.

    Parameters
    ----------
    mapping
        The file's column for each of `CLIP_COLUMNS`, `id` and `mode` that it has.
    """
    reader = {"parquet": _parquet_rows, "csv": _csv_rows, "ndjson": _line_rows}[source.kind]
    for rows, batch, aside in reader(source, part, mapping):
        yield _block(rows, batch, mapping, aside)


Rows = tuple[Column, Mapping[str, pa.Array], list[Aside]]


def _parquet_rows(source: Source, part: Part, mapping: Mapping[str, str]) -> Iterator[Rows]:
    names = list(dict.fromkeys(mapping.values()))
    row = part.first_row
    with pq.ParquetFile(source.path) as file:
        groups = list(range(part.start, part.stop))
        for batch in file.iter_batches(BLOCK_ROWS, row_groups=groups, columns=names, use_threads=False):
            yield np.arange(row, row + batch.num_rows), {name: batch[name] for name in names}, []
            row += batch.num_rows


def _part_bytes(source: Source, part: Part) -> bytes:
    with Path(source.path).open("rb") as file:
        file.seek(part.start)
        return file.read(part.stop - part.start)


def _csv_rows(source: Source, part: Part, mapping: Mapping[str, str]) -> Iterator[Rows]:
    with Path(source.path).open("rb") as file:
        names = csv_names(file.read(part.header_bytes), source.path)
    wanted = list(dict.fromkeys(mapping.values()))
    wrong: list[pa_csv.InvalidRow] = []

    def set_aside(row: pa_csv.InvalidRow) -> str:
        wrong.append(row)
        return "skip"

    try:
        table = pa_csv.read_csv(
            pa.BufferReader(_part_bytes(source, part)),
            read_options=pa_csv.ReadOptions(column_names=names, use_threads=False),
            parse_options=pa_csv.ParseOptions(
                newlines_in_values=True, ignore_empty_lines=False, invalid_row_handler=set_aside
            ),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(wanted, pa.string()),
                include_columns=wanted,
                strings_can_be_null=True,
                null_values=[""],
                quoted_strings_can_be_null=False,
            ),
        )
    except pa.ArrowInvalid as error:
        raise CatalogueError(f"{source.path} cannot be read as CSV in UTF-8: {error}") from error
    # Rows are counted from 1 by the reader, wrong ones among them.
    aside = [
        Aside(part.first_row + row.number - 1, "", f"has {row.actual_columns} fields, not {row.expected_columns}")
        for row in wrong
    ]
    rows = np.delete(
        np.arange(part.first_row, part.first_row + part.rows), [each.row - part.first_row for each in aside]
    )
    if len(rows) != table.num_rows:
        raise CatalogueError(f"{source.path} has changed, or its quotes do not match: {len(rows)} rows were expected")
    table = table.combine_chunks()
    for start in range(0, max(table.num_rows, 1), BLOCK_ROWS):
        some = table.slice(start, BLOCK_ROWS)
        columns = {name: _one_chunk(some[name]) for name in wanted}
        yield rows[start : start + BLOCK_ROWS], columns, aside if start == 0 else []


def _one_chunk(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else pa.array([], type=column.type)


def _line_rows(source: Source, part: Part, mapping: Mapping[str, str]) -> Iterator[Rows]:
    lines = _part_bytes(source, part).split(b"\n")[: part.rows]
    for start in range(0, len(lines), BLOCK_ROWS):
        rows, clips, aside = [], [], []
        for row, line in enumerate(lines[start : start + BLOCK_ROWS], start=part.first_row + start):
            try:
                clip = orjson.loads(line)
            except orjson.JSONDecodeError as error:
                aside.append(Aside(row, "", f"is not JSON: {error}"))
                continue
            if isinstance(clip, dict):
                rows.append(row)
                clips.append(clip)
            else:
                aside.append(Aside(row, "", "is not a JSON object"))
        columns = {name: _cells([clip.get(name) for clip in clips]) for name in dict.fromkeys(mapping.values())}
        yield np.array(rows, dtype=np.int64), columns, aside


def _cells(values: list[Any]) -> pa.Array:
    """Return values of a JSON member as a column: numbers where all are, else text; `true` and lists are no numbers."""
    if all(value is None or type(value) in (int, float) for value in values):
        try:
            return pa.array(values, type=pa.float64() if any(type(value) is float for value in values) else pa.int64())
        except (pa.ArrowInvalid, OverflowError):
            pass
    texts = [value if value is None or isinstance(value, str) else orjson.dumps(value).decode() for value in values]
    return pa.array(texts, type=pa.string())


def _block(rows: Column, cells: Mapping[str, pa.Array], mapping: Mapping[str, str], aside: list[Aside]) -> Block:
    columns: dict[str, Column] = {}
    wrong: dict[int, Aside] = {}
    for name, column in CLIP_COLUMNS.items():
        if name not in mapping:
            continue
        values, faults = numbers(name, column, cells[mapping[name]])
        if column.is_required:
            faults |= dict.fromkeys(np.flatnonzero(values == _ABSENT).tolist(), "is required") | faults
        columns[name] = values
        for place, detail in faults.items():
            wrong.setdefault(place, Aside(int(rows[place]), column.pointer, detail))
    ids, modes = (
        text_of(cells[mapping[name]]) if name in mapping else pa.nulls(len(rows), pa.string()) for name in (ID, MODE)
    )
    table = ClipTable.of(columns)
    if wrong:
        kept = np.delete(np.arange(len(rows)), list(wrong))
        table, rows = table.rows(kept), rows[kept]
        ids, modes = (each.take(pa.array(kept)) for each in (ids, modes))
    return Block(rows, ids, modes, table, tuple(sorted((*aside, *wrong.values()), key=lambda each: each.row)))


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
        raise CatalogueError(f"column {name} must hold numbers, not {cells.type}")
    is_single = pa.types.is_float32(cells.type) or pa.types.is_float16(cells.type)
    absent = _ABSENT if column.absent is None else column.absent
    if column.kind is np.int32 and pa.types.is_integer(cells.type):
        whole = cells.fill_null(int(absent)) if cells.null_count else cells
        return whole.to_numpy(zero_copy_only=False), faults
    if is_single:
        real = _as_written(cells.to_numpy(zero_copy_only=False))
    else:
        real = pc.cast(cells, pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    if column.kind is np.float64:
        return real, faults
    return _whole(real, int(absent), faults)


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
