"""The framing sheet's drawings: the job as it is decided and, where the plan is another, each of its passes.

They stand beside each other, upright, bottoms level, each as long from corner to corner as the others, so that one
capture has one scale. Lengths are mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tallwide.answers import Extraction, Plan, RealRect
from tallwide.job import Capture, Job, MonitorFeed, Overlay, Picture, Roll
from tallwide_service.core.chart import scene_ratio
from tallwide_service.core.extraction import Solution
from tallwide_service.core.positions import position_at
from tallwide_service.core.production import captures_of
from tallwide_service.render.column import INK, LINE, SIDE_MM, SOFT, Column
from tallwide_service.render.labels import TextSizes
from tallwide_service.render.overlay import Naming, overlay_scene
from tallwide_service.render.page import Corner, Item, Photo, areas, oblong, wrapped
from tallwide_service.render.palette import NEUTRAL, Colour
from tallwide_service.render.scene import Scene
from tallwide_service.render.scene_page import scene_items
from tallwide_service.render.sheet_words import pass_name, stance

GROUND: Colour = (232, 233, 235)
GAP_MM, CAPTION_MM = 6.0, 34.0
# The drawing's fineness, its line, and how names are set in it.
PIXELS_A_MM, LINE_MM = 16, 0.35
NAMES = TextSizes(round(2.1 * PIXELS_A_MM), round(1.6 * PIXELS_A_MM), longest_em=9)
NUMBERS = TextSizes(round(1.9 * PIXELS_A_MM), round(1.35 * PIXELS_A_MM))
# The mark beside the edge that is the body's top.
MARK_MM = 1.7


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture to draw: a capture with the frames that come out of it, a still for it, and its caption."""

    caption: str
    job: Job
    extractions: tuple[Extraction, ...]
    still: bytes | None = None

    @property
    def diagonal(self) -> tuple[float, float]:
        """Width and height of the picture where it is 1 mm from corner to corner."""
        ratio = float(scene_ratio(self.job.capture))
        return ratio / math.hypot(ratio, 1), 1 / math.hypot(ratio, 1)


def shown_pictures(job: Job, solution: Solution, plan: Plan, still: bytes | None) -> tuple[Shown, ...]:
    """Return the job's own picture and, where the plan is another, that of each pass."""
    how = stance(job.capture.roll)
    if is_as_decided(job, plan):
        return (Shown(f"As decided and as recommended: one pass, {how}.", job, solution.extractions, still),)
    passes = (Shown(*_pass(job, plan, place)) for place in range(len(plan.passes)))
    return (Shown(f"As the job is decided, {how}.", job, solution.extractions, still), *passes)


def is_as_decided(job: Job, plan: Plan) -> bool:
    """Whether a plan is what the job is: one pass with its own capture as it stands."""
    first = plan.passes[0]
    return len(plan.passes) == 1 and (first.capture_index, first.roll) == (0, job.capture.roll)


def _pass(job: Job, plan: Plan, place: int) -> tuple[str, Job, tuple[Extraction, ...]]:
    one = plan.passes[place]
    pointer, capture = captures_of(job)[one.capture_index]
    position = position_at(job, one.capture_index, pointer, replace(capture, roll=one.roll))
    return (
        f"{pass_name(plan, place)}.",
        replace(job, capture=position.capture, framing=position.framing),
        one.extractions,
    )


def draw_pictures(column: Column, pictures: Sequence[Shown], *, most_mm: float) -> None:
    """Draw pictures beside each other, none higher than there is room for, captions below."""
    sizes = _sizes(pictures, column.measure, most_mm)
    slots = [max(width, CAPTION_MM) for width, _ in sizes] if len(pictures) > 1 else [column.measure]
    floor = column.y + max(height for _, height in sizes)
    x, below = SIDE_MM, []
    for shown, (width, height), slot in zip(pictures, sizes, slots, strict=True):
        place = RealRect(x, floor - height, width, height)
        column.add(*_drawn(shown, place), *body_top(place, shown.job.capture.roll))
        caption = f"{shown.caption} 1 mm is {_scale(shown.job.capture, width, height)} px."
        below.append((x, wrapped(caption, column.type.tiny, slot)))
        x += slot + GAP_MM
    is_upside_down = any(shown.job.capture.roll == 180 for shown in pictures)
    top = floor + 0.7 + (MARK_MM if is_upside_down else 0)
    for left, lines in below:
        column.y = top
        for line in lines:
            column.write(line, left, column.type.tiny, SOFT)
            column.y += column.type.tiny * LINE
    column.y = top + max(len(lines) for _, lines in below) * column.type.tiny * LINE + 0.8


def _scale(capture: Capture, width: float, height: float) -> str:
    """Return how many pixels are on a mm: across and down where a squeeze or the photosites make them differ."""
    raster = capture.upright_raster
    across, down = f"{raster.width / width:,.1f}", f"{raster.height / height:,.1f}"
    return down if across == down else f"{across} × {down}"


def _sizes(pictures: Sequence[Shown], measure: float, most_mm: float) -> list[tuple[float, float]]:
    """Return widths and heights, all of one diagonal, that stand beside each other with room for their captions."""
    shapes = [shown.diagonal for shown in pictures]
    diagonal = min(measure / max(width for width, _ in shapes), most_mm / max(height for _, height in shapes))
    least = CAPTION_MM if len(pictures) > 1 else 0.0
    while sum(max(width * diagonal, least) for width, _ in shapes) + GAP_MM * (len(shapes) - 1) > measure + 1e-9:
        diagonal *= 0.97
    return [(width * diagonal, height * diagonal) for width, height in shapes]


def body_top(place: RealRect, roll: Roll) -> tuple[Item, ...]:
    """Return a triangle beside the edge of an upright picture that the body's top is at; none for an upright camera."""
    if roll == 0:
        return ()
    right, bottom, half = place.x + place.width, place.y + place.height, MARK_MM / 2
    middle_x, middle_y = place.x + place.width / 2, place.y + place.height / 2
    marks: dict[Roll, tuple[Corner, ...]] = {
        90: ((right + 0.5, middle_y - half), (right + 0.5 + MARK_MM, middle_y), (right + 0.5, middle_y + half)),
        180: ((middle_x - half, bottom + 0.5), (middle_x + half, bottom + 0.5), (middle_x, bottom + 0.5 + MARK_MM)),
        270: ((place.x - 0.5, middle_y - half), (place.x - 0.5, middle_y + half), (place.x - 0.5 - MARK_MM, middle_y)),
    }
    return areas((marks[roll],), INK, "body-top")


def _drawn(shown: Shown, place: RealRect) -> Iterator[Item]:
    """Yield a drawing at its place: on the still with the colours of a screen, else on paper with darker ones."""
    scene = _named(shown, place)
    if shown.still is None:
        yield from areas((oblong(place.x, place.y, place.width, place.height),), GROUND, "ground")
        scene = on_paper(scene)
    else:
        yield Photo(shown.still, place)
    yield from scene_items(scene, place)


def _named(shown: Shown, place: RealRect) -> Scene:
    """Return a drawing with the frames' numbers and names, or with their numbers where names find no room."""
    # The drawing is a picture of the scene itself, so fine that its pixels are not seen.
    width, height = (max(1, round(side * PIXELS_A_MM)) for side in (place.width, place.height))
    picture = Picture(monitor=MonitorFeed(width, height, turned=True, desqueezed=True))
    given = shown.job.overlay or Overlay()
    options = Overlay(
        line_px=round(LINE_MM * PIXELS_A_MM),
        labels="short",
        safe_areas=False,
        centre_marks=False,
        contrast_lines=shown.still is not None,
        theme="dark" if shown.still is not None else "light",
        colours=given.colours,
        palette=given.palette,
    )
    names = [f"{number} {deliverable.label}" for number, deliverable in enumerate(shown.job.deliverables, start=1)]
    numbers = [str(number) for number in range(1, len(names) + 1)]
    for naming in (Naming(tuple(names), NAMES), Naming(tuple(numbers), NUMBERS)):
        scene = overlay_scene(shown.job, shown.extractions, overlay=options, picture=picture, naming=naming)
        if sum(plate.kind == "label" for plate in scene.plates) == len(shown.extractions):
            break
    return scene


def darker(colour: Colour) -> Colour:
    """Return a colour of the screen as it stands on white paper: three quarters as light; white as grey."""
    red, green, blue = (part * 3 // 4 for part in colour)
    return SOFT if colour == NEUTRAL else (red, green, blue)


def on_paper(scene: Scene) -> Scene:
    """Return a scene in colours that stand out from light paper."""
    return replace(
        scene,
        bands=tuple(replace(band, colour=darker(band.colour)) for band in scene.bands),
        rings=tuple(replace(ring, colour=darker(ring.colour)) for ring in scene.rings),
        plates=tuple(replace(plate, colour=darker(plate.colour)) for plate in scene.plates),
    )
