"""Jobs with every noun in them, and ways to spoil each of their members."""

from __future__ import annotations

import json

from tallwide_service.api.documented import EXAMPLE_JOB

LINE = b'{"capture":{"raster":{"width":9,"height":8}},"deliverables":[{"label":"a","aspect":"1:1"}]}'

# Every noun of a job, so that every field has a value that can be spoilt.
RICH = {
    **EXAMPLE_JOB,
    "version": 1,
    "id": "all",
    "capture": {
        "raster": {"width": 4800, "height": 3200},
        "photosites": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "squeeze": 1.33,
        "squeeze_axis": "sensor_width",
        "roll": 0,
        "grid": {"x": 2, "y": 2, "width": 2, "height": 2},
        "usable_area": [[0, 0], [4800, 0], [4800, 3200], [0, 3200]],
        "lens": {"focal_length_mm": 32, "image_circle_mm": 44.5, "offset_mm": {"x": 0.5, "y": 0}},
        "readout_ms": 12.5,
    },
    "deliverables": [
        {
            "label": "a",
            "aspect": "16:9",
            "raster": {"width": 1920, "height": 1080},
            "weight": 1.25,
            "align": {"x": 0.5},
            "protection": {"left": 0.1},
            "safe_areas": [{"label": "s", "left": 0.1, "right": 0.2}],
            "safe_area_sets": ["ebu_r95"],
            "display": {"height_mm": 1000, "viewing_distance_mm": 4000},
        },
        {"label": "b", "aspect": 0.8, "protection": {"each_side": 0.05}},
    ],
    "framing": {
        "arrangement": "shared_point",
        "point": {"x": None, "y": 0.4},
        "subject": {"x": 1, "y": 2, "width": 30, "height": 40},
        "nest": [["b", "a"]],
        "aspect_tolerance": 0.01,
    },
    "picture": {"monitor": {"width": 1920, "height": 1080, "turned": True}},
    "overlay": {"line_px": 2, "colours": ["#e69f00"], "shade": "frame", "shade_frame": "a"},
    "map": {
        "source": {"space": "recorded"},
        "target": {"space": "pull", "deliverable": "a", "pull": {"overscan_px": 8}},
        "points": [[1, "2304/5"]],
        "polygons": [[[0, 0], [1, 0], [1, 1.5]]],
    },
    "file": {
        "width": 1920,
        "height": 1080,
        "sample_aspect": "1:1",
        "content": {"x": 0, "y": 0, "width": 9, "height": 9},
    },
    "chart": {"reading": {"frames": [{"deliverable": "a", "corners": [[0, 0], [1, 0], [1, 1], [0, 1]]}]}},
    "handoff": {"source": "A001.mov", "language": "en"},
    "compare": {
        "job": {"capture": {"raster": {"width": 9, "height": 9}}, "deliverables": [{"label": "a", "aspect": 1}]}
    },
}
SPOILT = (None, True, 0, -1, 2.0, 0.5, 1e-12, 1e300, 70_000, "", "16:9", "a", [], {}, {"_a": 1})


def places(value, path=()):
    """Yield the path of every value inside a JSON value."""
    if path:
        yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, inner in items:
        yield from places(inner, (*path, name))


RICH_PLACES = tuple(places(RICH))


def spoil(document, path, change, new):
    document = json.loads(json.dumps(document))
    *way, last = path
    place = document
    for step in way:
        place = place[step]
    if change == "remove":
        del place[last]
    elif change == "add" and isinstance(place, dict):
        place[new if isinstance(new, str) else "_own"] = new
    else:
        place[last] = new
    return document
