"""Media check: the usual wrong files, the numbers in their own pixels, and real files read from disk."""

from __future__ import annotations

import json
import subprocess

import numpy as np
import OpenEXR
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from PIL import Image

from strategies import decisions
from tallwide.answers import Rect
from tallwide.check import check_media
from tallwide.decision import Decision, Frame
from tallwide.job import Area, Aspect, Capture, ContainerCrop, Deliverable, FileFacts, Job, Raster
from tallwide.media_file import UnreadableFile, facts_of_stream, read_facts


def _decision(raster: Raster, rect: Rect, **capture) -> Decision:
    deliverable = Deliverable("f", Aspect("1:1"))
    return Decision(Job(Capture(raster, **capture), (deliverable,)), (Frame(deliverable, rect, rect),), None, "0.1.0")


FULL = _decision(Raster(4800, 3200), Rect(1600, 200, 1600, 2800))
SQUEEZED = _decision(Raster(4448, 3096), Rect(1000, 0, 2448, 3096), squeeze=2)
ON_ITS_SIDE = _decision(Raster(4800, 3200), Rect(1600, 200, 1600, 2800), roll=90)


@pytest.mark.parametrize(
    ("decision", "facts", "verdict", "steps", "rect"),
    [
        pytest.param(FULL, FileFacts(4800, 3200), "fits", (), Rect(1600, 200, 1600, 2800), id="as it is"),
        pytest.param(FULL, FileFacts(2400, 1600), "fits_after", ("scale",), Rect(800, 100, 800, 1400), id="half size"),
        pytest.param(FULL, FileFacts(1920, 1280), "fits_after", ("scale",), Rect(640, 80, 640, 1120), id="proxy"),
        pytest.param(
            FULL, FileFacts(4864, 3264, crop=ContainerCrop(32, 32, 32, 32)), "fits_after", ("offset",),
            Rect(1632, 232, 1600, 2800), id="padded, and the container says so",
        ),
        pytest.param(
            FULL, FileFacts(4800, 3232, crop=ContainerCrop(bottom=32)), "fits", (), Rect(1600, 200, 1600, 2800),
            id="padded below by the codec",
        ),
        pytest.param(
            FULL, FileFacts(3840, 2160, content=Area(300, 0, 3240, 2160)), "fits_after", ("scale", "offset"),
            Rect(1380, 135, 1080, 1890), id="pillars that a person states",
        ),
        pytest.param(FULL, FileFacts(3840, 2160), "does_not_fit", None, None, id="pillars or a crop: nobody says"),
        pytest.param(FULL, FileFacts(3200, 4800), "does_not_fit", None, None, id="turned, direction unknown"),
        pytest.param(
            FULL, FileFacts(3200, 4800, rotation=90), "fits_after", ("turn",), Rect(200, 1600, 2800, 1600),
            id="stored turned, with the way back stated",
        ),
        pytest.param(
            ON_ITS_SIDE, FileFacts(4800, 3200, rotation=90), "fits", (), Rect(1600, 200, 1600, 2800),
            id="as recorded, a player stands it up",
        ),
        pytest.param(
            ON_ITS_SIDE, FileFacts(1600, 2400), "fits_after", ("turn", "scale"), Rect(100, 800, 1400, 800),
            id="stood up and half size",
        ),
        pytest.param(
            SQUEEZED, FileFacts(8896, 3096), "fits_after", ("desqueeze",), Rect(2000, 0, 4896, 3096), id="desqueezed"
        ),
        pytest.param(
            SQUEEZED, FileFacts(4448, 1548), "fits_after", ("desqueeze",), Rect(1000, 0, 2448, 1548), id="flattened"
        ),
        pytest.param(
            SQUEEZED, FileFacts(2224, 774), "fits_after", ("desqueeze", "scale"), Rect(500, 0, 1224, 774),
            id="desqueezed and small",
        ),
        pytest.param(
            SQUEEZED, FileFacts(4448, 3096, sample_aspect=Aspect("2:1")), "fits", (), Rect(1000, 0, 2448, 3096),
            id="squeezed, and its samples say so",
        ),
        pytest.param(FULL, FileFacts(1000, 1000), "does_not_fit", None, None, id="another picture"),
    ],
)  # fmt: skip
def test_the_usual_files(decision, facts, verdict, steps, rect):
    found = check_media(decision, facts)
    assert found.verdict == verdict
    assert found.reasons
    if rect is None:
        assert found.reading is None
        assert found.possible
    else:
        assert found.reading.steps == steps
        assert found.reading.frames[0].whole_rect == rect
        assert found.reading.frames[0].whole_error_px == 0
        assert found.reading.frames[0].inside


def test_a_sample_aspect_that_contradicts_the_squeeze_is_said():
    found = check_media(SQUEEZED, FileFacts(4448, 3096, sample_aspect=Aspect("1:1")))
    assert found.verdict == "fits"
    assert "sample aspect" in found.reasons[1]


def test_what_the_file_might_be_is_listed_with_its_rectangles():
    found = check_media(FULL, FileFacts(4864, 3264))
    assert found.possible[0].frames[0].whole_rect == Rect(1632, 232, 1600, 2800)
    turned = check_media(FULL, FileFacts(3200, 4800))
    assert [reading.media.turn for reading in turned.possible] == [90, 270]


def test_a_place_between_pixels_keeps_its_exact_value_beside_the_nearest():
    found = check_media(FULL, FileFacts(1500, 1000)).reading.frames[0]
    assert found.exact == ("500", "125/2", "500", "875")
    assert found.whole_rect == Rect(500, 63, 500, 875)
    assert found.whole_error_px == 0.5


@given(decisions(largest=8192), st.sampled_from((1, 2, 4)), st.integers(0, 64), st.sampled_from((0, 90, 180, 270)))
@settings(max_examples=100, deadline=None)
def test_a_file_made_from_the_recording_fits_and_its_frames_lie_inside(decision, factor, padding, rotation):
    capture = decision.capture
    raster = capture.raster
    assume(raster.width % factor == 0 and raster.height % factor == 0)
    facts = FileFacts(
        raster.width // factor + 2 * padding, raster.height // factor + padding,
        rotation=rotation, crop=ContainerCrop(padding, padding, padding, 0),
    )  # fmt: skip
    found = check_media(decision, facts)
    assert found.verdict != "does_not_fit"
    for frame, fitted in zip(decision.frames, found.reading.frames, strict=True):
        assert fitted.inside
        assert fitted.rect.x == pytest.approx(padding + frame.rect.x / factor)
        assert fitted.rect.height == pytest.approx(frame.rect.height / factor)


@pytest.mark.parametrize(
    "facts", [FileFacts(10, 10, crop=ContainerCrop(left=10)), FileFacts(10, 10, content=Area(5, 5, 6, 5))]
)
def test_facts_that_contradict_themselves_are_refused(facts):
    with pytest.raises(ValueError, match=r"picture"):
        check_media(FULL, facts)


# EXIF 2.3, Orientation: what a viewer does to the stored picture.
@pytest.mark.parametrize(("orientation", "rotation"), [(1, 0), (3, 180), (6, 90), (8, 270)])
@pytest.mark.parametrize("ending", ["jpg", "png", "tif"])
def test_a_stills_header_is_read(tmp_path, orientation, rotation, ending):
    path = tmp_path / f"still.{ending}"
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.new("RGB", (48, 32)).save(path, exif=exif)
    assert read_facts(path) == FileFacts(48, 32, rotation=rotation)


@pytest.mark.parametrize("most", [1000, 500])
def test_a_still_of_any_size_is_read_by_its_header(tmp_path, monkeypatch, most):
    """Beyond its bound Pillow warns, beyond twice its bound it refuses; a header costs nothing."""
    Image.new("RGB", (48, 32)).save(tmp_path / "still.png")
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", most)
    facts = read_facts(tmp_path / "still.png")
    assert (facts.width, facts.height) == (48, 32)


def test_a_mirrored_still_is_refused(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 5
    Image.new("RGB", (48, 32)).save(tmp_path / "still.jpg", exif=exif)
    with pytest.raises(UnreadableFile, match="mirrored"):
        read_facts(tmp_path / "still.jpg")


def test_an_exr_files_data_window_is_its_size(tmp_path):
    corners = np.array([-8, -4], np.int32), np.array([47, 35], np.int32)
    header = {"type": OpenEXR.scanlineimage, "dataWindow": corners, "pixelAspectRatio": 2.0}
    with OpenEXR.File(header, {"Y": np.zeros((40, 56), np.float32)}) as file:
        file.write(str(tmp_path / "plate.exr"))
    facts = read_facts(tmp_path / "plate.exr")
    assert (facts.width, facts.height) == (56, 40)
    assert facts.sample_aspect.ratio == 2


@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
def test_a_clips_container_is_read_by_ffprobe(tmp_path, rotation):
    plain, path = tmp_path / "plain.mp4", tmp_path / "-clip: 'odd' name.mp4"
    made = ["ffmpeg", "-v", "error", "-f", "lavfi", "-i", "testsrc=size=96x64:rate=5:duration=1", "-vf", "setsar=2/1"]
    subprocess.run([*made, "-c:v", "libx264", "-pix_fmt", "yuv420p", str(plain)], check=True)
    turned = ["-metadata:s:v:0", f"rotate={rotation}"] if rotation else []
    subprocess.run(["ffmpeg", "-v", "error", "-i", str(plain), "-c", "copy", *turned, f"file:{path}"], check=True)
    facts = read_facts(path)
    # FFmpeg 5 writes what it is given here counter-clockwise, as the next test sees.
    assert (facts.width, facts.height, facts.rotation) == (96, 64, -rotation % 360)
    assert facts.sample_aspect.ratio == 2


def test_a_clip_is_shown_as_the_rotation_says(tmp_path):
    """The sense of the rotation, against FFmpeg's own automatic turn."""
    plain, path, shown = tmp_path / "plain.mp4", tmp_path / "turned.mp4", tmp_path / "shown.png"
    source = "color=black:size=96x64:rate=5:duration=1,drawbox=x=0:y=0:w=32:h=32:color=white:t=fill"
    subprocess.run(["ffmpeg", "-v", "error", "-f", "lavfi", "-i", source, "-c:v", "libx264", str(plain)], check=True)
    subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(plain), "-c", "copy", "-metadata:s:v:0", "rotate=90", str(path)], check=True
    )
    subprocess.run(["ffmpeg", "-v", "error", "-i", str(path), "-frames:v", "1", str(shown)], check=True)
    assert read_facts(path).rotation == 270
    with Image.open(shown) as picture:
        assert picture.size == (64, 96)
        # Turned clockwise by 270, what was at the top left is at the bottom left.
        assert picture.convert("L").getpixel((4, 90)) > 200
        assert picture.convert("L").getpixel((60, 4)) < 50


@pytest.mark.parametrize("content", [b"", b"no picture", b"\x89PNG\r\n\x1a\n" + b"\0" * 50, b"v/1\x01" + b"\xff" * 40])
@pytest.mark.parametrize("name", ["file.mov", "file.png", "file.exr"])
def test_a_file_that_is_no_picture_is_refused(tmp_path, content, name):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(UnreadableFile):
        read_facts(path)


def test_a_folder_and_a_missing_file_are_refused(tmp_path):
    for path in (tmp_path, tmp_path / "gone.mov"):
        with pytest.raises(UnreadableFile, match="no file"):
            read_facts(path)


@pytest.mark.parametrize(
    ("stream", "facts"),
    [
        ({"width": 8, "height": 4, "sample_aspect_ratio": "0:1"}, FileFacts(8, 4)),
        (
            {
                "width": 8,
                "height": 4,
                "side_data_list": [{"crop_left": 1, "crop_top": 1, "crop_right": 1, "crop_bottom": 0}],
            },
            FileFacts(8, 4, crop=ContainerCrop(1, 1, 1, 0)),
        ),
        ({"width": 8, "height": 4, "side_data_list": [{"rotation": -90}]}, FileFacts(8, 4, rotation=90)),
        ({"width": 8, "height": 4, "side_data_list": [{"rotation": 90.0}]}, FileFacts(8, 4, rotation=270)),
    ],
)
def test_ffprobes_words_become_facts(stream, facts):
    assert facts_of_stream(json.loads(json.dumps(stream))) == facts


def test_a_slanted_display_matrix_is_refused():
    with pytest.raises(UnreadableFile, match="45"):
        facts_of_stream({"width": 8, "height": 4, "side_data_list": [{"rotation": -45}]})
