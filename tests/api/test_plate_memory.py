"""Memory of the service while it works on the largest stills that the limits allow, on a real server."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
import requests
import tifffile
from PIL import Image
from skimage import data

from running import running
from tallwide_service.limits import LIMITS

MOST_MB = 300


@pytest.fixture(scope="module")
def server():
    """Yield a server's address and the way to ask for the largest memory of its processes, MB."""
    with running("--threads", "1") as service:
        yield f"http://127.0.0.1:{service.port}", lambda: service.memory_mb("VmHWM")


def still_of(width: int, height: int) -> bytes:
    out = io.BytesIO()
    Image.fromarray(data.coffee()).resize((width, height)).save(out, "JPEG", quality=90)
    return out.getvalue()


def deep_still_of(width: int, height: int) -> bytes:
    """Return a TIFF of 16 bits a channel that does not pack well, all of it in one strip."""
    rows = np.random.default_rng(5).integers(0, 255, (64, width, 3), dtype=np.uint16) << 8
    out = io.BytesIO()
    samples = np.tile(rows, (-(-height // 64), 1, 1))[:height]
    tifffile.imwrite(out, samples, photometric="rgb", compression="zlib", rowsperstrip=height)
    return out.getvalue()


@pytest.mark.parametrize(
    ("roll", "size", "members"),
    [
        pytest.param(0, (8192, 4320), {}, id="8K as recorded"),
        pytest.param(90, (6000, 4000), {"picture": "upright"}, id="turned upright"),
        pytest.param(0, (8192, 4320), {"picture": {"monitor": {"width": 4096, "height": 2160}}}, id="on a monitor"),
        pytest.param(90, (6000, 4000), {"plate": {"output": "contact_sheet"}}, id="contact sheet"),
        pytest.param(90, (6000, 4000), {"plate": {"output": "frames", "longest_side_px": 3830}}, id="frames"),
    ],
)
def test_the_largest_stills_stay_below_300_mb(server, roll, size, members):
    url, largest_mb = server
    assert size[0] * size[1] <= (LIMITS.plate_turned_px if "picture" in members and roll else LIMITS.plate_px)
    job = {
        "capture": {"raster": {"width": size[0], "height": size[1]}, "roll": roll},
        "deliverables": [{"label": "wide", "aspect": "16:9"}, {"label": "tall", "aspect": "9:16"}],
        **members,
    }
    parts = {"job": ("job.json", json.dumps(job)), "still": ("still.jpg", still_of(*size))}
    response = requests.post(f"{url}/v1/overlay", files=parts, timeout=120)
    assert response.status_code == 200, response.text
    assert largest_mb() < MOST_MB


def test_the_largest_still_of_16_bits_stays_below_300_mb(server):
    url, largest_mb = server
    width, height = 4480, 3124
    assert 0.99 * LIMITS.plate_deep_px < width * height <= LIMITS.plate_deep_px
    job = {"capture": {"raster": {"width": width, "height": height}}, "deliverables": [{"label": "a", "aspect": "1:1"}]}
    parts = {"job": ("job.json", json.dumps(job)), "still": ("still.tif", deep_still_of(width, height))}
    response = requests.post(f"{url}/v1/overlay", files=parts, timeout=120)
    assert response.status_code == 200, response.text
    assert largest_mb() < MOST_MB


def progressive_still_of(width: int, height: int) -> bytes:
    """Return a JPEG whose coefficients are all held before its first pixel is written."""
    out = io.BytesIO()
    photograph = Image.fromarray(data.coffee()).resize((width, height))
    photograph.save(out, "JPEG", quality=95, subsampling=0, progressive=True)
    return out.getvalue()


def one_strip_of(width: int, height: int) -> bytes:
    """Return a TIFF whose one strip is held unpacked beside the picture."""
    out = io.BytesIO()
    samples = np.asarray(Image.fromarray(data.coffee()).resize((width, height))) & 0xF0
    tifffile.imwrite(out, samples, photometric="rgb", compression="zlib", rowsperstrip=height)
    return out.getvalue()


@pytest.mark.parametrize(
    ("still_of_size", "size", "bytes_a_pixel"),
    [
        pytest.param(progressive_still_of, (5200, 3800), 4 + 3 * 2, id="progressive JPEG"),
        pytest.param(one_strip_of, (6400, 4500), 4 + 3, id="TIFF of one strip"),
    ],
)
def test_the_longest_decoded_stills_stay_below_300_mb(server, still_of_size, size, bytes_a_pixel):
    url, largest_mb = server
    width, height = size
    still = still_of_size(width, height)
    assert 0.95 < (len(still) + bytes_a_pixel * width * height) / LIMITS.plate_decoding_bytes <= 1
    job = {"capture": {"raster": {"width": width, "height": height}}, "deliverables": [{"label": "a", "aspect": "1:1"}]}
    parts = {"job": ("job.json", json.dumps(job)), "still": ("still", still)}
    response = requests.post(f"{url}/v1/overlay", files=parts, timeout=120)
    assert response.status_code == 200, response.text
    assert largest_mb() < MOST_MB


def test_an_overlay_of_the_largest_png_stays_below_300_mb(server):
    url, largest_mb = server
    side = int(LIMITS.overlay_png_px**0.5)
    job = {
        "capture": {
            "raster": {"width": side, "height": side},
            "photosite_pitch_um": 2,
            "lens": {"image_circle_mm": 40},
        },
        "deliverables": [{"label": "wide", "aspect": "16:9"}, {"label": "tall", "aspect": "9:16"}],
        "overlay": {"shade": "combined_area"},
    }
    response = requests.post(f"{url}/v1/overlay", json=job, headers={"Accept": "image/png"}, timeout=120)
    assert response.status_code == 200, response.text
    assert largest_mb() < MOST_MB
