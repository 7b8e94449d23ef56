"""Facts of a real file: what its header and its container state, read by tools that exist for it.

Stills by Pillow, OpenEXR by its own package, everything else, and whatever those are missing for,
by ffprobe. Nothing is decoded beyond a header. Only the SDK's `check` needs this module.
"""

from __future__ import annotations

import json
import math
import subprocess
import warnings
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

from tallwide.job import Aspect, ContainerCrop, FileFacts, Roll

PROBE_TIMEOUT_S = 30
# EXIF 2.3, tag Orientation: how far a viewer turns the stored picture clockwise; the others mirror it.
TURN_OF_ORIENTATION: Mapping[int, Roll] = {1: 0, 3: 180, 6: 90, 8: 270}
ORIENTATION_TAG = 0x0112
TURNS: tuple[Roll, ...] = (0, 90, 180, 270)


class UnreadableFile(ValueError):
    """A file's facts could not be read; the message says by what and why."""


def read_facts(path: Path) -> FileFacts:
    """Return the facts of a file.

    Raises
    ------
    UnreadableFile
        If no installed reader understands it, or it is stored mirrored.
    """
    if not path.is_file():
        raise UnreadableFile(f"{path} is no file")
    readers = (read_exr, probe) if path.suffix.lower() == ".exr" else (read_still, probe)
    reasons = []
    for reader in readers:
        try:
            facts = reader(path)
        except ImportError as error:
            reasons.append(f"{error.name} is not installed")
            continue
        if facts is not None:
            return facts
    raise UnreadableFile(
        f"{path} is no picture that an installed reader understands" + "".join(f"; {r}" for r in reasons)
    )


def read_still(path: Path) -> FileFacts | None:
    """Return the facts of a still by its header; `None` where Pillow does not know the format."""
    from PIL import Image  # noqa: PLC0415 - a farm without Pillow has ffprobe

    try:
        # Only the header is read: a picture of any size costs the same.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            still = Image.open(path)
        with still:
            orientation = still.getexif().get(ORIENTATION_TAG, 1)
            width, height = stored_size(still)
    except (OSError, KeyError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    if orientation not in TURN_OF_ORIENTATION:
        raise UnreadableFile(f"{path} is stored mirrored (EXIF orientation {orientation}): no frame lies so")
    return FileFacts(width, height, rotation=TURN_OF_ORIENTATION[orientation])


def stored_size(still: Any) -> tuple[int, int]:
    """Return the size of a still as stored; Pillow gives a TIFF's as it is shown."""
    tags = getattr(still, "tag_v2", None)
    if tags is None:
        width, height = still.size
        return int(width), int(height)
    # TIFF 6.0: tag 256 is ImageWidth, 257 is ImageLength.
    return int(tags[256]), int(tags[257])


def read_exr(path: Path) -> FileFacts | None:
    """Return the facts of an OpenEXR file: its pixels are those of the data window."""
    import OpenEXR  # noqa: PLC0415 - read by ffprobe where it is missing

    try:
        with OpenEXR.File(str(path), header_only=True) as file:
            header = dict(file.header())
    except (OSError, RuntimeError, TypeError, ValueError):
        return None
    low, high = ([int(number) for number in corner] for corner in header["dataWindow"])
    return FileFacts(
        high[0] - low[0] + 1,
        high[1] - low[1] + 1,
        sample_aspect=short_aspect(float(header.get("pixelAspectRatio", 1.0))),
    )


def short_aspect(shape: float) -> Aspect | None:
    """Return a header's 32-bit float as the ratio that was meant; `None` where it makes no sense."""
    if not math.isfinite(shape) or not 0.05 <= shape <= 20:
        return None
    ratio = Fraction(shape).limit_denominator(1000)
    return Aspect(f"{ratio.numerator}:{ratio.denominator}")


def probe(path: Path) -> FileFacts | None:
    """Return the facts of a clip by ffprobe; `None` where it finds no picture in it."""
    try:
        done = subprocess.run(  # noqa: S603 - fixed arguments; the name is one of them, as a local file
            ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_streams", "-of", "json", f"file:{path}"],  # noqa: S607
            capture_output=True,
            timeout=PROBE_TIMEOUT_S,
            check=False,
        )
    except FileNotFoundError:
        raise ImportError("ffprobe is not installed", name="ffprobe") from None
    except subprocess.TimeoutExpired:
        raise UnreadableFile(f"ffprobe read {path} for {PROBE_TIMEOUT_S} s without an end") from None
    try:
        streams = json.loads(done.stdout or b"{}").get("streams", [])
    except ValueError:
        return None
    # ffprobe goes by the ending of a name where it finds nothing inside, and then knows no size.
    return facts_of_stream(streams[0]) if streams and streams[0].get("width") and streams[0].get("height") else None


def facts_of_stream(stream: Mapping[str, Any]) -> FileFacts:
    """Return the facts in ffprobe's description of a video stream."""
    rotation, crop = 0, ContainerCrop()
    for data in stream.get("side_data_list", []):
        # ffprobe counts counter-clockwise, in degrees that a float matrix gave.
        rotation = round(-float(data.get("rotation", -rotation))) % 360
        if "crop_left" in data:
            crop = ContainerCrop(*(int(data.get(f"crop_{side}", 0)) for side in ("left", "top", "right", "bottom")))
    if rotation not in TURNS:
        raise UnreadableFile(f"the file asks to be turned by {rotation} degrees: no frame lies so")
    written = str(stream.get("sample_aspect_ratio", ""))
    return FileFacts(
        int(stream["width"]),
        int(stream["height"]),
        sample_aspect=None if written in ("", "N/A", "0:1") else Aspect(written),
        rotation=TURNS[rotation // 90],
        crop=crop,
    )
