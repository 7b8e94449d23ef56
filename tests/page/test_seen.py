"""What the page shows: verdicts, where frames lie, the region, what binds, what it costs, what is wrong."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from xml.etree import ElementTree as ET

import pytest
from shapely.affinity import scale
from shapely.geometry import Point, Polygon, box

from page_by_hand import JOB, SHARED, drag, field, fragment, job_on, settled, verdicts
from tallwide import Client
from tallwide_service.limits import LIMITS

SVG = "{http://www.w3.org/2000/svg}"


def test_it_opens_with_a_verdict_on_every_frame_the_tightest_first_and_asks_its_own_origin_alone(open_page, origin):
    watched = open_page()
    page = watched.page
    assert page.locator(".card b").all_inner_texts() == ["billboard", "cinema", "broadcast", "phone"]
    assert "falls short" in verdicts(page)["billboard"]
    assert page.locator("#summary").inner_text().startswith("3 of 4 frames do; billboard is")
    assert page.locator("svg#picture-a .frame").count() == 4
    assert page.locator("svg#picture-a .safe").count() >= 1
    assert {url for url in watched.asked if not url.startswith((origin, "blob:"))} == set()
    assert watched.complaints == []


def test_a_card_says_what_is_spare_what_it_costs_and_what_binds(open_page):
    page = open_page(fragment(JOB)).page
    wide, tall = (page.locator(".card", has_text=name).inner_text() for name in ("wide", "tall"))
    answer = Client().margins(JOB).margins
    assert f"{answer[0].spare_px.x} × {answer[0].spare_px.y} px to spare" in wide
    assert f"{-answer[1].spare_px.x} px too narrow, {-answer[1].spare_px.y} lines too low" in tall
    assert "4800 × 2700 px for 3840 × 2160; 84 % of the raster" in wide
    assert "bound by raster left, raster right" in wide


def test_what_letting_each_constraint_go_brings_each_frame_is_shown(open_page):
    page = open_page(fragment(SHARED)).page
    rows = [row.locator("td").all_inner_texts() for row in page.locator("#binds tbody tr").all()]
    bindings = Client().extractions(SHARED).what_binds
    gains = [[f"{gain.width_gain:+} × {gain.height_gain:+}" for gain in each.frames] for each in bindings]
    assert gains
    assert rows == [[gain.replace("-", "−").replace("+0 × +0", "·") for gain in each] for each in gains]
    assert "by one grid step" in page.locator("#binds").inner_text()


DAY = JOB | {
    "alternatives": [{"label": "small", "raster": {"width": 2048, "height": 1080}}],
    "production": {
        "shots": 4,
        "takes_per_shot": 3,
        "minutes_per_take": 2,
        "minutes_per_changeover": 9,
        "minutes_available": 300,
    },
}


def test_the_recommendation_stands_with_reasons_price_cautions_and_what_would_change_it(open_page):
    page = open_page(fragment(DAY)).page
    answer = Client().orientation(DAY)
    plan = answer.plans[answer.recommended.plan]
    said = page.locator("#advice").inner_text()
    assert answer.recommended.text in said
    assert f"{plan.cost.minutes:g} minutes" in said
    for reason in plan.reasons:
        if reason.deliverable is None:
            assert reason.text in said
    for one in plan.passes:
        for margin in one.margins:
            assert f"{margin.deliverable} does" in said
    assert [each.inner_text() for each in page.locator("#care li").all()] == list(answer.cautions)
    changes = page.locator("#change").inner_text()
    assert answer.what_would_change.changeover.text in changes
    assert page.locator("#change tbody tr").count() == len(answer.break_even)
    page.get_by_text(f"Change-over, {len(plan.changeover)} steps").click()
    assert page.locator("#advice [data-key=changeover] li").all_inner_texts() == [step.text for step in plan.changeover]
    page.get_by_text(f"All plans ({len(answer.plans)})").click()
    assert page.locator("#advice .plans > li").count() == len(answer.plans)
    weighed, possible = answer.considered.plans_weighed, answer.considered.plans_possible
    assert f"Weighed {weighed:g} of {possible:g} possible plans" in said


def test_the_frames_lie_where_the_service_places_them(open_page):
    page = open_page(fragment(JOB)).page
    frames = page.locator("svg#picture-a rect.frame")
    places = {
        tuple(round(float(frame.get_attribute(name))) for name in ("x", "y", "width", "height"))
        for frame in frames.all()
    }
    assert places == {(0, 250, 4800, 2700), (1500, 0, 1800, 3200)}


def test_what_all_frames_share_is_drawn_as_the_service_answers_it(open_page):
    page = open_page(fragment(SHARED)).page
    common = Client().extractions(SHARED).common_area
    shape = page.locator("svg#picture-a .common").first
    drawn = tuple(float(shape.get_attribute(name)) for name in ("x", "y", "width", "height"))
    assert drawn == (common.x, common.y, common.width, common.height)


def test_the_strip_asks_for_as_many_frames_as_the_service_bounds():
    script = (files("tallwide_service") / "page" / "strip.js").read_text(encoding="utf-8")
    (most,) = re.findall(r"const MOST_FRAMES = (\d+);", script)
    assert int(most) == LIMITS.sweep_frames


LENS = {"image_circle_mm": 26, "offset_mm": {"x": 0.8, "y": -0.5}}
AREA = [[200, 90], [4700, 20], [4600, 3150], [60, 3100]]
REGIONS = {
    "circle": {"lens": {"image_circle_mm": 29}},
    "off the axis, turned": {"lens": LENS, "roll": 90},
    "squeezed, upside down": {"lens": LENS, "roll": 180, "squeeze": 1.8},
    "circle and usable area, turned": {"lens": LENS, "usable_area": AREA, "roll": 270},
    "scaled in the camera": {"lens": LENS, "usable_area": AREA, "photosites": {"width": 5600, "height": 3400}},
}


@pytest.mark.parametrize("more", REGIONS.values(), ids=REGIONS)
def test_the_region_is_that_of_the_services_own_overlay(open_page, more):
    """Raster, circle and usable area cut each other as in the overlay, which draws them by itself."""
    capture = {"raster": {"width": 4800, "height": 3200}, "photosite_pitch_um": 5.8, **more}
    job = JOB | {"capture": capture, "picture": "upright"}
    overlay = ET.fromstring(Client().overlay(job))
    wide, high = (float(size) for size in overlay.get("viewBox").split()[2:])
    region = box(0, 0, wide, high)
    for name in ("tallwide-image-circle", "tallwide-usable-area"):
        for path in overlay.iter(f"{SVG}path"):
            if path.get("class") == name:
                region = region.intersection(inner_shape(path.get("d")))
    page = open_page(fragment(job)).page
    points = page.locator("svg#picture-a path.region").evaluate(
        """path => {
            const matrix = path.parentElement.transform.baseVal.getItem(0).matrix;
            const corners = path.getAttribute("d").slice(1, -1).split("L").map(corner => corner.split(" ").map(Number));
            return corners.map(([x, y]) => new DOMPoint(x, y).matrixTransform(matrix)).map(at => [at.x, at.y]);
        }"""
    )
    raster = page.locator("svg#picture-a rect.raster")
    ratios = [size / float(raster.get_attribute(name)) for size, name in ((wide, "width"), (high, "height"))]
    drawn = Polygon([(x * ratios[0], y * ratios[1]) for x, y in points])
    assert drawn.symmetric_difference(region).area < 0.0005 * region.area
    assert region.area < 0.98 * wide * high


def inner_shape(path: str) -> Polygon:
    """The inner edge of a ring, which is the second part of its path: a polygon or an ellipse of two arcs."""
    inner = path.split("z")[1]
    numbers = [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", inner)]
    if "A" not in inner:
        return Polygon(zip(numbers[::2], numbers[1::2], strict=True))
    left, y, across, down, right = numbers[0], numbers[1], numbers[2], numbers[3], numbers[7]
    return scale(Point((left + right) / 2, y).buffer(1, quad_segs=256), across, down)


def test_protection_subject_and_safe_areas_lie_where_the_service_has_them(open_page):
    job = SHARED | {"deliverables": [dict(each) for each in JOB["deliverables"]]}
    job["deliverables"][1] |= {"protection": {"each_side": 0.04}, "safe_area_sets": ["ebu_r95"]}
    page = open_page(fragment(job)).page

    def boxes(name):
        return sorted(
            tuple(round(float(each.get_attribute(side)), 1) for side in ("x", "y", "width", "height"))
            for each in page.locator(f"svg#picture-a rect.{name}").all()
        )

    def places(rects):
        return sorted((float(r.x), float(r.y), float(r.width), float(r.height)) for r in rects)

    client = Client()
    tall = client.extractions(job).extractions[1]
    assert boxes("protection") == places([tall.protection_rect])
    assert boxes("safe") == places([each.upright_rect for each in client.safe_areas(job).safe_areas])
    assert boxes("subject") == [(2300.0, 1400.0, 200.0, 400.0)]


def test_safe_areas_go_along_with_a_dragged_frame_before_the_service_has_placed_them_anew(open_page):
    job = SHARED | {"deliverables": [each | {"safe_area_sets": ["ebu_r95"]} for each in JOB["deliverables"]]}
    page = open_page(fragment(job)).page
    page.route("**/v1/safe-areas", lambda route: route.abort())
    frame, area = (page.locator(f"svg#picture-a rect.{name}").first for name in ("frame.is-picked", "safe"))
    before = [float(each.get_attribute("y")) for each in (frame, area)]
    x, y = (page.locator('[data-handle="point"] .hit').bounding_box()[side] + 15 for side in ("x", "y"))
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y + 6)
    page.wait_for_selector(f"svg#picture-a rect.frame.is-picked:not([y='{before[0]:g}'])")
    after = [float(each.get_attribute("y")) for each in (frame, area)]
    page.mouse.up()
    assert after[1] - before[1] == pytest.approx(after[0] - before[0], abs=20)
    assert after[1] != before[1]


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


def test_a_job_can_be_built_from_nothing_but_a_raster_and_one_frame(open_page):
    smallest = {
        "capture": {"raster": {"width": 4096, "height": 3072}},
        "deliverables": [{"label": "first", "aspect": "16:9"}],
    }
    page = open_page(fragment(smallest)).page
    assert "no verdict" in verdicts(page)["first"]
    page.get_by_role("button", name="Add a deliverable").click()
    settled(page)
    field(page, "/deliverables/1/label").fill("portrait")
    field(page, "/deliverables/1/raster/width").fill("1080")
    field(page, "/deliverables/1/raster/height").fill("1350")
    field(page, "/framing/arrangement").select_option("on one shared point")
    page.get_by_role("button", name="Mark a subject").click()
    page.get_by_role("button", name="Add a mode to weigh").click()
    field(page, "/alternatives/0/raster/width").fill("6000")
    field(page, "/production/shots").fill("3")
    settled(page)
    job = job_on(page)
    assert job["deliverables"][1] == {"label": "portrait", "raster": {"width": 1080, "height": 1350}}
    assert job["framing"]["arrangement"] == "shared_point"
    assert job["alternatives"][0]["raster"] == {"width": 6000, "height": 3072}
    assert job["production"] == {"shots": 3}
    assert set(verdicts(page)) == {"first", "portrait"}
    assert page.locator('[data-handle="point"], [data-handle="subject"]').count() == 2
    Client().orientation(job)  # what stands there is a job


@pytest.mark.parametrize(
    ("pointer", "wrong", "right", "named"),
    [
        ("/capture/raster/width", "wide", "4800", None),
        ("/deliverables/1/minimum_oversampling", "-1", "1", None),
        # The service names the subject, whose first field is where it lies from the left.
        ("/framing/subject/height", "9000", "400", "/framing/subject/x"),
        ("/deliverables/0/protection/left", "3", "", None),
    ],
)
def test_a_broken_field_shows_the_services_problem_at_that_field_and_recovers(open_page, pointer, wrong, right, named):
    page = open_page(fragment(SHARED)).page
    control = field(page, pointer)
    control.fill(wrong)
    at_fault = page.locator(f'[data-pointer="{named or pointer}"][aria-invalid="true"]')
    at_fault.wait_for()
    said = page.locator(f"#{at_fault.get_attribute('aria-describedby')}").inner_text()
    assert said
    assert said in page.locator("#problems").inner_text()
    assert control.input_value() == wrong
    assert page.locator(".lane.is-stale").count() == 1
    control.fill(right)
    page.wait_for_selector(".lane:not(.is-stale)")
    assert page.locator("#problems").inner_text() == ""
    assert page.locator('[aria-invalid="true"]').count() == 0


def test_a_job_that_cannot_be_met_says_so_and_keeps_the_last_picture(open_page):
    page = open_page(fragment(SHARED)).page
    field(page, "/framing/subject/width").fill("4000")
    page.wait_for_selector(".lane.is-stale")
    assert page.locator("#summary").inner_text().startswith("Not as it stands")
    assert page.locator("#problems li").count() >= 1
    assert page.locator("svg#picture-a .frame").count() == 2


@pytest.mark.parametrize(
    ("member", "wrong"),
    [
        ("lenses", [{"label": "28-70", "settings": "["}]),
        ("lenses", {"32": {}}),
        ("lenses", [None]),
        ("alternatives", "x"),
        ("alternatives", [None]),
        ("captures", {"A": {}}),
        ("deliverables", [None]),
        ("capture", None),
        ("framing", []),
    ],
)
def test_a_job_of_any_shape_is_refused_in_words_and_the_page_goes_on(open_page, member, wrong):
    watched = open_page(fragment(SHARED))
    page = watched.page
    page.locator("#json").evaluate("each => { each.closest('details').open = true; }")
    page.locator("#json").fill(json.dumps(SHARED | {member: wrong}))
    page.locator("#json-apply").click()
    page.wait_for_selector(".lane.is-stale")
    page.wait_for_selector('body[data-busy="no"]')
    assert page.locator("#problems li").count() >= 1
    page.locator("#undo").click()
    page.wait_for_selector(".lane:not(.is-stale)")
    assert page.locator("#problems").inner_text() == ""
    # A browser says of itself that an answer was a refusal.
    assert [each for each in watched.complaints if "422" not in each] == []


def test_text_of_a_job_is_never_markup(open_page):
    label = "<img src=x onerror=alert(1)>&\"'"
    job = {"capture": JOB["capture"] | {"label": label}, "deliverables": [JOB["deliverables"][0] | {"label": label}]}
    watched = open_page(fragment(job, job))
    assert label in watched.page.locator(".card b").first.inner_text()
    assert watched.page.locator("img").count() == 0
    assert watched.complaints == []


def test_a_point_that_is_dragged_out_of_reach_is_refused_and_comes_back(open_page):
    page = open_page(fragment(SHARED)).page
    drag(page, "point", 0, 500)
    assert page.locator("#problems li").count() >= 1
    drag(page, "point", 0, 3)  # the handle stands where the last picture has it
    assert page.locator("#problems li").count() == 0
