"""Stills resized band by band, and turned back to how they were recorded."""

from __future__ import annotations

import io

import numpy as np
import pytest
import tifffile
from PIL import Image
from skimage import data

from tallwide_service.render.still import resized
from tallwide_service.render.still_tiff import still_tiff


@pytest.mark.parametrize("size", [(320, 700), (150, 100), (1200, 1800), (600, 400), (37, 1031), (1, 1)])
@pytest.mark.parametrize("box", [(0, 0, 600, 400), (10.5, 3.25, 590, 399.5)])
def test_bands_give_the_picture_that_resizing_at_once_gives(size, box):
    photograph = Image.fromarray(data.coffee())
    at_once = np.asarray(photograph.resize(size, Image.Resampling.LANCZOS, box=box)).astype(int)
    off = np.abs(np.asarray(resized(photograph, size, box)) - at_once)
    # Pillow clips to 8 bits between its two passes and chooses their order by the size of the band: where the
    # filter overshoots beside a hard edge, single values differ. No row may stand out, as a seam would.
    assert off.mean() < 0.25
    assert np.quantile(off, 0.999) <= 4
    assert off.mean(axis=(1, 2)).max() < 2


@pytest.mark.parametrize("roll", [90, 180, 270])
def test_a_part_is_turned_clockwise_as_it_is_resized(roll):
    photograph = Image.fromarray(data.coffee())
    plain = resized(photograph, (300, 700), (50, 20, 400, 390))
    assert resized(photograph, (300, 700), (50, 20, 400, 390), roll) == plain.rotate(-roll, expand=True)


@pytest.mark.parametrize("size", [(1, 1), (2, 3), (67, 64), (65, 129), (300, 200)])
def test_a_tiff_holds_the_picture_to_the_bit_as_other_programs_read_it(size):
    pixels = np.random.default_rng(7).integers(0, 256, (size[1], size[0], 3), dtype=np.uint8)
    file = still_tiff(Image.fromarray(pixels))
    assert (tifffile.imread(io.BytesIO(file)) == pixels).all()
    with tifffile.TiffFile(io.BytesIO(file)) as read:
        # TIFF 6.0, section 6, required fields of RGB images.
        assert set(read.pages[0].tags.keys()) >= {256, 257, 258, 259, 262, 273, 277, 278, 279, 282, 283, 296}
        assert read.pages[0].tags["XResolution"].value == read.pages[0].tags["YResolution"].value == (1, 1)
    with Image.open(io.BytesIO(file)) as read:
        assert read.mode == "RGB"
        assert (np.asarray(read) == pixels).all()
