"""IIIF requests, applied to real pictures by the standard's own rules with Pillow.

Source: IIIF Image API 3.0, section 4 (region, size, rotation) and 4.7 (canonical form).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from PIL import Image

from strategies import decisions
from tallwide import handoff
from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.handoff import ReadOptions, UnreadableForm
from tallwide.job import Aspect, Capture, Deliverable, Handoff, Job, Raster

FORM = "iiif"


def served(picture: Image.Image, path: str) -> Image.Image:
    """Return what a server makes of a path: region, then size, then rotation clockwise (section 4)."""
    region, size, rotation, rest = path.split("/")
    assert rest == "default.jpg"
    if region != "full":
        x, y, w, h = map(int, region.split(","))
        assert w > 0
        assert h > 0
        picture = picture.crop((x, y, min(x + w, picture.width), min(y + h, picture.height)))
    if size != "max":
        width, height = map(int, size.removeprefix("^").split(","))
        # 4.2: only forms with ^ may exceed the region's own pixels.
        assert size.startswith("^") == (width > picture.width or height > picture.height)
        picture = picture.resize((width, height), Image.Resampling.NEAREST)
    return picture.rotate(-int(rotation), expand=True)


def _decision(capture: Capture, deliverable: Deliverable, rect: Rect) -> Decision:
    return Decision(Job(capture, (deliverable,)), (Frame(deliverable, rect, rect),), "0" * 64, "0.1.0")


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
@pytest.mark.parametrize("delivery_turn", [0, 90])
@pytest.mark.parametrize("factor", [None, 1, 2])
def test_a_server_that_keeps_the_rules_delivers_the_frame(roll, delivery_turn, factor):
    capture = Capture(Raster(48, 32), roll=roll)
    rect = Rect(10, 4, 20, 16)
    upright = (16, 20) if roll in (90, 270) else (20, 16)
    raster = Raster(upright[0] * factor, upright[1] * factor) if factor else None
    deliverable = Deliverable("d", None if raster else Aspect("5:4"), raster, delivery_turn=delivery_turn)
    (request,) = handoff.write(_decision(capture, deliverable, rect), FORM).content
    assert request["is_upscaled"] is (factor == 2)
    ys, xs = np.mgrid[0:32, 0:48]
    numbers = (ys * 48 + xs).astype(np.int32)
    delivered = np.array(served(Image.fromarray(numbers), request["path"]))
    expected = np.rot90(numbers[4:20, 10:30], -(roll + delivery_turn) // 90)
    np.testing.assert_array_equal(delivered, np.kron(expected, np.ones((factor or 1, factor or 1), np.int32)))


def test_a_size_that_scales_the_axes_apart_is_named():
    # The running example: 1216 x 2160 to 1080 x 1920 stretches by 0.08 %.
    deliverable = Deliverable("tall", None, Raster(1080, 1920))
    document = handoff.write(_decision(Capture(Raster(3840, 2160)), deliverable, Rect(1312, 0, 1216, 2160)), FORM)
    assert document.content[0]["path"] == "1312,0,1216,2160/1080,1920/0/default.jpg"
    assert "aspect_error" in {loss.code for loss in document.lost}


def test_an_identifier_is_percent_encoded_and_an_address_is_kept():
    decision = _decision(Capture(Raster(40, 30)), Deliverable("d", Aspect("1:1")), Rect(0, 0, 30, 30))
    uri = handoff.write(decision, FORM, Handoff(source="plates/a b#1")).content[0]["uri"]
    assert uri.endswith("/plates%2Fa%20b%231/0,0,30,30/max/0/default.jpg")
    uri = handoff.write(decision, FORM, Handoff(source="https://img.example/3/plate/")).content[0]["uri"]
    assert uri == "https://img.example/3/plate/0,0,30,30/max/0/default.jpg"


@given(decisions(turns=(0,)))
@settings(max_examples=100, deadline=None)
def test_what_requests_carry_comes_back_unchanged(decision):
    document = handoff.write(decision, FORM)
    for given_back in (document.content, document.raw.decode()):
        reading = handoff.read(given_back, FORM, ReadOptions(raster=decision.capture.raster))
        assert [(f.deliverable, f.rect) for f in reading.frames] == [(f.label, f.rect) for f in decision.frames]
        assert reading.job["capture"].get("roll", 0) == decision.capture.roll
        for frame, entry in zip(decision.frames, reading.job["deliverables"], strict=True):
            raster = frame.deliverable.raster
            upright = frame.upright_rect(decision.capture)
            if raster is not None and (raster.width, raster.height) != (upright.width, upright.height):
                assert entry["raster"] == {"width": raster.width, "height": raster.height}
            else:
                assert "raster" not in entry


@pytest.mark.parametrize(
    ("text", "rect"),
    [
        ("https://x.example/i/1312,0,1216,2160/max/0/default.jpg?a=1", Rect(1312, 0, 1216, 2160)),
        ("full/!1080,1920/0/color.png", Rect(0, 0, 3840, 2160)),
        ("square/max/0/default.jpg", Rect(840, 0, 2160, 2160)),
        ("pct:25,0,50,100/max/0/default.jpg", Rect(960, 0, 1920, 2160)),
    ],
)
def test_requests_by_others_are_read(text, rect):
    assert handoff.read(text, FORM, ReadOptions(raster=Raster(3840, 2160))).frames[0].rect == rect


@pytest.mark.parametrize(
    "text",
    [
        "1,2,3/max/0/default.jpg", "0,0,0,10/max/0/default.jpg", "-1,0,5,5/max/0/default.jpg",
        "0,0,5,5/max/45/default.jpg",
        "0,0,5,5/max/!0/default.jpg", "0,0,5,5/10,10/0/default.jpg", "9000,0,5,5/max/0/default.jpg", "max", "",
        "0,0,5,5/^99999,5/0/default.jpg", "0,0,5,5/big/0/default.jpg", "0,0," + "9" * 500 + ",5/max/0/default.jpg",
        "pct:33.33,0,50,100/max/0/default.jpg", "0,0,\u0665,5/max/0/default.jpg", "x" * 5000, 7, None,
        [7], [{"path": 7}],
        ["0,0,5,5/max/0/default.jpg"] * 33, "0,0,5,5/max/0/default.jpg\n" * 40,
    ],
)  # fmt: skip
def test_what_is_no_request_is_refused(text):
    with pytest.raises(UnreadableForm) as refused:
        handoff.read(text, FORM, ReadOptions(raster=Raster(3840, 2160)))
    assert all(fault.pointer.startswith("/document") for fault in refused.value.faults)


def test_shares_and_full_say_nothing_without_the_images_size():
    for text in ("full/max/0/default.jpg", "pct:0,0,50,50/max/0/default.jpg"):
        with pytest.raises(UnreadableForm, match="raster"):
            handoff.read(text, FORM)


def test_an_upscale_without_its_mark_is_read_leniently():
    reading = handoff.read("0,0,5,5/10,10/0/default.jpg", FORM, ReadOptions(lenient=True))
    assert reading.job["deliverables"][0]["raster"] == {"width": 10, "height": 10}
    assert "^" in reading.liberties[0].detail
