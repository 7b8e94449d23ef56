"""Optics: sizes on the sensor, angles of view and frequencies, from pitch and focal length.

Lengths are mm on the sensor, angles degrees. Pinhole geometry: the scene is seen along the ray
from the focal point through a place on the sensor; along a squeezed axis the scene is `squeeze`
times wider than its image, so places there count that many times.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from tallwide.answers import AngleOfView, Rect, Size
from tallwide.job import Capture, Number, exact

ARC_MINUTE_DEG = 1 / 60


@dataclass(frozen=True, slots=True)
class ImageFacts:
    """What is known of a rectangle on the sensor; upright sizes, `None` where the facts are missing."""

    size_mm: Size | None = None
    diagonal_mm: float | None = None
    angle_of_view_deg: AngleOfView | None = None
    off_axis_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Edges:
    """A rectangle's edges on the sensor, mm from the lens's axis, along the recorded raster."""

    left: float
    top: float
    right: float
    bottom: float


def pixel_mm(capture: Capture) -> tuple[Fraction, Fraction] | None:
    """Return the exact width and height of one recorded pixel on the sensor; `None` without a pitch."""
    if capture.photosite_pitch_um is None:
        return None
    imager, raster, pitch_um = capture.imager, capture.raster, capture.photosite_pitch_um
    return _side_mm(pitch_um, imager.width, raster.width), _side_mm(pitch_um, imager.height, raster.height)


@lru_cache(maxsize=1024)
def _side_mm(pitch_um: Number, photosites: int, pixels: int) -> Fraction:
    """Return the side of one recorded pixel, exact, where so many pixels lie on so many photosites."""
    return exact(pitch_um) / 1000 * Fraction(photosites, pixels)


def edges_mm(rect: Rect, capture: Capture, pixel: tuple[Fraction, Fraction]) -> Edges:
    """Return a rectangle's edges from the lens's axis, which lies `offset_mm` from the raster's centre."""
    offset = capture.lens.offset_mm if capture.lens else None
    axis_x, axis_y = (offset.x, offset.y) if offset else (0, 0)
    width, height = capture.raster.width, capture.raster.height
    # One integer over another is rounded once, as the float of their exact quotient is.
    half_x = pixel[0].numerator / (2 * pixel[0].denominator)
    half_y = pixel[1].numerator / (2 * pixel[1].denominator)
    return Edges(
        (2 * rect.x - width) * half_x - axis_x,
        (2 * rect.y - height) * half_y - axis_y,
        (2 * rect.right - width) * half_x - axis_x,
        (2 * rect.bottom - height) * half_y - axis_y,
    )


def image_facts(rect: Rect, capture: Capture) -> ImageFacts:
    """Return size, diagonal, angles and distance from the axis, as far as pitch and lens are known."""
    pixel = pixel_mm(capture)
    if pixel is None:
        return ImageFacts()
    edges = edges_mm(rect, capture, pixel)
    width = rect.width * pixel[0].numerator / pixel[0].denominator
    height = rect.height * pixel[1].numerator / pixel[1].denominator
    focal_mm = capture.lens.focal_length_mm if capture.lens else None
    return ImageFacts(
        size_mm=Size(height, width) if capture.is_on_its_side else Size(width, height),
        diagonal_mm=math.hypot(width, height),
        angle_of_view_deg=None if focal_mm is None else angle_of_view(edges, capture, focal_mm),
        off_axis_mm=math.hypot((edges.left + edges.right) / 2, (edges.top + edges.bottom) / 2),
    )


def angle_of_view(edges: Edges, capture: Capture, focal_mm: float) -> AngleOfView:
    """Return the angles between the rays to a frame's opposite edges and corners.

    Between the middles of left and right, and of top and bottom; of the two diagonals the larger.
    For a frame on the axis these are 2 atan(d / 2f), as handbooks print it.
    """
    along_width = capture.squeeze if capture.squeeze_axis == "sensor_width" else 1
    along_height = capture.squeeze if capture.squeeze_axis == "sensor_height" else 1
    left, right = edges.left * along_width, edges.right * along_width
    top, bottom = edges.top * along_height, edges.bottom * along_height
    middle_x, middle_y = (left + right) / 2, (top + bottom) / 2
    across = angle_between_deg((left, middle_y), (right, middle_y), focal_mm)
    down = angle_between_deg((middle_x, top), (middle_x, bottom), focal_mm)
    diagonal = max(
        angle_between_deg((left, top), (right, bottom), focal_mm),
        angle_between_deg((right, top), (left, bottom), focal_mm),
    )
    if capture.is_on_its_side:
        return AngleOfView(horizontal=down, vertical=across, diagonal=diagonal)
    return AngleOfView(horizontal=across, vertical=down, diagonal=diagonal)


def angle_between_deg(first: tuple[float, float], second: tuple[float, float], focal_mm: float) -> float:
    """Return the angle between the rays to two places in the image plane, mm from the axis.

    Examples
    --------
    >>> round(angle_between_deg((-18, 0), (18, 0), 50), 1)
    39.6
    """
    ax, ay = first
    bx, by = second
    cross = math.hypot(focal_mm * (ay - by), focal_mm * (bx - ax), ax * by - ay * bx)
    return math.degrees(math.atan2(cross, ax * bx + ay * by + focal_mm * focal_mm))


def equivalent_focal_mm(focal_mm: float, diagonal_mm: float, *, reference_diagonal_mm: float) -> float:
    """Return the focal length that gives the same diagonal angle on a reference frame (diagonal method)."""
    return focal_mm * reference_diagonal_mm / diagonal_mm


def nyquist_lp_mm(pitch_um: float) -> float:
    """Return the highest frequency that a pitch can hold, line pairs per mm on the sensor.

    Examples
    --------
    >>> round(nyquist_lp_mm(5.5), 1)
    90.9
    """
    return 1000 / (2 * pitch_um)
