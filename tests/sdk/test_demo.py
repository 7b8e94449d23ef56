"""The demo: what it writes is there, and a real picture is cropped to the same pixels by other programs."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import skimage
from PIL import Image, ImageOps

from tallwide import Client, Kit, to_wire
from tallwide.demo import CAPTURES, DELIVERABLES, demo_job, plate, run
from tallwide.geometry import shown_ratio

pytestmark = pytest.mark.usefixtures("clean_environment")


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    run(folder)
    return folder


def test_the_demo_writes_jobs_answers_overlays_and_crops(written):
    for camera in CAPTURES:
        place = written / camera
        answer = json.loads((place / "extractions.json").read_text(encoding="utf-8"))
        assert [each["deliverable"] for each in answer["extractions"]] == [frame["label"] for frame in DELIVERABLES]
        raster = answer["job"]["capture"]["raster"]
        with Image.open(place / "overlay.png") as overlay:
            assert overlay.size == (raster["width"], raster["height"])
        assert (place / "overlay.svg").stat().st_size > 1000
        for frame, extraction in zip(DELIVERABLES, answer["extractions"], strict=True):
            with Image.open(place / f"crop_{frame['label']}.jpg") as crop:
                assert crop.width / crop.height == pytest.approx(extraction["aspect"]["achieved"], rel=0.002)


def test_the_production_is_two_wide_two_tall_a_square_and_a_portrait_billboard():
    ratios = {frame["label"]: frame["raster"]["width"] / frame["raster"]["height"] for frame in DELIVERABLES}
    assert len(CAPTURES) == 3
    assert sum(ratio > 1 for ratio in ratios.values()) == 2
    assert ratios["square"] == 1
    assert ratios["billboard"] < 1


def test_a_report_names_every_frame_with_its_verdict_and_the_cautions_once(written):
    report = (written / "report.txt").read_text(encoding="utf-8")
    for camera in CAPTURES:
        margins = json.loads((written / camera / "margins.json").read_text(encoding="utf-8"))["margins"]
        for margin in margins:
            over, verdict = f"{margin['oversampling']['smaller']:.2f}", margin["verdict"].replace("_", " ")
            assert re.search(rf"^{margin['deliverable']} .* {over} .* {verdict} +raster ", report, re.MULTILINE)
    assert report.count("Before a camera is turned:") == 1
    assert max(len(line) for line in report.splitlines()) <= 130


def test_the_day_is_decided_from_a_kit_and_its_job_by_label(written):
    day = written / "day"
    job = Kit.read(day / "kit.json").merged(json.loads((day / "job.json").read_text(encoding="utf-8")))
    client = Client()
    for kind in ("orientation", "coverage", "match", "optics"):
        assert to_wire(getattr(client, kind)(job)) == json.loads((day / f"{kind}.json").read_text(encoding="utf-8"))
    report = (written / "report.txt").read_text(encoding="utf-8")
    plans = json.loads((day / "orientation.json").read_text(encoding="utf-8"))
    assert " ".join(plans["recommended"]["text"].split()) in " ".join(report.split())
    order = list(csv.DictReader(io.StringIO((day / "rental_order.csv").read_text(encoding="utf-8"))))
    assert len(order) == 2 * 5 * len(DELIVERABLES)
    missed = [row for row in order if row["covered"] == "false"]
    assert missed
    assert all(float(row["spare_mm"]) < 0 for row in missed)


@pytest.mark.parametrize("camera", CAPTURES)
def test_a_plate_shows_the_scene_undistorted_once_it_is_desqueezed(camera):
    capture = demo_job(camera).capture
    width, height = 480, round(480 / shown_ratio(capture.raster.width, capture.raster.height, capture))
    with Image.open(Path(skimage.__file__).parent / "data" / "coffee.png") as photograph:
        expected = ImageOps.fit(photograph.convert("RGB"), (width, height), Image.Resampling.BICUBIC)
    shown = plate(capture).resize((width, height), Image.Resampling.BOX)
    assert np.abs(np.asarray(shown, float) - np.asarray(expected, float)).mean() < 3


@pytest.mark.parametrize("camera", CAPTURES)
def test_pillow_and_ffmpeg_crop_a_real_picture_to_the_same_pixels(camera, tmp_path):
    # FFmpeg documentation, crop filter: w:h:x:y, exact=1 keeps odd numbers; Pillow: Image.crop box.
    ffmpeg = shutil.which("ffmpeg")
    assert ffmpeg, "ffmpeg (Debian) is needed"
    answer = Client().extractions(demo_job(camera))
    picture = plate(answer.job.capture)
    source = tmp_path / "plate.png"
    picture.save(source, compress_level=1)
    for extraction in answer.extractions:
        rect = extraction.rect
        by_pillow = np.asarray(picture.crop((rect.x, rect.y, rect.right, rect.bottom)))
        crop = f"crop={rect.width}:{rect.height}:{rect.x}:{rect.y}:exact=1"
        command = [ffmpeg, "-v", "error", "-i", source, "-vf", crop, "-f", "rawvideo", "-pix_fmt", "rgb24", "-"]
        raw = subprocess.run(command, check=True, capture_output=True).stdout
        by_ffmpeg = np.frombuffer(raw, dtype=np.uint8).reshape(rect.height, rect.width, 3)
        by_numpy = np.asarray(picture)[rect.y : rect.bottom, rect.x : rect.right]
        assert np.array_equal(by_pillow, by_ffmpeg)
        assert np.array_equal(by_pillow, by_numpy)
