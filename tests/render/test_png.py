"""The PNG writer: any scene comes back from a decoder as it was painted, and memory stays bounded."""

from __future__ import annotations

import gzip
import io
import shutil
import struct
import subprocess
import sys
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from tallwide.answers import Rect
from tallwide_service.limits import LIMITS
from tallwide_service.render import png
from tallwide_service.render.repeated_rows import RepeatedRows
from tallwide_service.render.scene import Band, Scene

COLOURS = [(230, 159, 0), (86, 180, 233), (16, 16, 16), (245, 245, 245)]


def scene_of(width: int, height: int, bands) -> Scene:
    return Scene(width, height, "title", "description", ("frame",), tuple(bands), rings=(), plates=())


@st.composite
def scenes(draw, colours=COLOURS):
    width, height = draw(st.integers(1, 90)), draw(st.integers(1, 90))

    def band():
        x, y = draw(st.integers(0, width - 1)), draw(st.integers(0, height - 1))
        rect = Rect(x, y, draw(st.integers(1, width - x)), draw(st.integers(1, height - y)))
        if draw(st.integers(0, 3)) == 0:
            return Band("shade", None, rect, (0, 0, 0), 150)
        return Band("line", 0, rect, draw(st.sampled_from(colours)))

    return scene_of(width, height, (band() for _ in range(draw(st.integers(0, 8)))))


def painted(scene: Scene) -> np.ndarray:
    """Return the scene's pixels, painted without the writer: shades first, then all else in order."""
    picture = np.zeros((scene.height, scene.width, 4), dtype=np.uint8)
    for band in sorted(scene.bands, key=lambda band: band.kind != "shade"):
        rect = band.rect
        picture[rect.y : rect.bottom, rect.x : rect.right] = (*band.colour, band.alpha)
    return picture


def decoded(picture: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(picture)).convert("RGBA"))


def chunks(picture: bytes) -> list[tuple[bytes, bytes]]:
    found, place = [], 8
    while place < len(picture):
        (length,) = struct.unpack(">I", picture[place : place + 4])
        found.append((picture[place + 4 : place + 8], picture[place + 8 : place + 8 + length]))
        place += length + 12
    return found


@settings(max_examples=150, deadline=None)
@given(scene=scenes())
def test_a_decoder_sees_the_scene_as_it_was_painted(scene):
    assert np.array_equal(decoded(png(scene)), painted(scene))


@settings(max_examples=40, deadline=None)
@given(scene=scenes(colours=[(grey, grey, 255 - grey) for grey in range(0, 250, 10)]))
def test_more_colours_than_sixteen_come_back_too(scene):
    many = [Band("line", 0, Rect(0, 0, 1, 1), (grey, 0, grey)) for grey in range(20)]
    picture = png(scene_of(scene.width, scene.height, (*many, *scene.bands)))
    assert dict(chunks(picture))[b"IHDR"][8] == 8
    assert np.array_equal(decoded(picture), painted(scene_of(scene.width, scene.height, (*many, *scene.bands))))


def test_few_colours_take_half_a_byte_a_pixel():
    picture = png(scene_of(31, 9, [Band("line", 0, Rect(0, 0, 3, 3), COLOURS[0])]))
    assert dict(chunks(picture))[b"IHDR"] == struct.pack(">IIBBBBB", 31, 9, 4, 3, 0, 0, 0)


@settings(max_examples=60, deadline=None)
@given(scene=scenes())
def test_the_pixel_stream_is_whole_and_its_checksum_is_right(scene):
    # zlib verifies Adler-32 at the end of the stream.
    (stream,) = (data for name, data in chunks(png(scene)) if name == b"IDAT")
    inflate = zlib.decompressobj()
    row_bytes = (scene.width + 1) // 2 + 1
    assert len(inflate.decompress(stream)) == row_bytes * scene.height
    assert inflate.eof
    assert not inflate.unused_data


@pytest.mark.parametrize("height", [9, 10, 63, 64, 65, 1000, 65_535])
def test_a_long_run_of_equal_rows_costs_next_to_nothing(height):
    scene = scene_of(40, height, [Band("line", 0, Rect(7, 0, 3, height), COLOURS[1])])
    picture = png(scene)
    assert np.array_equal(decoded(picture), painted(scene))
    assert len(picture) < 400 + 8 * height


row_sizes = st.one_of(st.integers(1, 800), st.integers(1, 32_768))


@settings(max_examples=200, deadline=None)
@given(row_bytes=row_sizes, count=st.integers(1, 60), before=st.binary(max_size=40))
def test_repeated_rows_inflate_to_a_filter_and_zeros_each(row_bytes, count, before):
    rows, expected = RepeatedRows(row_bytes), (b"\x02" + bytes(row_bytes)) * count
    inflate = zlib.decompressobj(wbits=-15)
    assert inflate.decompress(rows.deflated(count)) == expected
    assert not inflate.unused_data
    assert rows.checked(zlib.adler32(before), count) == zlib.adler32(before + expected)


@pytest.mark.parametrize("row_bytes", [1, 2, 3, 4, 11, 258, 259, 260, 261, 262, 516, 517, 2224, 4096, 32_768])
def test_another_inflater_than_zlib_reads_repeated_rows(row_bytes):
    # GNU gzip has an inflater of its own.
    expander = shutil.which("gzip")
    assert expander, "gzip (GNU) is needed"
    expected = (b"\x02" + bytes(row_bytes)) * 21
    last_block = b"\x03\x00"
    body = RepeatedRows(row_bytes).deflated(21) + last_block
    head, tail = gzip.compress(b"", mtime=0)[:10], struct.pack("<II", zlib.crc32(expected), len(expected))
    expanded = subprocess.run([expander, "-dc"], input=head + body + tail, check=True, capture_output=True).stdout
    assert expanded == expected


LARGEST = r"""
import sys
from pathlib import Path
from tallwide.job import Align, Aspect, Capture, Deliverable, Job, Raster
from tallwide_service.core import solve
from tallwide_service.render import overlay_scene, png

shapes = ("16:9", "9:16", "4:5", "1:1", "2.39:1", "2:3", "1.85:1", "3:4")
frames = tuple(
    Deliverable(label=f"frame {index}", aspect=Aspect(shapes[index % 8]), align=Align(index % 7 / 6, index % 5 / 4))
    for index in range(32)
)
job = Job(capture=Capture(raster=Raster(int(sys.argv[1]), int(sys.argv[2]))), deliverables=frames)
picture = png(overlay_scene(job, solve(job).extractions))
assert picture.startswith(b"\x89PNG")
# The peak of this program alone: that of rusage counts the process that started it.
print(next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")).split()[1])
"""


@pytest.mark.parametrize(("width", "height"), [(16_384, 16_384), (65_535, 4_096), (4_096, 65_535)])
def test_the_largest_picture_that_the_limits_allow_takes_less_than_300_mb(width, height):
    assert width * height <= LIMITS.overlay_png_px < 1.01 * width * height
    program = [sys.executable, "-c", LARGEST, str(width), str(height)]
    ran = subprocess.run(program, check=True, capture_output=True, text=True)
    assert int(ran.stdout) * 1024 < 300_000_000
