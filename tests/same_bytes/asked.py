"""Every example job, asked of every endpoint in every form: the requests whose answers are the same everywhere."""

from __future__ import annotations

import ast
import copy
import json
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchmarks.job import document as measured_job
from clip_archive import archive
from clip_streams import ARROW, written
from fields_of_a_job import JOB as FIELDS_JOB
from load import mix
from tallwide import handoff
from tallwide.demo import CAPTURES, DELIVERABLES, demo_job
from tallwide.demo_day import day_job, kit_of
from tallwide.kit import SHELVES, Kit
from tallwide.wire import to_wire
from tallwide_service.api.documented import packed

ROOT = Path(__file__).parents[2]
JSON_TYPE = "application/json"
PICTURES = {"/v1/overlay": ("image/svg+xml", "image/png", "application/pdf"), "/v1/sheet": ("application/pdf",)}
PICTURES["/v1/chart"] = ("application/pdf", "image/svg+xml")
STILL_SIZE = {"width": 240, "height": 160}
BOUNDARY = "b0undary"


@dataclass(frozen=True)
class Asked:
    """One request, under a name that tells it from all others."""

    name: str
    path: str
    method: str = "POST"
    accept: str = "*/*"
    body: bytes | None = None
    content_type: str = JSON_TYPE

    @property
    def headers(self) -> dict[str, str]:
        """Its headers; the identifier of the request is given, so that problems repeat it."""
        typed = {} if self.body is None else {"Content-Type": self.content_type}
        return {"Accept": self.accept, "X-Request-ID": "same-bytes", **typed}


@dataclass
class Contract:
    """The committed contract, and what each of its endpoints needs beside a job."""

    document: dict[str, Any] = field(
        default_factory=lambda: json.loads((ROOT / "openapi" / "openapi.json").read_text(encoding="utf-8"))
    )

    def example(self, path: str) -> dict[str, Any]:
        """Return the example body of an endpoint."""
        content = self.document["paths"][path]["post"]["requestBody"]["content"][JSON_TYPE]
        value: dict[str, Any] = next(iter(content["examples"].values()))["value"]
        return value

    def computing(self) -> list[str]:
        """Return the paths that take a job and answer with JSON."""
        schema = {"$ref": "#/components/schemas/Job"}
        return [
            path
            for path, item in self.document["paths"].items()
            if "post" in item
            and "{" not in path
            and path not in PICTURES
            and item["post"]["requestBody"]["content"].get(JSON_TYPE, {}).get("schema") == schema
        ]

    def has_rows(self, path: str) -> bool:
        """Whether an endpoint has a table view."""
        return any(parameter["name"] == "view" for parameter in self.document["paths"][path]["post"]["parameters"])

    def plain(self) -> list[str]:
        """Return the paths that answer a bare GET, numbers of what was answered aside."""
        paths = [
            path
            for path, item in self.document["paths"].items()
            if "post" not in item and "{" not in path and path != "/metrics"
        ]
        return [*paths, "/openapi.json"]


def example_jobs(contract: Contract) -> dict[str, dict[str, Any]]:
    """Return every example job by name: of the contract, demo, README, and those that tests send."""
    jobs = {"contract": contract.example("/v1/extractions")}
    jobs |= {f"demo {camera}": to_wire(demo_job(camera)) for camera in CAPTURES}
    jobs["demo day"] = Kit.of(kit_of(CAPTURES)).merged(day_job(DELIVERABLES))
    jobs |= {f"readme {number}": job for number, job in enumerate(readme_jobs(), 1)}
    jobs |= {"measured": measured_job(), "every field": FIELDS_JOB}
    return jobs | {f"load {make.__name__}": make(0) for make in (mix.joint, mix.decided, mix.covered, mix.fed)}


def readme_jobs() -> list[dict[str, Any]]:
    """Return the jobs that the README writes out, with its kit's captures and lenses in place of their labels."""
    written = readme_objects()
    (kit,) = (Kit.of(each) for each in written if each.keys() and each.keys() <= {*SHELVES})
    jobs = [kit.merged(each) for each in written if "capture" in each and each.get("deliverables")]
    return [job for number, job in enumerate(jobs) if job not in jobs[:number]]


def readme_objects() -> list[dict[str, Any]]:
    """Return the outermost objects in the README: JSON, or Python's literals, which JSON without words is too."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found: list[dict[str, Any]] = []
    place = 0
    while (start := text.find("{", place)) >= 0:
        place = start + 1
        for end in (closing + 1 for closing in _closings(text, start)):
            try:
                value = ast.literal_eval(text[start:end])
            except (ValueError, SyntaxError):
                continue
            if isinstance(value, dict):
                found.append(value)
                place = end
    return found


def _closings(text: str, start: int) -> Iterator[int]:
    """Yield where the brace that opens at a place is closed; nowhere where it is not."""
    depth = 0
    for place in range(start, len(text)):
        depth += {"{": 1, "}": -1}.get(text[place], 0)
        if depth == 0:
            yield place
            return


def for_endpoint(job: dict[str, Any], contract: Contract, path: str) -> dict[str, Any]:
    """Return a job with what an endpoint needs, of the example's where the job has none; its example as it stands."""
    if job == contract.example("/v1/extractions"):
        return contract.example(path)
    labels = [deliverable["label"] for deliverable in job["deliverables"]]
    example = contract.example(path)
    needed = {name: value for name, value in example.items() if name not in contract.example("/v1/margins")}
    made = {**_renamed(copy.deepcopy(needed), {"wide": labels[0], "tall": labels[-1]}), **job}
    if path == "/v1/match":  # compares what a lens shows, so there must be one
        made["capture"] = {**example["capture"], **made["capture"]}
        made["capture"]["lens"] = {**example["capture"]["lens"], **made["capture"]["lens"]}
    if path == "/v1/map" and "raster" not in job["deliverables"][0]:
        made["map"]["source"]["space"] = "extraction"
    if path == "/v1/compare" and "compare" not in job:  # compares rasters of one shape
        made["compare"]["job"]["capture"] = job["capture"]
    return made


def _renamed(value: Any, labels: dict[str, str]) -> Any:
    """Return a JSON value in which `deliverable` names other labels."""
    if isinstance(value, list):
        return [_renamed(item, labels) for item in value]
    if isinstance(value, dict):
        return {
            name: labels.get(inner, inner) if name == "deliverable" else _renamed(inner, labels)
            for name, inner in value.items()
        }
    return value


def everything() -> Iterator[Asked]:
    """Yield every request."""
    contract = Contract()
    yield from (Asked(f"GET {path}", path, method="GET") for path in contract.plain())
    of_jobs = [asked for name, job in example_jobs(contract).items() for asked in _of_job(name, job, contract)]
    yield from of_jobs
    yield Asked("all lines", "/v1/batch", body=b"".join(map(_line, of_jobs)), content_type="application/x-ndjson")
    wanted = {"deliverables": contract.example("/v1/extractions")["deliverables"]}
    table = written(archive(500).drop_columns(["mode"]), wanted, batch_rows=130)
    yield Asked("clips", "/v1/batch", body=table, content_type=ARROW)
    yield from _stills(contract)
    yield from _read_back(contract)
    yield from _refused(contract)


def _of_job(name: str, job: dict[str, Any], contract: Contract) -> Iterator[Asked]:
    """Yield what a job is asked for: every endpoint, table, picture and document, as a body and in the address."""
    for path in contract.computing():
        asked = for_endpoint(job, contract, path)
        yield from _both_ways(f"{name}: {path}", path, asked)
        if contract.has_rows(path):
            for accept in (JSON_TYPE, "text/csv"):
                yield Asked(f"{name}: {path} rows {accept}", f"{path}?view=table", accept=accept, body=_body(asked))
    for path, media_types in PICTURES.items():
        for accept in media_types:
            yield from _both_ways(f"{name}: {path} {accept}", path, job, accept)
    for form, own in handoff.MEDIA_TYPES.items():
        for accept in (JSON_TYPE, own):
            yield from _both_ways(f"{name}: /v1/handoff/{form} {accept}", f"/v1/handoff/{form}", job, accept)


def _both_ways(name: str, path: str, job: dict[str, Any], accept: str = "*/*") -> Iterator[Asked]:
    yield Asked(name, path, accept=accept, body=_body(job))
    yield Asked(f"{name} in the address", f"{path}?job={packed(job)}", method="GET", accept=accept)


def _body(job: dict[str, Any]) -> bytes:
    return json.dumps(job).encode()


def _line(asked: Asked) -> bytes:
    """Return the line of a batch that asks the same; nothing for what a line cannot ask."""
    if asked.body is None or "?" in asked.path:
        return b""
    line = {"id": asked.name, "endpoint": asked.path.removeprefix("/v1/"), "job": json.loads(asked.body)}
    return json.dumps(line if asked.accept == "*/*" else {**line, "media_type": asked.accept}).encode() + b"\n"


def _refused(contract: Contract) -> Iterator[Asked]:
    """Yield what is refused, since a problem document is an answer too."""
    job = contract.example("/v1/extractions")
    bare = {**job, "capture": {"raster": job["capture"]["raster"]}}
    yield Asked("refused: no lens", "/v1/match", body=_body(bare))
    yield Asked("refused: another shape", "/v1/compare", body=_body({**job, **_of_another_shape(contract)}))
    yield Asked("refused: no JSON", "/v1/extractions", body=b"{")
    yield Asked("refused: a member of no job", "/v1/extractions", body=_body({**job, "colour": "red"}))
    yield Asked("refused: no such endpoint", "/v1/none", method="GET")
    yield Asked("refused: a method", "/v1/limits", body=b"{}")
    lines = b"".join(_line(Asked("x", "/v1/extractions", body=_body({"capture": number}))) for number in range(3))
    yield Asked("lines that are refused", "/v1/batch", body=lines + b"no line\n", content_type="application/x-ndjson")


def _of_another_shape(contract: Contract) -> dict[str, Any]:
    compare: dict[str, Any] = copy.deepcopy(contract.example("/v1/compare")["compare"])
    compare["job"]["capture"]["raster"] = {"width": 4096, "height": 2304}
    return {"compare": compare}


def _stills(contract: Contract) -> Iterator[Asked]:
    """Yield what is made of a still, in each way and each form."""
    job = contract.example("/v1/overlay")
    job = {**job, "capture": {"raster": STILL_SIZE, "grid": {"x": 1, "y": 1, "width": 1, "height": 1}}}
    for output in ("burned_in", "contact_sheet", "frames"):
        for media_type in ("image/png", "image/jpeg", "image/tiff"):
            body = _form({**job, "plate": {"output": output, "media_type": media_type, "longest_side_px": 320}})
            name = f"still: /v1/overlay {output} {media_type}"
            yield Asked(name, "/v1/overlay", body=body, content_type=f"multipart/form-data; boundary={BOUNDARY}")
    body = _form(job)
    yield Asked("still: /v1/sheet", "/v1/sheet", body=body, content_type=f"multipart/form-data; boundary={BOUNDARY}")


def _form(job: dict[str, Any]) -> bytes:
    def part(head: str, body: bytes) -> bytes:
        return f"--{BOUNDARY}\r\nContent-Disposition: form-data; {head}\r\n\r\n".encode() + body + b"\r\n"

    still = 'name="still"; filename="a.tif"\r\nContent-Type: image/tiff'
    return part('name="job"', json.dumps(job).encode()) + part(still, still_tiff()) + f"--{BOUNDARY}--\r\n".encode()


def still_tiff() -> bytes:
    """Return a still as TIFF 6.0 has it without compression, written here, so that no library's encoder is in it."""
    width, height = STILL_SIZE.values()
    places = ((x, y, channel) for y in range(height) for x in range(width) for channel in range(3))
    pixels = bytes((x * (3 + channel) + y * (5 - channel)) % 256 for x, y, channel in places)
    short, long = 3, 4
    after = 8 + len(pixels)
    tags = [
        (256, short, 1, width),
        (257, short, 1, height),
        (258, short, 3, after),  # bits of each sample, which lie behind the pixels
        (259, short, 1, 1),
        (262, short, 1, 2),
        (273, long, 1, 8),
        (277, short, 1, 3),
        (278, short, 1, height),
        (279, long, 1, len(pixels)),
    ]
    directory = struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", *tag) for tag in tags) + bytes(4)
    return struct.pack("<2sHI", b"II", 42, after + 6) + pixels + struct.pack("<3H", 8, 8, 8) + directory


def _read_back(contract: Contract) -> Iterator[Asked]:
    """Yield documents of every form that is read back, as a hand-off on this machine writes them."""
    from tallwide_service.api.handing_over import document_of  # noqa: PLC0415
    from tallwide_service.api.schemas import JOB_SCHEMA  # noqa: PLC0415

    job = JOB_SCHEMA.load(contract.example("/v1/extractions"))
    for form in handoff.READERS:
        _, document = document_of(job, form)
        body = _body({"document": document.content, "raster": to_wire(job.capture.raster)})
        yield Asked(f"read: /v1/handoff/{form}/read", f"/v1/handoff/{form}/read", body=body)
