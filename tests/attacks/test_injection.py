"""Hostile texts in every text of a job at once: whatever is written from it stays what it was meant to be."""

from __future__ import annotations

import csv
import functools
import io
import json
import re
import subprocess
import zipfile
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from marshmallow.validate import OneOf, Regexp
from PIL import Image

from fields_of_a_job import places
from tallwide.forms import MEDIA_TYPES
from tallwide_service import create_app
from tallwide_service.api.schemas import Text

TEXTS = [json.loads(line) for line in Path(__file__).with_name("texts.jsonl").read_text(encoding="ascii").splitlines()]
CLIENT = create_app().test_client()
CAPTURE = {
    "label": "@",
    "raster": {"width": 640, "height": 480},
    "photosite_pitch_um": 5.8,
    "lens": {"label": "@", "focal_length_mm": 32},
}
# Every text that a caller is free to choose holds "@".
JOB: dict[str, Any] = {
    "id": "@",
    "capture": CAPTURE,
    "deliverables": [
        {
            "label": "@ 1",
            "aspect": "16:9",
            "raster": {"width": 192, "height": 108},
            "safe_areas": [{"label": "@", "left": 0.1, "right": 0.1, "top": 0.1, "bottom": 0.1}],
        },
        {"label": "@ 2", "raster": {"width": 108, "height": 192}},
    ],
    "framing": {"arrangement": "shared_point", "nest": [["@ 2", "@ 1"]]},
    "map": {
        "source": {"space": "delivery", "deliverable": "@ 1"},
        "target": {"space": "delivery", "deliverable": "@ 2"},
        "points": [[1, 2]],
    },
    "handoff": {"source": "@"},
    "overlay": {"shade": "frame", "shade_frame": "@ 1", "labels": "full"},
    "picture": {"deliverable": "@ 1"},
    "sheet": {"title": "@", "date": "@", "notes": "@"},
    "chart": {
        "reading": {"frames": [{"deliverable": "@ 1", "corners": [[3, 10], [602, 11], [603, 300], [2, 301]]}]},
    },
    "alternatives": [{**CAPTURE, "raster": {"width": 800, "height": 600}}],
    "rig": {"ratings": [{"label": "@", "rolls": [0, 90]}]},
    "captures": [CAPTURE],
    "lenses": [{"label": "@", "focal_length_mm": 32, "image_circle_mm": 30}],
    "match": {"capture": CAPTURE},
}
# Texts that are free but not in JOB, with the reason.
ELSEWHERE = {
    "/handoff/language": "is a language tag, refused otherwise",
    "/sweep/member": "is a pointer to a member, refused otherwise",
}
MOST = {"date": 60, "notes": 2000}
HARMLESS = ("wide", "a longer name of a frame", "\u0431\u043e\u043b\u044c\u0448\u0435", "x" * 120)


def filled(value: Any, text: str, name: str = "") -> Any:
    """Return a document with a text in each place that is marked."""
    if isinstance(value, dict):
        return {inner: filled(member, text, inner) for inner, member in value.items()}
    if isinstance(value, list):
        return [filled(item, text, name) for item in value]
    if not isinstance(value, str):
        return value
    text = text[: MOST.get(name, 190)]
    if name == "source":
        text = "".join(filter(str.isprintable, text)) or "x"
    return value.replace("@", text)


def answered(path: str, text: str, accept: str = "application/json") -> Any:
    job = filled(JOB, text)
    if path.startswith("/v1/overlay") and accept.startswith("image/svg"):
        del job["picture"]
    response = CLIENT.post(path, json=job, headers={"Accept": accept})
    assert response.status_code == 200, response.data
    for name, value in response.headers:
        assert re.fullmatch(r"[ -~]*", value), name
    return response


def test_the_job_has_every_text_that_a_caller_is_free_to_choose():
    free = {
        place.pointer
        for place in places()
        if isinstance(place.field, Text)
        and not any(isinstance(validator, OneOf | Regexp) for validator in place.field.validators)
    }
    marked = {re.sub(r"/\d+", "/0", pointer) for pointer in marks(JOB)}
    assert {pointer for pointer in free if "/" in pointer} - set(ELSEWHERE) <= marked


def marks(value: Any, pointer: str = "") -> list[str]:
    if isinstance(value, dict):
        return [found for name, member in value.items() for found in marks(member, f"{pointer}/{name}")]
    if isinstance(value, list):
        return [found for item in value for found in marks(item, f"{pointer}/0")]
    return [pointer] if isinstance(value, str) and "@" in value else []


def shape_of(xml: bytes) -> set[tuple[str, frozenset[str]]]:
    """Return the elements of a document, each with the names of its attributes; nothing else may be there."""
    builder = ElementTree.TreeBuilder(insert_comments=True, insert_pis=True)
    root = ElementTree.fromstring(xml, ElementTree.XMLParser(target=builder))
    assert b"<!DOCTYPE" not in xml
    found = set()
    for element in root.iter():
        assert isinstance(element.tag, str), "a comment or an instruction"
        found.add((element.tag, frozenset(element.attrib)))
    return found


XML = {
    "overlay": ("/v1/overlay", "image/svg+xml"),
    "chart": ("/v1/chart", "image/svg+xml"),
    "image regions": ("/v1/handoff/image-regions", "application/rdf+xml"),
}


@functools.cache
def harmless_shape(kind: str) -> set[tuple[str, frozenset[str]]]:
    return {shape for text in HARMLESS for shape in shape_of(xml_of(kind, text))}


def xml_of(kind: str, text: str) -> bytes:
    path, accept = XML[kind]
    if "handoff" in path:
        return answered(path, text).json["document"].encode()
    return answered(path, text, accept).data


def said(text: str) -> str:
    """Return a text as XML 1.0 can hold it (production 2), white space as one space."""
    kept = "".join(
        c for c in text if c in "\t\n\r" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff"
    )
    return " ".join(kept.split())


@pytest.mark.parametrize("kind", XML)
@pytest.mark.parametrize("text", TEXTS, ids=lambda text: text["name"])
def test_no_text_becomes_an_element_or_an_attribute(kind, text):
    xml = xml_of(kind, text["text"])
    assert shape_of(xml) <= harmless_shape(kind)
    root = ElementTree.fromstring(xml)
    words = [" ".join(" ".join(element.itertext()).split()) for element in root.iter()]
    words += [" ".join(value.split()) for element in root.iter() for value in element.attrib.values()]
    bare = re.sub(r"[^!-~]", "", said(f"{text['text']} 1"))
    assert any(bare in re.sub(r"[^!-~]", "", word) for word in words), "the label is not there"


@pytest.mark.parametrize("text", TEXTS, ids=lambda text: text["name"])
def test_no_cell_of_a_table_is_a_formula(text):
    tables = [answered("/v1/handoff/csv", text["text"]).json["document"]]
    for name in ("extractions", "margins", "orientation"):
        tables.append(answered(f"/v1/{name}?view=table", text["text"], "text/csv").get_data(as_text=True))
    for table in tables:
        rows = list(csv.reader(io.StringIO(table, newline="")))
        assert len({len(row) for row in rows}) == 1, "a cell that became two, or a line that became two"
        for cell in (cell for row in rows for cell in row):
            is_number = re.fullmatch(r"-?[0-9.]+(e[+-]?[0-9]+)?", cell)
            # What common spreadsheets run: these first characters, after white space too.
            assert is_number or not re.match(r"\s*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n]", cell), cell


@pytest.mark.parametrize("text", TEXTS, ids=lambda text: text["name"])
def test_no_text_becomes_a_command(text, tmp_path):
    document = answered("/v1/handoff/ffmpeg", text["text"], MEDIA_TYPES["ffmpeg"]).data
    work, tools = tmp_path / "work", tmp_path / "tools"
    work.mkdir()
    tools.mkdir()
    (tools / "ffmpeg").write_text('#!/bin/sh\nprintf "%s\\n" "$#" >>"$CALLS"\n', encoding="ascii")
    (tools / "ffmpeg").chmod(0o755)
    (tmp_path / "cut.sh").write_bytes(document)
    environment = {"PATH": f"{tools}:/usr/bin:/bin", "CALLS": str(tmp_path / "calls"), "HOME": str(tmp_path)}
    done = subprocess.run(
        ["sh", tmp_path / "cut.sh", "in.mov", "out", "mkv"], cwd=work, env=environment, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert {path.name for path in work.iterdir()} <= {"out"}
    assert {path.name for path in tmp_path.iterdir()} == {"work", "tools", "calls", "cut.sh"}
    assert len(set((tmp_path / "calls").read_text(encoding="ascii").split())) == 1, "arguments became more"


@pytest.mark.parametrize("text", TEXTS, ids=lambda text: text["name"])
def test_no_file_name_leads_elsewhere(text):
    for form, accept in MEDIA_TYPES.items():
        disposition = answered(f"/v1/handoff/{form}", text["text"], accept).headers["Content-Disposition"]
        name = re.fullmatch(r'attachment; filename="([^"]+)"', disposition)
        assert name
        assert_is_plain(name[1])
    picture = io.BytesIO()
    Image.new("RGB", (640, 480)).save(picture, "PNG")
    picture.seek(0)
    job = filled({**JOB, "plate": {"output": "frames"}}, text["text"])
    job["deliverables"][0]["aspect"] = "16:9"
    response = CLIENT.post("/v1/overlay", data={"job": json.dumps(job), "still": (picture, "still", "image/png")})
    assert response.status_code == 200, response.data
    with zipfile.ZipFile(io.BytesIO(response.data)) as archive:
        names = archive.namelist()
    assert len(set(names)) == 2
    for name in names:
        assert_is_plain(name)


def assert_is_plain(name: str) -> None:
    """A file name that every system takes for one file in this folder, and no command for an option."""
    assert re.fullmatch(r"[^\W][\w .+()@=-]*", name), name
    assert name.isprintable()
    assert ".." not in name
    assert not re.match(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\.|$)", name)


@pytest.mark.parametrize("text", TEXTS, ids=lambda text: text["name"])
def test_no_text_of_a_pdf_does_anything(text, tmp_path):
    for path in ("/v1/sheet", "/v1/chart", "/v1/overlay"):
        file = tmp_path / "made.pdf"
        file.write_bytes(answered(path, text["text"], "application/pdf").data)
        told = subprocess.run(["pdfinfo", file], check=True, capture_output=True)
        assert told.stderr == b""
        facts = told.stdout.decode()
        assert re.search(r"^JavaScript: +no$", facts, re.MULTILINE)
        assert re.search(r"^Form: +none$", facts, re.MULTILINE)
        assert re.search(r"^Pages: +1$", facts, re.MULTILINE)
        addresses = subprocess.run(["pdfinfo", "-url", file], check=True, capture_output=True).stdout.decode()
        assert len(addresses.splitlines()) == 1, "only the line of column names"
