"""Read-out: what a sensor read row after row does to a frame while the camera turns.

Pan to the right and tilt upwards are positive, degrees a second. Rows are those of the recorded
raster and are read from its top to its bottom; with the body turned they stand upright, so that pan
and tilt change roles. Speeds are those at the lens's axis, lengths mm as the scene is shown: a
squeezed axis counts `squeeze` times.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from tallwide.answers import Extraction, ReadoutEffect
from tallwide.geometry import squeeze_along
from tallwide.job import Capture, Movement
from tallwide_service.core.optics import pixel_mm

# Which way the rows are read in the upright picture: across to the right, down.
READ_TOWARDS: dict[int, tuple[int, int]] = {0: (0, 1), 90: (-1, 0), 180: (0, -1), 270: (1, 0)}


class Speeds(NamedTuple):
    """How fast the picture moves across and down, and is read, mm a second, upright and as shown."""

    across: float
    down: float
    read: float


def readout_effect(extraction: Extraction, capture: Capture, movement: Movement | None) -> ReadoutEffect | None:
    """Return what the read-out does to one frame; `None` where movement, read-out, pitch or focal length is missing."""
    speeds = _speeds(capture, movement)
    if speeds is None or capture.readout_ms is None:
        return None
    rows = extraction.rect.height
    frame_ms = capture.readout_ms * rows / capture.raster.height
    towards_x, towards_y = READ_TOWARDS[capture.roll]
    pixel_across, pixel_down = _upright_pixel_mm(capture)
    turned = capture.is_on_its_side
    # Movement along the rows shears the frame; movement towards the next row, or against it, stretches it.
    if turned:
        # Lines from left to right: read to the right, a picture that sinks takes their right ends down.
        sideways, along, pixel = speeds.down * towards_x, speeds.across * towards_x, pixel_down
    else:
        # Lines from bottom to top, read downwards: a picture that goes left leaves their tops to the right.
        sideways, along, pixel = -speeds.across * towards_y, speeds.down * towards_y, pixel_across
    return ReadoutEffect(
        deliverable=extraction.deliverable,
        rows=rows,
        frame_ms=frame_ms,
        leaning="horizontals" if turned else "verticals",
        # 0.0 is added so that what does not lean leans by 0, and never by -0.
        lean_deg=math.degrees(math.atan2(sideways, speeds.read)) + 0.0,
        lean_px=sideways * frame_ms / 1000 / pixel + 0.0,
        stretched="widths" if turned else "heights",
        stretch_pct=stretch_pct(along, speeds.read),
    )


def stretch_pct(along: float, read: float) -> float | None:
    """Return how much longer a length comes out that moves along with the read-out, in percent.

    A length L that moves at v is read at u - v: it takes L / (u - v), in which u L / (u - v) is
    read. `None` where it is not overtaken.

    Examples
    --------
    >>> stretch_pct(100.0, 1100.0)
    10.0
    """
    return None if along >= read else along / (read - along) * 100 + 0.0


def _speeds(capture: Capture, movement: Movement | None) -> Speeds | None:
    focal_mm = capture.lens.focal_length_mm if capture.lens else None
    pixel = pixel_mm(capture)
    if movement is None or focal_mm is None or pixel is None or capture.readout_ms is None:
        return None
    # The camera pans to the right: the picture goes left. It tilts upwards: the picture sinks.
    across = -focal_mm * math.radians(movement.pan_deg_s)
    down = focal_mm * math.radians(movement.tilt_deg_s)
    height_mm = capture.raster.height * float(pixel[1]) * squeeze_along(capture)[1]
    return Speeds(across, down, height_mm / (capture.readout_ms / 1000))


def _upright_pixel_mm(capture: Capture) -> tuple[float, float]:
    """Return an upright pixel's width and height, mm as shown."""
    pixel, squeeze = pixel_mm(capture), squeeze_along(capture)
    assert pixel is not None  # noqa: S101 - asked where a pitch is
    across, down = float(pixel[0]) * squeeze[0], float(pixel[1]) * squeeze[1]
    return (down, across) if capture.is_on_its_side else (across, down)
