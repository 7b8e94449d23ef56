"""The framing sheet: the decision on paper, for everybody's folder.

One page for up to six frames, more beyond. Lengths are mm, origin the sheet's top left. Text is set
in one weight; size and grey make the order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from io import BytesIO
from itertools import groupby

from PIL.Image import Image

from tallwide.answers import Extraction, Margin, Plan, RealRect, Rect
from tallwide.geometry import recorded_to_upright
from tallwide.job import Capture, Job, MonitorFeed, Overlay, Picture, Sheet, Subject
from tallwide_service.core.chart import scene_ratio
from tallwide_service.core.extraction import Solution
from tallwide_service.core.margin import margins
from tallwide_service.core.orientation import OrientationAdvice
from tallwide_service.render.overlay import overlay_scene
from tallwide_service.render.page import Item, Page, Photo, Words, areas, oblong, shortened, width_mm, wrapped
from tallwide_service.render.palette import Colour, frame_colour, frame_dashes
from tallwide_service.render.scene_page import scene_items

PAPERS_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
SIDE_MM, TOP_MM, FOOT_MM = 15.0, 13.0, 14.0
INK: Colour = (28, 28, 30)
SOFT: Colour = (104, 104, 110)
RULE: Colour = (198, 198, 202)
GROUND: Colour = (216, 217, 219)
TITLE, BODY, SMALL, TINY = 6.2, 2.75, 2.4, 2.05
LINE = 1.38
FRAMES_ON_FIRST_PAGE = 6
# Heights of the drawing that are tried, its fineness, and the longer side of a still under it.
DRAWING_MM = (84.0, 76.0, 68.0, 60.0, 52.0, 44.0, 36.0)
PIXELS_A_MM, PLATE_PX = 16, 1600


@dataclass(slots=True)
class Column:
    """Pages being filled from the top: where the next thing goes, and what each page holds."""

    width: float
    height: float
    pages: list[list[Item]] = field(default_factory=list)
    y: float = 0.0

    def turn(self) -> None:
        """Begin a page."""
        self.pages.append([])
        self.y = TOP_MM

    @property
    def room(self) -> float:
        """Height that is left on the page."""
        return self.height - FOOT_MM - self.y

    @property
    def measure(self) -> float:
        """Width of the text."""
        return self.width - 2 * SIDE_MM

    def add(self, *items: Item) -> None:
        """Put items on the page."""
        self.pages[-1] += items

    def write(self, text: str, x: float, size: float, colour: Colour = INK) -> None:
        """Write one line at the present height."""
        self.add(Words(text, x, self.y + size, size, colour))

    def write_right(self, text: str, x: float, size: float, colour: Colour = INK) -> None:
        """Write one line that ends at x, at the present height."""
        self.add(Words(text, x, self.y + size, size, colour, "end"))

    def rule(self, colour: Colour = RULE) -> None:
        """Draw a line across the text and go below it."""
        self.add(*areas((oblong(SIDE_MM, self.y, self.measure, 0.18),), colour, "rule"))
        self.y += 0.2

    def paragraph(self, text: str, *, size: float = BODY, colour: Colour = INK, indent: float = 0.0) -> None:
        """Write a text in lines, over pages where it must."""
        for line in wrapped(text, size, self.measure - indent):
            if self.room < size * LINE:
                self.turn()
            self.write(line, SIDE_MM + indent, size, colour)
            self.y += size * LINE

    def heading(self, text: str, keep_mm: float = 12.0) -> None:
        """Write a heading, on a new page where what follows would not fit below it."""
        if self.room < keep_mm + SMALL * 2:
            self.turn()
        self.y += 2.2
        self.write(text, SIDE_MM, SMALL, SOFT)
        self.y += SMALL * LINE + 0.4

    def list_of(self, texts: Iterable[str], *, size: float = SMALL) -> None:
        """Write items, each with a dash."""
        for text in texts:
            lines = wrapped(text, size, self.measure - 5)
            if self.room < len(lines) * size * LINE:
                self.turn()
            self.write("–", SIDE_MM, size, SOFT)
            for line in lines:
                self.write(line, SIDE_MM + 5, size)
                self.y += size * LINE

    def list_in_two(self, title: str, texts: Sequence[str], *, size: float = TINY) -> None:
        """Write a heading and numbered items below it, on one page, in two columns: down the first, then the second."""
        gap = 6.0
        width = (self.measure - gap) / 2
        items = [(f"{number}", wrapped(text, size, width - 5)) for number, text in enumerate(texts, start=1)]
        half = (len(items) + 1) // 2
        columns = items[:half], items[half:]
        height = max(sum(len(lines) for _, lines in column) for column in columns) * size * LINE
        self.heading(title, keep_mm=height)
        top = self.y
        for place, column in enumerate(columns):
            x, self.y = SIDE_MM + place * (width + gap), top
            for mark, lines in column:
                self.write(mark, x, size, SOFT)
                for line in lines:
                    self.write(line, x + 5, size)
                    self.y += size * LINE
        self.y = top + height


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
        A still of the upright picture, in the scene's shape, that lies under the drawing.
    """
    sheet = job.sheet or Sheet()
    photo = None if plate is None else jpeg(plate)
    columns = []
    # The drawing gives way until all fits on one page; what never does keeps the largest drawing.
    for drawing_mm in DRAWING_MM:
        column = Column(*PAPERS_MM[sheet.paper])
        column.turn()
        _head(column, job, sheet)
        _facts(column, job.capture)
        _drawing(column, job, solution, photo, most=drawing_mm)
        _table(column, job, solution)
        _together(column, job, solution)
        _advice(column, advice)
        if sheet.notes:
            column.heading("Notes")
            column.paragraph(sheet.notes)
        columns.append(column)
        if len(column.pages) == 1 or len(solution.extractions) > FRAMES_ON_FIRST_PAGE:
            break
    column = min(columns, key=lambda column: len(column.pages))
    _foot(column, decision_id, engine_version)
    title = sheet.title or (f"Framing of {job.id}" if job.id else "Framing")
    return tuple(
        Page(column.width, column.height, title, f"Framing sheet, decision {decision_id}", tuple(items))
        for items in column.pages
    )


def jpeg(plate: Image) -> bytes:
    """Return a still as a sheet carries it: small, without metadata."""
    small = plate.convert("RGB")
    small.thumbnail((PLATE_PX, PLATE_PX))
    small.info.clear()
    out = BytesIO()
    small.save(out, "JPEG", quality=88)
    return out.getvalue()


def _head(column: Column, job: Job, sheet: Sheet) -> None:
    right = column.width - SIDE_MM
    beside = sheet.date or ""
    room = column.measure - width_mm(beside, BODY) - 6
    title = sheet.title or job.id or "Framing"
    size = TITLE if width_mm(title, TITLE) <= room else TITLE * 0.72
    column.add(Words(shortened(title, size, room), SIDE_MM, column.y + TITLE * 0.9, size, INK))
    column.add(Words(beside, right, column.y + TITLE * 0.9, BODY, SOFT, "end"))
    column.y += TITLE * 1.35
    under = "Framing sheet" + (f" · {job.id}" if job.id and job.id != title else "")
    column.write(shortened(under, SMALL, column.measure), SIDE_MM, SMALL, SOFT)
    column.y += SMALL * LINE + 1.2
    column.rule(INK)


def _facts(column: Column, capture: Capture) -> None:
    """Write what is recorded, in four columns."""
    facts = list(capture_facts(capture))
    column.y += 1.6
    width = column.measure / 4
    for start in range(0, len(facts), 4):
        for place, (name, value) in enumerate(facts[start : start + 4]):
            x = SIDE_MM + place * width
            column.add(Words(name, x, column.y + TINY, TINY, SOFT))
            column.add(Words(shortened(value, BODY, width - 3), x, column.y + TINY + BODY * 1.25, BODY, INK))
        column.y += TINY + BODY * 1.25 + 2.0
    column.y += 0.4


def capture_facts(capture: Capture) -> Iterator[tuple[str, str]]:
    """Yield the facts of a capture that are known, each with its name."""
    raster, imager, lens = capture.raster, capture.imager, capture.lens
    if capture.label:
        yield "Capture", capture.label
    yield "Recorded raster", f"{raster.width:,} × {raster.height:,} px"
    if (imager.width, imager.height) != (raster.width, raster.height):
        yield "Photosites", f"{imager.width:,} × {imager.height:,}"
    if capture.photosite_pitch_um is not None:
        yield "Photosite pitch", f"{capture.photosite_pitch_um:g} µm"
    yield "Roll", f"{capture.roll}°" + ("" if capture.roll else ", upright")
    if capture.squeeze != 1:
        yield "Squeeze", f"{capture.squeeze:g}, along {capture.squeeze_axis.replace('_', ' ')}"
    if lens is not None:
        named = [f"{lens.focal_length_mm:g} mm"] if lens.focal_length_mm is not None else []
        named += [f"f/{lens.f_number:g}"] if lens.f_number is not None else []
        yield "Lens", ", ".join([*([lens.label] if lens.label else []), *named]) or "–"
        if lens.image_circle_mm is not None:
            yield "Image circle", f"{lens.image_circle_mm:g} mm"
    grid = capture.grid
    yield "Grid of places, sizes", f"{grid.x} × {grid.y}, {grid.width} × {grid.height} px"


def _drawing(column: Column, job: Job, solution: Solution, photo: bytes | None, *, most: float) -> None:
    """Draw the frames to scale in the scene's shape, on the plate if there is one."""
    upright = job.capture.upright_raster
    ratio = float(scene_ratio(job.capture))
    width, height = (column.measure, column.measure / ratio) if column.measure / ratio <= most else (most * ratio, most)
    # The drawing is a picture of the scene itself, so fine that its pixels are not seen.
    feed = MonitorFeed(
        max(1, round(width * PIXELS_A_MM)), max(1, round(height * PIXELS_A_MM)), turned=True, desqueezed=True
    )
    options = Overlay(
        line_px=round(0.35 * PIXELS_A_MM),
        labels="none",
        safe_areas=False,
        colours=(job.overlay or Overlay()).colours,
        palette=(job.overlay or Overlay()).palette,
    )
    scene = overlay_scene(job, solution.extractions, overlay=options, picture=Picture(monitor=feed))
    place = RealRect(SIDE_MM + (column.measure - width) / 2, column.y, width, height)
    if photo is None:
        column.add(*areas((oblong(place.x, place.y, width, height),), GROUND, "ground"))
    else:
        column.add(Photo(photo, place))
    column.add(*scene_items(scene, place))
    column.y += height + 1.0
    shown = "upright" if job.capture.squeeze == 1 else "upright and desqueezed"
    words = f"The recorded picture, {shown}; 1 mm is {upright.height / height:,.1f} px of its height. "
    column.write(shortened(words + "Thin dashes: protection.", TINY, column.measure), SIDE_MM, TINY, SOFT)
    column.y += TINY * LINE + 1.2


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


def _table(column: Column, job: Job, solution: Solution) -> None:
    """Write one entry a frame; the head again on every page."""
    _table_head(column)
    for index, (extraction, margin) in enumerate(zip(solution.extractions, margins(job, solution), strict=True)):
        if index == FRAMES_ON_FIRST_PAGE and len(column.pages) == 1:
            column.turn()
            _table_head(column)
        entry = _entry_lines(job, extraction, margin)
        under = [line for text in entry for line in wrapped(text, TINY, column.measure - 10)]
        if column.room < BODY * 1.5 + len(under) * TINY * LINE + 1.5:
            column.turn()
            _table_head(column)
        _entry(column, job, index, extraction, margin)
        for line in under:
            column.write(line, SIDE_MM + 10, TINY, SOFT)
            column.y += TINY * LINE
        column.y += 0.9
        column.rule()
        column.y += 0.8


def _table_head(column: Column) -> None:
    column.write("Frame", SIDE_MM, TINY, SOFT)
    for cell in CELLS:
        column.write_right(cell.name, SIDE_MM + cell.end * column.measure, TINY, SOFT)
    column.y += TINY * LINE + 0.8
    column.rule(SOFT)
    column.y += 0.9


def _entry(column: Column, job: Job, index: int, extraction: Extraction, margin: Margin) -> None:
    rect, sensor, view = extraction.rect, extraction.sensor_mm, extraction.angle_of_view_deg
    values = (
        f"{rect.x:,}, {rect.y:,}",
        f"{rect.width:,} × {rect.height:,}",
        f"{extraction.aspect.achieved:.4f}",
        f"{100 * extraction.aspect.error:+.3f} %".replace("-", "−"),
        f"{100 * extraction.share_of_raster:.1f} %",
        "–" if margin.oversampling is None else f"{margin.oversampling.smaller:.3f}",
        "–" if sensor is None else f"{sensor.width:.2f} × {sensor.height:.2f}",
        "–" if view is None else f"{view.horizontal:.1f}° × {view.vertical:.1f}°",
    )
    thick = 0.55
    for start, length in swatch(frame_dashes(index), 7.0, thick):
        bar = oblong(SIDE_MM + start, column.y + BODY * 0.55, length, thick)
        column.add(*areas((bar,), darker(frame_colour(index, job.overlay)), "swatch"))
    room = CELLS[0].end * column.measure - width_mm(values[0], SMALL) - 12
    column.write(shortened(extraction.deliverable, BODY, room), SIDE_MM + 10, BODY)
    for cell, value in zip(CELLS, values, strict=True):
        column.add(Words(value, SIDE_MM + cell.end * column.measure, column.y + BODY, SMALL, INK, "end"))
    column.y += BODY * 1.45


def darker(colour: Colour) -> Colour:
    """Return a colour of the screen as it stands on white paper: three quarters as light."""
    red, green, blue = (part * 3 // 4 for part in colour)
    return red, green, blue


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


def _entry_lines(job: Job, extraction: Extraction, margin: Margin) -> list[str]:
    """Return what stands in small type below a frame: the need, what binds it, and the subject's room."""
    parts = []
    if margin.needed is not None and margin.spare_pct is not None and margin.spare_px is not None:
        verdict = {"enough": "enough", "at_limit": "exactly enough", "short": "too few"}[margin.verdict or "enough"]
        parts.append(
            f"needs {margin.needed.width:,.0f} × {margin.needed.height:,.0f} px"
            + (f" × {margin.minimum_oversampling:g}" if margin.minimum_oversampling != 1 else "")
            + f": {verdict}, {margin.spare_pct:+.1f} % ({margin.spare_px.x:+,.0f} × {margin.spare_px.y:+,.0f} px)"
        )
    parts = [part.replace("-", "−") for part in parts]
    parts.append("held by " + held_by(extraction.bound_by))
    lines = ["; ".join(parts)]
    subject = job.framing.subject
    if subject is not None:
        lines.append(headroom(subject, extraction.upright_rect))
    return lines


def held_by(names: Iterable[str]) -> str:
    """Return what binds a frame in words, edges of the raster together."""
    names = list(names)
    edges = [name.removeprefix("raster_") for name in names if name.startswith("raster_")]
    others = [name.replace("_", " ") for name in names if not name.startswith("raster_")]
    return "; ".join((["the raster " + ", ".join(edges)] if edges else []) + others)


def headroom(subject: Subject, frame: Rect) -> str:
    """Return the room above the subject and around it, in pixels and in percent of the frame."""
    above = subject.y - frame.y
    left, right = subject.x - frame.x, frame.right - subject.x - subject.width
    below = frame.bottom - subject.y - subject.height
    return (
        f"headroom {above:,} px, {100 * above / frame.height:.1f} % of the frame; room left {left:,}, "
        f"right {right:,}, below {below:,} px"
    )


def _together(column: Column, job: Job, solution: Solution) -> None:
    common, combined = solution.common_area, solution.combined_area
    shared = "none; the frames do not all meet" if common is None else _place(common, job.capture)
    column.paragraph(f"Common area: {shared}. Combined area: {_place(combined, job.capture)}.", size=SMALL)


def _place(rect: Rect, capture: Capture) -> str:
    upright = recorded_to_upright(rect, capture)
    words = f"{rect.width:,} × {rect.height:,} px at {rect.x:,}, {rect.y:,}"
    return words if capture.roll == 0 else f"{words} (upright {upright.width:,} × {upright.height:,})"


def _advice(column: Column, advice: OrientationAdvice) -> None:
    """Write the recommendation, its reasons, the change-over that the plan asks for, and the cautions."""
    plan: Plan = advice.plans[advice.recommended.plan]
    column.heading("Recommendation")
    column.paragraph(advice.recommended.text)
    texts = [reason.text for reason in plan.reasons]
    if texts:
        column.y += 0.6
        column.list_of(texts)
    for into, steps in groupby(plan.changeover, key=lambda step: step.pass_index):
        title = f"Change-over into pass {into + 1} of {len(plan.passes)}"
        column.list_in_two(title, [step.text for step in steps])
    if advice.cautions:
        column.heading("Cautions", keep_mm=16)
        column.list_of(advice.cautions)


def _foot(column: Column, decision_id: str, engine_version: str) -> None:
    """Write the identifiers and the page's number below each page."""
    for number, items in enumerate(column.pages, start=1):
        y = column.height - FOOT_MM + 5.5
        items.extend(areas((oblong(SIDE_MM, y - 3.2, column.measure, 0.18),), RULE, "rule"))
        items.append(Words(f"decision {decision_id}", SIDE_MM, y, TINY, SOFT))
        right = f"tallwide {engine_version}   {number} of {len(column.pages)}"
        items.append(Words(right, column.width - SIDE_MM, y, TINY, SOFT, "end"))
