"""Media fragments. Source: W3C Media Fragments URI 1.0, spatial dimension (Recommendation of 2012-09-25)."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings

from strategies import decisions
from tallwide import handoff
from tallwide.answers import Rect
from tallwide.handoff import ReadOptions, UnreadableForm
from tallwide.job import Handoff, Raster

FORM = "media-fragments"
UHD = ReadOptions(raster=Raster(3840, 2160))
# The published grammar: an optional unit, then four runs of ASCII digits.
GRAMMAR = re.compile(r"xywh=pixel:[0-9]+,[0-9]+,[0-9]+,[0-9]+")


@given(decisions())
@settings(max_examples=80, deadline=None)
def test_fragments_are_whole_pixels_and_come_back_unchanged(decision):
    document = handoff.write(decision, FORM, Handoff(source="https://media.example/a b.mp4"))
    for entry in document.content:
        assert GRAMMAR.fullmatch(entry["fragment"])
        assert entry["uri"].startswith("https://media.example/a%20b.mp4#xywh=pixel:")
    assert b"percent" not in document.raw
    for given_back in (document.content, document.raw.decode()):
        reading = handoff.read(given_back, FORM, ReadOptions(raster=decision.capture.raster))
        assert [(f.deliverable, f.rect) for f in reading.frames] == [(f.label, f.rect) for f in decision.frames]


@pytest.mark.parametrize(
    ("text", "rect"),
    [
        ("clip.mp4#xywh=pixel:1312,0,1216,2160", Rect(1312, 0, 1216, 2160)),
        ("clip.mp4#t=10,20&xywh=1312,0,1216,2160", Rect(1312, 0, 1216, 2160)),
        ("#xywh=0,0,1,1&xywh=pixel:01312,0,1216,2160", Rect(1312, 0, 1216, 2160)),
        # Percent: x and y floored, w and h ceiled: floor(1305.6) and ceil(1228.8).
        ("clip.mp4#xywh=percent:34,0,32,100", Rect(1305, 0, 1229, 2160)),
    ],
)
def test_fragments_by_others_are_read_by_the_standards_rounding(text, rect):
    assert handoff.read(text, FORM, UHD).frames[0].rect == rect


def test_what_reaches_beyond_the_edge_is_clipped_leniently_and_refused_strictly():
    text = "#xywh=3000,0,1000,2160"
    with pytest.raises(UnreadableForm):
        handoff.read(text, FORM, UHD)
    assert handoff.read(text, FORM, ReadOptions(True, UHD.raster)).frames[0].rect == Rect(3000, 0, 840, 2160)


@pytest.mark.parametrize(
    "text",
    [
        "#xywh=percent:31.67,0,31.66,100", "#xywh=-1,0,5,5", "#xywh=1,2,3", "#xywh=pixel:1,2,3,0", "#xywh=4000,0,5,5",
        "#xywh=0,2160,5,5", "#xywh=em:1,2,3,4", "#t=1", "", "#xywh=\u0661,2,3,4", "#xywh=1,2,3,4,5", "x" * 5000,
        "#xywh=" + "9" * 400 + ",0,1,1", {"uri": 5}, [{"uri": 5}], [None], 7,
    ],
)  # fmt: skip
def test_what_is_no_fragment_is_refused(text):
    with pytest.raises(UnreadableForm):
        handoff.read(text, FORM, UHD)


def test_percent_says_nothing_without_the_mediums_size():
    with pytest.raises(UnreadableForm, match="raster"):
        handoff.read("#xywh=percent:1,1,1,1", FORM)
