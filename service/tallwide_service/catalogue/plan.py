"""The plan of a run: files, parts, columns, deliverables. Whoever has it and the files gives the same bytes."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import orjson

from tallwide.job import Deliverable, Framing, Job
from tallwide.version import VERSION
from tallwide.wire import from_wire
from tallwide_service.catalogue.failures import CatalogueError
from tallwide_service.catalogue.reading import ID, MODE
from tallwide_service.catalogue.sources import Part, Source, columns_of, parts_of, sources_of
from tallwide_service.core.clip_columns import CLIP_COLUMNS

PLAN_FILE = "plan.json"


@dataclass(frozen=True)
class Plan:
    """What a run does. `mapping` gives the files' column for each of ours; `document` the deliverables and framing."""

    sources: tuple[Source, ...]
    parts: tuple[Part, ...]
    mapping: Mapping[str, str]
    document: Mapping[str, Any]
    form: str

    @cached_property
    def deliverables(self) -> tuple[Deliverable, ...]:
        """What has to be delivered."""
        return self._job.deliverables

    @cached_property
    def framing(self) -> Framing:
        """How the frames lie together."""
        return self._job.framing

    @cached_property
    def _job(self) -> Job:
        # Any capture would do: a clip's own takes its place.
        return from_wire(Job, {"capture": {"raster": {"width": 1, "height": 1}}, **self.document})

    @property
    def clips(self) -> int:
        """How many rows all files have."""
        return sum(part.rows for part in self.parts)

    @cached_property
    def identity(self) -> str:
        """SHA-256 over all that the output's bytes depend on; where files lie is no part of it."""
        told = {
            "engine_version": VERSION,
            "sources": [[Path(each.path).name, each.kind, each.size, each.digest] for each in self.sources],
            "parts": [asdict(part) for part in self.parts],
            "mapping": dict(self.mapping),
            "document": dict(self.document),
            "form": self.form,
        }
        return hashlib.sha256(orjson.dumps(told, option=orjson.OPT_SORT_KEYS)).hexdigest()

    def to_json(self) -> bytes:
        """Return the plan as a document."""
        members = {
            "plan": self.identity,
            "engine_version": VERSION,
            "form": self.form,
            "clips": self.clips,
            "mapping": dict(self.mapping),
            **self.document,
            "sources": [asdict(source) for source in self.sources],
            "parts": [asdict(part) for part in self.parts],
        }
        return orjson.dumps(members, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)

    @classmethod
    def read(cls, folder: Path) -> Plan:
        """Return the plan that lies in an output folder.

        Raises
        ------
        CatalogueError
            If there is none, it was changed by hand, or it was made by another version.
        """
        try:
            document = orjson.loads((folder / PLAN_FILE).read_bytes())
            plan = cls(
                tuple(Source(**each) for each in document["sources"]),
                tuple(Part(**each) for each in document["parts"]),
                document["mapping"],
                {name: document[name] for name in ("deliverables", "framing")},
                document["form"],
            )
            is_own = document["plan"] == plan.identity
        except FileNotFoundError as error:
            raise CatalogueError(f"{folder} holds no plan: run `tallwide catalogue plan` first") from error
        except (orjson.JSONDecodeError, KeyError, TypeError) as error:
            raise CatalogueError(f"{folder / PLAN_FILE} is no plan: {error}") from error
        if not is_own:
            raise CatalogueError(f"{folder / PLAN_FILE} was changed, or made by another version than {VERSION}")
        return plan


def make_plan(
    names: list[str],
    document: Mapping[str, Any],
    given: Mapping[str, str],
    *,
    form: str,
    part_clips: int,
    without: Sequence[Path] = (),
) -> Plan:
    """Return the plan for files of clips.

    Parameters
    ----------
    document
        `deliverables` and `framing`, already checked.
    given
        The files' column for some of ours; the others are found by their own names.
    without
        Files and folders among the clips' that hold none.

    Raises
    ------
    CatalogueError
        If files cannot be used together or a column is missing.
    """
    sources = sources_of(names, without)
    mapping: dict[str, str] | None = None
    for source in sources:
        found = _mapping(source, given)
        if mapping is not None and found != mapping:
            missing = sorted(found.keys() ^ mapping.keys())
            raise CatalogueError(f"{source.path} and {sources[0].path} differ: only one has {', '.join(missing)}")
        mapping = found
    parts = parts_of(sources, part_clips)
    if not parts or mapping is None:
        raise CatalogueError("there are no clips in these files")
    return Plan(tuple(sources), tuple(parts), mapping, document, form)


def _mapping(source: Source, given: Mapping[str, str]) -> dict[str, str]:
    there = columns_of(source)
    mapping = {}
    for name in (ID, MODE, *CLIP_COLUMNS):
        column = given.get(name, name)
        if column in there:
            mapping[name] = column
        elif name in given or (name in CLIP_COLUMNS and CLIP_COLUMNS[name].is_required):
            listed = ", ".join(there[:20]) + (", ..." if len(there) > 20 else "")
            raise CatalogueError(f"{source.path} has no column {column!r} for {name}; it has {listed or 'none'}")
    unknown = sorted(given.keys() - {ID, MODE, *CLIP_COLUMNS})
    if unknown:
        raise CatalogueError(f"clips have no column {unknown[0]!r}; there are id, mode, {', '.join(CLIP_COLUMNS)}")
    return mapping


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there as a whole or not at all: aside first, then under its name."""
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = aside_of(path)
    try:
        with aside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def aside_of(path: Path) -> Path:
    """Return where a file is written before it gets its name; no two writers share it."""
    return path.with_name(f".{path.name}.{os.getpid()}-{os.urandom(4).hex()}.tmp")
