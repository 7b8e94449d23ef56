"""The largest pictures that are accepted, over HTTP: `PYTHONPATH=tests python tests/benchmarks/largest_pictures.py`.

A line a picture: seconds of processor time and the highest memory of the service, libraries included, after a small
request of the same kind; fails where one is refused or beyond 2 s or 300 MB. Stills are scikit-image's coffee.png,
enlarged, with a sensor's noise.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import re
import statistics
import sys
from collections.abc import Iterator
from io import BytesIO
from typing import NamedTuple

import numpy as np
import requests
import tifffile
from burning_in import enlarged, photograph, saved
from PIL import Image

from running import Running, running
from tallwide_service.limits import LIMITS

MOST_S, MOST_MB = 2.0, 300.0
SHAPES = ("16:9", "9:16", "1:1", "4:5", "2.39:1", "1.85:1", "3:4", "2:3")
STILL = (8192, 4320)


class Asked(NamedTuple):
    """One request: what it is called, where it goes, the job, the media type, and the still, if any."""

    name: str
    path: str
    job: dict[str, object]
    media_type: str
    still: bytes | None = None


def main() -> int:
    """Measure, print, and return whether all is within the bounds."""
    parser = argparse.ArgumentParser(prog="python tests/benchmarks/largest_pictures.py", description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", default="", help="of the pictures those whose name has this in it")
    wanted = parser.parse_args()
    is_within = True
    for asked in pictures():
        if wanted.only in asked.name:
            # A process of its own for each, so that none has the memory of another.
            with running("--threads", "1", environment={"TALLWIDE_DEADLINE_S": "60"}) as service:
                is_within &= measure(service, asked, wanted.rounds)
    return 0 if is_within else 1


def measure(service: Running, asked: Asked, rounds: int) -> bool:
    """Print what one picture takes; return whether that is within the bounds."""
    seconds = []
    response = ask(service, asked)
    for _ in range(rounds):
        before = service.cpu_seconds()
        response = ask(service, asked)
        seconds.append(service.cpu_seconds() - before)
    taken, megabytes = statistics.median(seconds), service.memory_mb("VmHWM")
    is_within = response.status_code == 200 and taken <= MOST_S and megabytes <= MOST_MB
    size = len(response.content) / 1e6
    mark = "" if is_within else f"  BEYOND {response.status_code} {response.text[:200] if size < 0.01 else ''}"
    sys.stdout.write(f"{asked.name:<58}{taken:6.2f} s {megabytes:5.0f} MB  {size:7.2f} MB of file{mark}\n")
    sys.stdout.flush()
    return is_within


def ask(service: Running, asked: Asked) -> requests.Response:
    """Send one request."""
    url, headers = f"http://127.0.0.1:{service.port}{asked.path}", {"Accept": asked.media_type}
    if asked.still is None:
        return requests.post(url, json=asked.job, headers=headers, timeout=120)
    parts = {"job": ("job.json", json.dumps(asked.job)), "still": ("still", asked.still)}
    return requests.post(url, files=parts, headers=headers, timeout=120)


def job_of(size: tuple[int, int], count: int = 6, *, full: bool = False, **members: object) -> dict[str, object]:
    """Return a job; with `full` it has whatever is drawn round frames: circle, usable area, safe areas, a subject."""
    width, height = size
    frames: list[dict[str, object]] = [
        {"label": f"{place} {SHAPES[place % len(SHAPES)]}", "aspect": SHAPES[place % len(SHAPES)]}
        for place in range(count)
    ]
    capture: dict[str, object] = {"label": "A", "raster": {"width": width, "height": height}}
    overlay = dict(members.pop("overlay", {}))  # type: ignore[call-overload]
    if full:
        pitch = 4.0
        circle = math.hypot(width, height) * pitch / 1000 * 0.93
        capture |= {"photosite_pitch_um": pitch, "lens": {"image_circle_mm": circle, "focal_length_mm": 32}}
        capture["usable_area"] = round_area(width, height)
        for frame in frames:
            frame |= {"protection": {"each_side": 0.02}, "safe_area_sets": ["ebu_r95"]}
        overlay |= {"common_area": True, "shade": "combined_area"}
    capture["roll"] = members.pop("roll", 0)
    return {"id": "harbour-day-2", "capture": capture, "deliverables": frames, "overlay": overlay, **members}


def round_area(width: int, height: int) -> list[list[int]]:
    """Return a usable area with as many corners as there may be."""
    count = LIMITS.usable_area_vertices
    angles = (2 * math.pi * (place + 0.5) / count for place in range(count))
    return [
        [round(width / 2 + 0.499 * width * math.cos(a)), round(height / 2 + 0.499 * height * math.sin(a))]
        for a in angles
    ]


def pictures() -> Iterator[Asked]:
    """Yield what is asked."""
    yield from overlays()
    yield from stills()
    yield from paper()


def overlays() -> Iterator[Asked]:
    """Yield overlays alone: the largest PNG in two shapes, and the largest raster for what has no such bound."""
    side = math.isqrt(LIMITS.overlay_png_px)
    wide = (math.isqrt(LIMITS.overlay_png_px * 4 // 3), math.isqrt(LIMITS.overlay_png_px * 3 // 4))
    largest = (LIMITS.raster_side_px, LIMITS.raster_side_px)
    for size in (wide, (side, side)):
        named = f"{size[0]} x {size[1]}"
        for roll in (0, 90):
            yield Asked(f"overlay PNG {named} roll {roll}", "/v1/overlay", job_of(size, roll=roll), "image/png")
        for roll in (0, 90):
            job = job_of(size, 32, full=True, roll=roll)
            yield Asked(f"overlay PNG {named} roll {roll}, 32 frames, all", "/v1/overlay", job, "image/png")
    thin = job_of(wide, 32, full=True, overlay={"line_px": 1})
    yield Asked("overlay PNG, 32 frames, all, thin lines", "/v1/overlay", thin, "image/png")
    for kind in ("image/svg+xml", "application/pdf"):
        name = f"overlay {kind} 65,535 px, 32 frames, all"
        yield Asked(name, "/v1/overlay", job_of(largest, 32, full=True), kind)
        yield Asked(f"{name}, thin lines", "/v1/overlay", job_of(largest, 32, full=True, overlay={"line_px": 1}), kind)


def stills() -> Iterator[Asked]:
    """Yield stills of the largest sizes, in and out."""
    picture = photograph().resize(STILL)
    jpeg = saved(picture, "JPEG", quality=92, subsampling=0)
    for kind in ("image/png", "image/jpeg", "image/tiff"):
        yield Asked(f"8K JPEG burned in, as {kind}", "/v1/overlay", still_job(STILL, kind), kind, jpeg)
    whole = job_of(STILL, 32, full=True, plate={"media_type": "image/png"})
    yield Asked("8K JPEG, 32 frames, all, as PNG", "/v1/overlay", whole, "image/png", jpeg)
    smooth = enlarged().resize(STILL)
    for kind, file in (("PNG", saved(picture, "PNG", compress_level=1)), ("TIFF", tiff(smooth))):
        yield Asked(f"8K {kind} burned in, as PNG", "/v1/overlay", still_job(STILL, "image/png"), "image/png", file)
    for packed, most_px in ((None, LIMITS.plate_bytes // 6 - 1_000), ("zlib", LIMITS.plate_deep_px)):
        size = deep_size(most_px)
        file = deep_tiff(picture.resize(size), packed)
        name = f"{size[0]} x {size[1]} TIFF of 16 bits ({packed or 'not packed'}), as TIFF"
        yield Asked(name, "/v1/overlay", still_job(size, "image/tiff"), "image/tiff", file)
    yield from long_decoded(picture)
    turned = (6000, LIMITS.plate_turned_px // 6000)
    small = picture.resize(turned)
    packed_small = saved(small, "JPEG", quality=92, subsampling=0)
    for kind in ("image/png", "image/jpeg", "image/tiff"):
        job = still_job(turned, kind, roll=90, picture="upright")
        yield Asked(f"turned {turned[0]} x {turned[1]} JPEG, as {kind}", "/v1/overlay", job, kind, packed_small)
    job = still_job(turned, "image/png", roll=90, picture="upright")
    noise = np.random.default_rng(3).integers(0, 255, (*turned[::-1], 3), dtype=np.uint8) & 0xFC  # not to be packed
    file = saved(Image.fromarray(noise), "PNG", compress_level=1)
    name = f"turned {turned[0]} x {turned[1]} PNG of {len(file) / 1e6:.0f} MB"
    yield Asked(f"{name}, as PNG", "/v1/overlay", job, "image/png", file)
    sheet = {**job_of(turned, 32, roll=90), "plate": {"output": "contact_sheet"}}
    yield Asked("contact sheet of 32, turned", "/v1/overlay", sheet, "image/png", packed_small)
    for kind in ("image/png", "image/jpeg", "image/tiff"):
        frames = {**job_of(turned, 5), "plate": {"output": "frames", "media_type": kind, "longest_side_px": 1000}}
        yield Asked(f"ZIP of 5 of 1,000 px, as {kind}", "/v1/overlay", frames, "application/zip", packed_small)
    # What a ZIP may have, of large frames, and of small ones that read as much of the still as they may.
    files = {STILL: (jpeg, saved(picture, "PNG", compress_level=1))}
    files[turned] = packed_small, saved(small, "PNG", compress_level=1)
    for still, side, count in (
        (STILL, (3840, 2160), 1),
        (turned, (3840, 2160), 2),
        (turned, (2560, 1440), 3),
    ):
        whole = {**job_of(still), "plate": {"output": "frames"}}
        raster = dict(zip(("width", "height"), side, strict=True))
        whole["deliverables"] = [{"label": f"{place}", "raster": raster} for place in range(count)]
        for kind, file in zip(("JPEG", "PNG"), files[still], strict=True):
            name = f"ZIP of {count} of {side[0]} x {side[1]} from a {kind} of {still[0]} x {still[1]}"
            yield Asked(name, "/v1/overlay", whole, "application/zip", file)
    tiny = {**job_of(turned, 24), "plate": {"output": "frames", "longest_side_px": 640}}
    yield Asked("ZIP of 24 of 640 px", "/v1/overlay", tiny, "application/zip", packed_small)
    yield Asked("sheet with an 8K still", "/v1/sheet", job_of(STILL), "application/pdf", jpeg)


def still_job(size: tuple[int, int], kind: str, **members: object) -> dict[str, object]:
    """Return the job of a still burned in."""
    return job_of(size, plate={"media_type": kind}, **members)


def deep_size(most_px: int) -> tuple[int, int]:
    """Return the largest size of so many pixels in the shape of 8,192 x 4,320."""
    height = math.isqrt(most_px * STILL[1] // STILL[0])
    return most_px // height, height


def tiff(picture: Image.Image) -> bytes:
    """Return a picture as a packed TIFF."""
    return saved(picture, "TIFF", compression="tiff_adobe_deflate")


def deep_tiff(picture: Image.Image, packed: str | None) -> bytes:
    """Return a picture as a TIFF of 16 bits a channel."""
    out = BytesIO()
    tifffile.imwrite(out, np.asarray(picture).astype(np.uint16) * 257, photometric="rgb", compression=packed)
    return out.getvalue()


def long_decoded(picture: Image.Image) -> Iterator[Asked]:
    """Yield stills that take as much memory to decode as they may: JPEGs of many scans, and a TIFF of one strip."""
    noise = Image.fromarray(np.random.default_rng(7).integers(0, 255, (1080, 1920, 3), dtype=np.uint8))
    for subsampling, side, quality in ((0, (4620, 3080), 92), (2, (5400, 3600), 92), (2, (6000, 4000), 85)):
        grained = Image.blend(picture.resize(side), noise.resize(side, Image.Resampling.NEAREST), 0.1)
        fine = saved(grained, "JPEG", quality=quality, subsampling=subsampling, progressive=True)
        job = job_of(side, 32, full=True, plate={"media_type": "image/png"})
        for kind, file in (("10", fine), (str(LIMITS.jpeg_scans), with_more_scans(fine))):
            name = f"{side[0]} x {side[1]} JPEG of {kind} scans, {len(file) / 1e6:.0f} MB, 32 frames, all, as PNG"
            yield Asked(name, "/v1/overlay", job, "image/png", file)
    side = (6400, 3800)
    samples, file = np.asarray(picture.resize(side)) & 0xF0, BytesIO()
    tifffile.imwrite(file, samples, photometric="rgb", compression="zlib", rowsperstrip=side[1])
    name = f"{side[0]} x {side[1]} TIFF of one strip, {len(file.getvalue()) / 1e6:.0f} MB, as PNG"
    yield Asked(name, "/v1/overlay", still_job(side, "image/png"), "image/png", file.getvalue())


def with_more_scans(jpeg: bytes) -> bytes:
    """Return a progressive JPEG with as many scans as there may be, the longest again and again (ITU-T T.81, B.1)."""
    parts = [jpeg[first:last] for first, last in itertools.pairwise([0, *scan_places(jpeg), len(jpeg) - 2])]
    longest = max(range(1, len(parts)), key=lambda place: len(parts[place]))
    again = parts[longest] * (LIMITS.jpeg_scans + 1 - len(parts))
    return b"".join([*parts[: longest + 1], again, *parts[longest + 1 :], jpeg[-2:]])


def scan_places(jpeg: bytes) -> list[int]:
    """Return where the scans of a JPEG begin, whose headers hold no such bytes; each with the tables before it."""
    tables = [place.start() for place in re.finditer(rb"\xff\xc4", jpeg)]
    scans = [place.start() for place in re.finditer(rb"\xff\xda", jpeg)]
    return [
        min((t for t in tables if before < t < scan), default=scan) for before, scan in itertools.pairwise([0, *scans])
    ]


def paper() -> Iterator[Asked]:
    """Yield sheets and charts."""
    size = (12_288, 8_640)
    for count in (6, 32):
        yield Asked(f"sheet of {count}, all", "/v1/sheet", job_of(size, count, full=True), "application/pdf")
    labels = [frame["label"] for frame in job_of(size, 4)["deliverables"]]  # type: ignore[attr-defined]
    nest = [["1 9:16", "0 16:9"], ["2 1:1", "0 16:9"], ["3 4:5", "2 1:1"]]
    assert {name for pair in nest for name in pair} <= set(labels)
    framing = {"arrangement": "shared_point", "nest": nest, "objective": "largest"}
    yield Asked("sheet of 4, nested", "/v1/sheet", job_of(size, 4, framing=framing), "application/pdf")
    yield Asked("sheet of 4, nested, all", "/v1/sheet", job_of(size, 4, full=True, framing=framing), "application/pdf")
    for chart in ({"paper": "A2"}, {"width_mm": LIMITS.chart_width_mm}):
        for kind in ("application/pdf", "image/svg+xml"):
            name = f"chart of 32, {next(iter(chart.values()))}, {kind}"
            yield Asked(name, "/v1/chart", job_of(size, 32, full=True, chart=chart), kind)


if __name__ == "__main__":
    sys.exit(main())
