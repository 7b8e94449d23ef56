"""The demo: an invented production, its cameras and its deliverables, run through every endpoint.

"Lantern Quay" is a coffee house at the harbour of a town that does not exist; its spring campaign
goes to cinema, broadcast, phones, a square feed and a billboard. The plate is a real photograph:
coffee.png, dedicated to the public domain (CC0), as the scikit-image package ships it.
"""

from __future__ import annotations

import io
import json
import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import skimage
from PIL import Image

from tallwide.answers import Extraction, ExtractionsAnswer, Margin, MarginsAnswer, OrientationAnswer
from tallwide.client import Client
from tallwide.demo_day import REPORT_WIDTH, run_day
from tallwide.geometry import shown_ratio
from tallwide.job import Capture, Job, MonitorFeed, Overlay, Picture, Plate, Sheet
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


def plate(capture: Capture) -> Image.Image:
    """Return the demo's photograph as one camera records it: cut to the scene's shape, squeezed, scaled."""
    raster = capture.raster
    with Image.open(Path(skimage.__file__).parent / "data" / "coffee.png") as photograph:
        picture = photograph.convert("RGB")
    shape = float(shown_ratio(raster.width, raster.height, capture))
    width, height = min(picture.width, picture.height * shape), min(picture.height, picture.width / shape)
    left, top = (picture.width - width) / 2, (picture.height - height) / 2
    box = (left, top, left + width, top + height)
    return picture.resize((raster.width, raster.height), Image.Resampling.BICUBIC, box=box)


def run(folder: Path) -> None:
    """Run the production through the service; write pictures and answers, print a report."""
    client = Client()
    folder.mkdir(parents=True, exist_ok=True)
    lines: list[str] = []
    cautions: dict[str, None] = {}
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
        _write_paper(client, place, job)
        lines += [*report(job, extractions, margins, orientation), ""]
        if orientation.plans[orientation.recommended.plan].cost.turned_passes:
            cautions.update(dict.fromkeys(orientation.cautions))
    day, warnings = run_day(client, folder / "day", CAPTURES, DELIVERABLES)
    lines += [*day, ""]
    cautions.update(dict.fromkeys(warnings))
    lines += turning(cautions)
    (folder / "report.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines), end="\n\n")
    print(f"Jobs, answers and pictures lie in {folder}/ ({', '.join(CAPTURES)}); this report is {folder}/report.txt.")
    print(f"Look at {folder}/{next(iter(CAPTURES))}/framed.jpg first: every frame drawn on the photograph.")
    print(
        f"{folder}/day/ holds the decision of the day: its kit, its job by label, the plans, the rental order as CSV."
    )
    print("sheet.pdf is for everybody's folder, chart.pdf is to be printed and photographed.")
    print("The photograph is coffee.png (CC0), as the scikit-image package ships it.")


def _write_json(path: Path, document: Any) -> None:
    path.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _write_pictures(place: Path, answer: ExtractionsAnswer) -> None:
    """Write the plate with its frames as recorded, and the plate cropped to each extraction as shown."""
    raster = answer.job.capture.raster
    recorded = plate(answer.job.capture)
    with Image.open(place / "overlay.png") as overlay:
        frames = overlay.convert("RGBA")
    framed = recorded.convert("RGBA")
    framed.alpha_composite(frames)
    _preview(framed.convert("RGB"), raster.width / raster.height).save(place / "framed.jpg", quality=90)
    for extraction in answer.extractions:
        rect = extraction.rect
        crop = recorded.crop((rect.x, rect.y, rect.right, rect.bottom))
        _preview(crop, extraction.aspect.achieved).save(place / f"crop_{extraction.deliverable}.jpg", quality=90)


def _write_paper(client: Client, place: Path, job: Job) -> None:
    """Write the framing sheet, the framing chart, all frames on one sheet, and the overlay as a monitor shows it."""
    out = io.BytesIO()
    plate(job.capture).save(out, "JPEG", quality=92)
    still = out.getvalue()
    titled = replace(job, sheet=Sheet(title="Lantern Quay, spring campaign", date="12 March 2027"))
    (place / "sheet.pdf").write_bytes(client.sheet(titled, still=still))
    (place / "chart.pdf").write_bytes(client.chart(job))
    tiles = replace(job, plate=Plate(output="contact_sheet", media_type="image/jpeg"))
    (place / "contact_sheet.jpg").write_bytes(client.overlay(tiles, media_type="image/jpeg", still=still))
    on_set = replace(job, picture=Picture(monitor=MonitorFeed(1920, 1080)), overlay=Overlay(labels="short"))
    (place / "monitor.png").write_bytes(client.overlay(on_set, media_type="image/png", still=still))


def _preview(picture: Image.Image, shown: float) -> Image.Image:
    """Return a picture in a size to look at, in the shape as shown."""
    if shown >= 1:
        size = (PREVIEW_PX, max(1, round(PREVIEW_PX / shown)))
    else:
        size = (max(1, round(PREVIEW_PX * shown)), PREVIEW_PX)
    return picture.resize(size, Image.Resampling.LANCZOS)


def report(
    job: Job, extractions: ExtractionsAnswer, margins: MarginsAnswer, orientation: OrientationAnswer
) -> Iterator[str]:
    """Yield the lines of one camera's report."""
    raster = job.capture.raster
    title = f"{job.capture.label}: {raster.width:,} x {raster.height:,} px"
    yield title
    yield "-" * len(title)
    yield (
        f"{'frame':<11}{'left, top':>13}{'size':>15}{'shape':>8}{'oversampling':>14}{'spare px':>18}  "
        f"{'verdict':<9} held by"
    )
    for extraction, margin in zip(extractions.extractions, margins.margins, strict=True):
        yield _line(extraction, margin)
    for margin in margins.margins:
        yield from _remarks(margin)
    yield from textwrap.wrap(orientation.recommended.text, REPORT_WIDTH)


def _line(extraction: Extraction, margin: Margin) -> str:
    rect = extraction.rect
    over = "" if margin.oversampling is None else f"{margin.oversampling.smaller:.2f}"
    spare = "" if margin.spare_px is None else f"{margin.spare_px.x:+,.0f} x {margin.spare_px.y:+,.0f}"
    return (
        f"{extraction.deliverable:<11}{f'{rect.x:,}, {rect.y:,}':>13}{f'{rect.width:,} x {rect.height:,}':>15}"
        f"{extraction.aspect.achieved:>8.3f}{over:>14}{spare:>18}  {_words(margin.verdict):<9} {_held_by(extraction)}"
    )


def _held_by(extraction: Extraction) -> str:
    edges = [name.removeprefix("raster_") for name in extraction.bound_by if name.startswith("raster_")]
    others = [name.replace("_", " ") for name in extraction.bound_by if not name.startswith("raster_")]
    return "; ".join((["raster " + ", ".join(edges)] if edges else []) + others)


def _remarks(margin: Margin) -> Iterator[str]:
    """Yield what the table has no column for: the eye's limit, and what scaling in the camera's body costs."""
    if margin.eye_limit is not None:
        yield (
            f'"{margin.deliverable}": the eye of the nearest viewer tells {margin.eye_limit.rows:,} rows apart; '
            f"this frame has {margin.pixels.height:,.0f}."
        )
    if margin.photosite_verdict != margin.verdict:
        yield (
            f'"{margin.deliverable}": {_words(margin.verdict)} in recorded pixels, '
            f"{_words(margin.photosite_verdict)} by the photosites behind them."
        )


def turning(cautions: Iterable[str]) -> Iterator[str]:
    """Yield the usual cautions, if a recommended plan turns a camera."""
    for place, caution in enumerate(cautions):
        if not place:
            yield "Before a camera is turned:"
        yield from textwrap.wrap(caution, REPORT_WIDTH, initial_indent="  - ", subsequent_indent="    ")


def _words(verdict: str | None) -> str:
    return (verdict or "").replace("_", " ")
