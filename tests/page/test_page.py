"""The page in a browser: what a framing supervisor does with it, by hand and by keyboard."""

from __future__ import annotations

import base64
import io
import json
import zlib
from xml.etree import ElementTree as ET

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image

from tallwide.forms import MEDIA_TYPES
from tallwide_service.api.page import FILES, PAGE_POLICY

JOB = {
    "id": "two-shapes",
    "capture": {"label": "full height", "raster": {"width": 4800, "height": 3200}},
    "deliverables": [
        {"label": "wide", "raster": {"width": 3840, "height": 2160}},
        {"label": "tall", "raster": {"width": 2160, "height": 3840}},
    ],
}
SHARED = JOB | {
    "framing": {
        "arrangement": "shared_point",
        "point": {"x": 0.5, "y": 0.5},
        "subject": {"x": 2300, "y": 1400, "width": 200, "height": 400},
    }
}


def fragment(job, other=None):
    packed = [
        base64.urlsafe_b64encode(zlib.compress(json.dumps(each).encode())).decode().rstrip("=")
        for each in (job, other)
        if each
    ]
    return "#job=" + "&with=".join(packed)


def settled(page):
    # A change is asked for at once; the mark of its being asked is set before the event returns.
    page.wait_for_selector('body[data-busy="no"]')


def job_on(page):
    return json.loads(page.locator("#json").input_value())


def field(page, pointer):
    control = page.locator(f'[data-pointer="{pointer}"]').first
    control.evaluate("each => { each.closest('details').open = true; }")
    return control


def verdicts(page):
    cards = page.locator(".lane").first.locator(".card").all()
    return {card.locator("b").inner_text(): card.locator(".verdict").inner_text() for card in cards}


def middle_of(page, handle):
    box = page.locator(f'[data-handle="{handle}"] .hit').bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag(page, handle, dx, dy):
    x, y = middle_of(page, handle)
    page.mouse.move(x, y)
    page.mouse.down()
    for part in range(1, 6):
        page.mouse.move(x + dx * part / 5, y + dy * part / 5)
    page.mouse.up()
    settled(page)


# ---- served


def test_the_page_and_its_parts_are_served_under_a_policy_that_lets_nothing_in_from_outside(app):
    client = app.test_client()
    for path in ("/", *(f"/page/{name}" for name in FILES if name != "index.html")):
        response = client.get(path)
        assert response.status_code == 200
        assert response.headers["Content-Security-Policy"] == PAGE_POLICY
        assert "unsafe" not in PAGE_POLICY
        again = client.get(path, headers={"If-None-Match": response.headers["ETag"]})
        assert (again.status_code, again.data) == (304, b"")
    assert client.get("/page/__init__.py").status_code == 404
    assert client.get("/page/index.html").status_code == 404


def test_no_part_of_the_page_names_another_origin():
    for name, (body, _) in FILES.items():
        text = body.decode("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in text, name
        assert "https:" not in text, name
        assert "//cdn" not in text, name


# ---- seen


def test_it_opens_with_a_verdict_on_every_frame_the_tightest_first_and_asks_its_own_origin_alone(open_page, origin):
    watched = open_page()
    page = watched.page
    assert page.locator(".card b").all_inner_texts() == ["billboard", "cinema", "broadcast", "phone"]
    assert "falls short" in verdicts(page)["billboard"]
    assert page.locator("#summary").inner_text().startswith("3 of 4 frames do; billboard is")
    assert page.locator("svg#picture-a .frame").count() == 4
    assert page.locator("svg#picture-a .safe").count() >= 1
    assert page.locator("#advice-body .plan").count() >= 1
    assert page.locator("#advice-body .caution li").count() >= 1
    assert {url for url in watched.asked if not url.startswith((origin, "blob:"))} == set()
    assert watched.complaints == []


def test_the_frames_lie_where_the_service_places_them(open_page):
    page = open_page(fragment(JOB)).page
    frames = page.locator("svg#picture-a rect.frame")
    places = {
        tuple(round(float(frame.get_attribute(name))) for name in ("x", "y", "width", "height"))
        for frame in frames.all()
    }
    assert places == {(0, 250, 4800, 2700), (1500, 0, 1800, 3200)}


def test_a_change_in_a_field_changes_the_verdict_and_can_be_undone_and_done_again(open_page):
    page = open_page(fragment(JOB)).page
    assert "falls short" in verdicts(page)["tall"]
    field(page, "/deliverables/1/raster/width").fill("1080")
    field(page, "/deliverables/1/raster/height").fill("1920")
    page.wait_for_selector(".card:has-text('tall') >> text=✓")
    assert job_on(page)["deliverables"][1]["raster"] == {"width": 1080, "height": 1920}
    page.locator("#undo").click()
    page.locator("#undo").click()
    settled(page)
    assert job_on(page) == JOB
    assert page.locator("#undo").is_disabled()
    page.locator("#redo").click()
    settled(page)
    assert job_on(page)["deliverables"][1]["raster"]["width"] == 1080


def test_a_broken_field_shows_the_services_problem_at_that_field_and_recovers(open_page):
    page = open_page(fragment(JOB)).page
    width = field(page, "/capture/raster/width")
    width.fill("wide")
    page.wait_for_selector('[data-pointer="/capture/raster/width"][aria-invalid="true"]')
    said = page.locator(f"#{width.get_attribute('aria-describedby')}").inner_text()
    assert said
    assert said in page.locator("#problems").inner_text()
    assert width.input_value() == "wide"
    assert page.locator(".stage.is-stale").count() == 1
    width.fill("4800")
    page.wait_for_selector(".stage:not(.is-stale)")
    assert page.locator("#problems").inner_text() == ""
    assert page.locator('[aria-invalid="true"]').count() == 0


def test_a_job_that_cannot_be_met_says_so_and_keeps_the_last_picture(open_page):
    page = open_page(fragment(SHARED)).page
    field(page, "/framing/subject/width").fill("4000")
    page.wait_for_selector(".stage.is-stale")
    assert page.locator("#summary").inner_text().startswith("Not as it stands")
    assert page.locator("#problems li").count() >= 1
    assert page.locator("svg#picture-a .frame").count() == 2


# ---- moved


def test_dragging_the_shared_point_moves_it_and_is_one_step_back(open_page):
    page = open_page(fragment(SHARED)).page
    before = page.locator("svg#picture-a rect.frame").last.get_attribute("y")
    drag(page, "point", 0, 20)
    point = job_on(page)["framing"]["point"]
    assert point["x"] == pytest.approx(0.5, abs=0.002)
    assert 0.52 < point["y"] < 0.6
    assert page.locator("svg#picture-a rect.frame").last.get_attribute("y") != before
    page.locator("#undo").click()
    settled(page)
    assert job_on(page)["framing"]["point"] == {"x": 0.5, "y": 0.5}


def test_dragging_the_subject_moves_it_by_whole_pixels_inside_the_picture(open_page):
    page = open_page(fragment(SHARED)).page
    drag(page, "subject", 12, -9)
    subject = job_on(page)["framing"]["subject"]
    assert subject["x"] > 2300
    assert subject["y"] < 1400
    assert (subject["width"], subject["height"]) == (200, 400)
    drag(page, "subject-size", 10, 10)
    larger = job_on(page)["framing"]["subject"]
    assert (larger["x"], larger["y"]) == (subject["x"], subject["y"])
    assert larger["width"] > 200
    assert larger["height"] > 400


def test_dragging_an_align_point_of_the_picked_frame_moves_that_one(open_page):
    page = open_page(fragment(SHARED)).page
    page.locator(".card", has_text="tall").click()
    drag(page, "align", 0, -25)
    wide, tall = job_on(page)["deliverables"]
    assert "align" not in wide
    assert tall["align"]["y"] < 0.5


def test_turning_the_camera_turns_the_raster_and_keeps_the_subject_about_its_middle(open_page):
    page = open_page(fragment(SHARED)).page
    page.locator(".turn").click()
    settled(page)
    job = job_on(page)
    assert job["capture"]["roll"] == 90
    # The raster was 4800 x 3200 and stands 3200 x 4800 now: its middle has moved by -800 and 800.
    assert (job["framing"]["subject"]["x"], job["framing"]["subject"]["y"]) == (1500, 2200)
    raster = page.locator("svg#picture-a rect.raster")
    assert (raster.get_attribute("width"), raster.get_attribute("height")) == ("3200", "4800")


def test_it_zooms_to_pixels_and_back(open_page):
    page = open_page(fragment(JOB)).page
    page.locator(".pixels").click()
    assert page.locator(".stage-tools output").inner_text() == "100 %"
    for _ in range(7):
        page.locator(".in").click()
    assert page.locator("svg#picture-a path.grid").count() == 1
    page.locator(".all").click()
    assert page.locator("svg#picture-a path.grid").count() == 0


def test_everything_of_a_first_decision_can_be_done_by_keyboard(open_page):
    page = open_page(fragment(SHARED)).page
    names = []
    for _ in range(14):
        page.keyboard.press("Tab")
        names.append(
            page.evaluate("() => document.activeElement.dataset.handle || document.activeElement.getAttribute('class')")
        )
    assert "card is-short" in names
    assert {"point", "subject", "align"} <= set(names)
    page.locator('[data-handle="point"]').focus()
    page.keyboard.press("Shift+ArrowDown")
    settled(page)
    assert job_on(page)["framing"]["point"]["y"] > 0.5
    assert page.evaluate("() => document.activeElement.dataset.handle") == "point"
    page.locator("svg#picture-a").focus()
    page.keyboard.press("1")
    assert page.locator(".stage-tools output").inner_text() == "100 %"
    page.keyboard.press("0")
    page.locator(".turn").focus()
    page.keyboard.press("Enter")
    settled(page)
    assert job_on(page)["capture"]["roll"] == 90
    page.keyboard.press("Control+z")
    settled(page)
    assert job_on(page)["capture"].get("roll", 0) == 0


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
        page.get_by_role("button", name="Overlay burned into the plate").click()
    with Image.open(caught.value.path()) as burned:
        assert burned.size == (480, 320)
    assert any("multipart" in each for each in sent)
    assert watched.complaints == []


# ---- shared, compared, taken along


def test_a_link_carries_the_job_and_no_server_sees_it(open_page, origin):
    watched = open_page(fragment(SHARED))
    page = watched.page
    drag(page, "point", 0, 15)
    job = job_on(page)
    page.wait_for_timeout(400)
    again = open_page(page.url.removeprefix(origin)).page
    assert job_on(again) == job
    assert not any("job=" in url.partition("#")[0] for url in watched.asked)


def test_a_cut_link_says_so_and_opens_the_sample(open_page):
    page = open_page(fragment(JOB)[:40]).page
    assert "could not be read" in page.locator("#take-note").inner_text()
    assert page.locator(".card").count() == 4


def test_two_alternatives_stand_side_by_side_with_what_differs(open_page):
    page = open_page(fragment(JOB)).page
    page.locator("#compare").click()
    settled(page)
    page.locator(".lane").nth(1).locator(".turn").click()
    settled(page)
    page.wait_for_selector("#difference-rows tr >> nth=1")
    assert page.locator(".lane").count() == 2
    rows = [row.inner_text() for row in page.locator("#difference-rows tr").all()]
    # Upright tall has 1800 x 3200 px, turned 2700 x 4800; wide 4800 x 2700 against 3200 x 1800.
    assert "+900 px" in rows[1]
    assert "+1600 px" in rows[1]
    assert "−1600 px" in rows[0]
    assert job_on(page)["capture"]["roll"] == 90
    page.locator(".lane").first.locator(".work").click()
    settled(page)
    assert job_on(page) == JOB


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


PICTURES = {
    "Overlay SVG": lambda raw: ET.fromstring(raw).tag.endswith("svg"),
    "Overlay PNG": lambda raw: raw.startswith(b"\x89PNG"),
    "Sheet PDF": lambda raw: raw.startswith(b"%PDF-"),
    "Chart PDF": lambda raw: raw.startswith(b"%PDF-"),
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


# A browser lets one page save ten files or so before it asks; two pages save these.
@pytest.mark.parametrize("checks", [PICTURES, FORMS], ids=["pictures", "forms"])
def test_every_form_that_the_service_writes_can_be_taken_along(open_page, checks):
    watched = open_page(fragment(JOB))
    page = watched.page
    assert page.locator("#take-buttons button").all_inner_texts() == [*PICTURES, *FORMS]
    assert len(FORMS) == len(MEDIA_TYPES)
    for name, is_right in checks.items():
        with page.expect_download() as caught:
            page.get_by_role("button", name=name, exact=True).click()
        assert is_right(caught.value.path().read_bytes()), name
    assert watched.complaints == []


# ---- for everybody

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.mark.parametrize(("size", "scheme"), [("phone", "light"), ("laptop", "dark")])
def test_it_is_without_violations_by_axe(open_page, size, scheme):
    """WCAG 2.2 AA as far as axe-core can tell, with every part opened, a fault shown and two alternatives."""
    page = open_page(fragment(SHARED, JOB), size=size, scheme=scheme, bypass_csp=True).page
    field(page, "/capture/squeeze").fill("none")
    page.wait_for_selector('[aria-invalid="true"]')
    page.evaluate("() => document.querySelectorAll('details').forEach(each => { each.open = true; })")
    found = Axe().run(page, options=RULES)
    assert found.violations_count == 0, found.generate_report()


@pytest.mark.parametrize("size", ["phone", "laptop", "wall"])
def test_nothing_is_wider_than_the_screen_and_every_control_is_large_enough(open_page, size):
    page = open_page(fragment(SHARED, JOB), size=size).page
    width, inner = page.evaluate("() => [document.documentElement.scrollWidth, innerWidth]")
    assert width <= inner
    # WCAG 2.2, 2.5.8 Target Size (Minimum): 24 by 24 CSS px.
    small = page.evaluate(
        """() => [...document.querySelectorAll("button, select, summary, .hit")]
        .map(each => each.getBoundingClientRect())
        .filter(box => box.width && box.height && (box.width < 24 || box.height < 24)).length"""
    )
    assert small == 0
