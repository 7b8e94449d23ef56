"""One part: read its clips, solve them, write frames and refusals, and say that it is done.

Three files, each written aside and renamed: the frames, the rows set aside, and last the record,
which holds the sizes and SHA-256 of the two. A part without a record of its own plan is not done.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import numpy as np
import orjson

from tallwide.job import LARGEST_SIDE_PX
from tallwide_service.arrow.frames import frame_batch, refusal_document
from tallwide_service.catalogue.plan import Plan, aside_of, write_whole
from tallwide_service.catalogue.reading import Block, blocks_of
from tallwide_service.catalogue.writing import FrameWriter
from tallwide_service.core.clip_columns import VERDICTS, Column
from tallwide_service.core.clips import ClipFrames, ClipSolver
from tallwide_service.errors import Fault, InvalidJob, JobError

FRAMES, REFUSED, DONE = "frames", "refused", "done"
MOST_MODES = 1_000
_CROWDED = 64
# Rasters are numbered behind all names: this, and width times sides plus height.
_RASTERS, _SIDES = 1 << 40, LARGEST_SIDE_PX + 1
# Percent of spare pixels; the last bar holds all that is beyond.
HISTOGRAM_PCT = tuple(range(-100, 310, 10))
COUNTED = ("refused", *VERDICTS)


def file_of(folder: Path, kind: str, number: int, form: str) -> Path:
    """Return where one file of a part lies."""
    ending = {FRAMES: form, REFUSED: "ndjson", DONE: "json"}[kind]
    return folder / kind / f"part-{number:05d}.{ending}"


class Tally:
    """What is counted of a part: clips and verdicts by mode and deliverable, margins by deliverable.

    Modes are counted by number, in arrays, since an archive may have one a clip: a name's number is
    its place among all names met, a mode without a name has its raster's. A part with very many
    counts the less frequent ones together.
    """

    def __init__(self, deliverables: int) -> None:
        self.unread = 0
        self._names: dict[str, int] = {}
        self._modes = np.empty(0, dtype=np.int64)
        # By mode: clips, then the verdicts of each deliverable.
        self._counts = np.empty((0, 1 + deliverables * len(COUNTED)), dtype=np.int64)
        self._other = np.zeros(self._counts.shape[1], dtype=np.int64)
        self._histogram = np.zeros((deliverables, len(HISTOGRAM_PCT)), dtype=np.int64)

    def add(self, block: Block, found: ClipFrames) -> None:
        """Count one block."""
        self.unread += len(block.aside)
        if not len(block.rows):
            return
        modes, places = np.unique(self._modes_of(block), return_inverse=True)
        outcome = np.where(found.answered, found.columns["verdict"].astype(np.int64) + 1, 0)
        kinds = len(COUNTED)
        counts = [np.bincount(places, minlength=len(modes)).reshape(-1, 1)]
        edges = np.array(HISTOGRAM_PCT, dtype=np.float64)
        for index, bars in enumerate(self._histogram):
            each = places * kinds + outcome[:, index]
            counts.append(np.bincount(each, minlength=len(modes) * kinds).reshape(-1, kinds))
            has_margin = outcome[:, index] > 1
            spare = found.columns["spare_pct"][has_margin, index]
            np.add(bars, np.bincount(np.searchsorted(edges, spare, side="right") - 1, minlength=len(edges)), out=bars)
        self._modes = np.concatenate([self._modes, modes])
        self._counts = np.concatenate([self._counts, np.concatenate(counts, axis=1)])
        if len(self._modes) > _CROWDED * MOST_MODES:
            self._count_together()

    def _modes_of(self, block: Block) -> Column:
        """Return the number of every clip's mode."""
        sides = (block.table.columns[f"raster_{side}_px"].astype(np.int64) for side in ("width", "height"))
        wide, high = (np.clip(side, 0, LARGEST_SIDE_PX) for side in sides)
        rasters: Column = _RASTERS + wide * _SIDES + high
        if block.modes.null_count == len(block.modes):
            return rasters
        coded = block.modes.dictionary_encode()
        numbers = [self._names.setdefault(name, len(self._names)) for name in coded.dictionary.to_pylist()]
        codes = coded.indices.fill_null(-1).to_numpy()
        return np.where(codes < 0, rasters, np.array(numbers, dtype=np.int64)[codes])

    def _count_together(self) -> None:
        """Add up what was counted of one mode, and all but the most frequent modes."""
        self._modes, places = np.unique(self._modes, return_inverse=True)
        counts = np.zeros((len(self._modes), self._counts.shape[1]), dtype=np.int64)
        np.add.at(counts, places, self._counts)
        self._counts = counts
        if len(self._modes) > MOST_MODES:
            # Equally frequent modes in the order of their numbers, which are the same whenever this part is done.
            kept = np.sort(np.lexsort((self._modes, -counts[:, 0]))[:MOST_MODES])
            self._other += counts.sum(axis=0) - counts[kept].sum(axis=0)
            self._modes, self._counts = self._modes[kept], counts[kept]

    def _named(self, places: Column) -> list[str]:
        """Return the names of modes; a raster is named by its size."""
        names = list(self._names)
        return [
            names[mode] if mode < _RASTERS else "{} x {}".format(*divmod(mode - _RASTERS, _SIDES))
            for mode in self._modes[places].tolist()
        ]

    def document(self) -> dict[str, Any]:
        """Return the counts."""
        self._count_together()
        together: dict[str, Column] = {}
        for name, counts in zip(self._named(np.arange(len(self._modes))), self._counts, strict=True):
            # A mode may be called as a raster is.
            together[name] = together[name] + counts if name in together else counts
        return {
            "unread": self.unread,
            "modes": [[name, *self._parted(together[name])] for name in sorted(together)],
            "other_modes": self._parted(self._other),
            "histogram": self._histogram.tolist(),
        }

    @staticmethod
    def _parted(counts: Column) -> list[Any]:
        return [int(counts[0]), counts[1:].reshape(-1, len(COUNTED)).tolist()]


def _refusals(block: Block, found: ClipFrames, labels: list[str]) -> list[dict[str, Any]]:
    """Return the rows of one block that are set aside, in their order."""
    lines = [
        (each.row, -1, _line(each.row, None, None, InvalidJob, each.detail, (Fault(each.pointer, each.detail),)))
        for each in block.aside
    ]
    for each in found.refused:
        row, name = int(block.rows[each.clip]), block.ids[each.clip].as_py()
        index = -1 if each.deliverable is None else each.deliverable
        label = None if each.deliverable is None else labels[each.deliverable]
        lines.append((row, index, _line(row, name, label, each.kind, each.detail, each.faults)))
    return [line for _, _, line in sorted(lines, key=lambda line: line[:2])]


def _line(
    row: int, name: str | None, label: str | None, kind: type[JobError], detail: str, faults: tuple[Fault, ...]
) -> dict[str, Any]:
    return {"clip_row": row, "id": name, "deliverable": label, "problem": refusal_document(kind, detail, faults)}


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
    tally, clips, refused_rows = Tally(len(labels)), 0, 0
    files = {kind: file_of(folder, kind, number, plan.form) for kind in (FRAMES, REFUSED)}
    asides = {kind: aside_of(file) for kind, file in files.items()}
    for file in files.values():
        file.parent.mkdir(parents=True, exist_ok=True)
    try:
        # Rows that are set aside are written as they come: a part of nothing else would fill the memory.
        with FrameWriter(asides[FRAMES], plan.form) as writer, asides[REFUSED].open("wb") as refused_file:
            for block in blocks_of(source, part, plan.mapping):
                found = solver.solve(block.table)
                writer.write(frame_batch(block.rows, block.ids, found, labels))
                tally.add(block, found)
                refused = _refusals(block, found, labels)
                refused_file.writelines(orjson.dumps(line, option=orjson.OPT_APPEND_NEWLINE) for line in refused)
                refused_rows += len(refused)
                clips += len(block.rows) + len(block.aside)
        written = {kind: _facts(aside) for kind, aside in asides.items()}
        for kind, aside in asides.items():
            aside.replace(files[kind])
    finally:
        for aside in asides.values():
            aside.unlink(missing_ok=True)
    record = {
        "plan": plan.identity,
        "part": number,
        "clips": clips,
        "rows": writer.rows,
        FRAMES: written[FRAMES],
        REFUSED: {**written[REFUSED], "rows": refused_rows},
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
