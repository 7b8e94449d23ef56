"""The page puts a kit together as the SDK does: `Kit.merged` is what its captures are held to."""

from __future__ import annotations

import json
from itertools import product

import pytest

from tallwide import Kit

LENSES = {
    "plain": {"focal_length_mm": 32},
    "squeezed": {"focal_length_mm": 50, "squeeze": 2, "image_circle_mm": 31},
    "upright": {"squeeze": 1.5, "squeeze_axis": "sensor_height"},
    "zoom": {"squeeze": 1.8, "settings": [{"focal_length_mm": 28, "image_circle_mm": 29}, {"focal_length_mm": 70}]},
}
OWN = {"none": {}, "squeeze": {"squeeze": 1.25}, "both": {"squeeze": 1.25, "squeeze_axis": "sensor_width"}}
KIT = {
    "captures": {
        f"{own}, {lens}": {"raster": {"width": 4800, "height": 3200}, **OWN[own], "lens": lens}
        for own, lens in product(OWN, ("plain", "squeezed", "upright", "zoom @ 28", "zoom @ 70"))
    },
    "lenses": LENSES,
}


@pytest.fixture
def captures_on_the_page(open_page):
    page = open_page().page
    read = "async text => (await import('/page/modes.js')).readKit(text).captures"
    return page.evaluate(read, json.dumps(KIT))


def test_the_page_mounts_a_lens_of_the_kit_as_the_sdk_does(captures_on_the_page):
    kit = Kit.of(KIT)
    assert captures_on_the_page == [kit.merged({"capture": label})["capture"] for label in KIT["captures"]]
