"""Hostile bodies that are too large or too binary to be written down, made by name."""

from __future__ import annotations

import base64
import io
import json
import struct
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pyarrow as pa
from PIL import Image

import clip_streams

BOUNDARY = "b0undary"
SIDE = {"width": 64, "height": 48}
STILL_JOB = json.dumps({"capture": {"raster": SIDE}, "deliverables": [{"label": "wide", "aspect": "16:9"}]}).encode()


@dataclass(frozen=True)
class Made:
    """What a recipe makes: a body with its media type, or a text for the query."""

    body: bytes | None = None
    content_type: str | None = None
    query: str = ""


def make(recipe: dict[str, Any]) -> Made:
    """Return what a named recipe makes of its arguments."""
    arguments = {name: value for name, value in recipe.items() if name != "name"}
    return BODIES[recipe["name"]](**arguments)


def json_body(document: Any) -> Made:
    return Made(json.dumps(document).encode(), "application/json")


# --- JSON that is long, deep or costly -----------------------------------------------------------------------------


def repeated(before: str = "", part: str = "", times: int = 1, after: str = "", between: str = "") -> Made:
    """A text with one part many times."""
    return Made((before + between.join([part] * times) + after).encode(), "application/json")


def many_names(times: int, same: bool = False) -> Made:
    """An object of many members, all of one length; `same` repeats the first at the end."""
    names = [f'"k{number:07x}":1' for number in range(times)]
    return Made(("{" + ",".join(names + names[:1] * same) + "}").encode(), "application/json")


def job(deliverables: list[dict[str, Any]], capture: dict[str, Any], times: int = 1, **members: Any) -> Made:
    """A job with its deliverables many times, each with a label of its own."""
    several = [
        {**each, "label": f"{each.get('label', 'f')}{number}"} for number in range(times) for each in deliverables
    ]
    return json_body({"capture": capture, "deliverables": several, **members})


def ring(vertices: int, kind: str, width: int = 12_288, height: int = 8_640) -> Made:
    """A usable area of many corners: `fine` lies nearly on an ellipse, the others are no convex polygons."""
    import math  # noqa: PLC0415 - for this recipe alone

    turns = [2 * math.pi * number / vertices for number in range(vertices)]
    radii = {"fine": lambda _: 1.0, "star": lambda n: 0.5 + 0.5 * (n % 2), "twice": lambda _: 1.0}[kind]
    if kind == "twice":
        turns = [2 * turn for turn in turns]
    places = [
        [width / 2 * (1 + radii(number) * math.cos(turn)), height / 2 * (1 + radii(number) * math.sin(turn))]
        for number, turn in enumerate(turns)
    ]
    capture = {"raster": {"width": width, "height": height}, "usable_area": places}
    return json_body({"capture": capture, "deliverables": [{"label": "wide", "aspect": "16:9"}]})


def places_to_map(point: list[Any], times: int) -> Made:
    """A map of one place many times."""
    document = json.loads(STILL_JOB)
    document["map"] = {"source": {"space": "recorded"}, "target": {"space": "upright"}, "points": [point] * times}
    return json_body(document)


# --- ?job= -----------------------------------------------------------------------------------------------------------


def query(of: str, way: str = "zlib", cut: int = 0, more: str = "", spoil: bool = False) -> Made:
    """A job in a query: deflated in the right or in a wrong way, cut, followed, or with a wrong checksum."""
    document = of.encode() if of != "job" else STILL_JOB
    if of.startswith("spaces "):
        document = STILL_JOB + b" " * int(of.removeprefix("spaces "))
    compressors = {
        "zlib": lambda: zlib.compress(document, 9),
        "raw": lambda: _deflated(document, -15),
        "gzip": lambda: _deflated(document, 31),
        "dictionary": lambda: _deflated(document, 15, b"capture"),
        "none": lambda: document,
        "twice": lambda: zlib.compress(zlib.compress(document, 9), 9),
    }
    packed = compressors[way]()
    if spoil:
        packed = packed[:-1] + bytes([packed[-1] ^ 1])
    packed = packed[: len(packed) - cut] + more.encode()
    return Made(query=base64.urlsafe_b64encode(packed).rstrip(b"=").decode())


def _deflated(document: bytes, window: int, dictionary: bytes | None = None) -> bytes:
    options = {} if dictionary is None else {"zdict": dictionary}
    compressor = zlib.compressobj(9, zlib.DEFLATED, window, **options)
    return compressor.compress(document) + compressor.flush()


def long_query(part: str, times: int) -> Made:
    """A long text for a query."""
    return Made(query=part * times)


# --- stills ----------------------------------------------------------------------------------------------------------


def multipart(*parts: tuple[str, bytes], end: str = f"--{BOUNDARY}--\r\n") -> Made:
    """A multipart body of parts, each its header lines and its content."""
    written = [f"--{BOUNDARY}\r\n{head}\r\n\r\n".encode() + content + b"\r\n" for head, content in parts]
    return Made(b"".join(written) + end.encode(), f"multipart/form-data; boundary={BOUNDARY}")


JOB_PART = ('Content-Disposition: form-data; name="job"\r\nContent-Type: application/json', STILL_JOB)


def still_part(
    content: bytes, declared: str = "application/octet-stream", file_name: str = "still"
) -> tuple[str, bytes]:
    return (
        f'Content-Disposition: form-data; name="still"; filename="{file_name}"\r\nContent-Type: {declared}',
        content,
    )


def still(
    picture: str, declared: str = "application/octet-stream", raster: list[int] | None = None, **how: Any
) -> Made:
    """The ordinary job with a hostile still."""
    document = json.loads(STILL_JOB)
    if raster:
        document["capture"]["raster"] = dict(zip(("width", "height"), raster, strict=True))
    part = (JOB_PART[0], json.dumps(document).encode())
    return multipart(part, still_part(PICTURES[picture](**how), declared))


def chunk(kind: bytes, data: bytes) -> bytes:
    """One chunk of a PNG (ISO/IEC 15948, 5.3)."""
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png(
    *,
    width: int = 64,
    height: int = 48,
    depth: int = 8,
    colour: int = 0,
    rows: int | None = None,
    before: str = "",
    times: int = 1,
    megabytes: int = 0,
    interlace: int = 0,
    spoil: bool = False,
) -> bytes:
    """A grey PNG whose header says one thing and whose data may be another."""
    header = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, interlace)
    data = zlib.compress(
        bytes((min(width, 70_000) * {0: 1, 2: 3, 6: 4}[colour] * depth // 8 + 1) * (rows or min(height, 48))), 9
    )
    if megabytes:
        data = zlib.compress(bytes(megabytes << 20), 9)
    extra = {
        "": b"",
        "zTXt": b"note\0\0" + zlib.compress(bytes(64 << 20), 9),
        "iTXt": b"note\0\1\0\0\0" + zlib.compress(bytes(64 << 20), 9),
        "iCCP": b"profile\0\0" + zlib.compress(bytes(64 << 20), 9),
        "iCCP nonsense": b"profile\0\0" + zlib.compress(b"no profile" * 20),
        "acTL": struct.pack(">II", 1_000_000, 0),
        "eXIf": b"MM\0*\0\0\0\x08\0\1\x01\x12\0\3\0\0\0\1\xff\xff\0\0\0\0\0\x08",
        "vpAg": b"",
    }[before]
    chunks = chunk(before.split(maxsplit=1)[0].encode(), extra) * times if before else b""
    written = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunks + chunk(b"IDAT", data) + chunk(b"IEND", b"")
    return written.replace(b"IDAT", b"IDAT\xff", 1) if spoil else written


def _saved(form: str, size: tuple[int, int] = (64, 48), mode: str = "RGB", **options: Any) -> bytes:
    file = io.BytesIO()
    Image.new(mode, size).save(file, form, **options)
    return file.getvalue()


def jpeg(
    *,
    size: list[int] | None = None,
    header: list[int] | None = None,
    scans: int = 0,
    segments: int = 0,
    mode: str = "RGB",
    cut: int = 0,
    more: str = "",
    exif: str = "",
    restart_flood: int = 0,
) -> bytes:
    """A JPEG (ITU-T T.81) with another size in its header, more scans or segments than have a use, or cut."""
    made = _saved("JPEG", tuple(size or (64, 48)), mode, progressive=bool(scans), quality=50)
    if header:
        at = max(made.find(b"\xff\xc0"), made.find(b"\xff\xc2"))
        made = made[: at + 5] + struct.pack(">HH", header[1], header[0]) + made[at + 9 :]
    if scans:
        last = made.rindex(b"\xff\xda")
        made = made[:last] + made[last:-2] * scans + made[-2:]
    if segments:
        made = made[:2] + b"\xff\xe5\0\2" * segments + made[2:]
    if exif:
        tiff = bytes.fromhex(exif)
        made = made[:2] + b"\xff\xe1" + struct.pack(">H", len(tiff) + 8) + b"Exif\0\0" + tiff + made[2:]
    if restart_flood:
        made = made[:-2] + b"\xff\xd0" * restart_flood + made[-2:]
    return made[: len(made) - cut] + more.encode("latin-1")


def tiff(
    entries: dict[str, Any] | None = None, next_at: int = 0, pages: int = 1, data: int = 0, order: str = "<"
) -> bytes:
    """A TIFF 6.0 file of 16-bit grey with tags in the place of its own: number to [type, count, value] or none."""
    tags = {256: [4, 1, 64], 257: [4, 1, 48], 258: [3, 1, 16], 259: [3, 1, 1], 262: [3, 1, 1], 277: [3, 1, 1]}
    tags |= {278: [4, 1, 48], 279: [4, 1, 64 * 48 * 2], 273: [4, 1, 0]}
    tags |= {int(number): tag for number, tag in (entries or {}).items()}
    tags = {number: tag for number, tag in tags.items() if tag is not None}
    size = 2 + 12 * len(tags) + 4
    head = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8)
    strip_at = 8 + size * pages
    if tags.get(273) == [4, 1, 0]:
        tags[273] = [4, 1, strip_at]
    written = [head]
    for page in range(pages):
        following = next_at if page == pages - 1 else 8 + size * (page + 1)
        written.append(struct.pack(order + "H", len(tags)))
        for number, (kind, count, value) in sorted(tags.items()):
            packed = struct.pack(order + "H2x", value) if kind == 3 else struct.pack(order + "I", value)
            written.append(struct.pack(order + "HHI", number, kind, count) + packed)
        written.append(struct.pack(order + "I", following))
    return b"".join(written) + (zlib.compress(bytes(data), 9) if data else bytes(64 * 48 * 2))


def archive(layers: int = 1, megabytes: int = 10) -> bytes:
    """A ZIP of zeros, in ZIPs."""
    content = bytes(megabytes << 20)
    for _ in range(layers):
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as zipped:
            for number in range(4):
                zipped.writestr(f"{number}", content)
        content = file.getvalue()
    return content


def other_form(form: str) -> bytes:
    """A right picture of a form that is not read."""
    return _saved(form)


PICTURES: dict[str, Callable[..., bytes]] = {
    "png": png,
    "jpeg": jpeg,
    "tiff": tiff,
    "archive": archive,
    "other form": other_form,
    "text": lambda text: text.encode("latin-1"),
    "two pictures": lambda: _saved("TIFF", save_all=True, append_images=[Image.new("RGB", (64, 48))]),
    "zeros": lambda megabytes: bytes(megabytes << 20),
}


def parts(
    kinds: list[str], times: int = 1, end: str = f"--{BOUNDARY}--\r\n", boundary: str | None = None, lines: str = "\r\n"
) -> Made:
    """A multipart body of named parts, in this order, many times."""
    made = multipart(*([PARTS[kind]() for kind in kinds] * times), end=end)
    body = (made.body or b"").replace(b"\r\n", lines.encode())
    return Made(body, made.content_type if boundary is None else f"multipart/form-data{boundary}")


PARTS: dict[str, Callable[[], tuple[str, bytes]]] = {
    "job": lambda: JOB_PART,
    "still": lambda: still_part(_saved("PNG")),
    "still in a folder above": lambda: still_part(_saved("PNG"), file_name="../../../../etc/passwd"),
    "still with a long name": lambda: still_part(_saved("PNG"), file_name="x" * 200_000),
    "still in base64": lambda: (
        still_part(b"")[0] + "\r\nContent-Transfer-Encoding: base64",
        base64.b64encode(_saved("PNG")),
    ),
    "still as a field": lambda: ('Content-Disposition: form-data; name="still"', b"text"),
    "nameless": lambda: ("Content-Disposition: form-data", b"x"),
    "without a disposition": lambda: ("Content-Type: text/plain", b"x"),
    "other": lambda: ('Content-Disposition: form-data; name="other"', b"x"),
    "empty": lambda: ('Content-Disposition: form-data; name=""', b""),
    "large job": lambda: (JOB_PART[0], b" " * 300_000 + STILL_JOB),
    "job as a large file": lambda: (
        'Content-Disposition: form-data; name="job"; filename="job.json"',
        b" " * 300_000 + STILL_JOB,
    ),
    "job that is no JSON": lambda: (JOB_PART[0], b"{"),
    "many headers": lambda: ("\r\n".join([JOB_PART[0], *(f"X-{number}: x" for number in range(20_000))]), STILL_JOB),
    "long header": lambda: (JOB_PART[0] + "\r\nX-Long: " + "x" * 300_000, STILL_JOB),
    "multipart inside": lambda: (
        'Content-Disposition: form-data; name="still"\r\nContent-Type: multipart/mixed; boundary=inner',
        b"--inner\r\n\r\nx\r\n--inner--",
    ),
}


# --- documents of hand-off forms -------------------------------------------------------------------------------------


def document(before: str, part: str = "", times: int = 0, after: str = "") -> Made:
    """A text document to be read back, with one part many times."""
    return json_body({"document": before + part * times + after})


def framing_list(contexts: int = 1, canvases: int = 1, decisions: int = 1, loop: bool = False) -> Made:
    """A framing decision list of many parts."""
    listed = [
        {
            "id": f"D{number}",
            "framing_intent_id": "I",
            "dimensions": {"width": 10, "height": 10},
            "anchor_point": {"x": 0, "y": 0},
        }
        for number in range(decisions)
    ]
    canvas = {"dimensions": {"width": 64, "height": 48}, "framing_decisions": listed}
    several = [
        {**canvas, "id": f"C{number}", "source_canvas_id": f"C{(number + 1) % canvases if loop else 0}"}
        for number in range(canvases)
    ]
    intents = [{"id": "I", "aspect_ratio": {"width": 1, "height": 1}}]
    head = {"uuid": "5b0f6c0e-6c1a-4a55-9a3e-6d0b4c1f2a77", "version": {"major": 2, "minor": 0}}
    return json_body({"document": {**head, "framing_intents": intents, "contexts": [{"canvases": several}] * contexts}})


# --- tables of clips -------------------------------------------------------------------------------------------------


def clips(
    columns: dict[str, list[Any]] | None = None,
    *,
    wanted: Any = None,
    times: int = 1,
    with_kinds: dict[str, str] | None = None,
    end: str = "",
    **options: Any,
) -> Made:
    """A stream of Arrow: columns of clips many times, some of other kinds, and what is to be delivered.

    `end` is what follows, as hexadecimal digits; -1 and less in `cut` leaves out so many bytes.
    """
    cut = options.pop("cut", None)
    kinds = {name: pa.type_for_alias(kind) for name, kind in (with_kinds or {}).items()}
    listed = columns or {"raster_width_px": [64], "raster_height_px": [48]}
    table = pa.table({name: pa.array(cells * times, kinds.get(name)) for name, cells in listed.items()})
    stream = clip_streams.written(table, WANTED_CLIPS if wanted is None else wanted, **options)
    return Made(stream[:cut] + bytes.fromhex(end), clip_streams.ARROW)


def twin_columns(times: int) -> Made:
    """A stream of Arrow in which one column stands many times."""
    table = pa.Table.from_arrays([pa.array([64])] * times, names=["raster_width_px"] * times)
    return Made(clip_streams.written(table, WANTED_CLIPS), clip_streams.ARROW)


def other_columns(kind: str) -> Made:
    """A stream of Arrow with a column of a kind that no clip has."""
    made = {
        "lists": pa.array([[64]] * 3),
        "lists in lists": pa.array([[[[[[64]]]]]] * 3),
        "dictionary": pa.array(["64"] * 3).dictionary_encode(),
        "run ends": pa.RunEndEncodedArray.from_arrays([3], [64]),
        "binary": pa.array([b"64"] * 3),
        "decimal": pa.array([Decimal(64)] * 3),
        "moments": pa.array([64] * 3, pa.timestamp("ns")),
        "structs": pa.array([{"a": 64}] * 3),
    }[kind]
    table = pa.table({"raster_width_px": made, "raster_height_px": pa.array([48] * 3)})
    return Made(clip_streams.written(table, WANTED_CLIPS), clip_streams.ARROW)


def clip_file() -> Made:
    """The file form of Arrow, which is no stream."""
    table = pa.table({"raster_width_px": [64], "raster_height_px": [48]})
    sink = io.BytesIO()
    with pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)
    return Made(sink.getvalue(), clip_streams.ARROW)


WANTED_CLIPS = {"deliverables": [{"label": "wide", "aspect": "16:9"}]}
BODIES: dict[str, Callable[..., Made]] = {
    "clips": clips,
    "twin columns": twin_columns,
    "other columns": other_columns,
    "clip file": clip_file,
    "repeated": repeated,
    "many names": many_names,
    "job": job,
    "ring": ring,
    "places to map": places_to_map,
    "query": query,
    "long query": long_query,
    "still": still,
    "parts": parts,
    "document": document,
    "framing list": framing_list,
}


# --- connections -----------------------------------------------------------------------------------------------------


def many_headers(times: int, length: int = 1) -> bytes:
    """A request with many header fields."""
    fields = "".join(f"X-{number}: {'x' * length}\r\n" for number in range(times))
    return f"GET /livez HTTP/1.1\r\nHost: x\r\n{fields}Connection: close\r\n\r\n".encode()


def long_target(length: int) -> bytes:
    """A request whose target is long."""
    return f"GET /livez?{'x' * length} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n".encode()


def many_requests(times: int) -> bytes:
    """Requests one after the other without waiting."""
    return b"GET /livez HTTP/1.1\r\nHost: x\r\n\r\n" * (times - 1) + (
        b"GET /livez HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    )


def small_chunks(times: int) -> bytes:
    """A body in chunks of one byte, each with an extension."""
    chunks = b"1;name=value\r\n \r\n" * times
    return _chunked_head() + chunks + b"0\r\n\r\n"


def endless_chunk(megabytes: int) -> bytes:
    """A chunk that is larger than any body may be."""
    return _chunked_head() + f"{megabytes << 20:x}\r\n".encode() + b" " * (megabytes << 20) + b"\r\n0\r\n\r\n"


def many_trailers(times: int) -> bytes:
    """A body in chunks with many trailer fields."""
    trailers = "".join(f"X-{number}: x\r\n" for number in range(times))
    return _chunked_head() + b"2\r\n{}\r\n0\r\n" + trailers.encode() + b"\r\n"


def _chunked_head() -> bytes:
    return (
        b"POST /v1/extractions HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
        b"Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n"
    )


CONVERSATIONS: dict[str, Callable[..., bytes]] = {
    "many headers": many_headers,
    "long target": long_target,
    "many requests": many_requests,
    "small chunks": small_chunks,
    "endless chunk": endless_chunk,
    "many trailers": many_trailers,
}
