"""The overlay: every frame of a job, and what surrounds them, on one picture.

A frame's line lies wholly outside its extraction, its inner edge on the extraction's edge; where
less room is left outside than the line is thick, the line is as thick as the room. Where a frame
meets the edge of the picture there is no outside: short ticks stand inside its corners, and its
label says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, get_args

from shapely.geometry import Polygon as Shape

from tallwide.answers import Extraction, Rect
from tallwide.geometry import combined_area, common_area, image_circle_px, upright_to_recorded
from tallwide.job import Capture, Job, Overlay, Picture, exact
from tallwide_service.core.margin import margin
from tallwide_service.core.region import Region, usable_region
from tallwide_service.core.safe_areas import safe_areas
from tallwide_service.core.view import View, view_of
from tallwide_service.render.labels import Label, TextSizes, placed_labels, text_sizes
from tallwide_service.render.palette import (
    EDGE,
    NEUTRAL,
    SHADE,
    SHADE_ALPHA,
    Colour,
    frame_colour,
    frame_dashes,
    on_plate,
)
from tallwide_service.render.ring_rows import covers_a_pixel
from tallwide_service.render.scene import Band, BandKind, Ellipse, Polygon, Ring, Scene
from tallwide_service.render.stage import Stage, stage_of

SideName = Literal["left", "top", "right", "bottom"]
SIDES: tuple[SideName, ...] = get_args(SideName)
PROTECTION_DASHES, COMMON_DASHES, SAFE_DASHES, SUBJECT_DASHES = (4, 4), (1, 3), (2, 2), (10, 2)
# Two lines of 1,080 are seen from a step away and hide little; guess, judged by eye.
LINE_LINES_OF_1080 = 2
# A frame's line is solid for so many times its thickness from each corner.
CORNER_LINES = 7
# The longest side of a picture has no more units of dashes than this.
LONGEST_UNITS = 1_000
# Beyond this many lines labels keep off those of frames alone.
MOST_LINES = 256


@dataclass(frozen=True, slots=True)
class Naming:
    """What the labels of frames say instead of their facts, by the job's order, and how large, px; no other labels."""

    names: tuple[str, ...]
    sizes: TextSizes


def overlay_scene(
    job: Job,
    extractions: Sequence[Extraction],
    *,
    overlay: Overlay | None = None,
    picture: Picture | None = None,
    naming: Naming | None = None,
) -> Scene:
    """Return the overlay of a job's extractions, or of some of them.

    Parameters
    ----------
    overlay, picture
        What is shown, and on which picture; the job's own where left out.
    naming
        What labels say instead of what `overlay` asks for.

    Raises
    ------
    CannotBeMet
        If a safe area is empty, or the picture or the shade name a deliverable that the job has not.
    """
    options, wanted = overlay or job.overlay or Overlay(), picture or job.picture or Picture(view="recorded")
    stage = stage_of(view_of(job, tuple(extractions), wanted), job.capture)
    drawn = _Drawn(job, tuple(extractions), options, stage, only=wanted.deliverable, naming=naming)
    strokes = sorted(drawn.strokes(), key=lambda stroke: _LAYERS[stroke.kind])
    bands = (band for stroke in strokes for band in stroke.bands(drawn.line, stage))
    lines = [stroke.rect for stroke in strokes if stroke.kind not in ("shade", "edge", "centre-edge")]
    if len(lines) > MOST_LINES:
        lines = [stroke.rect for stroke in strokes if stroke.kind in ("line", "tick", "centre")]
    subject = None if job.framing.subject is None else drawn.subject()
    sizes = text_sizes(stage.picture) if naming is None else naming.sizes
    plates = placed_labels(drawn.labels(), stage.picture, sizes, lines=lines, subject=subject)
    return Scene(
        width=stage.view.width,
        height=stage.view.height,
        title=f"Framing of {job.id}" if job.id else "Framing",
        description="; ".join(_sentence(extraction) for extraction in extractions),
        labels=tuple(deliverable.label for deliverable in job.deliverables),
        bands=tuple(bands),
        rings=tuple(drawn.rings()),
        plates=tuple(
            replace(plate, rect=stage.drawn(plate.rect), turn=stage.turn, colour=on_plate(plate.colour, options.theme))
            for plate in plates
        ),
        theme=options.theme,
        id_prefix=options.id_prefix,
    )


# Shades under all, dark edges under every light line, frames over what merely surrounds them.
_LAYERS: dict[BandKind, int] = {
    "shade": 0,
    "edge": 1,
    "centre-edge": 1,
    "common-area": 2,
    "safe-area": 2,
    "subject": 2,
    "protection": 3,
    "line": 4,
    "tick": 4,
    "centre": 4,
    "swatch": 4,
}


def _sentence(extraction: Extraction) -> str:
    rect = extraction.rect
    return f"{extraction.deliverable}: {rect.width} x {rect.height} px at x {rect.x}, y {rect.y}"


def monitor_height(picture: Rect) -> float:
    """Return the height, in picture pixels, of a 16:9 monitor that shows the whole picture."""
    return max(picture.height, picture.width * 9 / 16)


def line_px(options: Overlay, picture: Rect) -> int:
    """Return how thick a frame's line is."""
    if options.line_px is not None:
        return options.line_px
    if options.line_share is not None:
        return max(1, round(exact(options.line_share) * picture.height))
    return max(1, round(monitor_height(picture) * LINE_LINES_OF_1080 / 1080))


@dataclass(frozen=True, slots=True)
class _Stroke:
    """A band before it is cut into dashes: along a side where it has them."""

    kind: BandKind
    frame: int | None
    rect: Rect
    colour: Colour
    side: SideName = "left"
    dashes: tuple[int, ...] = ()
    alpha: int = 255

    def bands(self, line: int, stage: Stage) -> Iterator[Band]:
        """Yield the marks of the stroke, as far as they are in the picture, as they lie on what is drawn."""
        picture = stage.picture
        # A frame's corners are always drawn, whatever its dashes.
        corner = CORNER_LINES * line if self.kind == "line" else 0
        # Dashes of a very thin line on a very large picture are drawn out, or there would be no end of them.
        unit = max(line, max(self.rect.width, self.rect.height) // LONGEST_UNITS)
        for mark in dashed(self.rect, self.side, self.dashes, unit, corner=corner):
            seen = mark if is_within(mark, picture) else common_area((mark, picture))
            if seen is not None:
                yield Band(self.kind, self.frame, stage.drawn(seen), self.colour, self.alpha)


class _Drawn:
    """Everything of one overlay, in the upright stage."""

    def __init__(
        self,
        job: Job,
        extractions: tuple[Extraction, ...],
        options: Overlay,
        stage: Stage,
        *,
        only: str | None,
        naming: Naming | None,
    ) -> None:
        self.job, self.capture, self.options, self.stage = job, job.capture, options, stage
        self.extractions = extractions
        self.only, self.naming = only, naming
        self.picture = stage.picture
        self.line = line_px(options, stage.picture)
        self.thin = max(1, self.line // 2)
        places = {deliverable.label: place for place, deliverable in enumerate(job.deliverables)}
        self.shown = [(places[each.deliverable], each) for each in extractions if only in (None, each.deliverable)]

    @cached_property
    def _region(self) -> Region:
        """The usable part of the raster: made once, for all labels."""
        return usable_region(self.capture)

    def strokes(self) -> Iterator[_Stroke]:
        """Yield all strokes, in no particular order."""
        yield from self._shade()
        for index, extraction in self.shown:
            yield from self._frame(index, extraction)
        if self.options.common_area and self.only is None:
            common = common_area(extraction.rect for extraction in self.extractions)
            if common is not None:
                yield from self._box("common-area", None, self.stage.rect(common), NEUTRAL, COMMON_DASHES)
        if self.options.subject and self.job.framing.subject is not None:
            yield from self._box("subject", None, self.subject(), NEUTRAL, SUBJECT_DASHES)
        if self.options.safe_areas:
            for index, _, rect in self._safe_areas():
                colour = frame_colour(index, self.options)
                yield from self._box("safe-area", index, rect, colour, SAFE_DASHES)

    def labels(self) -> list[Label]:
        """Return the labels of frames first, then the tags of what surrounds them."""
        if self.options.labels == "none":
            return []
        labels = [self._frame_label(index, extraction) for index, extraction in self.shown]
        if self.naming is not None:
            return labels
        if self.options.common_area and self.only is None:
            common = common_area(extraction.rect for extraction in self.extractions)
            if common is not None:
                labels.append(Label("tag", None, self.stage.rect(common), NEUTRAL, COMMON_DASHES, ("common area",)))
        if self.options.subject and self.job.framing.subject is not None:
            labels.append(Label("tag", None, self.subject(), NEUTRAL, SUBJECT_DASHES, ("subject",)))
        if self.options.safe_areas:
            areas = list(self._safe_areas())
            is_of_one = len({index for index, _, _ in areas}) == 1
            for index, name, rect in areas:
                text = name if is_of_one else f"{self.job.deliverables[index].label}: {name}"
                labels.append(Label("tag", index, rect, frame_colour(index, self.options), SAFE_DASHES, (text,)))
        for ring, name in zip(("image-circle", "usable-area"), ("image circle", "usable area"), strict=True):
            if any(drawn.kind == ring and self._is_seen(drawn) for drawn in self.rings()):
                labels.append(Label("tag", None, self.picture, NEUTRAL, (), (name,)))
        return labels

    def rings(self) -> list[Ring]:
        """Return the outlines of the image circle and of the usable area, on the picture that is drawn."""
        shapes: list[tuple[Literal["image-circle", "usable-area"], Ellipse | Polygon]] = []
        circle = image_circle(self.capture, self.stage.view)
        if self.options.image_circle and circle is not None:
            shapes.append(("image-circle", circle))
        if self.options.usable_area and self.capture.usable_area is not None:
            corners = tuple(self.stage.view.point(float(x), float(y)) for x, y in self.capture.usable_area)
            shapes.append(("usable-area", Polygon(corners)))
        edges = [
            Ring("edge", EDGE, grown(shape, self.thin + self.thin), grown(shape, self.thin))
            for _, shape in shapes
            if self.options.contrast_lines
        ]
        return [*edges, *(Ring(kind, NEUTRAL, grown(shape, self.thin), shape) for kind, shape in shapes)]

    def _is_seen(self, ring: Ring) -> bool:
        """Whether a ring is in the picture, rather than all around it."""
        return covers_a_pixel(ring, self.stage.view.width, self.stage.view.height)

    def subject(self) -> Rect:
        """Return the subject's box."""
        subject = self.job.framing.subject
        assert subject is not None  # noqa: S101 - asked for only where there is one
        upright = Rect(subject.x, subject.y, subject.width, subject.height)
        return self.stage.rect(upright_to_recorded(upright, self.capture))

    def _safe_areas(self) -> Iterator[tuple[int, str, Rect]]:
        places = {extraction.deliverable: index for index, extraction in self.shown}
        seen: set[tuple[int, Rect]] = set()
        for area in safe_areas(self.job, self.extractions):
            index = places.get(area.deliverable)
            # Several documents name the same area; it is drawn once, under the first name.
            if index is None or (index, area.delivered_rect) in seen:
                continue
            seen.add((index, area.delivered_rect))
            # On its own raster an area is exactly the published pixels.
            own = area.delivered_rect if self.only is not None else self.stage.rect(area.rect)
            yield index, area.label, own

    def _shade(self) -> Iterator[_Stroke]:
        """Yield the four parts of the picture outside what is kept clear."""
        if self.options.shade == "none" or self.only is not None:
            return
        rects = [
            extraction.rect
            for extraction in self.extractions
            if self.options.shade == "combined_area" or extraction.deliverable == self.options.shade_frame
        ]
        if not rects:
            return
        clear, picture = common_area((self.stage.rect(combined_area(rects)), self.picture)), self.picture
        if clear is None:
            yield _Stroke("shade", None, picture, SHADE, alpha=SHADE_ALPHA)
            return
        for rect in (
            Rect(0, 0, picture.width, clear.y),
            Rect(0, clear.bottom, picture.width, picture.bottom - clear.bottom),
            Rect(0, clear.y, clear.x, clear.height),
            Rect(clear.right, clear.y, picture.right - clear.right, clear.height),
        ):
            if rect.width > 0 and rect.height > 0:
                yield _Stroke("shade", None, rect, SHADE, alpha=SHADE_ALPHA)

    def _frame(self, index: int, extraction: Extraction) -> Iterator[_Stroke]:
        """Yield the strokes of one frame."""
        frame, colour = self.stage.rect(extraction.rect), frame_colour(index, self.options)
        if self.only is None:
            yield from self._outline(index, frame, colour)
            guarded = self.stage.rect(extraction.protection_rect)
            if self.options.protection and extraction.protection_rect != extraction.rect:
                yield from self._protection(index, guarded, colour)
        if self.options.centre_marks:
            for arm in cross(frame, self.line):
                yield _Stroke("centre", index, arm, colour)
                if self.options.contrast_lines:
                    yield _Stroke("centre-edge", index, _grown(arm, max(1, self.thin // 2)), EDGE)

    def _protection(self, index: int, guarded: Rect, colour: Colour) -> Iterator[_Stroke]:
        """Yield a thin line of dashes outside what is protected; dark edges are dashed, too, lest it look solid."""
        for side in SIDES:
            band = outside(guarded, side, self.thin, self.picture)
            if band is None:
                continue
            yield _Stroke("protection", index, band, colour, side, PROTECTION_DASHES)
            edge = outside(_grown(guarded, self.thin), side, self.thin, self.picture)
            if self.options.contrast_lines and edge is not None:
                beside = _beside(edge, band, side)
                yield _Stroke("edge", index, beside, EDGE, side, PROTECTION_DASHES)

    def _outline(self, index: int, frame: Rect, colour: Colour) -> Iterator[_Stroke]:
        lined = _grown(frame, self.line)
        for side in SIDES:
            band = outside(frame, side, self.line, self.picture)
            if band is None:
                if meets(frame, side, self.picture):
                    for tick in ticks(frame, side, self.line):
                        yield _Stroke("tick", index, tick, colour)
                continue
            yield _Stroke("line", index, band, colour, side, frame_dashes(index))
            edge = outside(lined, side, self.thin, self.picture) if self.options.contrast_lines else None
            if edge is not None:
                yield _Stroke("edge", index, edge, EDGE)

    def _box(
        self, kind: BandKind, index: int | None, box: Rect, colour: Colour, dashes: tuple[int, ...]
    ) -> Iterator[_Stroke]:
        """Yield a thin dashed line outside a box, with its dark edge."""
        for side in SIDES:
            band = outside(box, side, self.thin, self.picture)
            if band is None:
                continue
            edge = outside(_grown(box, self.thin), side, self.thin, self.picture)
            if self.options.contrast_lines and edge is not None:
                yield _Stroke("edge", index, edge, EDGE)
            yield _Stroke(kind, index, band, colour, side, dashes)

    def _frame_label(self, index: int, extraction: Extraction) -> Label:
        deliverable = self.job.deliverables[index]
        frame, rect = extraction.upright_rect, self.stage.rect(extraction.rect)
        colour, dashes = frame_colour(index, self.options), frame_dashes(index)
        if self.naming is not None:
            return Label("label", index, rect, colour, dashes, (self.naming.names[index],))
        texts = [extraction.deliverable]
        if self.options.labels == "full":
            texts.append(f"{frame.width:,} × {frame.height:,} px   {extraction.aspect.achieved:.4g}")
            spare_pct = margin(deliverable, extraction, self.capture, self._region).spare_pct
            texts.append(share_and_margin(extraction, spare_pct))
        met = [side for side in SIDES if meets(rect, side, self.picture)]
        beyond = [side for side in SIDES if is_beyond(rect, side, self.picture)]
        if met and self.only is None:
            texts.append("at the edge: " + ", ".join(met))
        if beyond and self.only is None:
            texts.append("beyond the picture: " + ", ".join(beyond))
        return Label("label", index, rect, colour, dashes, tuple(texts))


def share_and_margin(extraction: Extraction, spare_pct: float | None) -> str:
    """Return a frame's share of the raster, and its margin where it has one, in words."""
    share = f"{100 * extraction.share_of_raster:.1f} % of the raster"
    if spare_pct is None:
        return share
    if spare_pct < 0:
        return f"{share}, short by {-spare_pct:.1f} %"
    return f"{share}, {spare_pct:.1f} % to spare"


def image_circle(capture: Capture, view: View) -> Ellipse | None:
    """Return the lens's usable circle in a picture; `None` where it is not known."""
    circle = image_circle_px(capture)
    if circle is None:
        return None
    x, y, across, down = (float(length) for length in circle)
    first, last = view.point(x - across, y - down), view.point(x + across, y + down)
    return Ellipse(
        (first[0] + last[0]) / 2, (first[1] + last[1]) / 2, abs(last[0] - first[0]) / 2, abs(last[1] - first[1]) / 2
    )


def grown(shape: Ellipse | Polygon, by: float) -> Ellipse | Polygon:
    """Return a convex shape with room for a line outside it."""
    if isinstance(shape, Ellipse):
        return Ellipse(shape.x, shape.y, shape.across + by, shape.down + by)
    # Mitred corners, so that the line is as thick there; at sharp ones cut off at five times that.
    ring = Shape(shape.corners).buffer(by, join_style="mitre", mitre_limit=5).exterior
    return Polygon(tuple((float(x), float(y)) for x, y in list(ring.coords)[:-1]))


def meets(frame: Rect, side: SideName, picture: Rect) -> bool:
    """Whether a side of a frame lies on the picture's edge."""
    return {
        "left": frame.x == picture.x,
        "top": frame.y == picture.y,
        "right": frame.right == picture.right,
        "bottom": frame.bottom == picture.bottom,
    }[side]


def is_within(rect: Rect, picture: Rect) -> bool:
    """Whether a rectangle lies wholly in a picture whose corner is the origin."""
    return rect.x >= 0 and rect.y >= 0 and rect.right <= picture.width and rect.bottom <= picture.height


def is_beyond(frame: Rect, side: SideName, picture: Rect) -> bool:
    """Whether a side of a frame lies outside the picture."""
    return {
        "left": frame.x < picture.x,
        "top": frame.y < picture.y,
        "right": frame.right > picture.right,
        "bottom": frame.bottom > picture.bottom,
    }[side]


def outside(frame: Rect, side: SideName, line: int, picture: Rect) -> Rect | None:
    """Return the band of a line outside one side, corners included; `None` where there is no room."""
    left, top = max(frame.x - line, picture.x), max(frame.y - line, picture.y)
    right, bottom = min(frame.right + line, picture.right), min(frame.bottom + line, picture.bottom)
    band = {
        "left": Rect(left, top, frame.x - left, bottom - top),
        "top": Rect(left, top, right - left, frame.y - top),
        "right": Rect(frame.right, top, right - frame.right, bottom - top),
        "bottom": Rect(left, frame.bottom, right - left, bottom - frame.bottom),
    }[side]
    return band if band.width > 0 and band.height > 0 else None


def _beside(edge: Rect, band: Rect, side: SideName) -> Rect:
    """Return the part of an edge that lies along a band, so that dashes of both begin together."""
    if side in ("left", "right"):
        return Rect(edge.x, band.y, edge.width, band.height)
    return Rect(band.x, edge.y, band.width, edge.height)


def _grown(rect: Rect, by: int) -> Rect:
    return Rect(rect.x - by, rect.y - by, rect.width + 2 * by, rect.height + 2 * by)


def ticks(frame: Rect, side: SideName, line: int) -> tuple[Rect, ...]:
    """Return the inward corner ticks of a side that has no outside."""
    across, down = min(line, frame.width), min(line, frame.height)
    long_x, long_y = min(12 * line, frame.width // 4 or 1), min(12 * line, frame.height // 4 or 1)
    if side in ("left", "right"):
        x = frame.x if side == "left" else frame.right - across
        return (Rect(x, frame.y, across, long_y), Rect(x, frame.bottom - long_y, across, long_y))
    y = frame.y if side == "top" else frame.bottom - down
    return (Rect(frame.x, y, long_x, down), Rect(frame.right - long_x, y, long_x, down))


def dashed(band: Rect, side: SideName, dashes: tuple[int, ...], line: int, *, corner: int = 0) -> Iterator[Rect]:
    """Yield the marks of a band along its side, solid for `corner` px at both ends; one mark without dashes."""
    if not dashes:
        yield band
        return
    is_upright = side in ("left", "right")
    start, end = (band.y, band.bottom) if is_upright else (band.x, band.right)
    corner = min(corner, (end - start) // 4)
    marks = [(start, start + corner), *_marks(start + corner, end - corner, dashes, line), (end - corner, end)]
    for first, last in marks:
        if last > first and is_upright:
            yield Rect(band.x, first, band.width, last - first)
        elif last > first:
            yield Rect(first, band.y, last - first, band.height)


def _marks(start: int, end: int, dashes: tuple[int, ...], line: int) -> Iterator[tuple[int, int]]:
    place, step = start, 0
    while place < end:
        length = min(dashes[step % len(dashes)] * line, end - place)
        if step % 2 == 0:
            yield place, place + length
        place += length
        step += 1


def cross(frame: Rect, line: int) -> tuple[Rect, ...]:
    """Return the two arms of a frame's centre mark, as near to its exact centre as whole pixels allow."""
    thick = max(1, line // 2)
    arm = min(8 * line, frame.width // 4, frame.height // 4)
    if arm <= thick:
        return ()
    centre_x, centre_y = frame.x + frame.width // 2, frame.y + frame.height // 2
    return (
        Rect(centre_x - arm, centre_y - thick // 2, 2 * arm, thick),
        Rect(centre_x - thick // 2, centre_y - arm, thick, 2 * arm),
    )
