"""The framing chart: what camera assistants photograph, so that every later department can line up on it.

Drawn in black on white at true size. Lines lie wholly outside the frame that they belong to;
inside each corner stands a hairline bracket whose outer edges lie on the frame's edges, and that
is seen even where a frame meets the edge of the recorded picture. Furniture (star, grey scale,
code, names) takes the free place nearest to where it is wanted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import segno

from tallwide.answers import Extraction, RealRect
from tallwide.job import Chart, Job
from tallwide_service.core.chart import BORDER_MM, FOOT_MM, ChartLayout, chart_layout, frames_on_chart
from tallwide_service.render.page import Anchor, Area, Corner, Page, Words, areas, oblong, shortened, width_mm
from tallwide_service.render.palette import Colour, frame_dashes

BLACK: Colour = (0, 0, 0)
# Cycles of the sine-modulated star, ISO 12233 (from memory: 144), and steps that make one cycle.
STAR_CYCLES, STAR_STEPS = 144, 12
# Reflectance steps of the grey scale; eleven is our choice.
GREY_STEPS = 11
# Furniture is drawn at the first of these sizes for which there is room.
FURNITURE_SHARES = (1.0, 0.8, 0.64, 0.5, 0.4)
# Text below this is a grey line to the eye (3.4 pt), names below 2.3 pt; nearer marks of a scale run together on paper.
LEAST_TEXT_MM, LEAST_NAME_MM, LEAST_STEP_MM = 1.2, 0.8, 0.2
# In how many rows the tenths of a scale stand, the fewest first: marks of a row must not run together.
SCALE_ROWS = (1, 2, 5, 10)
# How long the marks of a scale are, as shares of its height: at the edge, at whole percents, at halves, at tenths.
EDGE_MARK, WHOLE_MARK, HALF_MARK, TENTH_MARK = 1.0, 0.7, 0.5, 0.3
# An edge's scale reaches this far to both sides, and stands at the first free of these shares of the edge.
SCALE_PCT = 1.0
SCALE_PLACES = (0.5, 0.4, 0.6, 0.35, 0.65, 0.3, 0.7, 0.2, 0.8, 0.14, 0.86, 0.45, 0.55)


@dataclass(slots=True)
class Drawing:
    """A chart in the making: what is drawn, what room is taken, and the size of its furniture."""

    layout: ChartLayout
    picture: RealRect
    unit: float
    items: list[Area | Words] = field(default_factory=list)
    taken: list[RealRect] = field(default_factory=list)

    def fill(self, polygons: Iterable[tuple[Corner, ...]], kind: str, label: str | None = None) -> None:
        """Draw polygons in black."""
        self.items += areas(polygons, BLACK, kind, label)

    def write(self, text: str, x: float, y: float, size: float, anchor: Anchor = "start") -> None:
        """Write one line of text; its size is in mm."""
        self.items.append(Words(text, x, y, size, BLACK, anchor))

    def take(self, box: RealRect) -> None:
        """Keep room free of furniture."""
        self.taken.append(box)

    def place(self, width: float, height: float, wanted: Corner, within: RealRect | None = None) -> RealRect | None:
        """Take the free place for a box whose centre is nearest to a point; `None` where none is free."""
        area = within or self.picture
        step = 2 * self.unit
        columns = area.x + step * np.arange(int(max(area.width - width, 0) / step) + 1)
        rows = area.y + step * np.arange(int(max(area.height - height, 0) / step) + 1)
        x, y = (axis.ravel() for axis in np.meshgrid(columns, rows))
        free = np.ones(len(x), dtype=bool)
        for box in self.taken:
            free &= ~((x < box.x + box.width) & (box.x < x + width) & (y < box.y + box.height) & (box.y < y + height))
        distance = np.hypot(x + width / 2 - wanted[0], y + height / 2 - wanted[1])
        for place in np.argsort(np.where(free, distance, np.inf), kind="stable")[: int(free.sum())]:
            found = RealRect(float(x[place]), float(y[place]), width, height)
            if holds(area, found) and holds(self.picture, found):
                self.take(found)
                return found
        return None


def chart_page(job: Job, extractions: tuple[Extraction, ...], *, decision_id: str) -> Page:
    """Return the framing chart of a job as one page at true size."""
    layout = chart_layout(job.capture, job.chart or Chart())
    picture = RealRect(*(float(length) for length in layout.picture))
    # Furniture of an A3 chart, larger on larger paper.
    drawing = Drawing(layout, picture, unit=min(max(min(picture.width, picture.height) / 250, 0.35), 40.0))
    frames = frames_on_chart(layout, extractions)
    _raster(drawing)
    for index, (extraction, frame) in enumerate(zip(extractions, frames, strict=True)):
        _frame(drawing, index, extraction.deliverable, frame)
    _centres(drawing, extractions, frames)
    _scales(drawing, extractions, frames)
    middle = (picture.x + picture.width / 2, picture.y + picture.height / 2)
    # Names give way to what must be there; both are drawn smaller where the frames leave little room.
    for draw, below in ((partial(_code, decision_id=decision_id), 60), (_grey_scale, 30), (_star, -30)):
        wanted = (middle[0], middle[1] + below * drawing.unit)
        any(draw(drawing, share * drawing.unit, wanted) for share in FURNITURE_SHARES)
    _names(drawing, extractions, frames)
    _foot(drawing, job)
    return Page(
        float(layout.page_width_mm),
        float(layout.page_height_mm),
        f"Framing chart of {job.id}" if job.id else "Framing chart",
        "; ".join(
            f"{extraction.deliverable}: {frame.width:.2f} x {frame.height:.2f} mm"
            for extraction, frame in zip(extractions, frames, strict=True)
        ),
        tuple(drawing.items),
    )


def holds(outer: RealRect, inner: RealRect) -> bool:
    """Whether a box lies inside another; a thousandth of a mm is forgiven."""
    slack = 1e-3
    return (
        inner.x >= outer.x - slack
        and inner.y >= outer.y - slack
        and inner.x + inner.width <= outer.x + outer.width + slack
        and inner.y + inner.height <= outer.y + outer.height + slack
    )


def overlap(one: RealRect, other: RealRect) -> bool:
    """Whether two boxes have room in common."""
    return (
        one.x < other.x + other.width
        and other.x < one.x + one.width
        and one.y < other.y + other.height
        and other.y < one.y + one.height
    )


def _raster(drawing: Drawing) -> None:
    """Draw the edge of the recorded picture: a line outside it, and triangles whose tips touch it."""
    box, unit = drawing.picture, drawing.unit
    drawing.fill(_sides(box, 0.3 * unit), "raster")
    tip, half = 5 * unit, 2 * unit
    left, top, right, bottom = box.x, box.y, box.x + box.width, box.y + box.height
    for share in (0.25, 0.75):
        x, y = box.x + share * box.width, box.y + share * box.height
        triangles = (
            ((x, top), (x + half, top + tip), (x - half, top + tip)),
            ((x, bottom), (x - half, bottom - tip), (x + half, bottom - tip)),
            ((left, y), (left + tip, y - half), (left + tip, y + half)),
            ((right, y), (right - tip, y + half), (right - tip, y - half)),
        )
        drawing.fill(triangles, "raster-edge")
        for triangle in triangles:
            drawing.take(_around(triangle, unit))


def _around(points: Iterable[Corner], clear: float) -> RealRect:
    xs, ys = zip(*points, strict=True)
    return RealRect(min(xs) - clear, min(ys) - clear, max(xs) - min(xs) + 2 * clear, max(ys) - min(ys) + 2 * clear)


def _sides(box: RealRect, line: float) -> tuple[tuple[Corner, ...], ...]:
    """Return four bars outside a box, corners included, inner edges on the box's edges."""
    return (
        oblong(box.x - line, box.y - line, box.width + 2 * line, line),
        oblong(box.x - line, box.y + box.height, box.width + 2 * line, line),
        oblong(box.x - line, box.y, line, box.height),
        oblong(box.x + box.width, box.y, line, box.height),
    )


def _frame(drawing: Drawing, index: int, label: str, box: RealRect) -> None:
    """Draw one frame: dashed line, bold brackets outside its corners, hairline brackets inside."""
    unit = drawing.unit
    line, bold, arm, hair = 0.35 * unit, 1.1 * unit, min(9 * unit, box.width / 4, box.height / 4), 0.18 * unit
    bars = [dash for bar in _sides(box, line) for dash in _dashed(bar, frame_dashes(index), line)]
    drawing.fill(bars, "line", label)
    drawing.fill(_brackets(box, arm, bold, outside=True), "bracket", label)
    drawing.fill(_brackets(box, arm, hair, outside=False), "corner", label)
    for bar in _sides(box, bold):
        drawing.take(_around(bar, 0.8 * unit))


def _dashed(bar: tuple[Corner, ...], dashes: tuple[int, ...], line: float) -> Iterator[tuple[Corner, ...]]:
    """Yield the marks of a bar along its longer side."""
    if not dashes:
        yield bar
        return
    (left, top), _, (right, bottom), _ = bar
    along_x = right - left >= bottom - top
    place, end = (left, right) if along_x else (top, bottom)
    step = 0
    while place < end:
        length = min(dashes[step % len(dashes)] * line, end - place)
        if step % 2 == 0:
            yield oblong(place, top, length, bottom - top) if along_x else oblong(left, place, right - left, length)
        place, step = place + length, step + 1


def _brackets(box: RealRect, arm: float, thick: float, *, outside: bool) -> Iterator[tuple[Corner, ...]]:
    """Yield two bars for each corner, all on one side of the frame's edges."""
    out = thick if outside else 0.0
    right, bottom = box.x + box.width, box.y + box.height
    for x, along in ((box.x, 1), (right, -1)):
        for y, down in ((box.y, 1), (bottom, -1)):
            # The bar beside the vertical edge and the bar beside the horizontal one.
            edge_x = x - out if along == 1 else x - thick + out
            edge_y = y - out if down == 1 else y - thick + out
            yield oblong(edge_x, y - out if down == 1 else y - arm, thick, arm + out)
            yield oblong(x - out if along == 1 else x - arm, edge_y, arm + out, thick)


def _centres(drawing: Drawing, extractions: tuple[Extraction, ...], frames: tuple[RealRect, ...]) -> None:
    """Mark the centre of the recorded picture with a ring and a cross, each other centre with a cross."""
    unit = drawing.unit
    seen: list[Corner] = []
    boxes = [(None, drawing.picture), *((e.deliverable, f) for e, f in zip(extractions, frames, strict=True))]
    for label, box in boxes:
        x, y = box.x + box.width / 2, box.y + box.height / 2
        if any(math.hypot(x - a, y - b) < unit / 2 for a, b in seen):
            continue
        seen.append((x, y))
        arm, thick = (7 * unit if label is None else 4 * unit), 0.2 * unit
        drawing.fill(
            (oblong(x - arm, y - thick / 2, 2 * arm, thick), oblong(x - thick / 2, y - arm, thick, 2 * arm)),
            "centre",
            label,
        )
        if label is None:
            drawing.fill(_ring(x, y, 4 * unit, thick), "centre")
        drawing.take(RealRect(x - arm - unit, y - arm - unit, 2 * arm + 2 * unit, 2 * arm + 2 * unit))


def _ring(x: float, y: float, radius: float, thick: float) -> Iterator[tuple[Corner, ...]]:
    """Yield the sectors of a ring."""
    count = 72
    for index in range(count):
        first, last = (2 * math.pi * step / count for step in (index, index + 1))
        yield tuple(
            (x + r * math.cos(angle), y + r * math.sin(angle))
            for r, angle in (
                (radius, first),
                (radius, last),
                (radius + thick, last),
                (radius + thick, first),
            )
        )


def _scales(drawing: Drawing, extractions: tuple[Extraction, ...], frames: tuple[RealRect, ...]) -> None:
    """Draw a scale across each edge of the picture and of each frame that has an edge of its own."""
    whole = drawing.picture
    _scale_of(drawing, None, whole, ("left", "top", "right", "bottom"))
    edges = {("left", whole.x), ("top", whole.y), ("right", whole.x + whole.width), ("bottom", whole.y + whole.height)}
    for extraction, frame in zip(extractions, frames, strict=True):
        own = {
            "left": frame.x,
            "top": frame.y,
            "right": frame.x + frame.width,
            "bottom": frame.y + frame.height,
        }
        sides = tuple(
            side
            for side, at in own.items()
            if not any(side == other and abs(at - place) < 0.01 for other, place in edges)
        )
        edges |= {(side, own[side]) for side in sides}
        _scale_of(drawing, extraction.deliverable, frame, sides)


def _scale_of(drawing: Drawing, label: str | None, box: RealRect, sides: tuple[str, ...]) -> None:
    """Draw scales in tenths of a percent of the recorded picture's width or height across some edges."""
    unit = drawing.unit
    for side in sides:
        across = side in ("left", "right")
        reach = SCALE_PCT / 100 * (drawing.picture.width if across else drawing.picture.height)
        at = {"left": box.x, "right": box.x + box.width, "top": box.y, "bottom": box.y + box.height}[side]
        start, run = (box.y, box.height) if across else (box.x, box.width)
        inward = 1 if side in ("left", "top") else -1
        for share in SCALE_PLACES:
            along = start + share * run
            room = _scale_room(at, along, reach, across, inward, unit)
            if not any(overlap(room, other) for other in _without_edge(drawing.taken, at, across, 8 * unit)):
                drawing.take(room)
                _draw_scale(drawing, label, (at, along), across, inward * reach)
                break


def _scale_room(at: float, along: float, reach: float, across: bool, inward: int, unit: float) -> RealRect:
    """Return the room of a scale and of the label at its inner end."""
    if across:
        outer, inner = reach + unit, reach + 6 * unit
        first = at - outer if inward == 1 else at - inner
        return RealRect(first, along - 4 * unit, outer + inner, 8 * unit)
    half = max(reach, unit) + 1.5 * unit
    return RealRect(along - 4 * unit, at - half, 12 * unit, 2 * half)


def _without_edge(taken: list[RealRect], at: float, across: bool, long: float) -> Iterator[RealRect]:
    """Yield the boxes that a scale must keep off: all but the long lines that it stands across."""
    for box in taken:
        start, size, length = (box.x, box.width, box.height) if across else (box.y, box.height, box.width)
        if not (start <= at <= start + size and length > long):
            yield box


def _draw_scale(drawing: Drawing, label: str | None, where: Corner, across: bool, reach: float) -> None:
    """Draw marks from 1 % outside to 1 % inside an edge: tenths, longer at halves, longest at the edge.

    On a small chart tenths stand in rows, each mark in the next one, so that they stand apart. `reach`
    is from the edge inwards, negative to the left and upwards.
    """
    at, along = where
    unit = drawing.unit
    page = float(drawing.layout.page_width_mm if across else drawing.layout.page_height_mm)
    tenth_mm, high, size = abs(reach) / 10, 7 * unit, 1.9 * unit
    rows = next((each for each in SCALE_ROWS if tenth_mm * each >= LEAST_STEP_MM), SCALE_ROWS[-1])
    thick = min(0.15 * unit, tenth_mm * rows / 4)
    ticks = []
    for tenth in range(-10, 11):
        place = at + tenth / 10 * reach
        if not 1 < place < page - 1:
            continue
        for first, last in _marks_of(tenth, rows):
            start, length = along + first * high, (last - first) * high
            if across:
                ticks.append(oblong(place - thick / 2, start, thick, length))
            else:
                ticks.append(oblong(start, place - thick / 2, length, thick))
    drawing.fill(ticks, "scale", label)
    if size < LEAST_TEXT_MM:
        return
    if across:
        beside = at + reach + math.copysign(0.6 * unit, reach)
        drawing.write("1 %", beside, along + 0.36 * size, size, "start" if reach > 0 else "end")
    else:
        drawing.write("1 %", along + 0.35 * high + 0.6 * unit, at + reach + 0.36 * size, size)


def _marks_of(tenth: int, rows: int) -> Iterator[tuple[float, float]]:
    """Yield where the marks of a tenth begin and end, in shares of the scale's height from its middle.

    In one row a mark is the longer the rounder its number. In several, each stands in its own row, and
    round numbers have marks of their own above and below the rows, where nothing stands beside them.
    """
    long = EDGE_MARK if tenth == 0 else WHOLE_MARK if tenth % 10 == 0 else HALF_MARK if tenth % 5 == 0 else TENTH_MARK
    if rows == 1:
        yield -long / 2, long / 2
        return
    row = tenth % rows
    yield HALF_MARK * (row / rows - 0.5), HALF_MARK * ((row + 1) / rows - 0.5)
    if long > HALF_MARK:
        yield -long / 2, -HALF_MARK / 2
        yield HALF_MARK / 2, long / 2


def _names(drawing: Drawing, extractions: tuple[Extraction, ...], frames: tuple[RealRect, ...]) -> None:
    """Write each frame's name with a sample of its line: inside the frame, else where there is room.

    Its size and shape stand below, unless there is room for the name alone.
    """
    for index, (extraction, frame) in enumerate(zip(extractions, frames, strict=True)):
        rect = extraction.upright_rect
        facts = f"{rect.width:,} × {rect.height:,} px, aspect {extraction.aspect.achieved:.4g}"
        any(
            _name(drawing, index, size, (extraction.deliverable, below), near=frame, within=within)
            for below in (facts, "")
            for within in (frame, drawing.picture)
            for size in _name_sizes(drawing.unit)
        )


def _name_sizes(unit: float) -> Iterator[float]:
    """Yield the sizes at which a name is tried, mm."""
    size = max(3.4 * unit, LEAST_TEXT_MM)
    while size >= LEAST_NAME_MM:
        yield size
        size *= 0.8


def _name(
    drawing: Drawing, index: int, size: float, texts: tuple[str, str], *, near: RealRect, within: RealRect
) -> bool:
    """Write a name near the top of its frame; return whether there is room."""
    unit, sample = drawing.unit, 6 * size
    name = shortened(texts[0], size, max(within.width - sample - 8 * unit, 10 * unit))
    width = sample + size + max(width_mm(name, size), width_mm(texts[1], 0.75 * size))
    wanted = (near.x + width / 2, near.y + 3 * size)
    box = drawing.place(width + 2 * unit, (2.6 if texts[1] else 1.4) * size + unit, wanted, within=within)
    if box is None:
        return False
    x, y, thick = box.x + unit, box.y + unit / 2 + size, size / 5
    bar = oblong(x, y - size / 2, sample, thick)
    drawing.fill(_dashed(bar, frame_dashes(index), thick / 1.6), "sample")
    drawing.write(name, x + 7 * size, y, size)
    if texts[1]:
        drawing.write(texts[1], x + 7 * size, y + 1.15 * size, 0.75 * size)
    return True


def _star(drawing: Drawing, unit: float, wanted: Corner) -> bool:
    """Draw the sine-modulated star: reflectance 0.5 + 0.5 cos(144 times the angle); return whether it has room."""
    radius, hub = 19 * unit, 1.6 * unit
    box = drawing.place(2 * radius + 4 * unit, 2 * radius + 4 * unit, wanted)
    if box is None:
        return False
    x, y = box.x + box.width / 2, box.y + box.height / 2
    wedges: dict[Colour, list[tuple[Corner, ...]]] = {}
    count = STAR_CYCLES * STAR_STEPS
    for step in range(count):
        phase = 2 * math.pi * (step % STAR_STEPS + 0.5) / STAR_STEPS
        first, last = (2 * math.pi * (step + more) / count for more in (0, 1))
        wedge = tuple(
            (x + r * math.cos(angle), y + r * math.sin(angle))
            for r, angle in ((hub, first), (radius, first), (radius, last), (hub, last))
        )
        wedges.setdefault(printed_grey(0.5 + 0.5 * math.cos(phase)), []).append(wedge)
    for colour, shapes in wedges.items():
        drawing.items += areas(shapes, colour, "star")
    return True


def printed_grey(reflectance: float) -> Colour:
    """Return the grey for a share of the paper's reflectance, by the sRGB curve (IEC 61966-2-1)."""
    encoded = 12.92 * reflectance if reflectance <= 0.0031308 else 1.055 * reflectance ** (1 / 2.4) - 0.055
    level = round(255 * encoded)
    return (level, level, level)


def _grey_scale(drawing: Drawing, unit: float, wanted: Corner) -> bool:
    """Draw steps of equal code value from black to white, with their share of the paper's reflectance.

    As many have their share written as it can be read. Return whether there is room.
    """
    patch, size = 8 * unit, max(2 * unit, LEAST_TEXT_MM)
    box = drawing.place(GREY_STEPS * patch + 2 * unit, patch + 3 * size, wanted)
    if box is None:
        return False
    x, y = box.x + unit, box.y + unit
    drawing.fill((oblong(x - 0.2 * unit, y - 0.2 * unit, GREY_STEPS * patch + 0.4 * unit, patch + 0.4 * unit),), "grey")
    every = math.ceil(1.1 * width_mm("100 %", size) / patch)
    for step in range(GREY_STEPS):
        level = round(255 * step / (GREY_STEPS - 1))
        drawing.items += areas((oblong(x + step * patch, y, patch, patch),), (level, level, level), "grey")
        share = level / 255
        linear = share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4
        if (GREY_STEPS - 1 - step) % every == 0:
            drawing.write(f"{100 * linear:.0f} %", x + (step + 0.5) * patch, y + patch + 1.3 * size, size, "middle")
    return True


def _code(drawing: Drawing, unit: float, wanted: Corner, *, decision_id: str) -> bool:
    """Draw the decision's identifier as a QR code (ISO/IEC 18004) and as text; return whether there is room."""
    code = segno.make(decision_id, error="m", micro=False, boost_error=False)
    rows = [bytes(row) for row in code.matrix]
    module, quiet, size = 0.62 * unit, 4, max(2.5 * unit, LEAST_TEXT_MM)
    side = (len(rows) + 2 * quiet) * module
    lines = ["decision", *(decision_id[place : place + 16] for place in range(0, len(decision_id), 16))]
    text_width, text_height = max(width_mm(line, size) for line in lines), len(lines) * 1.5 * size
    box = drawing.place(side + text_width + 2 * unit, max(side, text_height), wanted)
    if box is None:
        return False
    x, y = box.x + quiet * module, box.y + (box.height - side) / 2 + quiet * module
    modules = (
        oblong(x + column * module, y + row * module, run * module, module)
        for row, cells in enumerate(rows)
        for column, run in _runs(cells)
    )
    drawing.fill(modules, "code")
    top = box.y + (box.height - text_height) / 2 + size
    for index, line in enumerate(lines):
        drawing.write(line, box.x + side, top + index * 1.5 * size, size)
    return True


def _runs(cells: bytes) -> Iterator[tuple[int, int]]:
    """Yield the start and length of each run of dark modules."""
    column = 0
    while column < len(cells):
        run = 0
        while column + run < len(cells) and cells[column + run]:
            run += 1
        if run:
            yield column, run
        column += run or 1


def _foot(drawing: Drawing, job: Job) -> None:
    """Draw the ruler that proves the printer's scale, and write what the chart is for."""
    layout = drawing.layout
    left, top = float(BORDER_MM), float(layout.page_height_mm) - FOOT_MM + 8
    ticks = [
        oblong(left + mm - 0.1, top, 0.2, 5.0 if mm % 10 == 0 else 3.5 if mm % 5 == 0 else 2.2) for mm in range(101)
    ]
    drawing.fill([oblong(left, top, 100, 0.2), *ticks], "ruler")
    for mm in range(0, 101, 10):
        drawing.write(str(mm), left + mm, top + 7.6, 2.2, "middle")
    drawing.write("100 mm when printed at 100 %, without fitting to the page", left, top - 1.4, 2.2)
    room = float(layout.page_width_mm) - left - 100 - 2 * BORDER_MM
    beside = room >= 60
    x, y = (left + 110, top - 1.4) if beside else (left, top + 11.4)
    size = 2.6 if beside else 2.0
    if not beside:
        drawing.write("scales: 0.1 %", left + 100, top - 1.4, 2.2, "end")
    scales = "Scales across edges: tenths of a percent of the picture's width or height."
    for index, line in enumerate((*_foot_lines(job, layout), scales)):
        most = room if beside else float(layout.page_width_mm) - 2 * BORDER_MM
        if beside or index < 2:
            drawing.write(shortened(line, size, most), x, y + index * 1.45 * size, size)


def _foot_lines(job: Job, layout: ChartLayout) -> tuple[str, ...]:
    capture = job.capture
    named = [part for part in (job.id, capture.label) if part]
    facts = f"recorded {capture.raster.width:,} × {capture.raster.height:,} px, roll {capture.roll}°"
    if capture.squeeze != 1:
        facts += f", squeeze {capture.squeeze}"
    lines = [" · ".join([*named, facts])]
    if layout.distance is not None and capture.lens is not None:
        lens = f"{capture.lens.focal_length_mm} mm lens"
        near, far = layout.distance.from_lens_mm, layout.distance.from_sensor_mm
        lines.append(f"The picture fills the raster at {near:,.0f} mm from the front principal plane of the {lens}")
        lines.append(
            f"({far:,.0f} mm from the sensor where its principal planes coincide). Then line up on the triangles."
        )
    else:
        lines.append("Fill the recorded picture: line up on the triangles. No distance without pitch and focal length.")
    return tuple(lines)
