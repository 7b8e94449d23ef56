"""A scene on paper: the same display list as shapes and words of a page, in mm."""

from __future__ import annotations

import math
from itertools import groupby

from tallwide.answers import RealRect
from tallwide_service.render.page import Area, Corner, Page, Words, areas, oblong
from tallwide_service.render.palette import plate_colours
from tallwide_service.render.scene import Ellipse, Plate, Polygon, Scene

# Longer side of an overlay's page: that of A3.
LONGEST_SIDE_MM = 420.0
_STEPS = 360


def scene_page(scene: Scene) -> Page:
    """Return an overlay as a page of its own shape."""
    scale = LONGEST_SIDE_MM / max(scene.width, scene.height)
    width, height = scene.width * scale, scene.height * scale
    items = scene_items(scene, RealRect(0, 0, width, height))
    return Page(width, height, scene.title, scene.description, items)


def scene_items(scene: Scene, place: RealRect) -> tuple[Area | Words, ...]:
    """Return what draws a scene at a place on a page, clipped to the place."""
    scale = place.width / scene.width
    items: list[Area | Words] = []
    shades = [band for band in scene.bands if band.kind == "shade"]
    lines = [band for band in scene.bands if band.kind != "shade"]

    def point(x: float, y: float) -> Corner:
        return place.x + x * scale, place.y + y * scale

    for band in shades:
        box = oblong(*point(band.rect.x, band.rect.y), band.rect.width * scale, band.rect.height * scale)
        items.append(Area((box,), band.colour, band.kind, opacity=band.alpha / 255))
    for ring in scene.rings:
        outer, inner = ([point(x, y) for x, y in _clockwise(_corners(shape))] for shape in (ring.outer, ring.inner))
        items.append(Area((tuple(outer), tuple(reversed(inner))), ring.colour, ring.kind, clip=place))
    for key, bands in groupby(lines, key=lambda band: (band.colour, band.kind, band.frame)):
        colour, kind, frame = key
        boxes = (
            oblong(*point(band.rect.x, band.rect.y), band.rect.width * scale, band.rect.height * scale)
            for band in bands
        )
        items += areas(boxes, colour, kind, None if frame is None else scene.labels[frame])
    for plate in scene.plates:
        items += _plate_items(scene, plate, place, scale)
    return tuple(items)


def _corners(shape: Ellipse | Polygon) -> tuple[Corner, ...]:
    if isinstance(shape, Polygon):
        return shape.corners
    angles = (2 * math.pi * step / _STEPS for step in range(_STEPS))
    return tuple((shape.x + shape.across * math.cos(a), shape.y + shape.down * math.sin(a)) for a in angles)


def _clockwise(corners: tuple[Corner, ...]) -> tuple[Corner, ...]:
    """Return corners in clockwise order, y down, whichever way round they are written."""
    twice = sum(ax * by - bx * ay for (ax, ay), (bx, by) in zip(corners, (*corners[1:], corners[0]), strict=True))
    return corners if twice >= 0 else corners[::-1]


def _plate_items(scene: Scene, plate: Plate, place: RealRect, scale: float) -> list[Area | Words]:
    """Return a label: its plate, the sample of its line, and its words, turned as it lies."""
    paper, ink = plate_colours(scene.theme)
    corner_x, corner_y = plate.corner
    label = None if plate.frame is None else scene.labels[plate.frame]

    def point(x: float, y: float) -> Corner:
        """Return a place on the upright plate as it lies on the page."""
        turned = {0: (x, y), 90: (y, -x), 180: (-x, -y), 270: (-y, x)}[plate.turn]
        return place.x + (corner_x + turned[0]) * scale, place.y + (corner_y + turned[1]) * scale

    def box(x: int, y: int, width: int, height: int) -> tuple[Corner, ...]:
        return tuple(point(*corner) for corner in oblong(x, y, width, height))

    items: list[Area | Words] = [
        Area((box(0, 0, *plate.size),), paper, "plate", label),
        Area(tuple(box(m.x, m.y, m.width, m.height) for m in plate.swatch), plate.colour, "swatch", label),
    ]
    for line in plate.lines:
        x, y = point(line.left, line.baseline)
        items.append(Words(line.text, x, y, line.size * scale, ink, turn=(-plate.turn) % 360))
    return items
