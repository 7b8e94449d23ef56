"""One part: read its clips, solve them, write frames and refusals, and say that it is done.

Three files, each written aside and renamed: the frames, the rows set aside, and last the record,
which holds the sizes and SHA-256 of the two. A part without a record of its own plan is not done.
"""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import orjson

from tallwide_service.catalogue.plan import Plan, aside_of, write_whole
from tallwide_service.catalogue.reading import Block, blocks_of
from tallwide_service.catalogue.writing import FrameWriter, frame_batch
from tallwide_service.core.clip_columns import VERDICTS, Column
from tallwide_service.core.clips import ClipFrames, ClipSolver
from tallwide_service.core.grouping import equal_rows

FRAMES, REFUSED, DONE = "frames", "refused", "done"
MOST_MODES = 1_000
_CROWDED = 16
# Percent of spare pixels; the last bar holds all that is beyond.
HISTOGRAM_PCT = tuple(range(-100, 310, 10))
COUNTED = ("refused", *VERDICTS)


def file_of(folder: Path, kind: str, number: int, form: str) -> Path:
    """Return where one file of a part lies."""
    ending = {FRAMES: form, REFUSED: "ndjson", DONE: "json"}[kind]
    return folder / kind / f"part-{number:05d}.{ending}"


@dataclass
class Tally:
    """What is counted of a part: clips and verdicts by mode and deliverable, margins by deliverable.

    A part with more than `MOST_MODES` modes counts the less frequent ones together.
    """

    deliverables: int
    unread: int = 0
    clips: Counter[str] = field(default_factory=Counter)
    verdicts: dict[str, Column] = field(default_factory=dict)
    other_clips: int = 0
    other_verdicts: Column = field(init=False)
    histogram: Column = field(init=False)

    def __post_init__(self) -> None:
        self.other_verdicts = np.zeros((self.deliverables, len(COUNTED)), dtype=np.int64)
        self.histogram = np.zeros((self.deliverables, len(HISTOGRAM_PCT)), dtype=np.int64)

    def add(self, block: Block, found: ClipFrames) -> None:
        """Count one block."""
        self.unread += len(block.aside)
        names, codes = modes_of(block)
        outcome = np.where(found.answered, found.columns["verdict"].astype(np.int64) + 1, 0)
        kinds = len(COUNTED)
        by_mode = np.stack(
            [
                np.bincount(codes * kinds + outcome[:, index], minlength=len(names) * kinds).reshape(-1, kinds)
                for index in range(self.deliverables)
            ],
            axis=1,
        )
        for place, (name, count) in enumerate(
            zip(names, np.bincount(codes, minlength=len(names)).tolist(), strict=True)
        ):
            self.clips[name] += count
            self.verdicts[name] = (
                self.verdicts[name] + by_mode[place] if name in self.verdicts else by_mode[place].copy()
            )
        edges = np.array([*HISTOGRAM_PCT, np.inf])
        for index in range(self.deliverables):
            has_margin = found.answered[:, index] & (found.columns["verdict"][:, index] > 0)
            self.histogram[index] += np.histogram(found.columns["spare_pct"][has_margin, index], edges)[0]
        if len(self.clips) > _CROWDED * MOST_MODES:
            self._count_together()

    def _count_together(self) -> None:
        """Count all but the most frequent modes together."""
        for name in sorted(self.clips, key=lambda name: (-self.clips[name], name))[MOST_MODES:]:
            self.other_clips += self.clips.pop(name)
            self.other_verdicts += self.verdicts.pop(name)

    def document(self) -> dict[str, Any]:
        """Return the counts."""
        self._count_together()
        modes = [[name, self.clips[name], self.verdicts[name].tolist()] for name in sorted(self.clips)]
        other = [self.other_clips, self.other_verdicts.tolist()]
        return {"unread": self.unread, "modes": modes, "other_modes": other, "histogram": self.histogram.tolist()}


def modes_of(block: Block) -> tuple[list[str], Column]:
    """Return the names of the modes in a block, and which each clip has; a mode without a name is its raster."""
    if not len(block.rows):
        return [], np.empty(0, dtype=np.int64)
    named = block.modes.dictionary_encode()
    names: list[str] = named.dictionary.to_pylist()
    codes = named.indices.fill_null(-1).to_numpy().astype(np.int64)
    nameless = np.flatnonzero(codes < 0)
    if nameless.size:
        sides = [block.table.columns[f"raster_{side}_px"][nameless] for side in ("width", "height")]
        firsts, kinds = equal_rows(sides)
        codes[nameless] = len(names) + kinds
        names.extend(
            f"{width} x {height}" for width, height in zip(*(side[firsts].tolist() for side in sides), strict=True)
        )
    return names, codes


def _refusals(block: Block, found: ClipFrames, labels: list[str]) -> list[dict[str, Any]]:
    """Return the rows of one block that are set aside, in their order."""
    lines = [
        (each.row, -1, _line(each.row, None, None, "invalid-clip", each.detail, [(each.pointer, each.detail)]))
        for each in block.aside
    ]
    for each in found.refused:
        row, name = int(block.rows[each.clip]), block.ids[each.clip].as_py()
        index = -1 if each.deliverable is None else each.deliverable
        label = None if each.deliverable is None else labels[each.deliverable]
        faults = [(fault.pointer, fault.detail) for fault in each.faults]
        lines.append((row, index, _line(row, name, label, each.slug, each.detail, faults)))
    return [line for _, _, line in sorted(lines, key=lambda line: line[:2])]


def _line(
    row: int, name: str | None, label: str | None, slug: str, detail: str, faults: list[tuple[str, str]]
) -> dict[str, Any]:
    errors = [{"pointer": pointer, "detail": detail} for pointer, detail in faults]
    problem = {"type": f"/problems/{slug}", "status": 422, "detail": detail, "errors": errors}
    return {"clip_row": row, "id": name, "deliverable": label, "problem": problem}


def is_done(plan: Plan, folder: Path, number: int) -> bool:
    """Whether a part's record is there, speaks of this plan, and its files have the size that it says."""
    try:
        record = orjson.loads(file_of(folder, DONE, number, plan.form).read_bytes())
        return record["plan"] == plan.identity and all(
            file_of(folder, kind, number, plan.form).stat().st_size == record[kind]["bytes"]
            for kind in (FRAMES, REFUSED)
        )
    except (OSError, orjson.JSONDecodeError, KeyError, TypeError):
        return False


def do_part(plan: Plan, folder: Path, number: int, solver: ClipSolver) -> int:
    """Do one part; return how many clips it has."""
    part = plan.parts[number]
    source = plan.sources[part.source]
    labels = [deliverable.label for deliverable in plan.deliverables]
    tally, refused, clips = Tally(len(labels)), [], 0
    frames_file, refused_file = (file_of(folder, kind, number, plan.form) for kind in (FRAMES, REFUSED))
    frames_file.parent.mkdir(parents=True, exist_ok=True)
    aside = aside_of(frames_file)
    try:
        with FrameWriter(aside, plan.form) as writer:
            for block in blocks_of(source, part, plan.mapping):
                found = solver.solve(block.table)
                writer.write(frame_batch(block.rows, block.ids, found, labels))
                tally.add(block, found)
                refused.extend(_refusals(block, found, labels))
                clips += len(block.rows) + len(block.aside)
        written = _facts(aside)
        aside.replace(frames_file)
    finally:
        aside.unlink(missing_ok=True)
    lines = b"".join(orjson.dumps(line, option=orjson.OPT_APPEND_NEWLINE) for line in refused)
    write_whole(refused_file, lines)
    record = {
        "plan": plan.identity,
        "part": number,
        "clips": clips,
        "rows": writer.rows,
        FRAMES: written,
        REFUSED: {"bytes": len(lines), "sha256": hashlib.sha256(lines).hexdigest(), "rows": len(refused)},
        **tally.document(),
    }
    write_whole(file_of(folder, DONE, number, plan.form), orjson.dumps(record, option=orjson.OPT_APPEND_NEWLINE))
    return clips


def _facts(path: Path) -> dict[str, Any]:
    """Return the size and the SHA-256 of a file, which is on the disk afterwards."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        os.fsync(file.fileno())
    return {"bytes": path.stat().st_size, "sha256": digest}
