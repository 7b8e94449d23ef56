"""Plates: the overlay burned into a still, and the still cut into its deliverables.

The display list is drawn straight onto the still, so that no second picture of its size is needed.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import replace

from PIL import Image, ImageDraw

from tallwide.answers import Extraction, Rect
from tallwide.job import Deliverable, Job, Picture, Roll
from tallwide_service.core.view import view_of
from tallwide_service.render.overlay import overlay_scene
from tallwide_service.render.palette import NEUTRAL, plate_colours
from tallwide_service.render.ring_rows import ring_rows
from tallwide_service.render.scene import Plate, Scene
from tallwide_service.render.still import Still, before_turn, cut_out, in_view, resized
from tallwide_service.render.still_png import still_png
from tallwide_service.render.still_tiff import still_tiff
from tallwide_service.render.type_setting import fitted, text_mask, write

GROUND, SOFT = (32, 32, 34), (168, 168, 172)
# Longest side of one frame on a contact sheet, the gap between them, and the height of a name.
TILE_PX, GAP_PX, NAME_PX = 640, 24, 22
# Small frames are cut from a picture that plain averages made smaller, but at least so many times their size: that
# takes a fraction of the time and is not seen.
AVERAGED_GAP = 3
# Moment that stands on files in a ZIP: the format's first, so that equal jobs give equal bytes.
NO_MOMENT = (1980, 1, 1, 0, 0, 0)
ENDINGS = {"image/png": "png", "image/jpeg": "jpg", "image/tiff": "tif"}


def burned_in(job: Job, extractions: tuple[Extraction, ...], still: Still) -> Image.Image:
    """Take a still and return the job's picture of it with the overlay burned in."""
    wanted = job.picture
    if wanted is not None and wanted.deliverable is not None:
        only = next(place for place, frame in enumerate(job.deliverables) if frame.label == wanted.deliverable)
        ((_, picture),) = frames(replace(job, deliverables=(job.deliverables[only],)), (extractions[only],), still)
    else:
        picture = in_view(still, view_of(job, extractions))
    burn(overlay_scene(job, extractions), picture)
    return picture


def burn(scene: Scene, picture: Image.Image) -> None:
    """Draw a scene onto a picture of its size, in place."""
    for band in scene.bands:
        if band.kind == "shade":
            _darken(picture, (band.rect.x, band.rect.y, band.rect.right, band.rect.bottom), band.alpha)
    draw = ImageDraw.Draw(picture)
    for ring in scene.rings:
        for y, runs in enumerate(ring_rows(ring, scene.width, scene.height)):
            for first, last in runs:
                if last > first:
                    draw.line((first, y, last - 1, y), fill=ring.colour)
    for band in scene.bands:
        if band.kind != "shade":
            rect = band.rect
            picture.paste(band.colour, (rect.x, rect.y, rect.right, rect.bottom))
    for plate in scene.plates:
        picture.paste(_plate(plate, scene.theme), (plate.rect.x, plate.rect.y))


def _darken(picture: Image.Image, box: tuple[int, int, int, int], alpha: int) -> None:
    """Lay black of an alpha over a part of a picture, a strip at a time."""
    table = [round(level * (255 - alpha) / 255) for level in range(256)] * 3
    left, top, right, bottom = box
    for first in range(top, bottom, 256):
        strip = (left, first, right, min(first + 256, bottom))
        picture.paste(picture.crop(strip).point(table), strip)


def _plate(plate: Plate, theme: str) -> Image.Image:
    """Return a label as a picture, turned as it lies."""
    paper, ink = plate_colours(theme)
    label = Image.new("RGB", plate.size, paper)
    label.paste(ink, (0, 0), text_mask(plate.lines, *plate.size))
    for mark in plate.swatch:
        label.paste(plate.colour, (mark.x, mark.y, mark.right, mark.bottom))
    turns = {90: Image.Transpose.ROTATE_90, 180: Image.Transpose.ROTATE_180, 270: Image.Transpose.ROTATE_270}
    return label.transpose(turns[plate.turn]) if plate.turn else label


def frames(
    job: Job, extractions: tuple[Extraction, ...], still: Still, *, longest_px: int | None = None
) -> Iterator[tuple[str, Image.Image]]:
    """Yield each deliverable's label and its picture: cut out, upright, in its own raster or reduced."""
    smaller: dict[int, Image.Image] = {}
    for deliverable, extraction in zip(job.deliverables, extractions, strict=True):
        size = frame_size(deliverable, extraction, longest_px=longest_px)
        yield deliverable.label, _cut(still.recorded, extraction.rect, job.capture.roll, size, smaller)


def frame_size(deliverable: Deliverable, extraction: Extraction, *, longest_px: int | None = None) -> tuple[int, int]:
    """Return the size of a deliverable's picture: its raster, or the extraction's own pixels, or reduced."""
    frame, raster = extraction.upright_rect, deliverable.raster
    width, height = (frame.width, frame.height) if raster is None else (raster.width, raster.height)
    longest = max(width, height)
    if longest_px is None or longest <= longest_px:
        return width, height
    # The nearest whole pixel; half a pixel counts up.
    return tuple(max(1, (2 * side * longest_px + longest) // (2 * longest)) for side in (width, height))  # type: ignore[return-value]


def contact_sheet(job: Job, extractions: tuple[Extraction, ...], still: Still) -> Image.Image:
    """Return all frames on one sheet, each as shown, with its name and size below it."""
    tiles = []
    smaller: dict[int, Image.Image] = {}
    for deliverable, extraction in zip(job.deliverables, extractions, strict=True):
        tile = _cut(still.recorded, extraction.rect, job.capture.roll, tile_size(float(deliverable.ratio)), smaller)
        tiles.append((deliverable.label, frame_size(deliverable, extraction), tile))
    columns = min(len(tiles), 3 if len(tiles) > 4 else 2)
    rows = [tiles[start : start + columns] for start in range(0, len(tiles), columns)]
    heights = [max(tile.height for *_, tile in row) + 3 * NAME_PX for row in rows]
    width = columns * TILE_PX + (columns + 1) * GAP_PX
    sheet = Image.new("RGB", (width, sum(heights) + (len(rows) + 1) * GAP_PX), GROUND)
    draw = ImageDraw.Draw(sheet)
    top = GAP_PX
    for row, height in zip(rows, heights, strict=True):
        for place, (label, size, tile) in enumerate(row):
            left = GAP_PX + place * (TILE_PX + GAP_PX)
            sheet.paste(tile, (left, top))
            facts = f"{size[0]:,} × {size[1]:,} px"
            for line, (text, ink) in enumerate(((label, NEUTRAL), (facts, SOFT)), start=1):
                baseline = top + tile.height + round((1.3 * line + 0.1) * NAME_PX)
                write(draw, fitted(text, NAME_PX, TILE_PX), left, baseline, NAME_PX, ink)
        top += height + GAP_PX
    return sheet


def _cut(
    recorded: Image.Image, rect: Rect, roll: Roll, size: tuple[int, int], smaller: dict[int, Image.Image]
) -> Image.Image:
    """Return one extraction, upright, in a size; pictures that are made smaller for it are kept for the next one."""
    factor = reduction(rect, roll, size)
    if factor == 1:
        return cut_out(recorded, rect, roll, size)
    if factor not in smaller:
        smaller[factor] = recorded.reduce(factor)
    left, top, right, bottom = (edge / factor for edge in (rect.x, rect.y, rect.right, rect.bottom))
    return resized(smaller[factor], before_turn(size, roll), (left, top, right, bottom), roll)


def reduction(rect: Rect, roll: Roll, size: tuple[int, int]) -> int:
    """Return how many times smaller the still is made before an extraction is cut from it in an upright size."""
    across, down = before_turn(size, roll)
    return max(1, min(rect.width // (across * AVERAGED_GAP), rect.height // (down * AVERAGED_GAP)))


def tile_size(ratio: float) -> tuple[int, int]:
    """Return the size of a frame, in the shape as shown, inside the square that a contact sheet gives it."""
    width, height = (TILE_PX, TILE_PX / ratio) if ratio >= 1 else (TILE_PX * ratio, TILE_PX)
    return max(1, round(width)), max(1, round(height))


def zipped(pictures: Iterator[tuple[str, Image.Image]], media_type: str) -> bytes:
    """Return pictures as a ZIP of single files, numbered in order and named after their labels."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for number, (label, picture) in enumerate(pictures, start=1):
            name = f"{number:02d}_{file_name(label)}.{ENDINGS[media_type]}"
            archive.writestr(zipfile.ZipInfo(name, NO_MOMENT), encoded(picture, media_type))
            del picture  # before the next one is made
    return out.getvalue()


def file_name(label: str) -> str:
    """Return a label as a part of a file's name: letters, digits, - and _ of it, at most 60.

    Examples
    --------
    >>> file_name("../tall 9:16")
    'tall_9_16'
    """
    return re.sub(r"[^\w-]+", "_", label).strip("_")[:60] or "frame"


def encoded(picture: Image.Image, media_type: str, *, longest_px: int | None = None) -> bytes:
    """Return a picture as a file without metadata, reduced where it is larger than asked for."""
    if longest_px is not None and max(picture.size) > longest_px:
        picture = picture.copy()
        picture.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
    if media_type == "image/png":
        return still_png(picture)
    if media_type == "image/tiff":
        return still_tiff(picture)
    picture.info.clear()
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=92, subsampling=0)
    return out.getvalue()


def upright_still(job: Job, still: Still) -> Image.Image:
    """Take a still and return it upright, as the framing sheet's drawing lies on it."""
    return in_view(still, view_of(job, (), Picture(view="upright")))
