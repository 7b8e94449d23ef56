"""CSV (RFC 4180): one flat row a deliverable, for spreadsheets and dashboards.

Units stand in the column names; places and sizes are recorded pixels unless the name says
otherwise. A text cell that a spreadsheet might take for a formula is preceded by an apostrophe;
reading takes it away again.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any

from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.geometry import shown_ratio
from tallwide.handoff.document import Document, file_stem, lost_beyond
from tallwide.handoff.reading import (
    LONGEST_LABEL,
    MOST_FRAMES,
    FormReading,
    FoundFrame,
    ReadingNotes,
    ReadOptions,
    refuse_twins,
    usable_label,
)
from tallwide.job import Aspect, Handoff, Number, Raster, exact

CARRIED = frozenset(
    {"several_frames", "protection", "delivery_raster", "pixel_aspect", "delivery_turn", "minimum_oversampling",
     "roll", "squeeze", "photosites", "photosite_pitch", "grid"}
)  # fmt: skip
CLAUSE = "columns of this table"
_RISKY = re.compile(r"[\s']*[=+\-@\uFF1D\uFF0B\uFF0D\uFF20]|[\t\r\n']")
_WHOLE = re.compile(r"-?[0-9]{1,9}", re.ASCII)
_DECIMAL = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,20})?(?:e-?[0-9]{1,2})?", re.ASCII)

Cell = str | Number | None
Column = Callable[[Decision, Frame], Cell]


def _upright(side: str) -> Column:
    return lambda decision, frame: getattr(frame.upright_rect(decision.capture), side)


def _delivery(side: str) -> Column:
    return lambda _, frame: None if frame.deliverable.raster is None else getattr(frame.deliverable.raster, side)


COLUMNS: Mapping[str, Column] = {
    "decision_id": lambda d, _: d.decision_id,
    "engine_version": lambda d, _: d.engine_version,
    "job_id": lambda d, _: d.job.id,
    "capture": lambda d, _: d.capture.label,
    "deliverable": lambda _, f: f.label,
    "raster_width_px": lambda d, _: d.capture.raster.width,
    "raster_height_px": lambda d, _: d.capture.raster.height,
    "photosites_width": lambda d, _: d.capture.imager.width,
    "photosites_height": lambda d, _: d.capture.imager.height,
    "photosite_pitch_um": lambda d, _: d.capture.photosite_pitch_um,
    "squeeze": lambda d, _: d.capture.squeeze,
    "squeeze_axis": lambda d, _: d.capture.squeeze_axis,
    "roll_deg": lambda d, _: d.capture.roll,
    "grid_x_px": lambda d, _: d.capture.grid.x,
    "grid_y_px": lambda d, _: d.capture.grid.y,
    "grid_width_px": lambda d, _: d.capture.grid.width,
    "grid_height_px": lambda d, _: d.capture.grid.height,
    "x_px": lambda _, f: f.rect.x,
    "y_px": lambda _, f: f.rect.y,
    "width_px": lambda _, f: f.rect.width,
    "height_px": lambda _, f: f.rect.height,
    "upright_x_px": _upright("x"),
    "upright_y_px": _upright("y"),
    "upright_width_px": _upright("width"),
    "upright_height_px": _upright("height"),
    "protection_x_px": lambda _, f: f.protection_rect.x,
    "protection_y_px": lambda _, f: f.protection_rect.y,
    "protection_width_px": lambda _, f: f.protection_rect.width,
    "protection_height_px": lambda _, f: f.protection_rect.height,
    "protection_left_share": lambda _, f: _short(f.deliverable.protection.shares()[0]),
    "protection_top_share": lambda _, f: _short(f.deliverable.protection.shares()[1]),
    "protection_right_share": lambda _, f: _short(f.deliverable.protection.shares()[2]),
    "protection_bottom_share": lambda _, f: _short(f.deliverable.protection.shares()[3]),
    "protection_inward_share": lambda _, f: f.deliverable.protection.inward,
    "aspect_requested": lambda _, f: None if f.deliverable.aspect is None else str(f.deliverable.aspect.written),
    "aspect_requested_ratio": lambda _, f: float(f.deliverable.ratio),
    "aspect_achieved_ratio": lambda d, f: float(shown_ratio(f.rect.width, f.rect.height, d.capture)),
    "delivery_width_px": _delivery("width"),
    "delivery_height_px": _delivery("height"),
    "delivery_pixel_aspect_ratio": lambda _, f: f.deliverable.pixel_aspect,
    "delivery_turn_deg": lambda _, f: f.deliverable.delivery_turn,
    "minimum_oversampling_ratio": lambda _, f: f.deliverable.minimum_oversampling,
}
# What a row must hold to be read; everything else may be absent.
NEEDED = ("deliverable", "raster_width_px", "raster_height_px", "x_px", "y_px", "width_px", "height_px")


def _short(share: Fraction) -> Number:
    return int(share) if share.denominator == 1 else float(share)


def safe_cell(value: Cell) -> str:
    """Return a cell as text that no spreadsheet takes for a formula.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell("tall"), safe_cell(-1)
    ("'=1+1", 'tall', '-1')
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return "'" + value if _RISKY.match(value) else value
    return repr(value)


def plain_cell(text: str) -> str:
    """Return the text behind a cell that `safe_cell` wrote."""
    return text[1:] if text.startswith("'") else text


def rows(decision: Decision) -> list[dict[str, Cell]]:
    """Return one flat row a deliverable, cells not yet made safe."""
    return [{name: column(decision, frame) for name, column in COLUMNS.items()} for frame in decision.frames]


def write(decision: Decision, _: Handoff) -> Document:
    """Return the table as CSV with a header line."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    writer.writerows([safe_cell(cell) for cell in row.values()] for row in rows(decision))
    return Document(
        form="csv",
        standard="RFC 4180",
        media_type="text/csv; charset=utf-8; header=present",
        file_name=f"{file_stem(decision)}.csv",
        content=text.getvalue(),
        raw=text.getvalue().encode(),
        lost=lost_beyond(decision, CARRIED),
    )


def read(document: Any, options: ReadOptions) -> FormReading:
    """Return what a table carries.

    Raises
    ------
    UnreadableForm
        If it is no such table.
    """
    notes = ReadingNotes(options.lenient)
    table = _table(document, notes)
    notes.refuse_if_faulty("csv")
    frames, deliverables = [], []
    captures = []
    for index, row in enumerate(table):
        entry = _read_row(row, f"/document/{index + 1}", notes)
        if entry is not None:
            capture, deliverable, frame = entry
            captures.append(capture)
            deliverables.append(deliverable)
            frames.append(frame)
    if any(capture != captures[0] for capture in captures):
        notes.fault("/document", "rows tell of different captures; a job has one", "the job document")
    refuse_twins((frame.deliverable for frame in frames), notes, "/document")
    notes.refuse_if_faulty("csv")
    job: dict[str, Any] = {"version": 1, "capture": captures[0], "deliverables": deliverables}
    name = plain_cell(table[0].get("job_id") or "")
    if name:
        job["id"] = name
    notes.missing("/framing", "a table tells where frames lie, not how they belong together")
    notes.missing("/deliverables", "align, weight, safe areas and display are not in the table")
    return FormReading(
        form="csv",
        edition="RFC 4180",
        job=job,
        is_whole_job=all("aspect" in entry or "raster" in entry for entry in deliverables),
        frames=tuple(frames),
        decision_id=plain_cell(table[0].get("decision_id") or "") or None,
        missing=tuple(notes.missed),
        liberties=tuple(notes.liberties),
    )


def _table(document: Any, notes: ReadingNotes) -> list[dict[str, str]]:
    if not isinstance(document, str):
        notes.fault("/document", "is CSV text", "RFC 4180")
        return []
    if notes.is_too_long(document):
        return []
    try:
        written = csv.reader(io.StringIO(document.removeprefix("\ufeff"), newline=""), strict=True)
        lines = [line for line in written if line]
    except csv.Error as error:
        notes.fault("/document", f"is no CSV: {error}", "RFC 4180, 2")
        return []
    if len(lines) < 2:
        notes.fault("/document", "holds no row below its header", CLAUSE)
        return []
    header, *body = lines
    if len(body) > MOST_FRAMES:
        return notes.too_many(len(body))
    if len(set(header)) < len(header):
        notes.fault("/document/0", "names a column twice", CLAUSE)
    for name in NEEDED:
        if name not in header:
            notes.fault("/document/0", f"has no column {name}", CLAUSE)
    for name in header:
        if name not in COLUMNS:
            notes.fault("/document/0", f"has an unknown column {name[:64]!r}", CLAUSE, liberty="ignored")
    for index, line in enumerate(body):
        if len(line) != len(header):
            notes.fault(f"/document/{index + 1}", f"has {len(line)} cells, not {len(header)}", "RFC 4180, 2.4")
    return [dict(zip(header, line, strict=False)) for line in body]


class _Row:
    """One row's cells, read as what their column holds."""

    def __init__(self, cells: Mapping[str, str], pointer: str, notes: ReadingNotes) -> None:
        self._cells, self._pointer, self._notes = cells, pointer, notes

    def whole(self, name: str, least: int, most: int) -> int | None:
        """Return a whole number within bounds; `None` where the cell is empty or wrong."""
        text = self._cells.get(name, "").strip()
        if not text:
            if name in NEEDED:
                self._fault(name, "is empty")
            return None
        if not _WHOLE.fullmatch(text) or not least <= int(text) <= most:
            self._fault(name, f"is a whole number from {least} to {most}")
            return None
        return int(text)

    def number(self, name: str, least: float, most: float) -> Number | None:
        """Return a number within bounds; `None` where the cell is empty or wrong."""
        text = self._cells.get(name, "").strip()
        if not text:
            return None
        if not _DECIMAL.fullmatch(text) or not least <= float(text) <= most:
            self._fault(name, f"is a number from {least} to {most}")
            return None
        return int(text) if _WHOLE.fullmatch(text) else float(text)

    def one_of(self, name: str, known: tuple[str, ...]) -> str | None:
        """Return a word out of a list."""
        text = self._cells.get(name, "").strip()
        if text and text not in known:
            self._fault(name, f"is one of {', '.join(known)}")
            return None
        return text or None

    def size(self, stem: str, ending: str = "_px") -> dict[str, int] | None:
        """Return a raster from a width and a height column."""
        width = self.whole(f"{stem}_width{ending}", 1, 65_535)
        height = self.whole(f"{stem}_height{ending}", 1, 65_535)
        return None if width is None or height is None else {"width": width, "height": height}

    def rect(self, stem: str = "", least: int = 0) -> Rect | None:
        """Return a rectangle from four columns."""
        x, y = self.whole(f"{stem}x_px", least, 65_535), self.whole(f"{stem}y_px", least, 65_535)
        width, height = self.whole(f"{stem}width_px", 1, 131_070), self.whole(f"{stem}height_px", 1, 131_070)
        return None if None in (x, y, width, height) else Rect(x, y, width, height)  # type: ignore[arg-type]

    def _fault(self, name: str, detail: str) -> None:
        self._notes.fault(f"{self._pointer}/{name}", detail, CLAUSE)


def _read_row(
    cells: Mapping[str, str], pointer: str, notes: ReadingNotes
) -> tuple[dict[str, Any], dict[str, Any], FoundFrame] | None:
    row = _Row(cells, pointer, notes)
    raster, rect = row.size("raster"), row.rect()
    label = usable_label(plain_cell(cells["deliverable"]), f"{pointer}/deliverable", notes, CLAUSE)
    capture, deliverable = _capture(row, cells, raster), _deliverable(row, cells, label, pointer, notes)
    protection = row.rect("protection_")
    if raster is None or rect is None or label is None:
        return None
    clipped = notes.clipped(rect, Raster(raster["width"], raster["height"]), pointer, CLAUSE)
    return None if clipped is None else (capture, deliverable, FoundFrame(label, clipped, protection))


def _capture(row: _Row, cells: Mapping[str, str], raster: dict[str, int] | None) -> dict[str, Any]:
    label = plain_cell(cells.get("capture", ""))
    imager = row.size("photosites", "")
    roll = row.one_of("roll_deg", ("0", "90", "180", "270"))
    steps = {name: row.whole(f"grid_{name}_px", 1, 65_535) for name in ("x", "y", "width", "height")}
    grid = {name: step for name, step in steps.items() if step is not None}
    stated = {
        "raster": raster,
        "label": label[:LONGEST_LABEL] or None,
        "photosites": None if imager == raster else imager,
        "photosite_pitch_um": row.number("photosite_pitch_um", 0.001, 1000),
        "squeeze": row.number("squeeze", 0.25, 4),
        "squeeze_axis": row.one_of("squeeze_axis", ("sensor_width", "sensor_height")),
        "roll": None if roll is None else int(roll),
        "grid": grid or None,
    }
    return {name: value for name, value in stated.items() if value is not None}


def _deliverable(
    row: _Row, cells: Mapping[str, str], label: str | None, pointer: str, notes: ReadingNotes
) -> dict[str, Any]:
    stated: dict[str, Any] = {
        "label": label,
        "raster": row.size("delivery"),
        "pixel_aspect": row.number("delivery_pixel_aspect_ratio", 0.001, 1000),
        "delivery_turn": int(row.one_of("delivery_turn_deg", ("0", "90", "180", "270")) or 0),
        "minimum_oversampling": row.number("minimum_oversampling_ratio", 0, 1000),
        "protection": _protection(row),
    }
    written = cells.get("aspect_requested", "").strip()
    if written:
        try:
            stated["aspect"] = Aspect(written if ":" in written else float(exact(float(written)))).written
        except ValueError as error:
            notes.fault(f"{pointer}/aspect_requested", str(error)[:200], CLAUSE)
    elif stated["raster"] is None:
        notes.missing(f"{pointer}/aspect_requested", "neither aspect nor raster is stated")
    return {name: value for name, value in stated.items() if value is not None}


def _protection(row: _Row) -> dict[str, Number] | None:
    """Return a protection in the form that says most: inward, on each side alike, or by side."""
    inward = row.number("protection_inward_share", 0, 0.999999)
    if inward is not None:
        return {"inward": inward}
    sides = {side: row.number(f"protection_{side}_share", 0, 1) for side in ("left", "top", "right", "bottom")}
    stated = {side: share for side, share in sides.items() if share is not None}
    if len(stated) == len(sides) and len(set(stated.values())) == 1:
        return {"each_side": stated["left"]}
    return stated or None
