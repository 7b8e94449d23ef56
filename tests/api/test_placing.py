"""Safe areas, numbers to type, chart readings and published values over HTTP."""

from __future__ import annotations

import pytest

from tallwide_service.api.app import create_app

JOB = {
    "capture": {"raster": {"width": 4800, "height": 3200}},
    "deliverables": [
        {"label": "wide", "raster": {"width": 3840, "height": 2160}, "safe_area_sets": ["ebu_r95"]},
        {"label": "tall", "raster": {"width": 1080, "height": 1920}},
    ],
    "picture": {"monitor": {"width": 1920, "height": 1080}},
    "chart": {
        "reading": {"frames": [{"deliverable": "wide", "corners": [[6, 250], [4806, 250], [4806, 2950], [6, 2950]]}]}
    },
}


@pytest.fixture(scope="module")
def client():
    return create_app().test_client()


def test_safe_areas_come_with_their_document_and_the_shared_area(client):
    answer = client.post("/v1/safe-areas", json=JOB).get_json()
    assert [area["label"] for area in answer["safe_areas"]] == ["action safe", "graphics safe"]
    assert answer["safe_areas"][0]["document"] == "EBU R 95 v1.1 (2017)"
    assert answer["shared"][0]["rect"] == {"x": 1500, "y": 385, "width": 1800, "height": 2430}


def test_numbers_to_type_are_for_the_feed_that_the_job_names(client):
    answer = client.post("/v1/dial-in", json=JOB).get_json()
    assert answer["feed"]["recording"] == {"x": 150, "y": 0, "width": 1620, "height": 1080}
    assert answer["frames"][0]["rows"][0]["picture"] == "feed"


def test_a_chart_that_stands_six_pixels_off_is_beyond_four(client):
    (frame,) = client.post("/v1/chart/read", json=JOB).get_json()["frames"]
    assert frame["verdict"] == "beyond"
    assert frame["shift_px"] == {"x": pytest.approx(6), "y": pytest.approx(0)}


def test_a_job_without_a_reading_cannot_be_read(client):
    response = client.post("/v1/chart/read", json={**JOB, "chart": {}})
    assert response.status_code == 422
    assert response.get_json()["type"] == "/problems/member-missing"
    assert response.get_json()["errors"][0]["pointer"] == "/chart/reading"


def test_published_sets_state_document_shape_and_pixels(client):
    answer = client.get("/v1/reference/safe-areas").get_json()
    by_name = {published["name"]: published for published in answer["sets"]}
    assert by_name["smpte_st2046_1"]["document"] == "SMPTE ST 2046-1:2009"
    assert by_name["smpte_rp218"]["superseded"] is True
    hd = next(row for row in by_name["ebu_r95"]["areas"][0]["computed"] if row["raster"]["height"] == 1080)
    # EBU R 95 v1.1 (2017): margins of 67 px and 38 px, as quoted.
    assert (hd["first_pixel"], hd["last_pixel"], hd["first_line"], hd["last_line"]) == (67, 1852, 38, 1041)


def test_published_rasters_state_their_pixels_shape(client):
    rasters = client.get("/v1/reference/rasters").get_json()["rasters"]
    scope = next(raster for raster in rasters if raster["name"] == "dc_2k_scope")
    assert scope["raster"] == {"width": 2048, "height": 858}
    assert {raster["pixel_aspect"] for raster in rasters} == {"1:1", "128:117", "512:351"}


@pytest.mark.parametrize(
    ("member", "value", "pointer"),
    [
        ("picture", "sideways", "/picture"),
        ("picture", {}, "/picture"),
        ("picture", 7, "/picture"),
        ("picture", {"deliverable": "square"}, "/picture/deliverable"),
        ("picture", {"monitor": {"width": 0, "height": 1080}}, "/picture/monitor/width"),
        ("picture", {"monitor": {"width": 1920, "height": 1080, "turned": 1}}, "/picture/monitor/turned"),
        ("picture", {"deliverable": "wide", "monitor": {"width": 1920, "height": 1080}}, "/picture"),
        ("overlay", {"line_px": 2, "line_share": 0.01}, "/overlay/line_share"),
        ("overlay", {"colours": ["orange"]}, "/overlay/colours/0"),
        ("overlay", {"colours": ["#e69f00\n"]}, "/overlay/colours/0"),
        ("overlay", {"id_prefix": '"><script>'}, "/overlay/id_prefix"),
        ("overlay", {"shade": "frame"}, "/overlay/shade_frame"),
        ("overlay", {"shade": "frame", "shade_frame": "square"}, "/overlay/shade_frame"),
        ("dial_in", {"step_px": 0}, "/dial_in/step_px"),
        ("sheet", {"paper": "A5"}, "/sheet/paper"),
        ("chart", {"width_mm": 99}, "/chart/width_mm"),
        ("chart", {"reading": {"frames": []}}, "/chart/reading/frames"),
        (
            "chart",
            {"reading": {"frames": [{"deliverable": "x", "corners": [[0, 0], [1, 0], [1, 1], [0, 1]]}]}},
            "/chart/reading/frames/0/deliverable",
        ),
        (
            "chart",
            {"reading": {"frames": [{"deliverable": "wide", "corners": [[0, 0], [1, 0], [1, 1]]}]}},
            "/chart/reading/frames/0/corners",
        ),
    ],
)
def test_a_wrong_option_is_refused_by_its_pointer(client, member, value, pointer):
    response = client.post("/v1/dial-in", json={**JOB, member: value})
    assert response.status_code == 422
    assert [fault["pointer"] for fault in response.get_json()["errors"]] == [pointer]
