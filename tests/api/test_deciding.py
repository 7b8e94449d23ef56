"""Orientation, coverage, camera match and optics over HTTP: what is accepted, repeated and refused."""

from __future__ import annotations

import pytest

from tallwide_service.limits import LIMITS

CAPTURE = {"raster": {"width": 4800, "height": 3200}, "photosite_pitch_um": 5.8, "lens": {"focal_length_mm": 32}}
WIDE = {"label": "wide", "raster": {"width": 3840, "height": 2160}}
TALL = {"label": "tall", "raster": {"width": 2160, "height": 3840}}
EVERYTHING = {
    "capture": {
        **CAPTURE,
        "readout_ms": 9,
        "frames_per_second": 50,
        "data_rate_mb_s": 310,
        "detail_factor": 0.8,
        "rate_limits": [{"frames_per_second": 60, "height": 3200}, {"frames_per_second": 120, "height": 1600}],
        "lens": {"focal_length_mm": 32, "f_number": 4, "focus_distance_mm": 3000, "exit_pupil_mm": 80},
    },
    "deliverables": [{**WIDE, "display": {"height_mm": 2000, "pixel_pitch_mm": 2.5}}, TALL],
    "alternatives": [{"label": "B", "raster": {"width": 6000, "height": 4000}, "data_rate_mb_s": 500}],
    "rolls": [0, 90],
    "passes": 2,
    "production": {"shots": 5, "minutes_per_take": 2, "minutes_per_changeover": 15, "minutes_available": 480},
    "prefer": ["megabytes"],
    "movement": {"pan_deg_s": 20},
    "rig": {
        "rods": "studio_19",
        "axis_turned_mm": {"height_mm": 150},
        "support_mm": {"least_mm": 90, "most_mm": 140},
        "carrying_faces": ["bottom"],
        "room": [{"face": "right", "need": "cables", "needed_mm": 30}],
        "ratings": [{"label": "battery mount", "rolls": [0]}],
    },
    "captures": [CAPTURE],
    "lenses": [{"label": "zoom", "settings": [{"focal_length_mm": 28, "image_circle_mm": 30}]}],
    "match": {"capture": {"raster": {"width": 4096, "height": 2304}, "photosite_pitch_um": 6}},
}
ENDPOINTS = ("extractions", "margins", "orientation", "coverage", "match", "optics", "safe-areas")


@pytest.mark.parametrize("endpoint", ENDPOINTS)
def test_one_saved_job_serves_every_endpoint(client, endpoint):
    response = client.post(f"/v1/{endpoint}", json=EVERYTHING)
    assert response.status_code == 200, response.json
    assert response.json["job"]["rig"]["rods"] == "studio_19"


@pytest.mark.parametrize(
    ("limits", "pointer", "words"),
    [
        pytest.param([(60, 3201)], "0/height", "is more than the 3200 lines of the raster", id="more lines"),
        pytest.param([(60, 3200), (120, 4000)], "1/height", "is more than the 3200 lines", id="more lines, later"),
        pytest.param([(60, 3200), (60.0, 1600)], "1/frames_per_second", "stands twice", id="one rate, two heights"),
        pytest.param([(0.1, 9), (0.1, 8), (1, 9)], "1/frames_per_second", "stands twice", id="heights below"),
    ],
)
@pytest.mark.parametrize("at", ["/capture", "/alternatives/0", "/captures/0", "/match/capture"])
def test_rate_limits_that_the_mode_cannot_have_are_refused_at_their_pointer(client, at, limits, pointer, words):
    rows = [{"frames_per_second": rate, "height": height} for rate, height in limits]
    spoilt = {**CAPTURE, "rate_limits": rows}
    member = {"/capture": {"capture": spoilt}, "/alternatives/0": {"alternatives": [spoilt]}}
    member |= {"/captures/0": {"captures": [spoilt]}, "/match/capture": {"match": {"capture": spoilt}}}
    response = client.post("/v1/orientation", json={**EVERYTHING, **member[at]})
    assert response.status_code == 422
    (fault,) = response.json["errors"]
    assert fault["pointer"] == f"{at}/rate_limits/{pointer}"
    assert words in fault["detail"]


def test_a_rate_that_stands_twice_with_one_height_is_no_contradiction(client):
    limits = [{"frames_per_second": 60, "height": 3200}, {"frames_per_second": 60.0, "height": 3200}]
    job = {"capture": {**CAPTURE, "rate_limits": limits}, "deliverables": [WIDE]}
    assert client.post("/v1/orientation", json=job).status_code == 200


def test_one_decision_stands_on_every_answer(client):
    answers = [client.post(f"/v1/{endpoint}", json=EVERYTHING).json for endpoint in ENDPOINTS]
    assert len({answer["decision_id"] for answer in answers}) == 1
    assert len({answer["answer_id"] for answer in answers}) == len(answers)


def test_an_orientation_repeats_what_it_took_where_the_job_said_nothing(client):
    answer = client.post("/v1/orientation", json={"capture": CAPTURE, "deliverables": [WIDE]}).json
    used = answer["considered"]
    assert (used["rolls"], used["passes"]) == ([0, 90, 270], 2)
    assert used["prefer"][0] == "enough_pixels"


def test_a_plan_carries_read_out_data_and_the_way_to_it(client):
    answer = client.post("/v1/orientation", json=EVERYTHING).json
    turned, one = next(
        (plan, one)
        for plan in answer["plans"]
        for one in plan["passes"]
        if (one["roll"], one["capture_index"]) == (90, 0)
    )
    assert {effect["leaning"] for effect in one["readout"]} == {"horizontals"}
    assert one["data"]["megabytes_a_minute"] == 310 * 60
    assert "bands_turn" in {reason["code"] for reason in turned["reasons"]}
    assert turned["changeover"]
    assert [check["roll"] for check in answer["rig"]] == [0, 90]
    assert answer["cautions"]


def changed(**members):
    return {"capture": CAPTURE, "deliverables": [WIDE, TALL], **members}


@pytest.mark.parametrize(
    ("endpoint", "job", "pointer", "words"),
    [
        pytest.param("orientation", changed(passes=4), "/passes", "from 1 to 3", id="more passes than are weighed"),
        pytest.param("orientation", changed(rolls=[45]), "/rolls/0", "one of", id="a roll that is no quarter turn"),
        pytest.param("orientation", changed(rolls=[]), "/rolls", "items", id="no roll"),
        pytest.param("orientation", changed(prefer=["beauty"]), "/prefer/0", "one of", id="a criterion of one's own"),
        pytest.param(
            "orientation",
            changed(alternatives=[{"raster": {"width": 10, "height": 10}}] * 9),
            "/alternatives",
            "0 to 8 items",
            id="too many alternatives",
        ),
        pytest.param(
            "orientation",
            changed(production={"minutes_available": 10}),
            "/production/minutes_per_take",
            "is required",
            id="a day of takes of unknown length",
        ),
        pytest.param(
            "orientation",
            changed(production={"minutes_available": 10, "minutes_per_take": 20}),
            "/production/minutes_available",
            "is less than",
            id="a take longer than the day",
        ),
        pytest.param(
            "orientation", changed(production={"shots": 0}), "/production/shots", "from 1", id="a day without shots"
        ),
        pytest.param(
            "orientation",
            changed(rig={"support_mm": {"least_mm": 3, "most_mm": 2}}),
            "/rig/support_mm/most_mm",
            "at least least_mm",
            id="a support that ends before it begins",
        ),
        pytest.param(
            "orientation",
            {"capture": {"raster": {"width": 4, "height": 4}}, "deliverables": [{"label": "line", "aspect": 20}]},
            "/deliverables/0",
            "no plan places every deliverable",
            id="a deliverable that no pass can hold",
        ),
        pytest.param(
            "margins",
            changed(deliverables=[{**WIDE, "display": {"height_mm": 1000, "viewing_distance_mm": 0}}]),
            "/deliverables/0/display/viewing_distance_mm",
            "more than 0",
            id="a viewer at no distance",
        ),
        pytest.param(
            "margins",
            changed(deliverables=[{**WIDE, "display": {"viewing_distance_mm": 1}}]),
            "/deliverables/0/display/height_mm",
            "is required",
            id="a picture without a height",
        ),
        pytest.param(
            "optics",
            changed(capture={**CAPTURE, "detail_factor": 0}),
            "/capture/detail_factor",
            "more than 0",
            id="a filter that leaves nothing",
        ),
        pytest.param("match", changed(), "/match", "is required", id="no camera to match"),
        pytest.param(
            "coverage",
            changed(captures=[{"raster": {"width": 9, "height": 9}}], lenses=[{"label": "32", "image_circle_mm": 30}]),
            "/captures/0/photosite_pitch_um",
            "is required",
            id="a circle in mm on photosites of unknown pitch",
        ),
        pytest.param(
            "coverage",
            changed(lenses=[{"label": "z", "focal_length_mm": 20, "settings": [{"focal_length_mm": 30}]}]),
            "/lenses/0/focal_length_mm",
            "settings",
            id="a zoom with a focal length of its own",
        ),
        pytest.param(
            "coverage",
            changed(capture={"raster": {"width": 9, "height": 9}, "lens": {"covered_mm": {"width": 1, "height": 1}}}),
            "/capture/photosite_pitch_um",
            "is required with lens.covered_mm",
            id="a covered area in mm on photosites of unknown pitch",
        ),
    ],
)
def test_what_cannot_be_meant_is_refused_by_pointer(client, endpoint, job, pointer, words):
    response = client.post(f"/v1/{endpoint}", json=job)
    assert response.status_code == 422
    problem = response.json
    assert pointer in [error["pointer"] for error in problem["errors"]], problem
    assert words in str(problem)


def test_a_table_larger_than_the_limit_is_refused_with_the_limit(client):
    job = changed(
        captures=[CAPTURE] * LIMITS.captures,
        lenses=[{"label": str(index)} for index in range(LIMITS.lenses)],
        deliverables=[{"label": str(index), "aspect": 1 + index / 10} for index in range(3)],
    )
    problem = client.post("/v1/coverage", json=job)
    assert problem.status_code == 422
    assert f"{LIMITS.coverage_rows:,}" in problem.json["detail"]


def test_a_circle_smaller_than_the_extraction_is_an_answer(client):
    capture = {**CAPTURE, "lens": {"image_circle_mm": 12}}
    plan = client.post("/v1/orientation", json=changed(capture=capture, deliverables=[WIDE])).json["plans"][0]
    assert not plan["feasible"]
    assert plan["criteria"]["lens_covers"] is False
    assert "lens_cuts" in {reason["code"] for reason in plan["reasons"]}


def test_every_bound_of_a_decision_is_among_the_limits(client):
    limits = client.get("/v1/limits").json
    assert {"alternatives", "passes", "position_sets", "orientation_work", "plans_listed", "coverage_rows"} <= set(
        limits
    )
