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
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from tallwide_service.arrow.cells import WrongCells, clips_in, text_of
from tallwide_service.catalogue.failures import CatalogueError
from tallwide_service.catalogue.sources import Part, Source, csv_names
from tallwide_service.core.clip_columns import ClipTable, Column
from tallwide_service.core.kernel import BLOCK_ROWS

ID, MODE = "id", "mode"


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
    named = {name: cells[column] for name, column in mapping.items()}
    try:
        clips = clips_in(named, len(rows))
    except WrongCells as error:
        raise CatalogueError(str(error)) from error
    ids, modes = (text_of(named[name]) if name in named else pa.nulls(len(rows), pa.string()) for name in (ID, MODE))
    wrong = [Aside(int(rows[place]), fault.pointer, fault.detail) for place, fault in clips.wrong.items()]
    if wrong:
        rows = rows[clips.places]
        ids, modes = (each.take(pa.array(clips.places)) for each in (ids, modes))
    return Block(rows, ids, modes, clips.table, tuple(sorted((*aside, *wrong), key=lambda each: each.row)))
