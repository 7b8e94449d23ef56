"""The heaviest requests that the service accepts, as far as they are known: several for each endpoint.

Nothing proves which input is the worst. Here is each bound at its end, combined as the solvers like it least; what a
hunt finds beyond them (`tests/benchmarks/worst_joint_job.py`) belongs here. Stills and the largest pictures have a list
of their own, `tests/benchmarks/largest_pictures.py`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from benchmarks.worst_joint_job import hostile_job
from tallwide import Client
from tallwide.forms import FORMS
from tallwide.wire import to_wire
from tallwide_service.limits import LIMITS

Job = dict[str, Any]
SIDE, SHARED_SIDE = LIMITS.raster_side_px, LIMITS.shared_point_side_px
JSON_TYPE = "application/json"
HOSTILE = "hostile frames on one point"
# A second of work or more: eight frames that lie unlike each other round a point, in a circle that grows step by step.
LONG_SWEEP = {
    "capture": {"raster": {"width": 12_288, "height": 8_640}, "photosite_pitch_um": 3, "lens": {"image_circle_mm": 38}},
    "deliverables": [
        {
            "label": f"f{number}",
            "aspect": round(0.4 + number / 9, 3),
            "align": {"x": round(0.2 + number / 60, 3), "y": round(0.6 - number / 70, 3)},
        }
        for number in range(8)
    ],
    "framing": {"arrangement": "shared_point", "objective": "raise_smallest", "aspect_tolerance": 0.02},
    "sweep": {"member": "/capture/lens/image_circle_mm", "from": 33, "to": 39, "steps": 28},
}


@dataclass(frozen=True)
class Heavy:
    """One request."""

    name: str
    path: str
    body: bytes
    headers: dict[str, str] = field(default_factory=lambda: {"Content-Type": JSON_TYPE})

    @property
    def is_hostile(self) -> bool:
        """Whether up to eight frames on one point take what they may take beyond others, so that they are proven."""
        return HOSTILE in self.name


def polygon(width: int, height: int, corners: int) -> list[list[int]]:
    """Return a convex polygon with many corners, near the edge of a raster: a parabola below and one above."""
    half = corners // 2
    steps = [index * width // (half - 1) for index in range(half)]
    bulge = [4 * x * (width - x) / width / width for x in steps]
    lower = [[x, int(height / 2 - height / 2.2 * share)] for x, share in zip(steps, bulge, strict=True)]
    upper = [[x, int(height / 2 + height / 2.2 * share)] for x, share in zip(steps, bulge, strict=True)]
    return lower + upper[-2:0:-1]


def mode(width: int, height: int, *, number: int = 0, pitch_um: float = 3.0) -> Job:
    """Return a capture whose image circle cuts its corners."""
    diagonal_mm = (width**2 + height**2) ** 0.5 * pitch_um / 1000
    return {
        "label": f"mode {number}",
        "raster": {"width": width, "height": height},
        "photosite_pitch_um": pitch_um,
        "grid": {"x": 1, "y": 1, "width": 1, "height": 1},
        "lens": {
            "image_circle_mm": round(diagonal_mm * 0.843, 2),
            "focal_length_mm": 32,
            "f_number": 4,
            "focus_distance_mm": 3000,
            "offset_mm": {"x": 0.137, "y": -0.211},
        },
        "frames_per_second": 25,
        "readout_ms": 9,
        "data_rate_mb_s": 310,
    }


def deliverables(number: int = LIMITS.deliverables, **members: Any) -> list[Job]:
    """Return frames of as many shapes, in rasters of their own."""
    sides = [(1000 + index * 61, 1000 + index * 37 % 700) for index in range(number)]
    return [
        {
            "label": f"frame {index:02}",
            "aspect": f"{width}:{height}",
            "raster": {"width": width, "height": height},
            "protection": {"each_side": 0.013},
            "align": {"x": 0.5, "y": round(0.313 + index / 997, 5)},
            "display": {"height_mm": 1720, "viewing_distance_mm": 4000},
            **members,
        }
        for index, (width, height) in enumerate(sides)
    ]


def with_aspects_alone(frames: list[Job]) -> list[Job]:
    """Return frames of the same shapes, whose sizes are all to be found."""
    return [{name: value for name, value in frame.items() if name != "raster"} for frame in frames]


def with_long_decimals(frames: list[Job]) -> list[Job]:
    """Return frames whose places and protections have as many decimals as a double has."""
    return [
        {
            **frame,
            "align": {"x": 0.5 + index / 7919, "y": 0.3 + index / 7907},
            "protection": {"each_side": 0.01 + index / 79_193},
        }
        for index, frame in enumerate(frames)
    ]


def with_smallest_numbers(frames: list[Job]) -> list[Job]:
    """Return frames whose places have 25 decimals, the most of any number that is read, and are all but the same."""
    return [
        {**frame, "align": {"x": (1 + index / 7919) * 1e-9, "y": (1 + index / 7907) * 1e-9}}
        for index, frame in enumerate(frames)
    ]


def common() -> dict[str, Job]:
    """Return jobs that every computing endpoint takes, by what makes them heavy."""
    wide = with_aspects_alone(deliverables())
    free = {"x": None, "y": None}
    jobs = {
        "alone in a circle": {"capture": mode(12_288, 8_640), "deliverables": wide},
        "alone on the largest raster": {"capture": mode(SIDE, SIDE, pitch_um=1), "deliverables": wide},
        "alone in a usable area": {
            "capture": {**mode(SIDE, SIDE, pitch_um=1), "usable_area": polygon(SIDE, SIDE, 64)},
            "deliverables": wide,
        },
    }
    for objective in ("in_order", "largest", "raise_smallest"):
        framing = {"arrangement": "shared_point", "point": free, "objective": objective}
        jobs[f"on one point, {objective}"] = {"capture": mode(12_288, 8_640), "deliverables": wide, "framing": framing}
    for name, frames in (
        ("largest raster", wide),
        ("long decimals", with_long_decimals(wide)),
        ("smallest numbers", with_smallest_numbers(wide)),
    ):
        jobs[f"on one point, {name}"] = {
            "capture": mode(SHARED_SIDE, SHARED_SIDE, pitch_um=1),
            "deliverables": frames,
            "framing": {"arrangement": "shared_point", "point": free, "objective": "largest"},
        }
    for name, point in (("free", free), ("on a line", {"x": None, "y": 0.5})):
        # Each lies elsewhere in a step, and all together may lie in as many columns as there are.
        jobs[f"narrow frames on one point, {name}"] = {
            "capture": {
                **mode(SHARED_SIDE, SHARED_SIDE, pitch_um=1),
                "lens": {"image_circle_mm": SHARED_SIDE * 1.2e-3},
            },
            "deliverables": [
                {"label": f"f{index}", "aspect": 0.05, "align": {"x": 0.3 + index / 7919, "y": 0.5}}
                for index in range(LIMITS.deliverables)
            ],
            "framing": {"arrangement": "shared_point", "point": point, "aspect_tolerance": 0.05},
        }
    jobs["nested on unlike grids"] = {
        "capture": {**mode(12_288, 8_640), "grid": {"x": 16, "y": 16, "width": 2, "height": 2}},
        "deliverables": wide[:8],
        "framing": {
            "arrangement": "shared_point",
            "point": free,
            "nest": [[wide[index]["label"], wide[index + 4]["label"]] for index in range(4)],
            "aspect_tolerance": 0.02,
        },
    }
    return jobs


def dearest() -> dict[str, Job]:
    """Return those of them that take most: for endpoints that find the frames and then do something quick."""
    names = ("largest raster", "long decimals", "smallest numbers")
    wanted = ("alone in a usable area", *(f"on one point, {name}" for name in names))
    return {name: job for name, job in common().items() if name in wanted}


def hostile() -> dict[str, Job]:
    """Return the jobs whose searches take longest of all that hunts have found."""
    return {f"{HOSTILE}, {seed}": hostile_job(seed, 8) for seed in (1645, 2885)}


def own_of_extractions() -> dict[str, Job]:
    point = {"arrangement": "shared_point", "point": {"x": None, "y": 0.4}, "objective": "largest"}
    sweep = {"member": "/framing/point/y", "from": 0.3, "to": 0.6}
    jobs = {}
    for count in (2, 8, LIMITS.deliverables):
        steps = min(LIMITS.sweep_steps, LIMITS.sweep_frames // count)
        for name, frames in (("", deliverables(count)), (", long decimals", with_long_decimals(deliverables(count)))):
            jobs[f"sweep of {steps} steps, {count} frames{name}"] = {
                "capture": mode(12_288, 8_640),
                "deliverables": with_aspects_alone(frames),
                "framing": point,
                "sweep": {**sweep, "steps": steps},
            }
    return jobs | hostile()


def widest(regions: int, frames: int = LIMITS.deliverables) -> int:
    """Return the longest side that so many curved regions may have, with so many frames to be found in each."""
    return min(SIDE, LIMITS.curved_frames_px // regions // frames)


def own_of_orientation() -> dict[str, Job]:
    free = {"arrangement": "shared_point", "point": {"x": None, "y": None}}
    whole = {
        "deliverables": deliverables(),
        "production": {"shots": 1_000, "takes_per_shot": 10, "minutes_per_take": 12, "minutes_per_changeover": 15},
        "movement": {"pan_deg_s": 60, "tilt_deg_s": 20},
    }
    jobs = {}
    for passes, rolls, most in ((2, [0, 90, 270], 9), (3, [0, 90, 270], 5), (3, [0, 90], 8), (2, [0, 90], 3)):
        for name, framing, width, height in (
            ("", {}, 12_288, 8_640),
            (", usable areas", {}, widest(2 * most * len(rolls)), min(widest(2 * most * len(rolls)), 8_640)),
            (", on one point", {"framing": free}, 12_288, 8_640),
        ):
            modes = [mode(width - 97 * number, height - 61 * number, number=number) for number in range(most)]
            if "usable" in name:
                for each in modes:
                    each["usable_area"] = polygon(each["raster"]["width"], each["raster"]["height"], 64)
            jobs[f"{most} modes, {len(rolls)} rolls, {passes} passes{name}"] = {
                **{**whole, **framing, "passes": passes, "rolls": rolls},
                **{"capture": modes[0], "alternatives": modes[1:]},
            }
    for name, job in hostile().items():
        grids = [{"x": 2, "y": 1 + number % 4, "width": 2, "height": 2} for number in range(LIMITS.alternatives)]
        others = [{**job["capture"], "label": f"{number}", "grid": grid} for number, grid in enumerate(grids)]
        jobs[f"{name}, on 9 modes"] = {**job, "alternatives": others}
    return jobs


def own_of_coverage() -> dict[str, Job]:
    lenses = [
        {"label": f"lens {number}", "focal_length_mm": 18 + number, "image_circle_mm": 28 + number / 3}
        for number in range(LIMITS.lenses)
    ]

    def rows(most: int, frames: int, framing: Job, *, corners: int = 0) -> Job:
        width = min(12_288, widest(most // frames * (2 if corners else 1), frames))
        captures = [mode(width - 97 * number, width * 3 // 4 - 61 * number, number=number) for number in range(2)]
        for each in captures if corners else ():
            each["usable_area"] = polygon(each["raster"]["width"], each["raster"]["height"], corners)
        return {
            "capture": captures[0],
            "captures": captures,
            "lenses": lenses[: most // frames // len(captures)],
            "deliverables": with_aspects_alone(deliverables(frames)),
            **framing,
        }

    together = {"framing": {"arrangement": "shared_point", "point": {"x": None, "y": None}}}
    return {
        "most rows": rows(LIMITS.coverage_rows, 16, {}),
        "most rows, usable areas": rows(LIMITS.coverage_rows, 16, {}, corners=64),
        "few rows of many frames": rows(LIMITS.coverage_rows, 32, {}, corners=64),
        "most rows on one point": rows(LIMITS.coverage_rows_together, 16, together),
        **{
            f"{name}, most rows": {
                **job,
                "capture": {**job["capture"], "photosite_pitch_um": 3.9},
                "lenses": [{**lens, "image_circle_mm": 40 + number} for number, lens in enumerate(lenses[:28])],
            }
            for name, job in hostile().items()
        },
    }


def own_of_match() -> dict[str, Job]:
    lengths = [12 + number for number in range(LIMITS.match_focal_lengths)]
    match = {"capture": mode(11_904, 8_370, number=1), "focal_lengths_mm": lengths}
    return {name: {**job, "match": match} for name, job in dearest().items()}


def own_of_map() -> dict[str, Job]:
    points = [[f"{number * 17 % 1_000}.123456789", f"{number * 13 % 1_000}/7"] for number in range(LIMITS.map_places)]
    job = {"capture": mode(12_288, 8_640), "deliverables": deliverables(8)}
    spaces = {"source": {"space": "extraction", "deliverable": "frame 00"}, "target": {"space": "recorded"}}
    return {
        f"most points{name}": {**job, **common()[of], "map": {**spaces, "points": points}}
        for name, of in (("", "alone in a circle"), (", on one point", "on one point, largest"))
    }


def own_of_check() -> dict[str, Job]:
    file = {"width": 6_144, "height": 4_320, "rotation": 90}
    return {name: {**job, "file": file} for name, job in dearest().items()}


def own_of_compare() -> dict[str, Job]:
    """Each job beside one on the same raster with its frames in another order: two are solved."""
    return {
        name: {**job, "compare": {"job": {**job, "deliverables": job["deliverables"][::-1]}}}
        for name, job in dearest().items()
    }


def own_of_pictures() -> dict[str, Job]:
    side = int(LIMITS.overlay_png_px**0.5)
    areas = [
        {"label": f"area {number}", "left": 0.01 + number / 50, "top": 0.02, "right": 0.05, "bottom": 0.06}
        for number in range(2)
    ]
    drawn = {"labels": "full", "shade": "combined_area", "line_px": 9}
    return {
        f"largest picture, roll {roll}": {
            "capture": {**mode(side, side, pitch_um=2), "roll": roll},
            "deliverables": with_aspects_alone(deliverables(safe_areas=areas)),
            "overlay": drawn,
        }
        for roll in (0, 90)
    }


OWN = {
    "/v1/extractions": own_of_extractions,
    "/v1/orientation": own_of_orientation,
    "/v1/coverage": own_of_coverage,
    "/v1/match": own_of_match,
    "/v1/map": own_of_map,
    "/v1/check": own_of_check,
    "/v1/compare": own_of_compare,
    "/v1/overlay": own_of_pictures,
    "/v1/sheet": own_of_pictures,
}
# Endpoints that cannot do without members of their own.
THOROUGH = ("/v1/extractions", "/v1/margins", "/v1/orientation", "/v1/overlay")
NEEDING = ("/v1/coverage", "/v1/match", "/v1/map", "/v1/check", "/v1/compare")
DRAWN = {
    "/v1/overlay": ("image/svg+xml", "image/png", "application/pdf"),
    "/v1/chart": ("image/svg+xml", "application/pdf"),
    "/v1/sheet": ("application/pdf",),
}
PLAIN = ("/v1/margins", "/v1/optics", "/v1/safe-areas", "/v1/dial-in")


def heavy_requests() -> Iterator[Heavy]:
    """Yield every request, endpoint by endpoint."""
    for path in dict.fromkeys([*OWN, *PLAIN, *DRAWN, *(f"/v1/handoff/{form}" for form in FORMS)]):
        jobs = {} if path in NEEDING else common() if path in THOROUGH else dearest()
        jobs |= OWN[path]() if path in OWN else {}
        for name, job in jobs.items():
            for media_type in DRAWN.get(path, ("",)):
                if media_type == "image/png" and pixels(job) > LIMITS.overlay_png_px:
                    continue
                accept = {"Accept": media_type} if media_type else {}
                kind = f"{name}, {media_type}" if media_type else name
                yield Heavy(kind, path, json.dumps(job).encode(), {"Content-Type": JSON_TYPE, **accept})
    yield from chart_readings()
    yield from documents()
    yield from batches()


def pixels(job: Job) -> int:
    """Return how many pixels the recorded raster has."""
    return int(job["capture"]["raster"]["width"] * job["capture"]["raster"]["height"])


def chart_readings() -> Iterator[Heavy]:
    """Yield what may be read off a chart: four corners of each frame."""
    for name, job in dearest().items():
        corners = [[10.5, 20.25], [4_000.75, 22.5], [3_990.25, 3_000.5], [12.125, 2_990.75]]
        frames = [{"deliverable": each["label"], "corners": corners} for each in job["deliverables"]]
        body = {**job, "chart": {"reading": {"frames": frames}}}
        yield Heavy(name, "/v1/chart/read", json.dumps(body).encode())


def documents() -> Iterator[Heavy]:
    """Yield documents of every form that is read, as large as may be, of as many parts as there may be."""
    job = common()["alone in a circle"]

    def written(form: str) -> Any:
        return to_wire(Client().handoff(job, form))["document"]

    yield reading("media-fragments", "32 fragments", written("media-fragments"))
    yield reading("iiif", "32 regions", written("iiif"))
    yield reading("csv", "32 rows", written("csv"))
    regions = written("image-regions")
    filled = LIMITS.handoff_document_elements - regions.count("<") - 100
    yield reading("image-regions", "many elements", regions.replace("</rdf:RDF>", "<a/>" * filled + "</rdf:RDF>"))
    listed = written("framing-decision-list")
    yield reading("framing-decision-list", "32 frames", listed)
    (context,) = listed["contexts"]
    (canvas,) = context["canvases"]
    context["canvases"] = [
        {**canvas, "id": f"c{number}", "source_canvas_id": "c0", "framing_decisions": canvas["framing_decisions"][:1]}
        for number in range(LIMITS.handoff_list_entries)
    ]
    yield reading("framing-decision-list", "as many canvases as there may be", listed)


def reading(form: str, name: str, document: Any) -> Heavy:
    """Return the request that reads a document."""
    body = {"document": document, "lenient": True, "raster": {"width": 12_288, "height": 8_640}}
    return Heavy(f"{form}: {name}", f"/v1/handoff/{form}/read", json.dumps(body).encode())


def batches() -> Iterator[Heavy]:
    """Yield batches: each line takes what its endpoint takes, so one dear line and many cheap ones are enough."""
    kind = {"Content-Type": "application/x-ndjson"}
    dear = {"endpoint": "extractions", "job": common()["on one point, largest"]}
    yield Heavy("one dear line", "/v1/batch", json.dumps(dear).encode(), kind)
    long_line = json.dumps({"endpoint": "margins", "job": {}})
    padding = " " * (LIMITS.batch_line_bytes - len(long_line))
    yield Heavy("200 lines as long as may be", "/v1/batch", f"{long_line}{padding}\n".encode() * 200, kind)
