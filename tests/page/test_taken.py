"""What is taken along: every form the service writes, the plate's, the job itself; pictures and rows on other pages."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from xml.etree import ElementTree as ET

import pytest
from PIL import Image

from page_by_hand import JOB, SHARED, drop_plate, fragment, job_on, settled, verdicts
from tallwide import Client
from tallwide.forms import MEDIA_TYPES


def test_a_plate_stays_in_the_browser_until_it_is_burned_in(open_page):
    watched = open_page(fragment(JOB | {"capture": {"raster": {"width": 480, "height": 320}}}))
    page = watched.page
    file = io.BytesIO()
    Image.new("RGB", (480, 320), (90, 120, 60)).save(file, "PNG")
    sent = []
    page.on("request", lambda request: sent.append(request.headers.get("content-type", "")))
    page.locator("input.plate").set_input_files(
        {"name": "plate.png", "mimeType": "image/png", "buffer": file.getvalue()}
    )
    page.wait_for_selector("svg#picture-a image[href^='blob:']")
    assert not any("multipart" in each for each in sent)
    with page.expect_download() as caught:
        page.get_by_role("button", name="Burned in", exact=True).click()
    with Image.open(caught.value.path()) as burned:
        assert burned.size == (480, 320)
    assert any("multipart" in each for each in sent)
    assert watched.complaints == []


def test_the_job_can_be_pasted_loaded_and_saved_as_json(open_page):
    page = open_page().page
    page.locator("#document summary").click()
    page.locator("#json").fill("{")
    page.locator("#json-apply").click()
    assert "not a job" in page.locator("#json-problem").inner_text()
    page.locator("#json").fill(json.dumps(JOB))
    page.locator("#json-apply").click()
    page.locator("#json-apply").focus()
    settled(page)
    assert set(verdicts(page)) == {"wide", "tall"}
    with page.expect_download() as caught:
        page.locator("#json-save").click()
    assert caught.value.suggested_filename == "two-shapes.json"
    assert json.loads(caught.value.path().read_text(encoding="utf-8")) == JOB
    page.locator("#json-load").set_input_files(
        {"name": "job.json", "mimeType": "application/json", "buffer": json.dumps(SHARED).encode()}
    )
    page.wait_for_selector('[data-handle="point"]')
    assert job_on(page) == SHARED


def is_pdf(raw):
    return raw.startswith(b"%PDF-") and raw.rstrip().endswith(b"%%EOF")


def rows(raw):
    return list(csv.DictReader(io.StringIO(raw.decode())))


PICTURES = {
    "Overlay SVG": lambda raw: ET.fromstring(raw).tag.endswith("svg") and raw == Client().overlay(JOB),
    "Overlay PNG": lambda raw: Image.open(io.BytesIO(raw)).size == (4800, 3200),
    "Overlay PDF": is_pdf,
}
PAPER = {
    "Sheet PDF": is_pdf,
    "Chart PDF": is_pdf,
    "Chart SVG": lambda raw: ET.fromstring(raw).tag.endswith("svg"),
}
FORMS = {
    "Framing decision list": lambda raw: json.loads(raw)["contexts"][0]["canvases"],
    "Image regions": lambda raw: ET.fromstring(raw).tag,
    "IIIF requests": lambda raw: raw.count(b"1500,0,1800,3200") == 1,
    "Media fragments": lambda raw: b"xywh=pixel:1500,0,1800,3200" in raw,
    "FFmpeg script": lambda raw: b"crop=" in raw,
    "OpenEXR attributes": json.loads,
    "Timeline transform": json.loads,
    "CSV": lambda raw: len(raw.splitlines()) == 3,
}
NUMBERS = {
    "Answer as JSON": lambda raw: json.loads(raw)["extractions"][1]["rect"]["width"] == 1800,
    "Margins as CSV": lambda raw: [row["verdict"] for row in rows(raw)] == ["enough", "short"],
    "Numbers to dial in, CSV": lambda raw: {row["deliverable"] for row in rows(raw)} == {"wide", "tall"},
}


# A browser lets one page save ten files or so before it asks; two pages save these.
@pytest.mark.parametrize("checks", [PICTURES | PAPER, FORMS, NUMBERS], ids=["pictures and paper", "forms", "numbers"])
def test_every_form_that_the_service_writes_can_be_taken_along(open_page, checks):
    watched = open_page(fragment(JOB))
    page = watched.page
    others = ["Copy the picture's address"]
    assert page.locator("#take-buttons button").all_inner_texts() == [*PICTURES, *others, *PAPER, *FORMS, *NUMBERS]
    assert len(FORMS) == len(MEDIA_TYPES)
    for name, is_right in checks.items():
        with page.expect_download() as caught:
            page.get_by_role("button", name=name, exact=True).click()
        assert is_right(caught.value.path().read_bytes()), name
        assert caught.value.suggested_filename in page.locator("#take-note").inner_text()
    assert watched.complaints == []


def test_what_is_made_of_a_plate_can_be_taken_along(open_page):
    small = JOB | {"capture": {"raster": {"width": 480, "height": 320}}}
    page = open_page(fragment(small)).page
    drop_plate(page, 480, 320)
    taken = {}
    for name in ("Burned in", "Contact sheet", "Frames cut out, ZIP", "Sheet on the plate"):
        with page.expect_download() as caught:
            page.get_by_role("button", name=name, exact=True).click()
        taken[name] = caught.value.path().read_bytes()
    assert Image.open(io.BytesIO(taken["Burned in"])).size == (480, 320)
    assert Image.open(io.BytesIO(taken["Contact sheet"])).format == "PNG"
    frames = zipfile.ZipFile(io.BytesIO(taken["Frames cut out, ZIP"]))
    assert len(frames.namelist()) == 2
    assert is_pdf(taken["Sheet on the plate"])
    page.locator(".no-plate").click()
    assert page.get_by_role("button", name="Burned in", exact=True).count() == 0


def test_a_file_that_is_refused_says_why(open_page):
    page = open_page(fragment(JOB)).page
    drop_plate(page, 480, 320)
    page.get_by_role("button", name="Burned in", exact=True).click()
    page.wait_for_selector("#take-note:has-text('480')")
    assert "4800" in page.locator("#take-note").inner_text().replace(",", "")


def test_the_pictures_address_is_the_overlay_by_get(open_page, origin):
    page = open_page(fragment(JOB), permissions=["clipboard-read", "clipboard-write"]).page
    page.get_by_role("button", name="Copy the picture's address").click()
    page.wait_for_selector("#take-note:has-text('copied')")
    address = page.evaluate("() => navigator.clipboard.readText()")
    assert address.startswith(f"{origin}v1/overlay?job=")
    answer = page.request.get(address)
    assert (answer.status, answer.headers["content-type"].split(";")[0]) == (200, "image/svg+xml")
    assert page.request.get(address, headers={"If-None-Match": answer.headers["etag"]}).status == 304


# ---- on other pages


def test_the_example_page_shows_a_picture_as_an_image_and_inline_and_the_rows(open_page):
    watched = open_page("page/embedded.html")
    page = watched.page
    image = page.locator("#as-image")
    assert image.evaluate("each => each.complete && each.naturalWidth") == 4800
    inline = page.locator("#inline svg")
    assert inline.get_attribute("id") == "example"
    assert inline.locator("[data-deliverable='tall']").count() >= 1
    assert page.locator("#rows tbody tr").count() == 2
    assert [row.locator("td").last.inner_text() for row in page.locator("#rows tbody tr").all()] == ["enough", "enough"]
    assert watched.complaints == []
