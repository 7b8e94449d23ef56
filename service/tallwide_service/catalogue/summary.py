"""The whole of a run: every part verified, counts by camera mode, the histogram of margins, the list of files."""

from __future__ import annotations

import csv
import hashlib
import io
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import orjson

from tallwide.handoff.csv_table import safe_cell
from tallwide.version import VERSION
from tallwide_service.catalogue.failures import CatalogueError
from tallwide_service.catalogue.histogram import histogram_svg
from tallwide_service.catalogue.part import COUNTED, DONE, FRAMES, HISTOGRAM_PCT, REFUSED, file_of, is_done
from tallwide_service.catalogue.plan import PLAN_FILE, Plan, write_whole
from tallwide_service.core.clip_columns import Column

SUMMARY, BY_MODE, MARGINS, FILES = "summary.json", "by-mode.csv", "margins.svg", "files.json"
MODES_LISTED = 500
COUNTS = ("can_deliver", "enough", "at_limit", "short", "without_raster", "refused")


@dataclass
class Total:
    """What all parts counted together."""

    clips: int
    rows: int
    refused: int
    unread: int
    modes: Counter[str]
    verdicts: dict[str, Column]
    other_clips: int
    other_verdicts: Column
    histogram: Column

    @classmethod
    def nothing(cls, deliverables: int) -> Total:
        """Return a count of nothing."""
        verdicts = np.zeros((deliverables, len(COUNTED)), dtype=np.int64)
        histogram = np.zeros((deliverables, len(HISTOGRAM_PCT)), dtype=np.int64)
        return cls(0, 0, 0, 0, Counter(), {}, 0, verdicts, histogram)

    def add(self, record: Mapping[str, Any]) -> None:
        """Add one part's record."""
        self.clips += record["clips"]
        self.rows += record["rows"]
        self.refused += record[REFUSED]["rows"]
        self.unread += record["unread"]
        for name, clips, verdicts in record["modes"]:
            self.modes[name] += clips
            counts = np.array(verdicts, dtype=np.int64)
            self.verdicts[name] = self.verdicts[name] + counts if name in self.verdicts else counts
        clips, verdicts = record["other_modes"]
        self.other_clips += clips
        self.other_verdicts += np.array(verdicts, dtype=np.int64)
        self.histogram += np.array(record["histogram"], dtype=np.int64)

    def by_mode(self) -> Iterator[tuple[str | None, int, Column]]:
        """Yield the most frequent modes, then the others together as `None`."""
        order = sorted(self.modes, key=lambda name: (-self.modes[name], name))
        for name in order[:MODES_LISTED]:
            yield name, self.modes[name], self.verdicts[name]
        rest = order[MODES_LISTED:]
        others = self.other_clips + sum(self.modes[name] for name in rest)
        if others:
            yield None, others, sum((self.verdicts[name] for name in rest), self.other_verdicts)

    def all_verdicts(self) -> Column:
        """Return the verdicts of all modes together."""
        return sum(self.verdicts.values(), self.other_verdicts)


def answers_in(folder: Path) -> tuple[Path, ...]:
    """Return what a run leaves in its folder that might be taken for clips, where it lies among them."""
    return folder / FRAMES, folder / REFUSED, folder / BY_MODE


def merge(plan: Plan, folder: Path) -> dict[str, Any]:
    """Verify every part of a run and write what speaks of the whole; return the summary.

    Raises
    ------
    CatalogueError
        If parts are missing, or a file is not what its record says.
    """
    missing = [number for number in range(len(plan.parts)) if not is_done(plan, folder, number)]
    if missing:
        listed = ", ".join(str(number) for number in missing[:10]) + (", ..." if len(missing) > 10 else "")
        raise CatalogueError(f"{len(missing)} of {len(plan.parts)} parts are not done: {listed}")
    labels = [deliverable.label for deliverable in plan.deliverables]
    total = Total.nothing(len(labels))
    files: list[dict[str, Any]] = []
    for number, part in enumerate(plan.parts):
        record = orjson.loads(file_of(folder, DONE, number, plan.form).read_bytes())
        if record["clips"] != part.rows:
            raise CatalogueError(f"part {number} has {record['clips']} clips; the plan counts {part.rows}")
        for kind in (FRAMES, REFUSED):
            path = file_of(folder, kind, number, plan.form)
            with path.open("rb") as file:
                if hashlib.file_digest(file, "sha256").hexdigest() != record[kind]["sha256"]:
                    raise CatalogueError(f"{path} is not what was written: delete it and run again")
            rows = record["rows"] if kind == FRAMES else record[kind]["rows"]
            name = path.relative_to(folder).as_posix()
            files.append({"file": name, "rows": rows, "bytes": record[kind]["bytes"], "sha256": record[kind]["sha256"]})
        total.add(record)
    for left in folder.rglob(".*.tmp"):  # of runs that were killed; all that is wanted is there
        left.unlink(missing_ok=True)
    summary = summary_of(plan, total, labels)
    write_whole(folder / SUMMARY, _json(summary))
    write_whole(folder / BY_MODE, _by_mode_csv(total, labels))
    write_whole(folder / MARGINS, histogram_svg(summary).encode())
    write_whole(folder / FILES, _json({"plan": plan.identity, "engine_version": VERSION, "files": files}))
    return summary


def _json(document: Any) -> bytes:
    return orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


def summary_of(plan: Plan, total: Total, labels: list[str]) -> dict[str, Any]:
    """Return what a run comes to: clips, and of each deliverable how many clips can deliver it."""
    return {
        "plan": plan.identity,
        "engine_version": VERSION,
        "clips": total.clips,
        "rows": total.rows,
        "unread_clips": total.unread,
        "refused_rows": total.refused,
        "columns": dict(plan.mapping),
        "deliverables": [
            {"deliverable": label, **counts}
            for label, counts in zip(labels, _counts(total.all_verdicts()), strict=True)
        ],
        "modes": [
            {
                "mode": name,
                "clips": clips,
                "deliverables": [
                    {"deliverable": label, **counts} for label, counts in zip(labels, _counts(verdicts), strict=True)
                ],
            }
            for name, clips, verdicts in total.by_mode()
        ],
        "margins_pct": {
            "from": list(HISTOGRAM_PCT),
            "clips": dict(zip(labels, total.histogram.tolist(), strict=True)),
        },
        "files_in": FILES,
        "plan_in": PLAN_FILE,
    }


def _counts(verdicts: Column) -> list[dict[str, int]]:
    """Return counts by verdict; `can_deliver` is enough and at the limit together."""
    counted = [dict(zip(COUNTED, row, strict=True)) for row in verdicts.tolist()]
    return [
        {
            "can_deliver": each["enough"] + each["at_limit"],
            "enough": each["enough"],
            "at_limit": each["at_limit"],
            "short": each["short"],
            "without_raster": each["none"],
            "refused": each["refused"],
        }
        for each in counted
    ]


def _by_mode_csv(total: Total, labels: list[str]) -> bytes:
    file = io.StringIO()
    rows = csv.writer(file)
    rows.writerow(["mode", "clips", "deliverable", *COUNTS])
    for name, clips, verdicts in total.by_mode():
        mode = safe_cell("(other modes)" if name is None else name)
        for label, counts in zip(labels, _counts(verdicts), strict=True):
            rows.writerow([mode, clips, safe_cell(label), *(counts[each] for each in COUNTS)])
    return file.getvalue().encode()
