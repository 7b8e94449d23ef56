"""What moves: shared point, subject, align points, the camera, the view; the strip along the line that is dragged."""

from __future__ import annotations

import pytest

from page_by_hand import JOB, SHARED, drag, field, fragment, job_on, middle_of, open_drawer, settled
from tallwide import Client


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


def test_the_strip_shows_the_sweep_along_whichever_line_is_dragged(open_page):
    page = open_page(fragment(SHARED)).page
    line = page.locator("#strip select")
    shown = lambda: line.evaluate("each => each.selectedOptions[0].text")  # noqa: E731 - asked seven times
    assert shown() == "Shared point, down"
    drag(page, "point", 14, 2)
    assert shown() == "Shared point, across"
    drag(page, "subject", 0, 5)
    assert shown() == "Subject, from top"
    drag(page, "subject", 5, 0)
    assert shown() == "Subject, from left"
    drag(page, "subject-size", 4, 1)
    assert shown() == "Subject, width"
    drag(page, "align", 0, 5)
    assert shown() == "Align point of wide, down"
    page.locator(".card", has_text="tall").click()
    settled(page)
    assert shown() == "Align point of tall, down"


def test_the_strips_numbers_are_the_services_sweep(open_page):
    page = open_page(fragment(SHARED)).page
    page.locator("#strip details summary").click()
    rows = [row.locator("th, td").all_inner_texts() for row in page.locator("#strip tbody tr").all()]
    ends = [float(row[0].removesuffix(" %")) / 100 for row in (rows[0], rows[-1])]
    slider = page.locator("#strip input")
    low, high = (float(slider.get_attribute(side)) for side in ("min", "max"))
    assert ends == [pytest.approx(low, abs=0.0005), pytest.approx(high, abs=0.0005)]
    sweep = {"member": "/framing/point/y", "from": low, "to": high, "steps": len(rows)}
    steps = Client().extractions(SHARED | {"sweep": sweep}).sweep
    for row, step in zip(rows, steps, strict=True):
        spares = [f"{frame.spare_pct:+.1f} %".replace("-", "−") for frame in step.frames] or ["–", "–"]
        assert [cell.replace("0.0 %", "+0.0 %") if cell == "0.0 %" else cell for cell in row[1:]] == spares
    assert page.locator("#strip path.spare").count() == 2


def test_a_click_on_the_picture_picks_the_smallest_frame_under_it_then_the_next(open_page):
    page = open_page(fragment(JOB)).page
    box = page.locator("svg#picture-a").bounding_box()
    middle = {"x": box["width"] / 2 + 60, "y": box["height"] / 2 + 60}  # beside the handle
    picked = page.locator('.card[aria-pressed="true"] b')
    assert picked.inner_text() == "wide"
    for expected in ("tall", "wide", "tall"):
        page.locator("svg#picture-a").click(position=middle)
        assert picked.inner_text() == expected


def test_the_slider_under_the_strip_moves_along_the_line(open_page):
    page = open_page(fragment(SHARED)).page
    slider = page.locator("#strip input")
    slider.focus()
    page.keyboard.press("ArrowRight")
    settled(page)
    assert job_on(page)["framing"]["point"]["y"] == pytest.approx(0.501, abs=0.0006)
    box = slider.bounding_box()
    page.mouse.click(box["x"] + box["width"] * 0.6, box["y"] + box["height"] / 2)
    settled(page)
    low, high = (float(slider.get_attribute(side)) for side in ("min", "max"))
    assert job_on(page)["framing"]["point"]["y"] == pytest.approx(low + 0.6 * (high - low), abs=0.01)
    page.locator("#undo").click()
    settled(page)
    assert job_on(page)["framing"]["point"]["y"] == 0.5


def test_two_fingers_zoom_and_one_moves_what_is_near(open_page):
    page = open_page(fragment(JOB), has_touch=True).page
    box = page.locator("svg#picture-a").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    session = page.context.new_cdp_session(page)

    def touch(kind, *points):
        session.send(
            "Input.dispatchTouchEvent",
            {"type": kind, "touchPoints": [{"x": px, "y": py, "id": n} for n, (px, py) in enumerate(points)]},
        )

    before = page.locator("svg#picture-a").get_attribute("viewBox").split()
    touch("touchStart", (x - 40, y))
    touch("touchStart", (x - 40, y), (x + 40, y))
    for apart in (60, 80, 100, 120):
        touch("touchMove", (x - apart, y), (x + apart, y))
    touch("touchEnd")
    near = page.locator("svg#picture-a").get_attribute("viewBox").split()
    assert float(near[2]) == pytest.approx(float(before[2]) / 3, rel=0.1)
    touch("touchStart", (x, y + 90))  # beside the handle in the middle
    touch("touchMove", (x + 30, y + 90))
    touch("touchMove", (x + 60, y + 90))
    touch("touchEnd")
    assert float(page.locator("svg#picture-a").get_attribute("viewBox").split()[0]) < float(near[0])


def test_everything_of_a_first_decision_can_be_done_by_keyboard(open_page):
    """No mouse: to the cards, a frame picked, the handles, the camera, a field, undo, the comparison, a file."""
    page = open_page(fragment(SHARED)).page
    names = []
    for _ in range(16):
        page.keyboard.press("Tab")
        names.append(
            page.locator("*:focus").evaluate("each => each.dataset.handle || each.getAttribute('class') || each.id")
        )
    assert "card is-short" in names
    assert {"point", "subject", "subject-size", "align", "turn"} <= set(names)
    page.locator(".card.is-enough").focus()
    page.keyboard.press("Enter")
    assert page.locator(".card.is-enough").get_attribute("aria-pressed") == "true"
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
    summary = page.locator('#fields details[data-name="framing"] > summary')
    summary.focus()
    page.keyboard.press("Enter")
    for _ in range(4):
        page.keyboard.press("Tab")
    page.keyboard.press("Control+a")
    page.keyboard.type("0.48")
    settled(page)
    assert job_on(page)["framing"]["point"]["x"] == 0.48
    page.locator("#compare").focus()
    page.keyboard.press("Space")
    settled(page)
    page.locator(".lane").nth(1).locator("select.roll").focus()
    page.keyboard.press("ArrowDown")
    settled(page)
    assert job_on(page)["capture"]["roll"] == 90
    page.get_by_role("button", name="Margins as CSV").focus()
    with page.expect_download():
        page.keyboard.press("Enter")


def test_on_a_phone_the_job_opens_in_a_drawer_over_the_picture_and_closes_again(open_page):
    page = open_page(fragment(SHARED), size="phone").page
    assert page.locator("#drawer-body").is_hidden()
    open_drawer(page)
    point = field(page, "/framing/point/y")
    point.fill("0.52")
    settled(page)
    stage, drawer = (page.locator(name).bounding_box() for name in (".stage", "#drawer"))
    assert stage["y"] >= 0
    assert stage["y"] + stage["height"] <= drawer["y"], "the picture is seen while the job is changed"
    assert drawer["y"] + drawer["height"] <= 800
    page.keyboard.press("Escape")
    assert page.locator("#drawer-body").is_hidden()
    assert page.evaluate("() => document.activeElement.id") == "drawer-toggle"
    assert job_on(page)["framing"]["point"]["y"] == 0.52


def test_on_a_phone_the_picture_lets_the_page_scroll_and_its_handles_do_not(open_page):
    page = open_page(fragment(SHARED), size="phone", has_touch=True).page
    action = "each => getComputedStyle(each).touchAction"
    assert page.locator("svg#picture-a").evaluate(action) == "pan-y"
    assert page.locator('[data-handle="point"]').evaluate(action) == "none"
    x, y = middle_of(page, "point")
    assert 0 < x < 360
    assert 0 < y < 800
