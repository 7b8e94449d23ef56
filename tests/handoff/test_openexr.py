"""OpenEXR windows and attributes, written into real files by the OpenEXR package and read back.

Source: OpenEXR, Technical Introduction and Standard Attributes.
"""

from __future__ import annotations

import json

import numpy as np
import OpenEXR
import pytest
from hypothesis import given, settings

from strategies import decisions
from tallwide import handoff
from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.job import Aspect, Capture, Deliverable, Handoff, Job, Lens, Pull, Raster


def _decision(rect: Rect, capture: Capture, raster: Raster | None = None, delivery_turn: int = 0) -> Decision:
    deliverable = Deliverable("tall", None if raster else Aspect("9:16"), raster, delivery_turn=delivery_turn)
    return Decision(Job(capture, (deliverable,)), (Frame(deliverable, rect, rect),), "0" * 64, "0.1.0")


def _windows(decision: Decision, pull: Pull | None = None):
    return handoff.write(decision, "openexr", Handoff(pull=pull)).content["windows"][0]


def _box(window):
    return np.array(window["min"], np.int32), np.array(window["max"], np.int32)


def test_windows_are_inclusive():
    # Handbook case: 3840x2160 with a crop of 1216 at 1312 has the display window (1312,0)-(2527,2159).
    windows = _windows(_decision(Rect(1312, 0, 1216, 2160), Capture(Raster(3840, 2160))))
    assert windows["reframe"]["displayWindow"] == {"min": [1312, 0], "max": [2527, 2159]}
    assert windows["reframe"]["dataWindow"] == {"min": [0, 0], "max": [3839, 2159]}
    assert windows["crop"]["dataWindow"] == {"min": [1312, 0], "max": [2527, 2159]}
    assert windows["crop"]["originalDataWindow"] == {"min": [0, 0], "max": [3839, 2159]}


def test_a_pull_keeps_the_frames_display_window_and_grows_its_data_window():
    decision = _decision(Rect(1312, 100, 1216, 1900), Capture(Raster(3840, 2160)), Raster(608, 950))
    windows = _windows(decision, Pull(overscan_px=64, multiple=16))
    assert windows["pull"]["displayWindow"] == {"min": [0, 0], "max": [1215, 1899]}
    # 64 px of overscan, then 1344 x 2028 padded to 1344 x 2032 at the bottom.
    assert windows["pull"]["dataWindow"] == {"min": [-64, -64], "max": [1279, 1967]}
    assert windows["delivery"]["displayWindow"] == {"min": [0, 0], "max": [607, 949]}
    assert windows["delivery"]["dataWindow"] == {"min": [-32, -32], "max": [639, 981]}


def test_overscan_that_the_raster_cannot_give_is_said():
    decision = _decision(Rect(10, 0, 1216, 2160), Capture(Raster(3840, 2160)), Raster(600, 1066))
    lost = handoff.write(decision, "openexr", Handoff(pull=Pull(overscan_px=65))).lost
    codes = {loss.code: loss.detail for loss in lost}
    assert "10, 0, 65, 0 px" in codes["overscan"]
    assert "part_pixels" in codes


@pytest.mark.parametrize("kind", ["reframe", "crop", "pull", "delivery"])
@pytest.mark.parametrize("squeeze", [1, 2])
def test_a_real_file_carries_windows_pixels_and_attributes(kind, squeeze, tmp_path):
    capture = Capture(
        Raster(96, 64), label="B-Kamera 縦", squeeze=squeeze, photosite_pitch_um=5.8, frames_per_second=23.976,
        lens=Lens(label="32", focal_length_mm=32, f_number=4),
    )  # fmt: skip
    rect = Rect(20, 8, 30, 40)
    decision = _decision(rect, capture, Raster(60, 80))
    content = handoff.write(decision, "openexr", Handoff(pull=Pull(overscan_px=4))).content
    windows, facts = content["windows"][0][kind], content["attributes"]
    low, high = _box(windows["dataWindow"])
    width, height = (int(side) for side in high - low + 1)
    pixels = np.random.default_rng(3).random((height, width)).astype(np.float32)
    header = {
        "compression": OpenEXR.ZIP_COMPRESSION,
        "type": OpenEXR.scanlineimage,
        "displayWindow": _box(windows["displayWindow"]),
        "dataWindow": (low, high),
        "pixelAspectRatio": windows["pixelAspectRatio"],
        "screenWindowWidth": facts["screenWindowWidth"],
        "ascFramingDecisionList": facts["ascFramingDecisionList"],
        "cameraLabel": facts["cameraLabel"],
        "sensorPhotositePitch": facts["sensorPhotositePitch"],
        "nominalFocalLength": facts["nominalFocalLength"],
        "aperture": facts["aperture"],
    }
    if "originalDataWindow" in windows:
        header["originalDataWindow"] = _box(windows["originalDataWindow"])
    path = tmp_path / "plate.exr"
    with OpenEXR.File(header, {"Y": pixels}) as file:
        file.write(str(path))
    with OpenEXR.File(str(path)) as file:
        back = dict(file.header())
        np.testing.assert_array_equal(file.channels()["Y"].pixels, pixels)
    for name in ("displayWindow", "dataWindow", "originalDataWindow"):
        if name in windows:
            assert [corner.tolist() for corner in back[name]] == [windows[name]["min"], windows[name]["max"]]
    assert back["pixelAspectRatio"] == (1 if kind == "delivery" else squeeze)
    assert back["cameraLabel"] == "B-Kamera 縦"
    assert json.loads(back["ascFramingDecisionList"])["contexts"][0]["canvases"][0]["id"] == "RECORDED"
    assert back["aperture"] == 4
    assert facts["captureRate"] == [2997, 125]
    assert facts["sensorOverallDimensions"] == [pytest.approx(0.5568), pytest.approx(0.3712)]


@given(decisions(most=2))
@settings(max_examples=80, deadline=None)
def test_every_window_is_as_large_as_its_picture(decision):
    for frame, windows in zip(decision.frames, handoff.write(decision, "openexr").content["windows"], strict=True):
        low, high = _box(windows["crop"]["displayWindow"])
        assert (high - low + 1).tolist() == [frame.rect.width, frame.rect.height]
        if frame.deliverable.raster is not None:
            assert windows["delivery"]["displayWindow"] == windows["delivery"]["dataWindow"]
