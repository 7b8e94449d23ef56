"""The parsers that meet what strangers send, each with what it may refuse and what must hold of what it reads.

A target takes bytes, and returns whether they were read; whatever it raises is a fault of its parser. `parsers.py`
runs them under Atheris, `test_parsers.py` under hypothesis.
"""

from __future__ import annotations

import io
import json
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import pyarrow as pa
from marshmallow import ValidationError
from PIL import Image

from clip_streams import rows_of
from clip_streams import written as written_clips
from tallwide import handoff
from tallwide.batch import _block
from tallwide.decision import read_answer
from tallwide.errors import TallwideError
from tallwide.handoff import ReadOptions, UnreadableForm
from tallwide.job import Capture, Job, Raster
from tallwide.kit import Kit, KitError
from tallwide.wire import from_wire, to_wire
from tallwide_service import create_app
from tallwide_service.api import batch, body, stills
from tallwide_service.api.clips import Table
from tallwide_service.api.documented import packed
from tallwide_service.api.problems import Problem
from tallwide_service.api.schemas import AspectField
from tallwide_service.core.region import usable_polygon
from tallwide_service.errors import CannotBeMet
from tallwide_service.render.still import Bounds, StillRefused, read_still
from tallwide_service.settings import Settings

BOUNDARY = "b0undary"
SIDE = Raster(64, 48)
# Small ones, so that no case takes long; the service's own are held by the tests of its limits.
BOUNDS = Bounds(
    most_px=250_000, most_turned_px=200_000, most_deep_px=150_000, most_decoding_bytes=2_000_000, most_scans=16
)
JOB = {
    "version": 1,
    "id": "a",
    "_clip": {"roll": ["A014", 2.50, None]},
    "capture": {
        "raster": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "usable_area": [[0, 0], [4800, 0], [4000.5, 3200], [0, 3200]],
        "lens": {"focal_length_mm": 32, "image_circle_mm": 31.4},
    },
    "deliverables": [
        {"label": "wide", "aspect": "2.39:1", "align": {"y": 0.33}},
        {"label": "tall", "raster": {"width": 1080, "height": 1920}, "protection": {"each_side": 0.05}},
    ],
}
PLAIN_JOB = {"capture": {"raster": to_wire(SIDE)}, "deliverables": [{"label": "wide", "aspect": "16:9"}]}


class Broken(Exception):
    """Something was read that does not hold together."""


def hold(what: object, why: str) -> None:
    """Raise where something does not hold."""
    if not what:
        raise Broken(why)


@dataclass(frozen=True)
class Target:
    """One parser: what reads, what it may refuse by, and bytes that it reads."""

    read: Callable[[bytes], None]
    refusals: tuple[type[Exception], ...]
    seeds: tuple[bytes, ...]
    words: tuple[bytes, ...] = ()  # what is put in here and there
    most_bytes: int = 4096

    def takes(self, data: bytes) -> bool:
        """Whether bytes are read; raises where they are neither read nor refused."""
        try:
            self.read(data)
        except self.refusals:
            return False
        return True


def written(document: Any) -> bytes:
    """Return a JSON value as bytes."""
    return json.dumps(document, separators=(",", ":")).encode()


def text_of(data: bytes) -> str:
    """Return bytes as text, half surrogate pairs included, which JSON can hold."""
    return data.decode("utf-8", "surrogatepass") if _is_text(data) else data.decode("latin-1")


def _is_text(data: bytes) -> bool:
    try:
        data.decode("utf-8", "surrogatepass")
    except UnicodeDecodeError:
        return False
    return True


def json_of(data: bytes) -> Any:
    """Return a JSON value as Python's reader gives it to the SDK; a text where bytes are none."""
    try:
        return json.loads(data)
    except (ValueError, RecursionError):
        return text_of(data)


# --- aspects and polygons ------------------------------------------------------------------------------------------


def read_aspect(data: bytes) -> None:
    """Read an aspect: a text, or a number written in JSON."""
    value = json_of(data)
    ratio = AspectField().deserialize(value).ratio
    hold(Fraction(1, 20) <= ratio <= 20, "an aspect beyond the bounds")
    if isinstance(value, str):
        width, _, height = value.partition(":")
        hold(Fraction(width) == ratio * Fraction(height), "another ratio than is written")
    else:
        hold(abs(float(ratio) - float(value)) <= 1e-12 * float(ratio), "another ratio than the number")


def read_polygon(data: bytes) -> None:
    """Read a usable area, either way round, and the same area from its last corner on."""
    job = {"capture": {"raster": {"width": 4800, "height": 3200}, "usable_area": json_of(data)}, "deliverables": []}
    job["deliverables"] = PLAIN_JOB["deliverables"]
    area = body.job_of(job).capture.usable_area
    if area is None:
        return
    polygon = usable_polygon(area)
    for x, y in polygon.corners:
        hold(all(side.a * x + side.b * y <= side.c for side in polygon.sides), "a corner outside its own area")
    for other in (area[::-1], area[-1:] + area[:-1]):
        again = usable_polygon(other)
        hold({*again.sides} == {*polygon.sides}, "another area from another corner or the other way round")


# --- documents -----------------------------------------------------------------------------------------------------


def reads_form(form: str) -> Callable[[bytes], None]:
    """Return what reads documents of a form, strictly and leniently."""

    def read(data: bytes) -> None:
        document = text_of(data) if form in ("image-regions", "csv") else json_of(data)
        lenient = handoff.read(document, form, ReadOptions(lenient=True, raster=Raster(4800, 3200)))
        for frame in lenient.frames:
            hold(frame.deliverable.isprintable(), "a label that cannot be printed")
            hold(frame.rect.x >= 0 <= frame.rect.y and min(frame.rect.width, frame.rect.height) > 0, "no frame")
        strict = handoff.read(document, form, ReadOptions(lenient=False, raster=Raster(4800, 3200)))
        hold(strict.frames == lenient.frames, "read strictly, a document has other frames")

    return read


def documents(form: str) -> tuple[bytes, ...]:
    """Return what the project itself writes in a form."""
    document = handoff.write(read_answer(ANSWER), form)
    return (document.raw,) if isinstance(document.content, str) else (written(document.content),)


def read_saved_answer(data: bytes) -> None:
    """Read a saved answer, and write it down again in a form."""
    decision = read_answer(json_of(data))
    hold(len(decision.frames) == len(decision.job.deliverables), "not a frame a deliverable")


def read_kit(data: bytes) -> None:
    """Read a kit, and merge it into jobs that name what it has."""
    kit = Kit.of(json_of(data))
    for capture in [*kit.captures][:8]:
        kit.merged({"capture": capture, "lenses": [*kit.lenses][:8], "alternatives": [*kit.captures][:4]})


# --- requests ------------------------------------------------------------------------------------------------------


def read_job(data: bytes) -> None:
    """Read a job as the service does, and by the strict way alone: the quick one must not take anything else."""
    quick = body.read_job(data)
    strict = body.job_of(body.json_document(data))
    hold(to_wire(quick) == to_wire(strict), "the quick reader reads another job")
    hold(from_wire(Job, json.loads(written(to_wire(quick)))) == quick, "a job that does not come back")


def read_query(data: bytes) -> None:
    """Read `?job=`."""
    body.read_job(body.inflated(text_of(data)))


def read_lines(data: bytes) -> None:
    """Read the lines of a batch, whatever pieces they come in; every line refused is refused by itself."""
    lines = [line for line in batch.lines_of(io.BytesIO(data)) if line is not None]
    hold(lines == [line for line in batch.lines_of(_Dripping(data)) if line is not None], "lines hang on the pieces")
    for line in lines:
        if line.strip():
            _read_line(line)


def _read_line(line: bytes) -> None:
    document, is_quick = batch.read_line(line)
    batch.name_in(document)
    asked = batch.asked_in(document, is_quick=is_quick)
    hold(json.loads(batch.job_text(line.decode())) == json.loads(line)["job"], "another job than the line's")
    hold(asked.endpoint != "batch", "a batch in a batch")


class _Dripping(io.BytesIO):
    """Bytes that come three at a time."""

    def read(self, size: int | None = -1) -> bytes:
        return super().read(min(3, size or 3))


def read_table(data: bytes) -> None:
    """Read a table of clips; what is taken is what pyarrow's own reader takes."""
    table = Table(io.BytesIO(data))
    batches = [*table.batches()]
    hold(batches == [*pa.ipc.open_stream(data)], "other rows than are written")


def read_answer_lines(data: bytes) -> None:
    """Read what comes back for a block of three lines, in two pieces, as the SDK does."""
    asked = [written(LINE)] * 3
    lines = [answer.line for answer in _block(_Answering([data[:7], data[7:]]), asked, 10)]  # type: ignore[arg-type]
    hold(lines == [11, 12, 13], "other lines than were asked")


class _Answering:
    """A transport with an answer that is known before."""

    def __init__(self, pieces: list[bytes]) -> None:
        self._pieces = pieces

    def stream(self, *_: Any, **__: Any) -> Iterator[bytes]:
        yield from self._pieces


def read_parts(data: bytes) -> None:
    """Read the parts of a form with a still."""
    content_type = f"multipart/form-data; boundary={BOUNDARY}"
    with APP.test_request_context("/v1/overlay", method="POST", data=data, content_type=content_type):
        posted = stills.posted_job_and_still()
    raster = posted.job.capture.raster
    hold(posted.still.recorded.size == (raster.width, raster.height), "a still of another size")


# --- stills --------------------------------------------------------------------------------------------------------


def read_picture(data: bytes) -> None:
    """Read a still; the sums of a PNG's chunks are set right first, or nothing behind them would be reached."""
    still = read_still(io.BytesIO(with_right_sums(data)), Capture(SIDE, roll=90), fit="scale", bounds=BOUNDS)
    hold(still.recorded.size == (SIDE.width, SIDE.height), "a still of another size")
    hold(still.recorded.mode == "RGB", "a still of other channels")


def with_right_sums(data: bytes) -> bytes:
    """Return a PNG in which the sum of each chunk is that of its bytes (ISO/IEC 15948, 5.3); anything else as it is."""
    if not data.startswith(b"\x89PNG\r\n\x1a\n"):
        return data
    made, place = bytearray(data), 8
    while place + 12 <= len(made):
        (length,) = struct.unpack_from(">I", made, place)
        if place + 12 + length > len(made):
            break
        struct.pack_into(">I", made, place + 8 + length, zlib.crc32(made[place + 4 : place + 8 + length]))
        place += 12 + length
    return bytes(made)


def pictures() -> tuple[bytes, ...]:
    """Return small stills of every kind that is read."""
    plain = Image.linear_gradient("L").resize((16, 12))
    colours = Image.merge("RGB", (plain, plain.transpose(Image.Transpose.ROTATE_180), plain))
    turned = Image.Exif()
    turned[0x0112] = 6
    kept: list[bytes] = []

    def keep(picture: Image.Image, kind: str, **options: Any) -> None:
        file = io.BytesIO()
        picture.save(file, kind, **options)
        kept.append(file.getvalue())

    for picture in (colours, plain, plain.convert("I;16"), colours.convert("P"), colours.convert("RGBA")):
        keep(picture, "PNG")
        if picture.mode != "P":
            keep(picture, "TIFF", compression="tiff_adobe_deflate")
    for mode in ("RGB", "L", "CMYK"):
        keep(colours.convert(mode), "JPEG", progressive=mode == "RGB", exif=turned)
    keep(plain.convert("1"), "PNG")
    keep(colours.convert("LAB"), "TIFF")
    keep(colours.convert("YCbCr"), "TIFF", compression="jpeg")
    keep(plain.convert("1"), "TIFF", compression="group4")
    keep(colours, "TIFF", compression="tiff_lzw")
    return tuple(kept)


def parts(still: bytes, job: Any = None) -> bytes:
    """Return a form with a job and a still."""

    def part(head: str, content: bytes) -> bytes:
        return f"--{BOUNDARY}\r\nContent-Disposition: form-data; {head}\r\n\r\n".encode() + content + b"\r\n"

    of_still = 'name="still"; filename="a.png"\r\nContent-Type: application/octet-stream'
    of_job = written(job or {**PLAIN_JOB, "plate": {"fit": "scale"}})
    return part('name="job"', of_job) + part(of_still, still) + f"--{BOUNDARY}--\r\n".encode()


APP = create_app(Settings(log=False))
ANSWER = json.loads(APP.test_client().post("/v1/extractions", json=JOB).data)
PICTURES = pictures()
LINE = {"id": "a", "endpoint": "extractions", "job": PLAIN_JOB}
CLIPS = rows_of({"id": "a", "raster_width_px": 64, "raster_height_px": 48}, {"raster_width_px": 64, "align_x": None})
WANTED = {"deliverables": PLAIN_JOB["deliverables"]}
LINES = written(LINE) + b"\n{}\n" + written({**LINE, "endpoint": "handoff/csv", "media_type": "text/csv"})
JSON_WORDS = (
    b"1e999",
    b"-0",
    b"NaN",
    b"\\ud800",
    b"null",
    b"true",
    b"0.1",
    b"[[[[",
    b"{}",
    b'"_":',
    b"9" * 20,
    b"\xff",
)
TARGETS = {
    "aspect": Target(
        read_aspect,
        (ValidationError,),
        (b"16:9", b"2.39:1", b"1.85", b"2", b"0.05:1", b"1:20", b'"4:5"', b"1.7777777777777777"),
        (b":", b".", b"e", b"-", b"/", b"_", b" ", b"\xd9\xa1", b"0"),
        most_bytes=128,
    ),
    "polygon": Target(
        read_polygon,
        (CannotBeMet, Problem),
        (
            written(JOB["capture"]["usable_area"]),
            b"[[0,0],[0,3200],[4800,3200]]",
            b"[[2400,0.1],[4799.9,1600],[2400,3200],[0.3,1600]]",
            b"[[100,0],[200,0],[300,0],[300,200],[200,300],[0,100]]",
        ),
        (*JSON_WORDS, b"],[", b",", b"4800", b"3200"),
        most_bytes=1024,
    ),
    "still": Target(read_picture, (StillRefused,), PICTURES, (b"\xff\xda", b"IDAT", b"\xff\xff\xff\xff", bytes(8))),
    "image-regions (XML)": Target(
        reads_form("image-regions"),
        (UnreadableForm,),
        documents("image-regions"),
        (b"<!DOCTYPE a [", b"<!ENTITY b 'c'>", b"&amp;", b"&#0;", b"<![CDATA[", b"rdf:parseType='Resource'", b"xmlns:"),
        most_bytes=8192,
    ),
    "framing-decision-list (JSON)": Target(
        reads_form("framing-decision-list"),
        (UnreadableForm,),
        documents("framing-decision-list"),
        JSON_WORDS,
        most_bytes=16_384,
    ),
    "iiif": Target(reads_form("iiif"), (UnreadableForm,), documents("iiif"), (b"pct:", b"/full/", b"%2F", b"!90")),
    "media-fragments": Target(
        reads_form("media-fragments"),
        (UnreadableForm,),
        documents("media-fragments"),
        (b"#xywh=", b"percent:", b"pixel:", b"%23", b"&t=1"),
    ),
    "csv": Target(reads_form("csv"), (UnreadableForm,), documents("csv"), (b'"', b"\r", b";", b"\x00", b"'=")),
    "saved answer": Target(read_saved_answer, (ValueError,), (written(ANSWER),), JSON_WORDS, most_bytes=8192),
    "kit": Target(
        read_kit,
        (KitError,),
        (
            written(
                {
                    "captures": {"A": {"raster": {"width": 4800, "height": 3200}, "lens": "32"}},
                    "lenses": {"32": {"focal_length_mm": 32}, "z": {"settings": [{"focal_length_mm": 28}]}},
                    "rigs": {"high": {}},
                }
            ),
        ),
        JSON_WORDS,
    ),
    "job": Target(read_job, (Problem,), (written(JOB), written(PLAIN_JOB)), JSON_WORDS),
    "query": Target(
        read_query, (Problem,), (packed(JOB).encode(), packed(PLAIN_JOB).encode()), (b"=", b"%", b"-_", b"eJw")
    ),
    "batch (NDJSON)": Target(
        read_lines,
        (Problem,),
        (
            written(LINE)
            + b"\n"
            + written({**LINE, "id": 2, "media_type": "image/png", "endpoint": "overlay"})
            + b"\n",
            written({"_note": [1], **LINE}) + b"\r\n\n" + written({**LINE, "endpoint": "handoff/csv"}),
        ),
        (*JSON_WORDS, b"\n", b"\r\n", b'"job":', b'"endpoint":', b"\xe2\x80\xa8"),
    ),
    "clips (Arrow)": Target(
        read_table,
        (Problem, TimeoutError, ConnectionError),
        (written_clips(CLIPS, WANTED), written_clips(CLIPS, WANTED, batch_rows=1)),
        (b"\xff\xff\xff\xff", bytes(4), b"\x00\x00\x00\x80", b"int64", b"tallwide", *JSON_WORDS),
    ),
    "answers to a batch (NDJSON)": Target(
        read_answer_lines,
        (TallwideError,),
        (APP.test_client().post("/v1/batch", data=LINES, content_type="application/x-ndjson").data,),
        (*JSON_WORDS, b"\n", b'"end":true', b'"complete":false', b'"problem":', b'"base64":'),
        most_bytes=8192,
    ),
    "form (multipart)": Target(
        read_parts,
        (Problem, StillRefused),
        (parts(PICTURES[0]), parts(PICTURES[1])),
        (b"--" + BOUNDARY.encode(), b"--", b"\r\n", b'filename="', b"filename*=utf-8''%00", b"Content-Type: "),
    ),
}
