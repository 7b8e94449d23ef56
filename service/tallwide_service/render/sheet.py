"""The framing sheet: the decision on paper, for everybody's folder.

One page for up to six frames, more beyond. Lengths are mm, origin the sheet's top left. Text is set
in one weight; size and grey make the order.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import BytesIO
from itertools import groupby

from PIL.Image import Image

from tallwide.answers import ChangeoverStep, Extraction, Margin, Plan, Rect
from tallwide.geometry import recorded_to_upright
from tallwide.job import Capture, Job, Sheet
from tallwide_service.core.extraction import Solution
from tallwide_service.core.margin import margins
from tallwide_service.core.orientation import OrientationAdvice
from tallwide_service.render.column import FOOT_MM, INK, LINE, RULE, SIDE_MM, SOFT, Column, Type
from tallwide_service.render.page import Page, Words, areas, oblong, shortened, width_mm, wrapped
from tallwide_service.render.palette import frame_colour, frame_dashes
from tallwide_service.render.sheet_drawings import Shown, darker, draw_pictures, is_as_decided, shown_pictures
from tallwide_service.render.sheet_words import (
    capture_facts,
    frame_words,
    pass_frames,
    plan_reasons,
    rig_words,
    signed,
    typeset,
)

PAPERS_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
TITLE = 6.2
FRAMES_ON_ONE_PAGE = 6
# The longer side of a still under the drawing.
PLATE_PX = 1600


@dataclass(frozen=True, slots=True)
class Setting:
    """How a sheet is set: the height of its drawings, and its text against full size."""

    drawing_mm: float
    text: float


# Tried in turn until all is on one page: the drawing gives way first, then the text.
SETTINGS = (
    *(Setting(height, 1.0) for height in (84, 74, 64, 56, 48, 42)),
    *(Setting(height, text) for text in (0.92, 0.85, 0.78) for height in (48, 40, 34)),
    Setting(28, 0.78),
)
SETTINGS_OF_MANY = tuple(Setting(height, 1.0) for height in (84, 64, 48))


def sheet_pages(
    job: Job,
    solution: Solution,
    advice: OrientationAdvice,
    *,
    decision_id: str,
    engine_version: str,
    plate: Image | None = None,
) -> tuple[Page, ...]:
    """Return the framing sheet of a job.

    Parameters
    ----------
    plate
        A still of the upright picture, in the scene's shape, that lies under the drawing of the job's own capture.
    """
    sheet = job.sheet or Sheet()
    plan = advice.plans[advice.recommended.plan]
    pictures = shown_pictures(job, solution, plan, None if plate is None else jpeg(plate))
    best: Column | None = None
    for setting in SETTINGS if len(job.deliverables) <= FRAMES_ON_ONE_PAGE else SETTINGS_OF_MANY:
        column = Column(*PAPERS_MM[sheet.paper], Type().at(setting.text))
        column.turn()
        _head(column, job, sheet)
        _facts(column, job.capture)
        _drawings(column, job, pictures, setting.drawing_mm)
        _table(column, job, solution)
        _together(column, job, solution)
        _advice(column, job, advice, plan)
        if sheet.notes:
            column.heading("Notes", keep_mm=2 * column.type.body * LINE)
            column.paragraph(sheet.notes, column.type.body)
        if best is None or len(column.pages) < len(best.pages):
            best = column
        if len(best.pages) == 1:
            break
    assert best is not None  # noqa: S101 - there is a setting
    _foot(best, decision_id, engine_version)
    title = sheet.title or (f"Framing of {job.id}" if job.id else "Framing")
    return tuple(
        Page(best.width, best.height, title, f"Framing sheet, decision {decision_id}", tuple(items))
        for items in best.pages
    )


def jpeg(plate: Image) -> bytes:
    """Take a still and return it as a sheet carries it: small, without metadata."""
    plate.thumbnail((PLATE_PX, PLATE_PX))
    plate.info.clear()
    out = BytesIO()
    plate.save(out, "JPEG", quality=88)
    return out.getvalue()


def _head(column: Column, job: Job, sheet: Sheet) -> None:
    body, small = column.type.body, column.type.small
    right = column.width - SIDE_MM
    beside = sheet.date or ""
    room = column.measure - width_mm(beside, body) - 6
    title = sheet.title or job.id or "Framing"
    size = TITLE if width_mm(title, TITLE) <= room else TITLE * 0.72
    column.add(Words(shortened(title, size, room), SIDE_MM, column.y + TITLE * 0.9, size, INK))
    column.add(Words(beside, right, column.y + TITLE * 0.9, body, SOFT, "end"))
    column.y += TITLE * 1.3
    under = "Framing sheet" + (f" · {job.id}" if job.id and job.id != title else "")
    column.write(shortened(under, small, column.measure), SIDE_MM, small, SOFT)
    column.y += small * LINE + 1.0
    column.rule(INK)


def _facts(column: Column, capture: Capture) -> None:
    """Write what is recorded, in four columns."""
    facts = list(capture_facts(capture))
    body, tiny = column.type.body, column.type.tiny
    column.y += 1.4
    width = column.measure / 4
    for start in range(0, len(facts), 4):
        for place, (name, value) in enumerate(facts[start : start + 4]):
            x = SIDE_MM + place * width
            column.add(Words(name, x, column.y + tiny, tiny, SOFT))
            column.add(Words(shortened(value, body, width - 3), x, column.y + tiny + body * 1.2, body, INK))
        column.y += tiny + body * 1.2 + 1.7
    column.y += 0.6


def _drawings(column: Column, job: Job, pictures: Sequence[Shown], most_mm: float) -> None:
    draw_pictures(column, pictures, most_mm=most_mm)
    notes = []
    if any(each.protection_rect != each.rect for shown in pictures for each in shown.extractions):
        notes.append("Thin dashes: protection.")
    if any(shown.job.capture.roll for shown in pictures):
        notes.append("Triangle: the body's top.")
    if job.framing.subject is not None:
        notes.append("Grey box: the subject.")
    if any(shown.job.capture.lens and shown.job.capture.lens.image_circle_mm for shown in pictures):
        notes.append("Grey curve: the image circle, where it cuts the picture.")
    if any(shown.job.capture.usable_area is not None for shown in pictures):
        notes.append("Grey lines: the usable area.")
    if any(shown.job.capture.squeeze != 1 for shown in pictures):
        notes.append("Drawn desqueezed.")
    if notes:
        column.write(" ".join(notes), SIDE_MM, column.type.tiny, SOFT)
        column.y += column.type.tiny * LINE
    column.y += 0.6


@dataclass(frozen=True, slots=True)
class Cell:
    """A column of the table: its name, and where its text ends, as a share of the table's width."""

    name: str
    end: float


CELLS = (
    Cell("x, y px", 0.30),
    Cell("size px", 0.425),
    Cell("aspect", 0.50),
    Cell("error", 0.58),
    Cell("share", 0.645),
    Cell("oversampling", 0.745),
    Cell("sensor mm", 0.865),
    Cell("view h × v", 1.0),
)
# From the left edge to a frame's line, and to its name.
SAMPLE_MM, NAME_MM = 4.5, 13.0


def _table(column: Column, job: Job, solution: Solution) -> None:
    """Write one entry a frame; the head again on every page."""
    body, tiny = column.type.body, column.type.tiny
    _table_head(column)
    for index, (extraction, margin) in enumerate(zip(solution.extractions, margins(job, solution), strict=True)):
        under = wrapped(frame_words(extraction, margin), tiny, column.measure - NAME_MM)
        if column.room < body * 1.45 + len(under) * tiny * LINE + 1.2:
            column.turn()
            _table_head(column)
        _entry(column, job, index, extraction, margin)
        for line in under:
            column.write(line, SIDE_MM + NAME_MM, tiny, SOFT)
            column.y += tiny * LINE
        column.y += 0.5
        column.rule()
        column.y += 0.6


def _table_head(column: Column) -> None:
    tiny = column.type.tiny
    column.write("Frame", SIDE_MM, tiny, SOFT)
    for cell in CELLS:
        column.write_right(cell.name, SIDE_MM + cell.end * column.measure, tiny, SOFT)
    column.y += tiny * LINE + 0.6
    column.rule(SOFT)
    column.y += 0.7


def _entry(column: Column, job: Job, index: int, extraction: Extraction, margin: Margin) -> None:
    body, small = column.type.body, column.type.small
    rect, sensor, view = extraction.rect, extraction.sensor_mm, extraction.angle_of_view_deg
    values = (
        f"{rect.x:,}, {rect.y:,}",
        f"{rect.width:,} × {rect.height:,}",
        f"{extraction.aspect.achieved:.4f}",
        f"{signed(100 * extraction.aspect.error, 3)} %",
        f"{100 * extraction.share_of_raster:.1f} %",
        "–" if margin.oversampling is None else f"{margin.oversampling.smaller:.3f}",
        "–" if sensor is None else f"{sensor.width:.2f} × {sensor.height:.2f}",
        "–" if view is None else f"{view.horizontal:.1f}° × {view.vertical:.1f}°",
    )
    thick = 0.55
    for start, length in swatch(frame_dashes(index), 7.0, thick):
        bar = oblong(SIDE_MM + SAMPLE_MM + start, column.y + body * 0.55, length, thick)
        column.add(*areas((bar,), darker(frame_colour(index, job.overlay)), "swatch"))
    column.write(str(index + 1), SIDE_MM, body, SOFT)
    room = CELLS[0].end * column.measure - width_mm(values[0], small) - NAME_MM - 2
    column.write(shortened(extraction.deliverable, body, room), SIDE_MM + NAME_MM, body)
    for cell, value in zip(CELLS, values, strict=True):
        column.add(Words(value, SIDE_MM + cell.end * column.measure, column.y + body, small, INK, "end"))
    column.y += body * 1.4


def swatch(dashes: tuple[int, ...], width: float, thick: float) -> Iterator[tuple[float, float]]:
    """Yield start and length of the marks of a line's sample."""
    if not dashes:
        yield 0.0, width
        return
    unit, place, step = thick / 2.6, 0.0, 0
    while place < width:
        length = min(dashes[step % len(dashes)] * unit, width - place)
        if step % 2 == 0:
            yield place, length
        place, step = place + length, step + 1


def _together(column: Column, job: Job, solution: Solution) -> None:
    common, combined = solution.common_area, solution.combined_area
    shared = "none; the frames do not all meet" if common is None else _place(common, job.capture)
    text = f"Common area: {shared}. Combined area: {_place(combined, job.capture)}."
    column.paragraph(text, column.type.small)


def _place(rect: Rect, capture: Capture) -> str:
    upright = recorded_to_upright(rect, capture)
    words = f"{rect.width:,} × {rect.height:,} px at {rect.x:,}, {rect.y:,}"
    return words if capture.roll == 0 else f"{words} (upright {upright.width:,} × {upright.height:,})"


def _advice(column: Column, job: Job, advice: OrientationAdvice, plan: Plan) -> None:
    """Write the recommendation, its reasons, what the rig makes of it, the plan's change-over, and the cautions."""
    column.heading("Recommendation", keep_mm=2 * column.type.body * LINE)
    column.paragraph(typeset(advice.recommended.text), column.type.body)
    if not is_as_decided(job, plan):
        numbers = {deliverable.label: number for number, deliverable in enumerate(job.deliverables, start=1)}
        frames = [
            (numbers[label], f"{label}, pass {place}: {words}")
            for place, one in enumerate(plan.passes, start=1)
            for label, words in zip(one.deliverables, pass_frames(one), strict=True)
        ]
        marks, texts = zip(*frames, strict=True)
        column.list_in_two("The plan's frames, on what each pass records", texts, marks)
    rolls = {job.capture.roll, *(one.roll for one in plan.passes)}
    rig = [text for check in advice.rig if job.rig and check.roll in rolls for text in rig_words(job.rig, check)]
    reasons = plan_reasons(plan, rig)
    if reasons:
        column.list_in_two("Reasons", [typeset(text) for text in reasons])
    if rig:
        column.list_in_two("Rig: lengths as they are stated; no load is calculated", rig)
    write_changeover(column, plan.changeover, passes=len(plan.passes))
    if advice.cautions:
        column.list_in_two("Cautions", advice.cautions)


def write_changeover(column: Column, changeover: Sequence[ChangeoverStep], *, passes: int) -> None:
    """Write the steps into each pass; those of a later one of the same kinds only as far as they differ."""
    written, said = 0, dict[str, list[str]]()
    for into, group in groupby(changeover, key=lambda step: step.pass_index):
        steps = list(group)
        texts = _texts_by_kind(steps)
        title = f"Change-over into pass {into + 1} of {passes}"
        if texts.keys() == said.keys():
            # A list that lacks a kind of step, or has one more, stands whole: who reads it must not do the missing one.
            steps = [step for step in steps if texts[step.code] != said[step.code]]
            title += f": as into pass {written + 1}"
            title += ", with these steps in place of those of the same kind" if steps else ""
        else:
            written, said = into, texts
        column.list_in_two(title, [step.text for step in steps], range(1, len(steps) + 1))


def _texts_by_kind(steps: Sequence[ChangeoverStep]) -> dict[str, list[str]]:
    texts: dict[str, list[str]] = {}
    for step in steps:
        texts.setdefault(step.code, []).append(step.text)
    return texts


def _foot(column: Column, decision_id: str, engine_version: str) -> None:
    """Write the identifiers and the page's number below each page."""
    size = Type().tiny
    for number, items in enumerate(column.pages, start=1):
        y = column.height - FOOT_MM + 5.5
        items.extend(areas((oblong(SIDE_MM, y - 3.2, column.measure, 0.18),), RULE, "rule"))
        items.append(Words(f"decision {decision_id}", SIDE_MM, y, size, SOFT))
        right = f"tallwide {engine_version}   {number} of {len(column.pages)}"
        items.append(Words(right, column.width - SIDE_MM, y, size, SOFT, "end"))
