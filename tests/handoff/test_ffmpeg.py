"""FFmpeg commands, run by Debian's ffmpeg on clips made here: the pixels are those of a numpy crop."""

from __future__ import annotations

import json
import shlex
import subprocess
from fractions import Fraction

import numpy as np
import pytest

from tallwide import handoff
from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.job import Aspect, Capture, Deliverable, Handoff, Job, Raster

W, H, FRAMES = 96, 64, 3
PLANES = {"yuv420p": (2, 2), "yuv422p": (2, 1), "yuv444p": (1, 1)}


@pytest.fixture(scope="module", params=PLANES)
def clip(request, tmp_path_factory):
    """A lossless clip in which every sample of every plane differs from its neighbours."""
    pixel_format = request.param
    folder = tmp_path_factory.mktemp(pixel_format)
    planes = _planes(pixel_format, W, H)
    path = folder / "recorded.mkv"
    raw = b"".join(plane.tobytes() for _ in range(FRAMES) for plane in planes)
    _ffmpeg(
        "-f", "rawvideo", "-pix_fmt", pixel_format, "-s", f"{W}x{H}", "-i", "-", "-c:v", "ffv1", str(path), stdin=raw
    )
    return path, pixel_format, planes


def _planes(pixel_format: str, width: int, height: int):
    across, down = PLANES[pixel_format]
    random = np.random.default_rng(7)
    luma = random.integers(16, 236, (height, width), dtype=np.uint8)
    chroma = [random.integers(16, 241, (height // down, width // across), dtype=np.uint8) for _ in range(2)]
    return [luma, *chroma]


def _ffmpeg(*arguments: str, stdin: bytes | None = None) -> bytes:
    done = subprocess.run(["ffmpeg", "-v", "error", "-y", *arguments], input=stdin, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


def _decoded(path, pixel_format: str, width: int, height: int):
    """Return the planes of the first frame, and assert that there are as many frames as went in."""
    raw = _ffmpeg("-noautorotate", "-i", str(path), "-f", "rawvideo", "-pix_fmt", pixel_format, "-")
    across, down = PLANES[pixel_format]
    sizes = [(height, width), *[(-(-height // down), -(-width // across))] * 2]
    counts = [rows * columns for rows, columns in sizes]
    assert len(raw) == FRAMES * sum(counts)
    samples, found, start = np.frombuffer(raw, np.uint8), [], 0
    for (rows, columns), count in zip(sizes, counts, strict=True):
        found.append(samples[start : start + count].reshape(rows, columns))
        start += count
    return found


def _decision(rect: Rect, *, label: str = "tall", roll: int = 0, delivery_turn: int = 0, raster: Raster | None = None):
    capture = Capture(Raster(W, H), roll=roll)
    deliverable = Deliverable(label, None if raster else Aspect("1:1"), raster, delivery_turn=delivery_turn)
    return Decision(Job(capture, (deliverable,)), (Frame(deliverable, rect, rect),), "0" * 64, "0.1.0")


def _run(decision: Decision, source, folder, ending: str = "mkv"):
    """Run the command as it is written, its placeholders filled in, a lossless encoder before the output."""
    (entry,) = handoff.write(decision, "ffmpeg", Handoff(source=str(source))).content
    arguments = shlex.split(entry["command"])
    assert arguments == entry["arguments"]
    output = folder / f"cut.{ending}"
    done = subprocess.run([*arguments[:-1], "-c:v", "ffv1", "-y", str(output)], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return output


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
@pytest.mark.parametrize("delivery_turn", [0, 90])
def test_the_cut_is_the_numpy_crop_turned(clip, roll, delivery_turn, tmp_path):
    source, pixel_format, planes = clip
    rect = Rect(26, 10, 36, 52)
    output = _run(_decision(rect, roll=roll, delivery_turn=delivery_turn), source, tmp_path)
    quarters = (roll + delivery_turn) // 90
    width, height = (rect.height, rect.width) if quarters % 2 else (rect.width, rect.height)
    across, down = PLANES[pixel_format]
    expected = [planes[0][rect.y : rect.bottom, rect.x : rect.right]]
    expected += [p[rect.y // down : rect.bottom // down, rect.x // across : rect.right // across] for p in planes[1:]]
    decoded = _decoded(output, pixel_format, width, height)
    if pixel_format == "yuv422p" and quarters % 2:
        # A turned 4:2:2 picture has half the chroma lines, which is another format: FFmpeg resamples the chroma.
        decoded, expected = decoded[:1], expected[:1]
    for plane, wanted in zip(decoded, expected, strict=True):
        np.testing.assert_array_equal(plane, np.rot90(wanted, -quarters))


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p"])
@pytest.mark.parametrize("roll", [0, 90])
def test_a_recording_that_is_stored_upright_is_cut_alike(pixel_format, roll, tmp_path):
    planes = _planes(pixel_format, H, W)
    raw = b"".join(plane.tobytes() for _ in range(FRAMES) for plane in planes)
    source = tmp_path / "portrait.mkv"
    size = ("-pix_fmt", pixel_format, "-s", f"{H}x{W}")
    _ffmpeg("-f", "rawvideo", *size, "-i", "-", "-c:v", "ffv1", str(source), stdin=raw)
    rect = Rect(8, 30, 40, 60)
    deliverable = Deliverable("tall", Aspect("2:3"))
    job = Job(Capture(Raster(H, W), roll=roll), (deliverable,))
    output = _run(Decision(job, (Frame(deliverable, rect, rect),), None, "0.1.0"), source, tmp_path)
    width, height = (rect.height, rect.width) if roll else (rect.width, rect.height)
    luma = _decoded(output, pixel_format, width, height)[0]
    np.testing.assert_array_equal(luma, np.rot90(planes[0][rect.y : rect.bottom, rect.x : rect.right], -roll // 90))


def test_a_quarter_turn_says_that_it_resamples_the_chroma_of_4_2_2():
    codes = {loss.code for loss in handoff.write(_decision(Rect(0, 0, 32, 32), roll=90), "ffmpeg").lost}
    assert "turned_chroma" in codes
    assert "turned_chroma" not in {loss.code for loss in handoff.write(_decision(Rect(0, 0, 32, 32)), "ffmpeg").lost}


def test_a_luma_place_that_is_odd_stays_where_it_is(clip, tmp_path):
    """Without exact=1 the filter would round 27, 11 down to whole chroma samples and deliver other pixels."""
    source, pixel_format, planes = clip
    rect = Rect(27, 11, 35, 49)
    decision = _decision(rect)
    output = _run(decision, source, tmp_path)
    luma = _decoded(output, pixel_format, rect.width, rect.height)[0]
    np.testing.assert_array_equal(luma, planes[0][rect.y : rect.bottom, rect.x : rect.right])
    assert "chroma" in {loss.code for loss in handoff.write(decision, "ffmpeg").lost}


@pytest.mark.parametrize("rotation", [90, 180, 270])
def test_a_display_matrix_neither_turns_the_picture_twice_nor_travels_on(rotation, tmp_path):
    """A phone's file: stored as recorded, with a display matrix that a player applies."""
    planes = _planes("yuv420p", W, H)
    raw = b"".join(plane.tobytes() for _ in range(FRAMES) for plane in planes)
    plain = tmp_path / "plain.mp4"
    _ffmpeg(
        "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", f"{W}x{H}", "-i", "-", "-c:v", "libx264", "-qp", "0",
        "-preset", "ultrafast", str(plain), stdin=raw,
    )  # fmt: skip
    turned = tmp_path / "turned.mp4"
    _ffmpeg("-i", str(plain), "-c", "copy", "-metadata:s:v:0", f"rotate={rotation}", str(turned))
    assert _rotation(turned) != 0
    rect = Rect(26, 10, 36, 52)
    decision = _decision(rect, roll=90)
    (entry,) = handoff.write(decision, "ffmpeg", Handoff(source=str(turned))).content
    output = tmp_path / "cut.mp4"
    arguments = [*entry["arguments"][:-1], "-c:v", "libx264", "-qp", "0", "-preset", "ultrafast", "-y", str(output)]
    subprocess.run(arguments, check=True, capture_output=True)
    assert _rotation(output) == 0
    luma = _decoded(output, "yuv420p", rect.height, rect.width)[0]
    np.testing.assert_array_equal(luma, np.rot90(planes[0][rect.y : rect.bottom, rect.x : rect.right], -1))


def _rotation(path) -> int:
    printed = subprocess.run(
        ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_streams", "-of", "json", str(path)],
        check=True, capture_output=True,
    ).stdout  # fmt: skip
    stream = json.loads(printed)["streams"][0]
    return next((int(data["rotation"]) for data in stream.get("side_data_list", []) if "rotation" in data), 0)


def test_a_delivery_raster_is_scaled_to_and_its_pixels_are_square(clip, tmp_path):
    source, *_ = clip
    output = _run(_decision(Rect(26, 10, 36, 52), roll=90, raster=Raster(104, 72), delivery_turn=90), source, tmp_path)
    printed = subprocess.run(
        ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_streams", "-of", "json", str(output)],
        check=True, capture_output=True,
    ).stdout  # fmt: skip
    stream = json.loads(printed)["streams"][0]
    assert (stream["width"], stream["height"], stream.get("sample_aspect_ratio", "1:1")) == (72, 104, "1:1")


def test_without_a_raster_the_squeeze_stays_in_the_sample_aspect():
    capture = Capture(Raster(W, H), squeeze=1.8, roll=90)
    deliverable = Deliverable("wide", Aspect("1:1"))
    decision = Decision(
        Job(capture, (deliverable,)), (Frame(deliverable, Rect(0, 0, 32, 64), Rect(0, 0, 32, 64)),), None, "0.1.0"
    )
    (entry,) = handoff.write(decision, "ffmpeg").content
    assert entry["filter"].endswith("setsar=sar=5/9:max=65535")
    assert Fraction(5, 9) == 1 / Fraction("1.8")


HOSTILE = [
    "; rm -rf /",
    "$(touch owned)",
    "`id`",
    "-i",
    "a\nffmpeg -h",
    "'",
    '"',
    "../../up",
    "|cat",
    "*",
    "\\",
    "%s",
    "🎥",
]


@pytest.mark.parametrize("label", HOSTILE)
def test_no_label_and_no_source_reaches_a_shell(label, tmp_path):
    rect = Rect(26, 10, 36, 52)
    document = handoff.write(_decision(rect, label=label.replace("\n", " ")), "ffmpeg", Handoff(source=label))
    (entry,) = document.content
    echoed = subprocess.run(
        ["sh", "-c", entry["command"].replace("ffmpeg", "printf '%s\\0'", 1)],
        cwd=tmp_path,
        capture_output=True,
        check=True,
    ).stdout.decode()
    assert echoed.split("\0")[:-1] == entry["arguments"][1:]
    assert not list(tmp_path.iterdir())


def test_the_script_cuts_every_deliverable(clip, tmp_path):
    source, pixel_format, planes = clip
    frames = []
    for index, label in enumerate(("wide $(touch owned)", "tall", "TALL", "縦\u2028nl")):
        deliverable = Deliverable(label, Aspect("1:1"))
        rect = Rect(2 * index, 4, 40, 32)
        frames.append(Frame(deliverable, rect, rect))
    decision = Decision(
        Job(Capture(Raster(W, H)), tuple(f.deliverable for f in frames)), tuple(frames), "0" * 64, "0.1.0"
    )
    script = tmp_path / "cut.sh"
    script.write_bytes(handoff.write(decision, "ffmpeg").raw)
    out = tmp_path / "out folder"
    out.mkdir()
    subprocess.run(["sh", str(script), str(source), str(out), "mkv"], check=True, capture_output=True, cwd=tmp_path)
    assert sorted(path.name for path in out.iterdir()) == ["TALL-2.mkv", "nl.mkv", "tall.mkv", "wide-touch-owned.mkv"]
    assert {path.name for path in tmp_path.iterdir()} == {"cut.sh", "out folder"}
    assert planes
    assert pixel_format
