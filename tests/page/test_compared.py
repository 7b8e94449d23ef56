"""Alternatives side by side: another roll, recording mode or lens, a plan's pass; the link that carries them."""

from __future__ import annotations

import json

import pytest

from page_by_hand import JOB, SHARED, drag, fragment, job_on, settled, verdicts
from tallwide import Client
from tallwide.job import Job
from tallwide.kit import Kit
from tallwide.wire import from_wire, to_wire
from tallwide_service.core.subject import carried_subject

LENS = {"label": "32", "focal_length_mm": 32, "image_circle_mm": 34}
CAMERA = {"label": "A", "raster": {"width": 4800, "height": 3200}, "photosite_pitch_um": 5.8, "lens": LENS}
OTHER = {
    "label": "B, 4:3",
    "raster": {"width": 6000, "height": 4500},
    "photosite_pitch_um": 5.1,
    "lens": {"label": "35", "focal_length_mm": 35},
}
CHOICE = SHARED | {
    "capture": CAMERA,
    "alternatives": [OTHER],
    "lenses": [
        {"label": "50", "focal_length_mm": 50, "image_circle_mm": 28},
        {"label": "zoom", "settings": [{"focal_length_mm": 24, "image_circle_mm": 27}, {"focal_length_mm": 70}]},
    ],
}


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


def lane(page, place):
    return page.locator(".lane").nth(place)


def chosen(page, kind, name, place=1):
    lane(page, place).locator(f"select.{kind}").select_option(label=name)
    settled(page)


def test_another_recording_mode_of_the_job_stands_beside_with_its_subject_where_the_scene_has_it(open_page):
    page = open_page(fragment(CHOICE)).page
    page.locator("#compare").click()
    settled(page)
    chosen(page, "mode", "B, 4:3")
    job = job_on(page)
    assert job["capture"] == OTHER | {"roll": 0}
    assert job["alternatives"] == [CAMERA]
    before, after = (from_wire(Job, each) for each in (CHOICE, job))
    expected = carried_subject(before.framing.subject, before.capture, after.capture)
    assert job["framing"]["subject"] == to_wire(expected)
    assert verdicts(page, 0) != verdicts(page, 1)
    assert page.locator("#difference-rows tr").count() == 2
    assert "B: B, 4:3" in lane(page, 1).locator("h2").inner_text()
    chosen(page, "mode", "A")
    assert job_on(page)["capture"]["label"] == "A"


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
def test_a_subject_goes_along_as_the_services_plans_carry_it(open_page, roll):
    """The page's rule against the service's own, over pitches, focal lengths, squeezes and photosites."""
    captures = [
        CAMERA | {"roll": roll},
        OTHER,
        OTHER | {"squeeze": 1.3, "roll": 90, "photosites": {"width": 6400, "height": 4600}},
        {"raster": {"width": 4096, "height": 2160}, "squeeze": 2, "squeeze_axis": "sensor_height", "roll": 270},
    ]
    page = open_page(fragment(JOB)).page
    subject = {"x": 1601, "y": 1003, "width": 333, "height": 415}
    for target in captures:
        carried = page.evaluate(
            "async (given) => (await import('/page/job.js')).carriedSubject(...given)",
            [subject, CAMERA | {"roll": roll}, target],
        )
        job = from_wire(Job, SHARED | {"capture": CAMERA | {"roll": roll}, "framing": {"subject": subject}})
        other = from_wire(Job, SHARED | {"capture": target})
        expected = carried_subject(job.framing.subject, job.capture, other.capture)
        if expected is not None:
            assert carried == to_wire(expected)


def test_another_lens_stands_beside_and_a_zoom_at_each_of_its_settings(open_page):
    page = open_page(fragment(CHOICE)).page
    page.locator("#compare").click()
    settled(page)
    names = lane(page, 1).locator("select.lens option").all_inner_texts()
    assert names == ["32, circle 34 mm", "50, circle 28 mm", "zoom @ 24, circle 27 mm", "zoom @ 70"]
    chosen(page, "lens", "zoom @ 24, circle 27 mm")
    job = job_on(page)
    assert job["capture"]["lens"] == {"label": "zoom @ 24", "focal_length_mm": 24, "image_circle_mm": 27}
    shown = lane(page, 1).locator(".card", has_text="wide").text_content()
    pixels = Client().margins(job).margins[0].pixels
    assert f"{pixels.width:g} × {pixels.height:g} px" in shown
    assert "image circle" in shown
    chosen(page, "roll", "turned 270°")
    assert job_on(page)["capture"]["roll"] == 270


KIT = {
    "captures": {
        "open gate": {"raster": {"width": 5120, "height": 3840}, "photosite_pitch_um": 5, "lens": "wide"},
        "narrow": {
            "raster": {"width": 4096, "height": 2160},
            "photosite_pitch_um": 5,
            "lens": "zoom @ 50",
            "squeeze": 1,
        },
    },
    "lenses": {
        "wide": {"focal_length_mm": 21, "image_circle_mm": 31, "squeeze": 1.5},
        "zoom": {"squeeze": 2, "settings": [{"focal_length_mm": 28, "image_circle_mm": 30}, {"focal_length_mm": 50}]},
    },
}


def test_a_kit_gives_modes_and_lenses_and_stays_in_the_browser(open_page):
    watched = open_page(fragment(JOB))
    page = watched.page
    asked = []
    page.on("request", lambda request: asked.append(request.post_data or ""))
    page.locator("#kit summary").click()
    load = page.locator("#kit-load")
    load.set_input_files({"name": "no.json", "mimeType": "application/json", "buffer": b"[]"})
    page.wait_for_selector("#kit-note.problem")
    kit = {"name": "kit.json", "mimeType": "application/json", "buffer": json.dumps(KIT).encode()}
    load.set_input_files(kit)
    page.wait_for_selector("#kit-note:text('2 modes and 2 lenses')")
    assert not any("open gate" in body for body in asked)
    page.locator("#compare").click()
    settled(page)
    for name in KIT["captures"]:
        chosen(page, "mode", name)
        expected = Kit.of(KIT).merged({"capture": name})["capture"]
        assert job_on(page)["capture"] == {"roll": 0, **expected}
    chosen(page, "lens", "zoom @ 28, circle 30 mm")
    assert job_on(page)["capture"]["squeeze"] == 2
    assert watched.complaints == []


def test_a_pass_of_the_recommendation_stands_beside_at_a_click(open_page):
    page = open_page(fragment(JOB)).page
    page.locator("#advice .pass", has_text="turned 90°").get_by_role("button", name="Show beside").click()
    settled(page)
    assert page.locator(".lane").count() == 2
    assert job_on(page)["capture"]["roll"] == 90
    assert "does" in verdicts(page, 1)["tall"]
    assert "falls short" in verdicts(page, 0)["tall"]
    page.locator("#undo").click()
    settled(page)
    assert page.locator(".lane").count() == 1


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
    assert "could not be read" in page.locator("#notice").inner_text()
    assert page.locator(".card").count() == 4


def test_a_link_carries_both_alternatives_and_which_is_worked_on(open_page, origin):
    page = open_page(fragment(JOB)).page
    page.locator("#compare").click()
    settled(page)
    lane(page, 1).locator(".turn").click()
    settled(page)
    page.locator("#link").click()
    page.wait_for_selector("#notice:not(:empty)")
    again = open_page(page.url.removeprefix(origin)).page
    assert again.locator(".lane").count() == 2
    assert job_on(again) == job_on(page)
    assert job_on(again)["capture"]["roll"] == 90
