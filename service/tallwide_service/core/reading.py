"""Reading a chart: what a grab of it says about how the camera stood.

Four measured corners give one projective map from where a frame belongs to where it was seen. Each
such map is, in exactly one way, a keystone, then a skew, a scale and a rotation about the frame's
centre, then a shift. Lengths are upright pixels; angles are those of the scene, so that a squeezed
lens does not read as a skew.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tallwide.answers import Axes, Extraction, FrameReading, Rect
from tallwide.geometry import pixel_shape
from tallwide.job import Capture, ChartReading, Job, ReadFrame
from tallwide_service.core.view import upright_view
from tallwide_service.errors import CannotBeMet, Fault

Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bend:
    """How a frame is seen: shift of its centre, scale along its axes, rotation, skew, keystone.

    Rotation is clockwise positive. `keystone_x` is how much longer the left edge is than the
    right one, as a share of the frame's height, before the other parts act; `keystone_y` how much
    longer the top edge is than the bottom one, as a share of its width.
    """

    shift: tuple[float, float]
    scale: tuple[float, float]
    rotation_deg: float
    skew_deg: float
    keystone: tuple[float, float]


def read_chart(job: Job, extractions: tuple[Extraction, ...], reading: ChartReading) -> tuple[FrameReading, ...]:
    """Return what each measured frame says.

    Raises
    ------
    CannotBeMet
        If a frame is not the job's, or its corners are no quadrilateral seen from its front.
    """
    by_label = {extraction.deliverable: extraction for extraction in extractions}
    answers = []
    for index, frame in enumerate(reading.frames):
        pointer = f"/chart/reading/frames/{index}"
        extraction = by_label.get(frame.deliverable)
        if extraction is None:
            fault = Fault(f"{pointer}/deliverable", f'no deliverable has the label "{frame.deliverable}"')
            raise CannotBeMet(fault.detail, (fault,))
        answers.append(read_frame(frame, extraction.upright_rect, job.capture, reading, pointer))
    return tuple(answers)


def read_frame(frame: ReadFrame, belongs: Rect, capture: Capture, reading: ChartReading, pointer: str) -> FrameReading:
    """Return one frame's shift, scale, rotation and keystone, and the verdict against the tolerance."""
    seen = upright_corners(frame, capture, reading)
    if not is_clockwise_and_convex(seen):
        detail = "must go round a convex frame: top left, top right, bottom right, bottom left as the chart reads"
        raise CannotBeMet(f'the corners of "{frame.deliverable}" are no frame', (Fault(f"{pointer}/corners", detail),))
    expected = corners_of(belongs)
    bend = bend_of(belongs, seen, pixel_ratio=upright_pixel_ratio(capture))
    off = [math.hypot(*(seen[index] - expected[index])) for index in range(4)]
    return FrameReading(
        deliverable=frame.deliverable,
        shift_px=Axes(*bend.shift),
        scale=Axes(*bend.scale),
        rotation_deg=bend.rotation_deg,
        skew_deg=bend.skew_deg,
        keystone_px=Axes(bend.keystone[0] * belongs.height, bend.keystone[1] * belongs.width),
        corner_errors_px=tuple(off),
        largest_error_px=max(off),
        tolerance_px=reading.tolerance_px,
        verdict="within" if max(off) <= reading.tolerance_px else "beyond",
    )


def upright_corners(frame: ReadFrame, capture: Capture, reading: ChartReading) -> Points:
    """Return measured corners in the upright picture."""
    if reading.picture == "upright":
        return np.array(frame.corners, dtype=float)
    view = upright_view(capture)
    return np.array([view.point(float(x), float(y)) for x, y in frame.corners])


def corners_of(rect: Rect) -> Points:
    """Return a rectangle's corners: top left, top right, bottom right, bottom left."""
    return np.array(
        [(rect.x, rect.y), (rect.right, rect.y), (rect.right, rect.bottom), (rect.x, rect.bottom)], dtype=float
    )


def upright_pixel_ratio(capture: Capture) -> float:
    """Return how much wider than high one upright pixel shows the scene."""
    shape = float(pixel_shape(capture))
    return 1 / shape if capture.is_on_its_side else shape


def is_clockwise_and_convex(corners: Points) -> bool:
    """Whether four corners turn right at each, y down, by more than rounding."""
    edges = np.roll(corners, -1, axis=0) - corners
    following = np.roll(edges, -1, axis=0)
    turns = edges[:, 0] * following[:, 1] - edges[:, 1] * following[:, 0]
    lengths = np.hypot(edges[:, 0], edges[:, 1])
    return bool((turns > 1e-6 * lengths * np.roll(lengths, -1)).all())


def bend_of(belongs: Rect, seen: Points, *, pixel_ratio: float) -> Bend:
    """Return the parts of the projective map from a rectangle to four seen corners.

    In coordinates of the scene (x times `pixel_ratio`) about the frame's centre the map is
    [[A + t p, t], [p, 1]]: the keystone p, the affine part A = rotation x [[sx, skew], [0, sy]], and
    the shift t of the centre.
    """
    centre = np.array([belongs.x + belongs.width / 2, belongs.y + belongs.height / 2])
    stretch = np.array([pixel_ratio, 1.0])
    size = np.array([belongs.width, belongs.height]) * stretch
    source = (corners_of(belongs) - centre) * stretch
    matrix = homography(source, (seen - centre) * stretch)
    keystone, shift = matrix[2, :2], matrix[:2, 2]
    affine = matrix[:2, :2] - np.outer(shift, keystone)
    scale_x = math.hypot(affine[0, 0], affine[1, 0])
    determinant = affine[0, 0] * affine[1, 1] - affine[0, 1] * affine[1, 0]
    scale_y = determinant / scale_x
    sheared = (affine[0, 0] * affine[0, 1] + affine[1, 0] * affine[1, 1]) / scale_x
    half = keystone * size / 2
    return Bend(
        shift=(float(shift[0] / pixel_ratio), float(shift[1])),
        scale=(scale_x, float(scale_y)),
        rotation_deg=math.degrees(math.atan2(affine[1, 0], affine[0, 0])),
        skew_deg=math.degrees(math.atan2(sheared, float(scale_y))),
        keystone=(
            float(1 / (1 - half[0]) - 1 / (1 + half[0])),
            float(1 / (1 - half[1]) - 1 / (1 + half[1])),
        ),
    )


def homography(source: Points, target: Points) -> Points:
    """Return the 3 x 3 map, last member 1, that takes four points to four points."""
    # Solved in units of the source's size, so that all entries are of one magnitude.
    unit = float(np.abs(source).max())
    (a, b) = (source / unit, target / unit)
    rows, right = [], []
    for (x, y), (u, v) in zip(a, b, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
        right += [u, v]
    solved = np.append(np.linalg.solve(np.array(rows), np.array(right)), 1.0).reshape(3, 3)
    back = np.diag([unit, unit, 1.0])
    return np.asarray(back @ solved @ np.linalg.inv(back), dtype=float)
