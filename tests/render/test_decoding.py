"""What a decoder holds, told from headers: hand values of ITU-T T.81 and TIFF 6.0, and files of other writers."""

from __future__ import annotations

import io

import numpy as np
import pytest
import tifffile
from PIL import Image

from tallwide_service.render.decoding import Scans, decoding_bytes, oddly_typed_field, scans_of

RED = (200, 30, 30)


def jpeg(size: tuple[int, int] = (64, 48), mode: str = "RGB", **options: object) -> bytes:
    out = io.BytesIO()
    Image.new(mode, size).save(out, "JPEG", **options)
    return out.getvalue()


def segment(marker: int, content: bytes) -> bytes:
    """Return a marker segment (ITU-T T.81, B.1.1.4); its length counts itself."""
    return bytes([0xFF, marker]) + (2 + len(content)).to_bytes(2, "big") + content


def headers(size: tuple[int, int], factors: list[int], scans: list[int], frame: int = 0xC0, fill: bytes = b"") -> bytes:
    """Return a JPEG without data: a component for each of the factors (H in the high bits), and scans of so many."""
    width, height = size
    parts = [bytes([8]), height.to_bytes(2, "big"), width.to_bytes(2, "big"), bytes([len(factors)])]
    parts += [bytes([number, factor, 0]) for number, factor in enumerate(factors)]
    written = b"\xff\xd8" + fill + segment(frame, b"".join(parts))
    for components in scans:
        chosen = b"".join(bytes([number, 0]) for number in range(components))
        # Coded data: a stuffed byte and a restart are no markers.
        written += fill + segment(0xDA, bytes([components]) + chosen + b"\0\x3f\0") + b"\x12\xff\x00\x34\xff\xd0\x56"
    return written + b"\xff\xd9"


@pytest.mark.parametrize(
    ("file", "expected"),
    [
        pytest.param(jpeg(), Scans(1, 0), id="one scan: nothing is kept"),
        pytest.param(jpeg(mode="L"), Scans(1, 0), id="one scan of grey"),
        # 8 x 6 blocks of 64 coefficients of 2 bytes, three times.
        pytest.param(jpeg(progressive=True, subsampling=0), Scans(10, 3 * 8 * 6 * 128), id="progressive 4:4:4"),
        # 4 x 3 units of 16 x 16: four blocks of luma, one of each chroma.
        pytest.param(jpeg(progressive=True, subsampling=2), Scans(10, 6 * 4 * 3 * 128), id="progressive 4:2:0"),
        pytest.param(jpeg((65, 49), progressive=True, subsampling=2), Scans(10, 6 * 5 * 4 * 128), id="odd size"),
        pytest.param(jpeg(mode="L", progressive=True), Scans(6, 8 * 6 * 128), id="progressive grey"),
        pytest.param(
            headers((64, 48), [0x11] * 3, [1, 1, 1]), Scans(3, 3 * 8 * 6 * 128), id="a scan for each component"
        ),
        pytest.param(headers((64, 48), [0x11] * 3, [1]), Scans(1, 3 * 8 * 6 * 128), id="a scan of one of three"),
        pytest.param(headers((64, 48), [0x11] * 3, [3]), Scans(1, 0), id="a scan of all three"),
        pytest.param(headers((64, 48), [0x21, 0x11, 0x11], [3, 3]), Scans(2, 4 * 4 * 6 * 128), id="4:2:2, twice"),
        pytest.param(headers((64, 48), [0x11] * 3, [1, 2], fill=b"\xff\xff"), Scans(2, 3 * 8 * 6 * 128), id="fill"),
        pytest.param(headers((64, 48), [0x11] * 3, [3]) + jpeg(progressive=True), Scans(1, 0), id="another behind it"),
        pytest.param(headers((64, 48), [0x11] * 3, [3], 0xCA), Scans(1, 3 * 8 * 6 * 128), id="arithmetic, progressive"),
        pytest.param(b"\xff\xd8\xff\xd9", Scans(0, 0), id="nothing"),
        pytest.param(b"\xff\xd8\xff\xda", Scans(1, 0), id="cut"),
    ],
)
def test_scans_and_coefficients_are_those_of_the_headers(file, expected):
    assert scans_of(file, 16) == expected
    assert scans_of(memoryview(file), 16) == expected


def test_counting_ends_one_beyond_the_bound():
    assert scans_of(headers((64, 48), [0x11] * 3, [3] * 40), 16).count == 17


def tiff(**options: object) -> bytes:
    out = io.BytesIO()
    samples = np.full((48, 64, 3), RED, np.uint8)
    tifffile.imwrite(out, options.pop("samples", samples), **{"photometric": "rgb", **options})
    return out.getvalue()


@pytest.mark.parametrize(
    ("file", "beside"),
    [
        pytest.param(tiff(), 0, id="not packed: rows are read as they lie"),
        pytest.param(tiff(compression="zlib", rowsperstrip=48), 64 * 48 * 3, id="one strip"),
        pytest.param(tiff(compression="zlib", rowsperstrip=8), 64 * 8 * 3, id="strips of eight rows"),
        pytest.param(tiff(compression="zlib", rowsperstrip=4_000_000_000), 64 * 48 * 3, id="rows without end"),
        pytest.param(tiff(compression="zlib", tile=(256, 512)), 256 * 512 * 3, id="tiles larger than the picture"),
        pytest.param(
            tiff(
                compression="zlib",
                rowsperstrip=48,
                planarconfig="separate",
                samples=np.zeros((3, 48, 64), np.uint8),
            ),
            64 * 48,
            id="a plane for each channel",
        ),
        pytest.param(
            tiff(compression="zlib", rowsperstrip=16, samples=np.zeros((48, 64, 3), np.uint16)),
            64 * 16 * 6,
            id="16 bits",
        ),
    ],
)
def test_a_packed_tiff_takes_its_largest_piece(file, beside):
    with Image.open(io.BytesIO(file)) as picture:
        assert decoding_bytes(picture, len(file), None) == len(file) + 4 * 64 * 48 + beside


def test_a_jpeg_in_a_tiff_takes_the_piece_and_its_coefficients():
    out = io.BytesIO()
    Image.new("YCbCr", (64, 48)).save(out, "TIFF", compression="jpeg")
    with Image.open(out) as picture:
        rows = min(picture.tag_v2[278], 48)
        beside = decoding_bytes(picture, 0, None) - 4 * 64 * 48
    # Four bytes for each pixel, and two more for each of the samples.
    assert beside == 64 * rows * 4 * 3


def test_a_tiff_packed_in_the_oldest_way_takes_its_strip_too():
    out = io.BytesIO()
    Image.new("RGB", (64, 48), RED).save(out, "TIFF", compression="tiff_lzw", tiffinfo={278: 48})
    with Image.open(out) as picture:
        assert decoding_bytes(picture, 0, None) == 4 * 64 * 48 + 64 * 48 * 3


@pytest.mark.parametrize("form", ["PNG", "JPEG"])
def test_another_still_takes_its_file_and_four_bytes_a_pixel(form):
    out = io.BytesIO()
    Image.new("RGB", (64, 48), RED).save(out, form)
    with Image.open(out) as picture:
        scans = scans_of(out.getvalue(), 16) if form == "JPEG" else None
        assert decoding_bytes(picture, 1_000, scans) == 1_000 + 4 * 64 * 48


def retyped(file: bytes, number: int, kind: int) -> bytes:
    """Return a TIFF, little-endian, with another type of one field (TIFF 6.0, section 2)."""
    start = int.from_bytes(file[4:8], "little")
    count = int.from_bytes(file[start : start + 2], "little")
    places = [start + 2 + 12 * place for place in range(count)]
    (place,) = (place for place in places if int.from_bytes(file[place : place + 2], "little") == number)
    return file[: place + 2] + kind.to_bytes(2, "little") + file[place + 4 :]


@pytest.mark.parametrize("kind", [1, 5, 6, 9, 11, 16, 17, 18])
def test_a_size_of_another_type_is_found(kind):
    file = tiff(compression="zlib", tile=(256, 512))
    assert oddly_typed_field(file) is None
    for number in (258, 259, 262, 277, 284, 322, 323):
        assert oddly_typed_field(retyped(file, number, kind)) == number
    assert oddly_typed_field(retyped(file, 305, kind)) is None  # the name of the program has no part in it


def test_a_big_endian_tiff_is_read_as_well():
    big = tiff(compression="zlib", tile=(256, 512), byteorder=">")
    assert big[:2] == b"MM"
    assert oddly_typed_field(big) is None
    with Image.open(io.BytesIO(big)) as picture:
        assert decoding_bytes(picture, 0, None) == 4 * 64 * 48 + 256 * 512 * 3


@pytest.mark.parametrize("size", [0, 3, 8, 9, 12, 40])
def test_a_cut_directory_has_no_such_field(size):
    assert oddly_typed_field(tiff()[:size]) is None
