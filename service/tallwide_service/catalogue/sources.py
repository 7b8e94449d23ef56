"""Sources: the files that hold clips, and how they are cut into parts that can be read by themselves.

Parquet is cut at row groups, CSV and NDJSON at line ends that are no part of a quoted field, so no
part needs what stands before it. Where the cuts lie follows from the files and the wished-for size
alone.
"""

from __future__ import annotations

import csv
import glob
import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
import orjson
import pyarrow as pa
import pyarrow.parquet as pq

from tallwide_service.catalogue.failures import CatalogueError

KINDS = {
    ".parquet": "parquet",
    ".parq": "parquet",
    ".csv": "csv",
    ".ndjson": "ndjson",
    ".jsonl": "ndjson",
}
_ENDS_BYTES = 65_536
_CHUNK_BYTES = 1 << 24
_LINES_LOOKED_AT = 100
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class Source:
    """One file of clips: where it lies, what it is, and what tells it from another version of itself."""

    path: str
    kind: str
    size: int
    digest: str


@dataclass(frozen=True, slots=True)
class Part:
    """Clips that are done together: of one file, from `start` to `stop`, the first of them number `first_row`.

    `start` and `stop` are row groups in Parquet and bytes elsewhere; `header_bytes` is what stands
    before the first clip of a CSV file.
    """

    source: int
    start: int
    stop: int
    first_row: int
    rows: int
    header_bytes: int = 0


def sources_of(names: list[str], without: Sequence[Path] = ()) -> list[Source]:
    """Return the files that names stand for: files, folders (all that lies below) and patterns; sorted, each once.

    Parameters
    ----------
    without
        Files and folders that no folder and no pattern stands for.

    Raises
    ------
    CatalogueError
        If a name stands for nothing, or for a file of no known kind.
    """
    apart = [path.resolve() for path in without]
    paths = sorted({path for name in names for path in _files(name, apart)})
    return [_source(path) for path in paths]


def _files(name: str, apart: Sequence[Path]) -> list[str]:
    path = Path(name)
    if path.is_dir():
        below = [file for file in sorted(path.rglob("*")) if file.suffix.lower() in KINDS]
        found = [str(file) for file in below if _is_clips(file, apart)]
        if not found:
            raise CatalogueError(f"{name} holds no file of clips ({', '.join(KINDS)})")
    elif path.is_file():
        found = [name]
    else:
        found = [file for file in glob.glob(name, recursive=True) if _is_clips(Path(file), apart)]  # noqa: PTH207 - may be absolute
        if not found:
            raise CatalogueError(f"there is no file {name}")
    return [str(Path(file).absolute()) for file in found]


def _is_clips(file: Path, apart: Sequence[Path]) -> bool:
    return file.is_file() and not any(file.resolve().is_relative_to(path) for path in apart)


def _source(path: str) -> Source:
    file = Path(path)
    kind = KINDS.get(file.suffix.lower())
    if kind is None:
        raise CatalogueError(f"{path} is of no known kind ({', '.join(KINDS)})")
    size = file.stat().st_size
    with file.open("rb") as opened:
        ends = opened.read(_ENDS_BYTES)
        opened.seek(max(size - _ENDS_BYTES, 0))
        ends += opened.read()
    return Source(path, kind, size, hashlib.sha256(ends).hexdigest())


def parts_of(sources: list[Source], wished_rows: int) -> list[Part]:
    """Return the parts of all files, each of about so many clips, none of two files."""
    parts: list[Part] = []
    first_row = 0
    for index, source in enumerate(sources):
        cut = {"parquet": _parquet_parts, "csv": _line_parts, "ndjson": _line_parts}[source.kind]
        for start, stop, rows, header_bytes in cut(source, wished_rows):
            parts.append(Part(index, start, stop, first_row, rows, header_bytes))
            first_row += rows
    return parts


def parquet_footer(source: Source) -> pq.FileMetaData:
    """Return what a Parquet file says of itself.

    Raises
    ------
    CatalogueError
        If it is none, or a part of one.
    """
    try:
        return pq.read_metadata(source.path)
    except (pa.ArrowInvalid, OSError) as error:
        raise CatalogueError(f"{source.path} is no whole Parquet file: {error}") from error


def _parquet_parts(source: Source, wished_rows: int) -> Iterator[tuple[int, int, int, int]]:
    file = parquet_footer(source)
    counts = [file.row_group(group).num_rows for group in range(file.num_row_groups)]
    start, rows = 0, 0
    for group, count in enumerate(counts):
        if rows and rows + count > wished_rows:
            yield start, group, rows, 0
            start, rows = group, 0
        rows += count
    if rows:
        yield start, len(counts), rows, 0


def _line_parts(source: Source, wished_rows: int) -> Iterator[tuple[int, int, int, int]]:
    """Cut a file of lines; with CSV, a line end within quotes is none, and the first line is the header."""
    ends = _line_ends(source)
    header_bytes = 0
    if source.kind == "csv":
        header_bytes = next(ends, source.size)
    start, rows, stop = header_bytes, 0, header_bytes
    for end in ends:
        rows, stop = rows + 1, end
        if rows == wished_rows:
            yield start, stop, rows, header_bytes
            start, rows = stop, 0
    if rows:
        yield start, stop, rows, header_bytes


def _line_ends(source: Source) -> Iterator[int]:
    """Yield where each line ends, the last one too if nothing ends it."""
    at, is_quoted, last = 0, False, 0
    with Path(source.path).open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            data = np.frombuffer(chunk, dtype=np.uint8)
            places = np.flatnonzero(data == ord("\n"))
            if source.kind == "csv":
                quotes = np.flatnonzero(data == ord('"'))
                before = np.searchsorted(quotes, places) + is_quoted
                places = places[before % 2 == 0]
                is_quoted = bool((len(quotes) + is_quoted) % 2)
            for place in places.tolist():
                last = at + place + 1
                yield last
            at += len(chunk)
    if last < source.size:
        yield source.size


def columns_of(source: Source) -> list[str]:
    """Return the names of a file's columns; of NDJSON those of its first lines."""
    if source.kind == "parquet":
        return list(parquet_footer(source).schema.to_arrow_schema().names)
    with Path(source.path).open("rb") as file:
        if source.kind == "ndjson":
            return _line_names(file)
        return csv_names(file.read(next(_line_ends(source), source.size)), source.path)


def csv_names(header: bytes, path: str) -> list[str]:
    """Return the names in a CSV file's first line.

    Raises
    ------
    CatalogueError
        If it is not UTF-8, or a name stands twice.
    """
    try:
        text = header.removeprefix(_BYTE_ORDER_MARK).decode("utf-8")
    except UnicodeDecodeError as error:
        raise CatalogueError(f"{path} is not UTF-8") from error
    names = next(csv.reader([text.rstrip("\r\n")]), [])
    twice = [name for name, count in Counter(names).items() if count > 1]
    if twice:
        raise CatalogueError(f"{path} has two columns {twice[0]!r}")
    return names


def _line_names(lines: Iterable[bytes]) -> list[str]:
    names: dict[str, None] = {}
    for line in islice(lines, _LINES_LOOKED_AT):
        try:
            document = orjson.loads(line)
        except orjson.JSONDecodeError:
            continue  # it will be set aside
        if isinstance(document, dict):
            names.update(dict.fromkeys(document))
    return list(names)
