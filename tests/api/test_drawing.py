"""Pictures and paper by `Accept`, by POST and by GET, on jobs that use everything."""

from __future__ import annotations

import io
import json
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image

from tallwide_service.api.documented import packed

JOB = {
    "id": "harbour <day> & night",
    "capture": {
        "raster": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "roll": 0,
        "lens": {"focal_length_mm": 32, "image_circle_mm": 33.9},
        "usable_area": [[0, 0], [4800, 0], [4800, 3100], [100, 3200]],
    },
    "deliverables": [
        {"label": "wide <1>", "raster": {"width": 3840, "height": 2160}, "safe_area_sets": ["ebu_r95"]},
        {"label": "tall & high", "raster": {"width": 1080, "height": 1920}},
    ],
    "framing": {"arrangement": "shared_point", "subject": {"x": 2100, "y": 900, "width": 500, "height": 1200}},
    "overlay": {"shade": "combined_area", "common_area": True, "theme": "auto"},
}
STARTS = {"image/svg+xml": b"<svg", "image/png": b"\x89PNG", "application/pdf": b"%PDF-"}


@pytest.mark.parametrize(
    ("path", "media_types"),
    [
        ("/v1/overlay", ("image/svg+xml", "image/png", "application/pdf")),
        ("/v1/chart", ("application/pdf", "image/svg+xml")),
        ("/v1/sheet", ("application/pdf",)),
    ],
)
def test_each_drawing_comes_in_each_of_its_media_types_by_post_and_get(client, path, media_types):
    assert client.post(path, json=JOB).mimetype == media_types[0]
    for media_type in media_types:
        posted = client.post(path, json=JOB, headers={"Accept": media_type})
        queried = client.get(path, query_string={"job": packed(JOB)}, headers={"Accept": media_type})
        assert posted.mimetype == queried.mimetype == media_type
        assert posted.data.startswith(STARTS[media_type])
        assert posted.data == queried.data
        assert posted.headers["ETag"] == queried.headers["ETag"]
        headers = {"Accept": media_type, "If-None-Match": queried.headers["ETag"]}
        assert client.get(path, query_string={"job": packed(JOB)}, headers=headers).status_code == 304
    assert client.post(path, json=JOB, headers={"Accept": "text/plain"}).status_code == 406


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
@pytest.mark.parametrize(
    "picture",
    ["recorded", "upright", {"deliverable": "wide <1>"}, {"monitor": {"width": 1920, "height": 1080}}],
)
def test_a_job_with_circle_usable_area_and_subject_is_drawn_under_every_roll(client, roll, picture):
    subject = {"x": 1400, "y": 1500, "width": 300, "height": 600}
    job = {
        **JOB,
        "capture": {**JOB["capture"], "roll": roll},
        "framing": {"arrangement": "shared_point", "subject": subject},
        "picture": picture,
    }
    for media_type in STARTS:
        response = client.post("/v1/overlay", json=job, headers={"Accept": media_type})
        assert response.status_code == 200, response.data
    chart = client.post("/v1/chart", json=job)
    assert chart.status_code == 200


def test_a_browser_draws_the_overlay_as_the_png_has_it(client, tmp_path):
    browser = shutil.which("chromium")
    assert browser, "chromium (Debian chromium) is needed"
    job = {**JOB, "picture": {"monitor": {"width": 960, "height": 540}}, "overlay": {"labels": "none"}}
    document = client.post("/v1/overlay", json=job).text
    page = f'<!doctype html><body style="margin:0;background:#ffffff">{document}</body>'
    (tmp_path / "page.html").write_text(page, encoding="utf-8")
    subprocess.run(
        [
            browser,
            *("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--force-device-scale-factor=1"),
            *("--window-size=960,640", f"--user-data-dir={tmp_path / 'profile'}"),
            f"--screenshot={tmp_path / 'page.png'}",
            f"file://{tmp_path / 'page.html'}",
        ],
        check=True,
        capture_output=True,
        timeout=90,
    )
    body = client.post("/v1/overlay", json=job, headers={"Accept": "image/png"}).data
    with Image.open(tmp_path / "page.png") as shot, Image.open(io.BytesIO(body)) as ours:
        seen = shot.convert("RGB").crop((0, 0, 960, 540))
        on_white = Image.new("RGBA", ours.size, "white")
        on_white.alpha_composite(ours.convert("RGBA"))
        off = np.abs(np.asarray(seen).astype(int) - np.asarray(on_white.convert("RGB")))
    # Only the slanted edges of circle and usable area are rounded in the browser's own way.
    assert (off.max(axis=2) > 64).mean() < 0.004


def test_a_large_picture_is_refused_as_png_and_drawn_as_svg(client):
    job = {**JOB, "picture": {"monitor": {"width": 65_535, "height": 65_535}}}
    refused = client.post("/v1/overlay", json=job, headers={"Accept": "image/png"})
    assert refused.status_code == 422
    assert refused.get_json()["errors"][0]["pointer"] == "/picture"
    assert client.post("/v1/overlay", json=job).status_code == 200


def test_more_safe_areas_than_are_drawn_together_are_refused_and_drawn_one_by_one(client):
    own = [{"label": f"s{index}", "left": index / 100} for index in range(8)]
    frames = [{"label": f"f{index}", "aspect": 1 + index / 20, "safe_areas": own} for index in range(9)]
    job = {"capture": {"raster": {"width": 4000, "height": 3000}}, "deliverables": frames}
    refused = client.post("/v1/overlay", json=job)
    assert refused.status_code == 422
    assert refused.get_json()["errors"][0]["pointer"] == "/overlay/safe_areas"
    assert client.post("/v1/overlay", json={**job, "overlay": {"safe_areas": False}}).status_code == 200
    assert client.post("/v1/overlay", json={**job, "picture": {"deliverable": "f3"}}).status_code == 200


@pytest.mark.parametrize("picture", ["recorded", {"monitor": {"width": 65_535, "height": 65_535}}])
def test_thirty_two_frames_in_hairlines_on_the_largest_picture_have_a_bounded_number_of_dashes(client, picture):
    frames = [
        {"label": f"f{index}", "aspect": 0.5 + index / 20, "protection": {"each_side": 0.01}} for index in range(32)
    ]
    raster = {"width": 65_535, "height": 65_535}
    job = {"capture": {"raster": raster}, "deliverables": frames, "overlay": {"line_px": 1}, "picture": picture}
    assert len(client.post("/v1/overlay", json=job).data) < 2_000_000


def test_all_text_of_the_job_is_escaped_in_svg(client):
    for path in ("/v1/overlay", "/v1/chart"):
        text = client.post(path, json=JOB, headers={"Accept": "image/svg+xml"}).text
        assert "wide &lt;1&gt;" in text
        assert "wide <1>" not in text
        assert json.dumps(JOB["id"]) not in text
