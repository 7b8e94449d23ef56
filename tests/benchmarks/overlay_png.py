"""The overlay as PNG, drawn and written, beside Pillow's palette mode: the same scene, the same pixels."""

from __future__ import annotations

import io

import claims
import numpy as np
from measure import Claim, Row, in_turn, timed
from PIL import Image, ImageDraw

from tallwide.job import Aspect, Capture, Deliverable, Job, Raster
from tallwide_service.core import solve
from tallwide_service.render import overlay_scene, png
from tallwide_service.render.png import inks_of
from tallwide_service.render.scene import Plate, Scene
from tallwide_service.render.type_setting import font_of

FRAMES = {"wide": "16:9", "tall": "9:16", "feed": "4:5", "scope": "2.39:1"}
# Pillow's own level, and its fastest with any compression.
DEFAULT_LEVEL, FASTEST_LEVEL = 6, 1
TURNS = {90: Image.Transpose.ROTATE_90, 180: Image.Transpose.ROTATE_180, 270: Image.Transpose.ROTATE_270}


def rows(rounds: int) -> list[Row]:
    """Return time and size of four labelled frames on two rasters."""
    return [
        row
        for raster, *claimed in (
            (Raster(4448, 3096), claims.PNG_4K, claims.PNG_4K_SIZE),
            (Raster(8192, 4320), claims.PNG_8K, claims.PNG_8K_SIZE),
        )
        for row in compared(raster, rounds, *claimed)
    ]


def compared(raster: Raster, rounds: int, quicker: Claim, smaller: Claim) -> list[Row]:
    """Return the rows of one raster."""
    scene = scene_on(raster)
    ours, theirs = png(scene), by_pillow(scene, DEFAULT_LEVEL)
    if not np.array_equal(*(np.asarray(Image.open(io.BytesIO(each)).convert("RGBA")) for each in (ours, theirs))):
        raise RuntimeError("the two pictures differ")
    own, default, fastest = in_turn(
        rounds,
        lambda: timed(lambda: png(scene)),
        lambda: timed(lambda: by_pillow(scene, DEFAULT_LEVEL)),
        lambda: timed(lambda: by_pillow(scene, FASTEST_LEVEL)),
    )
    size, peer_size = len(ours) / 1e3, len(theirs) / 1e3
    at_fastest = f"{fastest * 1e3:.1f} ms at level 1 ({fastest / own:.1f} times)"
    return [
        Row(
            quicker,
            f"{own * 1e3:.1f} ms",
            f"Pillow P {default * 1e3:.1f} ms, {at_fastest}",
            default / own,
        ),
        Row(smaller, f"{size:.1f} kB", f"Pillow P {peer_size:.1f} kB", size / peer_size),
    ]


def scene_on(raster: Raster) -> Scene:
    """Return four frames with their labels."""
    frames = tuple(Deliverable(label, aspect=Aspect(aspect)) for label, aspect in FRAMES.items())
    job = Job(Capture(raster), frames)
    return overlay_scene(job, solve(job).extractions)


def by_pillow(scene: Scene, level: int) -> bytes:
    """Return a scene as a PNG drawn and written by Pillow: palette places in mode P, which it packs by itself."""
    inks = inks_of(scene)
    picture = Image.new("P", (scene.width, scene.height), 0)
    picture.putpalette([part for colour, _ in inks.paints for part in colour])
    for band in sorted(scene.bands, key=lambda band: band.kind != "shade"):
        rect = band.rect
        picture.paste(inks.place[band.colour, band.alpha], (rect.x, rect.y, rect.right, rect.bottom))
    for plate in scene.plates:
        picture.paste(label(plate, inks.place[plate.colour, 255], inks.plate), (plate.rect.x, plate.rect.y))
    out = io.BytesIO()
    alphas = bytes(alpha for _, alpha in inks.paints)
    picture.save(out, "PNG", compress_level=level, transparency=alphas)
    return out.getvalue()


def label(plate: Plate, ink: int, paper: int) -> Image.Image:
    """Return a label as palette places: seven steps from plate to ink."""
    mask = Image.new("L", plate.size)
    draw = ImageDraw.Draw(mask)
    for line in plate.lines:
        draw.text((line.left, line.baseline), line.text, fill=255, font=font_of(line.size), anchor="ls")
    places = mask.point([paper + (6 * cover + 127) // 255 for cover in range(256)])
    for mark in plate.swatch:
        places.paste(ink, (mark.x, mark.y, mark.right, mark.bottom))
    return places.transpose(TURNS[plate.turn]) if plate.turn else places
