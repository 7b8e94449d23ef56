"""The PNG writer: any scene comes back from a decoder as it was painted, and memory stays bounded."""

from __future__ import annotations

import gzip
import io
import shutil
import struct
import subprocess
import sys
import zlib
from bisect import insort

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from tallwide.answers import Rect
from tallwide_service.limits import LIMITS
from tallwide_service.render import png
from tallwide_service.render.run_rows import checked, code_lengths, deflated
from tallwide_service.render.scene import Band, Plate, Scene, TextLine
from tallwide_service.render.type_setting import font_of

COLOURS = [(230, 159, 0), (86, 180, 233), (16, 16, 16), (245, 245, 245)]


PAPER, INK = (24, 24, 24), (245, 245, 245)


def scene_of(width: int, height: int, bands, plates=()) -> Scene:
    return Scene(width, height, "title", "description", ("frame",), tuple(bands), rings=(), plates=tuple(plates))


@st.composite
def scenes(draw, colours=COLOURS):
    width, height = draw(st.integers(1, 90)), draw(st.integers(1, 90))

    def band():
        x, y = draw(st.integers(0, width - 1)), draw(st.integers(0, height - 1))
        rect = Rect(x, y, draw(st.integers(1, width - x)), draw(st.integers(1, height - y)))
        if draw(st.integers(0, 3)) == 0:
            return Band("shade", None, rect, (0, 0, 0), 150)
        return Band("line", 0, rect, draw(st.sampled_from(colours)))

    def plate():
        x, y = draw(st.integers(0, width - 1)), draw(st.integers(0, height - 1))
        rect = Rect(x, y, draw(st.integers(1, width - x)), draw(st.integers(1, height - y)))
        line = TextLine("Wag", draw(st.integers(0, 4)), draw(st.integers(4, 20)), 0, 9)
        turn = draw(st.sampled_from((0, 90, 180, 270)))
        return Plate("label", 0, rect, turn, draw(st.sampled_from(colours)), (Rect(0, 0, 2, 1),), (line,))

    bands = [band() for _ in range(draw(st.integers(0, 8)))]
    return scene_of(width, height, bands, [plate() for _ in range(draw(st.integers(0, 2)))])


def painted(scene: Scene) -> np.ndarray:
    """Return the scene's pixels, painted without the writer: shades first, then all else in order."""
    picture = np.zeros((scene.height, scene.width, 4), dtype=np.uint8)
    for band in sorted(scene.bands, key=lambda band: band.kind != "shade"):
        rect = band.rect
        picture[rect.y : rect.bottom, rect.x : rect.right] = (*band.colour, band.alpha)
    for plate in scene.plates:
        rect = plate.rect
        picture[rect.y : rect.bottom, rect.x : rect.right, :3] = labelled(plate)
        picture[rect.y : rect.bottom, rect.x : rect.right, 3] = 255
    return picture


def labelled(plate: Plate) -> np.ndarray:
    """Return a label in colours, seven steps from plate to ink, turned with numpy, which turns counter-clockwise."""
    mask = Image.new("L", plate.size)
    for line in plate.lines:
        ImageDraw.Draw(mask).text((line.left, line.baseline), line.text, 255, font_of(line.size), anchor="ls")
    step = np.floor(np.asarray(mask, dtype=int) * 6 / 255 + 0.5)[..., np.newaxis]
    label = np.rint(np.array(PAPER) + (np.array(INK) - np.array(PAPER)) * step / 6).astype(np.uint8)
    for mark in plate.swatch:
        label[mark.y : mark.bottom, mark.x : mark.right] = plate.colour
    return np.rot90(label, plate.turn // 90)


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


@pytest.mark.parametrize(("colours", "bits"), [(1, 1), (2, 2), (3, 2), (4, 4), (15, 4), (16, 8)])
def test_few_colours_take_few_bits_a_pixel(colours, bits):
    # The clear ground is one more.
    bands = [Band("line", 0, Rect(3 * number, 0, 3, 3), (number, 9, 9)) for number in range(colours)]
    picture = png(scene_of(61, 9, bands))
    assert dict(chunks(picture))[b"IHDR"] == struct.pack(">IIBBBBB", 61, 9, bits, 3, 0, 0, 0)
    assert np.array_equal(decoded(picture), painted(scene_of(61, 9, bands)))


@settings(max_examples=60, deadline=None)
@given(scene=scenes())
def test_the_pixel_stream_is_whole_and_its_checksum_is_right(scene):
    # zlib verifies Adler-32 at the end of the stream.
    (stream,) = (data for name, data in chunks(png(scene)) if name == b"IDAT")
    inflate = zlib.decompressobj()
    bits = dict(chunks(png(scene)))[b"IHDR"][8]
    row_bytes = (scene.width * bits + 7) // 8 + 1
    assert len(inflate.decompress(stream)) == row_bytes * scene.height
    assert inflate.eof
    assert not inflate.unused_data


@pytest.mark.parametrize("height", [9, 10, 63, 64, 65, 1000, 65_535])
def test_a_long_run_of_equal_rows_costs_next_to_nothing(height):
    scene = scene_of(40, height, [Band("line", 0, Rect(7, 0, 3, height), COLOURS[1])])
    picture = png(scene)
    assert np.array_equal(decoded(picture), painted(scene))
    assert len(picture) < 400 + 8 * height


@st.composite
def filtered_rows(draw):
    """Draw rows as they are filtered, mostly runs, and how often each repeats."""
    row_bytes = draw(st.one_of(st.integers(1, 800), st.integers(1, 32_768)))
    rows = np.zeros((draw(st.integers(1, 6)), row_bytes + 1), dtype=np.uint8)
    for row in rows:
        row[0] = draw(st.sampled_from((0, 2)))
        for _ in range(draw(st.integers(0, 12))):
            start = draw(st.integers(1, row_bytes))
            row[start : start + draw(st.sampled_from((1, 2, 3, 4, 10, 257, 258, 259, 260, 600)))] = draw(
                st.integers(0, 255)
            )
    return rows, [draw(st.integers(0, 40)) for _ in rows]


def inflated_form(rows: np.ndarray, repeats: list[int]) -> bytes:
    again = b"\x02" + bytes(rows.shape[1] - 1)
    return b"".join(row.tobytes() + again * times for row, times in zip(rows, repeats, strict=True))


@settings(max_examples=200, deadline=None)
@given(drawn=filtered_rows(), before=st.binary(max_size=40))
def test_rows_inflate_to_themselves_with_their_repeats(drawn, before):
    rows, repeats = drawn
    inflate = zlib.decompressobj(wbits=-15)
    assert inflate.decompress(deflated(rows, repeats)) == inflated_form(rows, repeats)
    assert not inflate.unused_data
    again = (b"\x02" + bytes(rows.shape[1] - 1)) * repeats[0]
    assert checked(zlib.adler32(before), rows.shape[1], repeats[0]) == zlib.adler32(before + again)


@pytest.mark.parametrize("row_bytes", [1, 2, 3, 4, 11, 258, 259, 260, 261, 262, 516, 517, 2224, 4096, 32_768])
def test_another_inflater_than_zlib_reads_them(row_bytes):
    # GNU gzip has an inflater of its own.
    expander = shutil.which("gzip")
    assert expander, "gzip (GNU) is needed"
    rows = np.zeros((3, row_bytes + 1), dtype=np.uint8)
    rows[:, 0] = 2
    rows[0, row_bytes // 2 :] = 17
    rows[1] = np.random.default_rng(row_bytes).integers(0, 256, row_bytes + 1)
    expected = inflated_form(rows, [21, 0, 4])
    last_block = b"\x03\x00"
    body = deflated(rows, [21, 0, 4]) + last_block
    head, tail = gzip.compress(b"", mtime=0)[:10], struct.pack("<II", zlib.crc32(expected), len(expected))
    expanded = subprocess.run([expander, "-dc"], input=head + body + tail, check=True, capture_output=True).stdout
    assert expanded == expected


@settings(max_examples=100, deadline=None)
@given(counts=st.lists(st.integers(0, 50), min_size=2, max_size=60))
def test_a_code_is_complete_and_as_short_as_can_be(counts):
    counts[0], counts[-1] = counts[0] or 1, counts[-1] or 1
    lengths = code_lengths(counts, 15)
    assert sum(2.0**-length for length in lengths if length) == 1
    # The cost of the best code is the sum of all merged weights.
    weights, cost = sorted(count for count in counts if count), 0
    while len(weights) > 1:
        merged = weights.pop(0) + weights.pop(0)
        insort(weights, merged)
        cost += merged
    assert sum(length * count for length, count in zip(lengths, counts, strict=True)) == cost


def test_a_code_for_fibonacci_counts_keeps_to_the_most_bits():
    # The worst case: without a bound the rarest of 40 symbols would take 39 bits.
    counts = [1, 1]
    while len(counts) < 40:
        counts.append(counts[-1] + counts[-2])
    lengths = code_lengths(counts, 15)
    assert max(lengths) <= 15
    assert sum(2.0**-length for length in lengths) == 1


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


@pytest.mark.parametrize(("width", "height"), [(16_384, 12_288), (65_535, 3_072), (3_072, 65_535)])
def test_the_largest_picture_that_the_limits_allow_takes_less_than_300_mb(width, height):
    assert width * height <= LIMITS.overlay_png_px < 1.01 * width * height
    program = [sys.executable, "-c", LARGEST, str(width), str(height)]
    ran = subprocess.run(program, check=True, capture_output=True, text=True)
    assert int(ran.stdout) * 1024 < 300_000_000
