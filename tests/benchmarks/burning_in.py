"""A still with its overlay burned in: beside decoding and encoding it alone, and beside Pillow's fastest PNGs.

The photograph is scikit-image's coffee.png, enlarged, with a sensor's noise; without it for one row.
"""

from __future__ import annotations

import io

import claims
import numpy as np
from measure import Claim, Row, in_turn, timed
from PIL import Image
from skimage import data

from tallwide.job import Aspect, Capture, Deliverable, Job, Raster
from tallwide_service.api.stills import still_bounds
from tallwide_service.core import solve
from tallwide_service.render.plate import burned_in, encoded
from tallwide_service.render.still import read_still
from tallwide_service.render.still_png import still_png

RASTER = Raster(4096, 2160)
# zlib's strategies at the level that is fastest: Pillow's own choice, Huffman codes alone, and runs alone.
FASTEST = (
    {"compress_level": 1},
    {"compress_level": 1, "compress_type": 2},
    {"compress_level": 1, "compress_type": 3},
)


def rows(rounds: int) -> list[Row]:
    """Return what the overlay adds to a JPEG, and how PNG compares."""
    still = photograph()
    job = Job(Capture(RASTER), (Deliverable("wide", aspect=Aspect("16:9")), Deliverable("tall", aspect=Aspect("9:16"))))
    packed = saved(still, "JPEG", quality=92, subsampling=0)
    ours, bare = in_turn(rounds, lambda: timed(lambda: burn(job, packed)), lambda: timed(lambda: again(packed)))
    own, *theirs = in_turn(
        rounds,
        lambda: timed(lambda: still_png(still)),
        *(lambda options=options: timed(lambda: saved(still, "PNG", **options)) for options in FASTEST),
    )
    best = min(theirs)
    return [
        Row(
            claim=claims.BURN_JPEG,
            measured=f"{ours * 1e3:.0f} ms",
            peer=f"decoded and encoded by Pillow {bare * 1e3:.0f} ms",
            value=ours / bare,
        ),
        Row(
            claim=claims.BURN_PNG,
            measured=f"{own * 1e3:.0f} ms",
            peer=f"Pillow's fastest {best * 1e3:.0f} ms",
            value=best / own,
        ),
        size_row(claims.BURN_PNG_SIZE, still),
        size_row(claims.BURN_PNG_SIZE_SMOOTH, enlarged()),
    ]


def size_row(claim: Claim, still: Image.Image) -> Row:
    """Return how large a still is beside the smallest of the fast ones."""
    own, theirs = len(still_png(still)), min(len(saved(still, "PNG", **options)) for options in FASTEST)
    return Row(
        claim=claim,
        measured=f"{own / 1e6:.1f} MB",
        peer=f"Pillow's smallest of those {theirs / 1e6:.1f} MB",
        value=own / theirs,
    )


def enlarged() -> Image.Image:
    """Return the photograph at the raster's size, without noise."""
    return Image.fromarray(data.coffee()).resize((RASTER.width, RASTER.height))


def photograph() -> Image.Image:
    """Return a picture of the raster's size that does not compress better than one from a camera."""
    smooth = np.asarray(enlarged(), dtype=np.int16)
    noise = np.random.default_rng(1).normal(0, 2, smooth.shape).round().astype(np.int16)
    return Image.fromarray(np.clip(smooth + noise, 0, 255).astype(np.uint8))


def saved(picture: Image.Image, kind: str, **options: object) -> bytes:
    """Return a picture as a file."""
    out = io.BytesIO()
    picture.save(out, kind, **options)  # type: ignore[arg-type]
    return out.getvalue()


def burn(job: Job, packed: bytes) -> bytes:
    """Do what the service does: read, solve, draw, encode."""
    still = read_still(io.BytesIO(packed), job.capture, fit="exact", bounds=still_bounds())
    return encoded(burned_in(job, solve(job).extractions, still), "image/jpeg")


def again(packed: bytes) -> bytes:
    """Decode and encode with the same options."""
    with Image.open(io.BytesIO(packed)) as picture:
        return saved(picture, "JPEG", quality=92, subsampling=0)
