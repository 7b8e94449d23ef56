"""The demo: an invented production, its cameras and its deliverables, run through every endpoint.

"Lantern Quay" is a coffee house at the harbour of a town that does not exist; its spring campaign
goes to cinema, broadcast, phones, a square feed and a billboard. The plate is a real photograph:
coffee.png, dedicated to the public domain (CC0), as the scikit-image package ships it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import skimage
from PIL import Image

from tallwide.answers import Extraction, ExtractionsAnswer, Margin, MarginsAnswer, OrientationAnswer
from tallwide.client import Client
from tallwide.job import Job
from tallwide.wire import from_wire, to_wire

PREVIEW_PX = 1600

DELIVERABLES: list[dict[str, Any]] = [
    {"label": "cinema", "aspect": "2.39:1", "raster": {"width": 4096, "height": 1714}},
    {"label": "broadcast", "aspect": "16:9", "raster": {"width": 3840, "height": 2160}},
    {
        "label": "phone",
        "aspect": "9:16",
        "raster": {"width": 1080, "height": 1920},
        "align": {"x": 0.5, "y": 0},
        "protection": {"each_side": 0.02},
    },
    {"label": "feed", "aspect": "4:5", "raster": {"width": 1440, "height": 1800}},
    {"label": "square", "aspect": "1:1", "raster": {"width": 1080, "height": 1080}},
    {
        "label": "billboard",
        "aspect": "2:3",
        "raster": {"width": 2400, "height": 3600},
        "display": {"height_mm": 6000, "viewing_distance_mm": 9000},
    },
]

CAPTURES: dict[str, dict[str, Any]] = {
    "heron": {
        "label": "Heron, full height 3:2",
        "raster": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "lens": {"label": "32", "focal_length_mm": 32, "f_number": 4},
    },
    "kestrel": {
        "label": "Kestrel, 16:9 scaled in the body",
        "raster": {"width": 4096, "height": 2304},
        "photosites": {"width": 5760, "height": 3240},
        "photosite_pitch_um": 4.1,
        "grid": {"x": 2, "y": 1, "width": 2, "height": 1},
        "lens": {"label": "27", "focal_length_mm": 27, "f_number": 4},
    },
    "stork": {
        "label": "Stork, 6:5 with squeeze 2",
        "raster": {"width": 5760, "height": 4800},
        "photosite_pitch_um": 4.4,
        "squeeze": 2,
        "lens": {"label": "50 squeezed", "focal_length_mm": 50, "f_number": 4},
    },
}


def demo_job(camera: str) -> Job:
    """Return the production's job for one of its cameras."""
    return from_wire(
        Job,
        {
            "version": 1,
            "id": f"lantern-quay-{camera}",
            "_production": "Lantern Quay, spring campaign",
            "capture": CAPTURES[camera],
            "deliverables": DELIVERABLES,
        },
    )


def plate(width: int, height: int) -> Image.Image:
    """Return the demo's photograph, cropped and scaled to a raster."""
    folder = Path(skimage.__file__).parent / "data"
    with Image.open(folder / "coffee.png") as photograph:
        picture = photograph.convert("RGB")
    ratio = width / height
    crop_width = min(picture.width, round(picture.height * ratio))
    crop_height = min(picture.height, round(picture.width / ratio))
    left, top = (picture.width - crop_width) // 2, (picture.height - crop_height) // 2
    box = (left, top, left + crop_width, top + crop_height)
    return picture.resize((width, height), Image.Resampling.BICUBIC, box=box)


def run(folder: Path) -> None:
    """Run the production through the installed service; write pictures and answers, print a table."""
    client = Client()
    folder.mkdir(parents=True, exist_ok=True)
    for camera in CAPTURES:
        job = demo_job(camera)
        extractions, margins, orientation = client.extractions(job), client.margins(job), client.orientation(job)
        place = folder / camera
        place.mkdir(exist_ok=True)
        _write_json(place / "job.json", to_wire(job))
        for name, answer in (("extractions", extractions), ("margins", margins), ("orientation", orientation)):
            _write_json(place / f"{name}.json", to_wire(answer))
        (place / "overlay.svg").write_bytes(client.overlay(job))
        (place / "overlay.png").write_bytes(client.overlay(job, media_type="image/png"))
        _write_pictures(place, extractions)
        print("\n".join(report(job, extractions, margins, orientation)), end="\n\n")
    print(f"Jobs, answers and pictures lie in {folder}/: {', '.join(CAPTURES)}.")
    print(f"Look at {folder}/heron/framed.jpg first: every frame drawn on the photograph.")


def _write_json(path: Path, document: Any) -> None:
    path.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _write_pictures(place: Path, answer: ExtractionsAnswer) -> None:
    """Write the plate with its frames, and the plate cropped to each extraction, upright and as shown."""
    raster = answer.job.capture.raster
    recorded = plate(raster.width, raster.height)
    with Image.open(place / "overlay.png") as overlay:
        frames = overlay.convert("RGBA")
    framed = recorded.convert("RGBA")
    framed.alpha_composite(frames)
    _preview(framed.convert("RGB"), raster.width / raster.height).save(place / "framed.jpg", quality=90)
    for extraction in answer.extractions:
        rect = extraction.rect
        crop = recorded.crop((rect.x, rect.y, rect.x + rect.width, rect.y + rect.height))
        _preview(crop, extraction.aspect.achieved).save(place / f"crop_{extraction.deliverable}.jpg", quality=90)


def _preview(picture: Image.Image, shown_ratio: float) -> Image.Image:
    """Return a picture in a size to look at, in the shape as shown."""
    if shown_ratio >= 1:
        size = (PREVIEW_PX, max(1, round(PREVIEW_PX / shown_ratio)))
    else:
        size = (max(1, round(PREVIEW_PX * shown_ratio)), PREVIEW_PX)
    return picture.resize(size, Image.Resampling.LANCZOS)


def report(
    job: Job, extractions: ExtractionsAnswer, margins: MarginsAnswer, orientation: OrientationAnswer
) -> Iterator[str]:
    """Yield the lines of one camera's report."""
    raster = job.capture.raster
    title = f"{job.capture.label}: {raster.width} x {raster.height} px"
    yield title
    yield "-" * len(title)
    yield f"{'frame':<11}{'place':>13}{'size':>14}{'shape':>8}{'over':>7}{'spare px':>15}  {'verdict':<9} held by"
    for extraction, margin in zip(extractions.extractions, margins.margins, strict=True):
        yield _line(extraction, margin)
    yield ""
    yield orientation.recommended.text
    plan = orientation.plans[orientation.recommended.plan]
    if plan.cost.turned_passes:
        yield from (f"  Caution: {caution}" for caution in orientation.cautions)


def _line(extraction: Extraction, margin: Margin) -> str:
    rect = extraction.rect
    over = "" if margin.oversampling is None else f"{margin.oversampling.smaller:.2f}"
    spare = "" if margin.spare_px is None else f"{margin.spare_px.x:+.0f} x {margin.spare_px.y:+.0f}"
    held_by = ", ".join(name.replace("_", " ") for name in extraction.bound_by)
    verdict = (margin.verdict or "").replace("_", " ")
    return (
        f"{extraction.deliverable:<11}{f'{rect.x}, {rect.y}':>13}{f'{rect.width} x {rect.height}':>14}"
        f"{extraction.aspect.achieved:>8.3f}{over:>7}{spare:>15}  {verdict:<9} {held_by}"
    )
