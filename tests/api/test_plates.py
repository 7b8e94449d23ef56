"""Stills that come with a job: what is made of them, and what is refused."""

from __future__ import annotations

import io
import json
import shutil
import struct
import subprocess
import tempfile
import warnings
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms, PngImagePlugin
from skimage import data
from urllib3.filepost import encode_multipart_formdata

from tallwide_service.limits import LIMITS

RASTER = {"width": 600, "height": 400}
JOB = {
    "capture": {"raster": RASTER},
    "deliverables": [
        {"label": "wide", "raster": {"width": 320, "height": 180}},
        {"label": "tall", "aspect": "9:16"},
    ],
}


@pytest.fixture(scope="module")
def photograph() -> Image.Image:
    """Return a real photograph of the raster's size: coffee.png (CC0), as scikit-image ships it."""
    return Image.fromarray(data.coffee())


def encoded(picture: Image.Image, kind: str = "PNG", **options) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


def send(client, still: bytes, job=None, *, path="/v1/overlay", accept=None, media_type="application/octet-stream"):
    parts = {"job": ("job.json", json.dumps(job or JOB)), "still": ("still", still, media_type)}
    body, content_type = encode_multipart_formdata(parts)
    headers = {} if accept is None else {"Accept": accept}
    return client.post(path, data=body, content_type=content_type, headers=headers)


def pixels(body: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(body)) as image:
        return np.asarray(image.convert("RGB"))


def overlay_of(client, job) -> np.ndarray:
    body = client.post("/v1/overlay", json=job, headers={"Accept": "image/png"}).data
    with Image.open(io.BytesIO(body)) as image:
        return np.asarray(image.convert("RGBA"))


@pytest.mark.parametrize("shade", ["none", "combined_area"])
def test_the_burned_in_picture_is_the_still_under_the_overlay(client, photograph, shade):
    job = {**JOB, "overlay": {"shade": shade}}
    response = send(client, encoded(photograph), job)
    assert response.status_code == 200
    assert response.mimetype == "image/png"
    ours = pixels(response.data).astype(int)
    overlay, still = overlay_of(client, job).astype(int), np.asarray(photograph).astype(int)
    clear, shaded = overlay[:, :, 3] == 0, overlay[:, :, 3] == 150
    assert np.array_equal(ours[clear], still[clear])
    assert np.abs(ours[shaded] - still[shaded] * 105 / 255).max() <= 1 if shade != "none" else not shaded.any()
    solid = overlay[:, :, 3] == 255
    # Letters are laid on smoothly, and are stepped in the indexed overlay.
    assert (np.abs(ours[solid] - overlay[solid][:, :3]).max(axis=1) > 40).mean() < 0.02


@pytest.mark.parametrize(
    ("kind", "media_type", "loss"),
    [("PNG", "image/png", 0), ("JPEG", "image/jpeg", 12), ("TIFF", "image/tiff", 0)],
)
def test_a_still_of_each_kind_is_read_and_comes_back_as_asked(client, photograph, kind, media_type, loss):
    still = encoded(photograph, kind, **({"quality": 95} if kind == "JPEG" else {}))
    job = {**JOB, "overlay": {"labels": "none", "centre_marks": False}}
    response = send(client, still, job, accept=media_type, media_type=media_type)
    assert response.mimetype == media_type
    left, top, right, bottom = 250, 60, 350, 340
    difference = pixels(response.data).astype(int) - np.asarray(photograph).astype(int)
    assert np.abs(difference[top:bottom, left:right]).mean() <= loss


def deep_tiff(samples: np.ndarray, lzw: bool) -> bytes:
    """Return a TIFF of 16 bits a channel; LZW is written by libtiff's own tool."""
    out = io.BytesIO()
    tifffile.imwrite(out, samples, photometric="rgb" if samples.ndim == 3 else "minisblack")
    if not lzw:
        return out.getvalue()
    tool = shutil.which("tiffcp")
    assert tool, "tiffcp (libtiff-tools) is needed"
    with tempfile.TemporaryDirectory() as folder:
        plain, packed = Path(folder) / "plain.tif", Path(folder) / "lzw.tif"
        plain.write_bytes(out.getvalue())
        subprocess.run([tool, "-c", "lzw:2", plain, packed], check=True)
        return packed.read_bytes()


def deep_png(samples: np.ndarray) -> bytes:
    """Return a PNG of 16 bits a channel, written by hand."""
    height, width = samples.shape[:2]
    colour = 2 if samples.ndim == 3 else 0
    rows = samples.astype(">u2").reshape(height, -1).view(np.uint8)
    filtered = np.pad(rows, ((0, 0), (1, 0))).tobytes()
    header = struct.pack(">IIBBBBB", width, height, 16, colour, 0, 0, 0)
    chunks = [chunk(b"IHDR", header), chunk(b"IDAT", zlib.compress(filtered)), chunk(b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("kind", ["tiff", "tiff-lzw", "png"])
def test_a_still_of_16_bits_is_read_by_the_high_byte_of_each_sample(client, kind, channels):
    ramp = np.linspace(0, 65_535, 600 * 400).round().astype(np.uint16).reshape(400, 600)
    samples = ramp if channels == 1 else np.stack([ramp, ramp[::-1], ramp], axis=-1)
    still = deep_png(samples) if kind == "png" else deep_tiff(samples, lzw=kind == "tiff-lzw")
    job = {**JOB, "overlay": {"labels": "none", "centre_marks": False}}
    response = send(client, still, job)
    assert response.status_code == 200, response.data
    ours = pixels(response.data)[100:300, 250:350]
    expected = np.repeat(samples[..., np.newaxis], 3, axis=2) if channels == 1 else samples
    assert np.array_equal(ours, expected[100:300, 250:350] // 256)


def test_a_still_of_32_bits_is_refused(client):
    out = io.BytesIO()
    tifffile.imwrite(out, np.zeros((400, 600), dtype=np.float32), photometric="minisblack")
    response = send(client, out.getvalue())
    assert response.status_code == 422
    assert "32 bits" in response.get_json()["detail"]


def test_frames_come_as_a_zip_of_the_cut_out_pictures(client, photograph):
    job = {**JOB, "plate": {"output": "frames"}}
    response = send(client, encoded(photograph), job)
    assert response.mimetype == "application/zip"
    with zipfile.ZipFile(io.BytesIO(response.data)) as archive:
        assert archive.namelist() == ["01_wide.png", "02_tall.png"]
        wide, tall = (pixels(archive.read(name)) for name in archive.namelist())
    answer = client.post("/v1/extractions", json=JOB).get_json()
    rect = next(each["rect"] for each in answer["extractions"] if each["deliverable"] == "tall")
    x, y = rect["x"], rect["y"]
    assert np.array_equal(tall, np.asarray(photograph)[y : y + rect["height"], x : x + rect["width"]])
    assert wide.shape == (180, 320, 3)


@pytest.mark.parametrize(("roll", "orientation"), [(90, 6), (180, 3), (270, 8)])
def test_a_still_whose_exif_turned_it_upright_is_cut_like_one_as_recorded(client, photograph, roll, orientation):
    job = {
        "capture": {"raster": RASTER, "roll": roll},
        "deliverables": JOB["deliverables"],
        "plate": {"output": "frames"},
    }
    exif = Image.Exif()
    exif[0x0112] = orientation
    with_exif = send(client, encoded(photograph, exif=exif.tobytes()), job)
    plain = send(client, encoded(photograph), job)
    assert with_exif.headers["Tallwide-Still-Orientation"] == str(orientation)
    assert plain.headers["Tallwide-Still-Orientation"] == "1"
    assert with_exif.data == plain.data


def test_an_upright_still_of_a_turned_camera_is_recognised_by_its_size(client, photograph):
    job = {
        "capture": {"raster": RASTER, "roll": 90},
        "deliverables": JOB["deliverables"],
        "plate": {"output": "frames"},
    }
    upright = photograph.transpose(Image.Transpose.ROTATE_270)
    assert send(client, encoded(upright), job).data == send(client, encoded(photograph), job).data


def test_a_contact_sheet_holds_every_frame(client, photograph):
    response = send(client, encoded(photograph), {**JOB, "plate": {"output": "contact_sheet"}})
    sheet = pixels(response.data)
    assert sheet.shape[1] == 2 * 640 + 3 * 24
    rect = client.post("/v1/extractions", json=JOB).get_json()["extractions"][0]["rect"]
    box = (rect["x"], rect["y"], rect["x"] + rect["width"], rect["y"] + rect["height"])
    tile = np.asarray(photograph.resize((640, 360), Image.Resampling.LANCZOS, box=box))
    assert np.abs(sheet[24 : 24 + 360, 24 : 24 + 640].astype(int) - tile).mean() < 2


@pytest.mark.parametrize(
    "picture",
    [
        "upright",
        {"deliverable": "wide"},
        {"monitor": {"width": 300, "height": 300}},
        {"monitor": {"width": 300, "height": 100, "fit": "fill"}},
    ],
)
def test_a_still_is_burned_in_on_every_kind_of_picture(client, photograph, picture):
    job = {**JOB, "picture": picture}
    burned = pixels(send(client, encoded(photograph), job).data)
    assert burned.shape[:2] == overlay_of(client, job).shape[:2]


def test_a_monitor_shows_the_still_where_the_recording_stands(client, photograph):
    job = {**JOB, "picture": {"monitor": {"width": 300, "height": 300}}, "overlay": {"labels": "none"}}
    burned = pixels(send(client, encoded(photograph), job).data)
    # Lines lie outside their frames, and so may stand beside the recording.
    assert not burned[:46].any()
    assert not burned[254:].any()
    assert burned[60:240].any(axis=2).mean() > 0.9


def test_another_size_is_refused_with_both_unless_it_may_be_scaled(client, photograph):
    half = encoded(photograph.resize((300, 200)))
    refused = send(client, half)
    assert refused.status_code == 422
    assert "300 x 200" in refused.get_json()["detail"]
    assert "600 x 400" in refused.get_json()["detail"]
    assert pixels(send(client, half, {**JOB, "plate": {"fit": "scale"}}).data).shape == (400, 600, 3)


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_no_metadata_of_the_still_comes_back(client, photograph, kind):
    exif = Image.Exif()
    exif[0x010E] = "SECRET place"
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    options = {"exif": exif.tobytes(), "icc_profile": profile}
    if kind == "PNG":
        text = PngImagePlugin.PngInfo()
        text.add_text("Comment", "SECRET note")
        options["pnginfo"] = text
    if kind == "JPEG":
        options["comment"] = b"SECRET comment"
    still = encoded(photograph, kind, **options)
    assert b"SECRET" in still
    for media_type in ("image/png", "image/jpeg", "image/tiff"):
        body = send(client, still, accept=media_type).data
        assert b"SECRET" not in body
        with Image.open(io.BytesIO(body)) as image:
            assert "icc_profile" not in image.info
            assert 0x010E not in image.getexif()


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def bomb() -> bytes:
    """Return a small PNG whose header promises 60,000 x 60,000 pixels."""
    header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )


def refusals():
    picture = Image.fromarray(data.coffee())
    png, jpeg, tiff = (encoded(picture, kind) for kind in ("PNG", "JPEG", "TIFF"))
    frames = io.BytesIO()
    picture.save(frames, "TIFF", save_all=True, append_images=[picture])
    return [
        pytest.param(b"", "empty", id="empty"),
        pytest.param(b"GIF89a" + b"\0" * 100, "none of", id="another kind"),
        pytest.param(b"<svg/>", "none of", id="svg"),
        pytest.param(png[: len(png) // 2], "cut short", id="png cut short"),
        pytest.param(jpeg[: len(jpeg) // 2], "cut short", id="jpeg cut short"),
        pytest.param(tiff[: len(tiff) // 2], "", id="tiff cut short"),
        pytest.param(png[:20], "cannot be read", id="png of 20 bytes"),
        pytest.param(tiff[:20], "cannot be read", id="tiff of 20 bytes"),
        pytest.param(png[:40], "begins as image/png does, and is cut short", id="png of 40 bytes"),
        pytest.param(jpeg[:40], "cannot be read", id="jpeg of 40 bytes"),
        pytest.param(bomb(), "at most", id="decompression bomb"),
        pytest.param(frames.getvalue(), "several", id="several pictures"),
    ]


@pytest.mark.parametrize(("still", "words"), refusals())
def test_a_bad_still_is_refused_in_words(client, still, words):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        response = send(client, still)
    assert response.status_code == 422, response.data
    problem = response.get_json()
    assert problem["type"].endswith("/still")
    assert words in problem["detail"]
    assert " object at " not in problem["detail"]
    assert "errors" not in problem, "no member of the job is at fault"


def test_a_still_that_is_declared_as_another_kind_is_refused(client, photograph):
    response = send(client, encoded(photograph), media_type="image/jpeg")
    assert response.status_code == 422
    assert "declared as image/jpeg and is image/png" in response.get_json()["detail"]


@pytest.mark.parametrize(
    "parts",
    [
        {"job": json.dumps(JOB)},
        {"still": (io.BytesIO(b"x"), "x")},
        {"job": json.dumps(JOB), "still": (io.BytesIO(b"x"), "x"), "more": "x"},
    ],
)
def test_missing_and_unknown_parts_are_refused(client, parts):
    response = client.post("/v1/overlay", data=parts, content_type="multipart/form-data")
    assert response.status_code == 400
    assert response.get_json()["type"].endswith("/parts")


def test_a_body_beyond_the_bound_is_refused_before_it_is_read(client):
    response = client.post(
        "/v1/overlay",
        content_type="multipart/form-data; boundary=x",
        environ_overrides={"CONTENT_LENGTH": str(LIMITS.plate_bytes + LIMITS.body_bytes + 1)},
    )
    assert response.status_code == 413
    assert response.get_json()["limit"] == LIMITS.plate_bytes + LIMITS.body_bytes


def test_equal_stills_and_jobs_give_equal_bytes_and_another_still_another_tag(client, photograph):
    first, second = (send(client, encoded(photograph), {**JOB, "plate": {"output": "frames"}}) for _ in range(2))
    assert first.data == second.data
    assert first.headers["ETag"] == second.headers["ETag"]
    other = send(
        client, encoded(photograph.transpose(Image.Transpose.FLIP_LEFT_RIGHT)), {**JOB, "plate": {"output": "frames"}}
    )
    assert other.headers["ETag"] != first.headers["ETag"]


def test_a_picture_larger_than_is_made_of_a_still_is_refused_by_its_pointer(client, photograph):
    job = {**JOB, "deliverables": [{"label": "board", "raster": {"width": 60_000, "height": 33_750}}]}
    response = send(client, encoded(photograph), {**job, "plate": {"output": "frames"}})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == "/deliverables/0/raster"


def test_the_sheet_takes_a_still_under_its_drawing(client, photograph):
    plain = client.post("/v1/sheet", json=JOB)
    with_still = send(client, encoded(photograph), path="/v1/sheet")
    assert plain.data.startswith(b"%PDF-")
    assert with_still.data.startswith(b"%PDF-")
    assert b"/DCTDecode" in with_still.data
    assert b"/DCTDecode" not in plain.data


def test_a_zip_of_more_pixels_than_memory_allows_is_refused_with_both_numbers(client, photograph):
    frames = [{"label": f"{n}", "raster": {"width": 3840, "height": 2160}} for n in range(6)]
    job = {**JOB, "deliverables": frames, "plate": {"output": "frames"}}
    response = send(client, encoded(photograph), job)
    assert response.status_code == 422
    (fault,) = response.get_json()["errors"]
    assert fault["pointer"] == "/deliverables"
    assert str(LIMITS.plate_still_and_frames_px) in fault["detail"]
    assert str(600 * 400 + 6 * 3840 * 2160) in fault["detail"]


def test_a_zip_that_reads_the_still_again_and_again_is_refused_with_both_numbers(client):
    still = Image.new("RGB", (6000, 4000), (90, 120, 60))
    frames = [{"label": f"{n}", "raster": {"width": 1080, "height": 720}} for n in range(5)]
    capture = {"raster": {"width": 6000, "height": 4000}}
    job = {"capture": capture, "deliverables": frames, "plate": {"output": "frames"}}
    response = send(client, encoded(still, "JPEG"), job)
    assert response.status_code == 422
    (fault,) = response.get_json()["errors"]
    assert fault["pointer"] == "/deliverables"
    assert str(LIMITS.plate_work_px) in fault["detail"]
    assert str(3 * 6000 * 4000 + 5 * 6000 * 4000 + 2 * 5 * 1080 * 720) in fault["detail"]
    # Frames so small that they are cut from averages take little.
    job["plate"]["longest_side_px"] = 640
    assert send(client, encoded(still, "JPEG"), job).status_code == 200


def test_an_8k_still_is_cut_into_an_ultra_hd_frame(client):
    still = Image.new("RGB", (8192, 4320), (90, 120, 60))
    frame = {"label": "a", "raster": {"width": 3840, "height": 2160}}
    job = {"capture": {"raster": {"width": 8192, "height": 4320}}, "deliverables": [frame]}
    response = send(client, encoded(still, "JPEG"), {**job, "plate": {"output": "frames"}})
    assert response.status_code == 200
    with zipfile.ZipFile(io.BytesIO(response.data)) as archive:
        assert pixels(archive.read("01_a.png")).shape == (2160, 3840, 3)


def test_a_small_frame_is_the_still_filtered_to_its_size(client, photograph):
    """Averages come first for frames a sixth of the still and less; Pillow's filter alone is the measure."""
    whole = photograph.resize((3000, 2000), Image.Resampling.LANCZOS)
    job = {
        "capture": {"raster": {"width": 3000, "height": 2000}},
        "deliverables": [{"label": "a", "aspect": "3:2"}],
        "plate": {"output": "frames", "longest_side_px": 300},
    }
    with zipfile.ZipFile(io.BytesIO(send(client, encoded(whole), job).data)) as archive:
        ours = pixels(archive.read("01_a.png")).astype(int)
    theirs = np.asarray(whole.resize((300, 200), Image.Resampling.LANCZOS)).astype(int)
    assert np.abs(ours - theirs).mean() < 0.5
    assert np.abs(ours - theirs).max() < 12
