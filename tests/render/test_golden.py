"""Pictures as they were judged by eye, committed; `python tests/render/test_golden.py` draws them anew.

Pictures without text are compared to the pixel. Those with text allow for another version of the
font renderer: few pixels may differ, and none of them outside the plates.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tallwide.job import (
    Align,
    Aspect,
    Capture,
    Deliverable,
    Framing,
    Job,
    Lens,
    MonitorFeed,
    Overlay,
    Picture,
    Protection,
    Raster,
    SafeArea,
    Subject,
)
from tallwide_service.core import solve
from tallwide_service.render import overlay_scene, png

GOLDEN = Path(__file__).parents[1] / "golden"
FRAMES = (
    Deliverable("wide", raster=Raster(1280, 720), safe_area_sets=("ebu_r95",)),
    Deliverable("tall", aspect=Aspect("9:16"), align=Align(0.5, 0), protection=Protection(each_side=0.04)),
    Deliverable("square", aspect=Aspect("1:1"), safe_areas=(SafeArea("captions", top=0.1, bottom=0.25),)),
)
HARBOUR = Capture(raster=Raster(1500, 1000), photosite_pitch_um=10)
CIRCLE = Lens(image_circle_mm=17.4)
SUBJECT = Framing(subject=Subject(620, 300, 240, 420))
TURNED = Capture(raster=Raster(1500, 1000), roll=90)
NO_TEXT = Overlay(labels="none", common_area=True)
JOBS = {
    "recorded-no-text": Job(HARBOUR, FRAMES, overlay=Overlay(labels="none", shade="combined_area")),
    "monitor-no-text": Job(HARBOUR, FRAMES, overlay=NO_TEXT, picture=Picture(monitor=MonitorFeed(960, 540))),
    "wide-no-text": Job(HARBOUR, FRAMES, overlay=NO_TEXT, picture=Picture(deliverable="wide")),
    "turned-no-text": Job(TURNED, FRAMES, overlay=NO_TEXT),
    "circle-and-subject": Job(
        Capture(raster=Raster(1500, 1000), photosite_pitch_um=10, lens=CIRCLE), FRAMES, SUBJECT, overlay=Overlay()
    ),
    "turned": Job(TURNED, FRAMES, overlay=Overlay(palette="tol_bright", theme="light", safe_areas=False)),
}


def drawn(name: str):
    job = JOBS[name]
    return overlay_scene(job, solve(job).extractions)


def pixels(source) -> np.ndarray:
    with Image.open(source) as image:
        return np.asarray(image.convert("RGBA")).astype(int)


@pytest.mark.parametrize("name", JOBS)
def test_a_picture_is_as_it_was_judged(name):
    scene = drawn(name)
    off = np.abs(pixels(io.BytesIO(png(scene))) - pixels(GOLDEN / f"{name}.png")).max(axis=2)
    for plate in scene.plates:
        rect = plate.rect
        inside = off[rect.y : rect.bottom, rect.x : rect.right]
        assert (inside > 96).mean() < 0.05
        inside[:] = 0
    assert not off.any()


if __name__ == "__main__":
    for each in JOBS:
        (GOLDEN / f"{each}.png").write_bytes(png(drawn(each)))
