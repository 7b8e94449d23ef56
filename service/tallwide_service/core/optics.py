"""Optics: sizes on the sensor, angles of view and frequencies, from pitch and focal length.

Lengths are mm on the sensor, angles degrees. Pinhole geometry: the scene is seen along the ray
from the focal point through a place on the sensor; along a squeezed axis the scene is `squeeze`
times wider than its image, so places there count that many times.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import atan2, degrees, hypot
from typing import NamedTuple

from tallwide.answers import AngleOfView, Rect, Size
from tallwide.geometry import squeeze_along
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

    @property
    def farthest_mm(self) -> float:
        """How far the corner farthest from the lens's axis is from it."""
        return max(hypot(x, y) for x in (self.left, self.right) for y in (self.top, self.bottom))


def pixel_mm(capture: Capture) -> tuple[Fraction, Fraction] | None:
    """Return the exact width and height of one recorded pixel on the sensor; `None` without a pitch."""
    if capture.photosite_pitch_um is None:
        return None
    imager, raster, pitch_um = capture.imager, capture.raster, capture.photosite_pitch_um
    return pixel_side_mm(pitch_um, imager.width, raster.width), pixel_side_mm(pitch_um, imager.height, raster.height)


@lru_cache(maxsize=1024)
def pixel_side_mm(pitch_um: Number, photosites: int, pixels: int) -> Fraction:
    """Return the side of one recorded pixel, exact, where so many pixels lie on so many photosites."""
    return exact(pitch_um) / 1000 * Fraction(photosites, pixels)


# A named tuple's own constructor does the same after a call more.
_made = tuple.__new__


class Sensor(NamedTuple):
    """What a capture says of lengths and rays on its sensor, as bare numbers.

    `pixel` is a recorded pixel's width and height, mm, as numerators and denominators; `axis` where
    the lens's axis lies from the raster's centre; `squeeze` how much wider the scene is along width
    and height.
    """

    raster: tuple[int, int]
    pixel: tuple[int, int, int, int]
    axis: tuple[Number, Number]
    focal_mm: Number | None
    squeeze: tuple[Number, Number]
    is_on_its_side: bool


class ImageNumbers(NamedTuple):
    """What is known of a rectangle on the sensor: upright width, height, diagonal, off-axis, mm, and its angles."""

    width_mm: float
    height_mm: float
    diagonal_mm: float
    angles_deg: tuple[float, float, float] | None
    off_axis_mm: float


def sensor_of(capture: Capture) -> Sensor | None:
    """Return a capture's sensor; `None` without a pitch."""
    pixel = pixel_mm(capture)
    if pixel is None:
        return None
    lens = capture.lens
    return Sensor(
        (capture.raster.width, capture.raster.height),
        (pixel[0].numerator, pixel[0].denominator, pixel[1].numerator, pixel[1].denominator),
        (lens.offset_mm.x, lens.offset_mm.y) if lens else (0, 0),
        lens.focal_length_mm if lens else None,
        squeeze_along(capture),
        capture.is_on_its_side,
    )


def edges_mm(rect: Rect, capture: Capture, pixel: tuple[Fraction, Fraction]) -> Edges:
    """Return a rectangle's edges from the lens's axis, which lies `offset_mm` from the raster's centre."""
    offset = capture.lens.offset_mm if capture.lens else None
    return Edges(
        *_edges(
            (rect.x, rect.y, rect.right, rect.bottom),
            (capture.raster.width, capture.raster.height),
            (pixel[0].numerator, pixel[0].denominator, pixel[1].numerator, pixel[1].denominator),
            (offset.x, offset.y) if offset else (0, 0),
        )
    )


def _edges(
    edges: tuple[int, int, int, int],
    raster: tuple[int, int],
    pixel: tuple[int, int, int, int],
    axis: tuple[Number, Number],
) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom, mm from the lens's axis."""
    # One integer over another is rounded once, as the float of their exact quotient is.
    half_x, half_y = pixel[0] / (2 * pixel[1]), pixel[2] / (2 * pixel[3])
    return (
        (2 * edges[0] - raster[0]) * half_x - axis[0],
        (2 * edges[1] - raster[1]) * half_y - axis[1],
        (2 * edges[2] - raster[0]) * half_x - axis[0],
        (2 * edges[3] - raster[1]) * half_y - axis[1],
    )


def image_facts(rect: Rect, capture: Capture) -> ImageFacts:
    """Return size, diagonal, angles and distance from the axis, as far as pitch and lens are known."""
    sensor = sensor_of(capture)
    if sensor is None:
        return ImageFacts()
    width, height, diagonal, angles, off_axis = image_numbers(rect.x, rect.y, rect.width, rect.height, sensor)
    return ImageFacts(
        size_mm=Size(width, height),
        diagonal_mm=diagonal,
        angle_of_view_deg=None if angles is None else AngleOfView(*angles),
        off_axis_mm=off_axis,
    )


def image_numbers(x: int, y: int, width: int, height: int, sensor: Sensor) -> ImageNumbers:
    """Return a recorded rectangle's size, diagonal, angles and distance from the axis."""
    raster, pixel, axis, focal_mm, squeeze, is_on_its_side = sensor
    edges = left, top, right, bottom = _edges((x, y, x + width, y + height), raster, pixel, axis)
    across = width * pixel[0] / pixel[1]
    down = height * pixel[2] / pixel[3]
    diagonal = hypot(across, down)
    off_axis = hypot((left + right) / 2, (top + bottom) / 2)
    angles = None if focal_mm is None else _angles_deg(edges, focal_mm, squeeze)
    if is_on_its_side:
        across, down = down, across
        if angles is not None:
            angles = angles[1], angles[0], angles[2]
    return _made(ImageNumbers, (across, down, diagonal, angles, off_axis))


def _angles_deg(
    edges: tuple[float, float, float, float], focal_mm: float, squeeze: tuple[Number, Number]
) -> tuple[float, float, float]:
    """Return the angles along the recorded width and height, and along the larger of the two diagonals.

    Between the rays to the middles of left and right, and of top and bottom, edges in mm. For a
    frame on the axis these are 2 atan(d / 2f), as handbooks print it.
    """
    left, right = edges[0] * squeeze[0], edges[2] * squeeze[0]
    top, bottom = edges[1] * squeeze[1], edges[3] * squeeze[1]
    middle_x, middle_y = (left + right) / 2, (top + bottom) / 2
    diagonal = _angle_deg(left, top, right, bottom, focal_mm)
    if middle_x and middle_y:  # in the middle one way or the other both are the same
        diagonal = max(diagonal, _angle_deg(right, top, left, bottom, focal_mm))
    return (
        _angle_deg(left, middle_y, right, middle_y, focal_mm),
        _angle_deg(middle_x, top, middle_x, bottom, focal_mm),
        diagonal,
    )


def angle_between_deg(first: tuple[float, float], second: tuple[float, float], focal_mm: float) -> float:
    """Return the angle between the rays to two places in the image plane, mm from the axis.

    Examples
    --------
    >>> round(angle_between_deg((-18, 0), (18, 0), 50), 1)
    39.6
    """
    return _angle_deg(*first, *second, focal_mm)


def _angle_deg(ax: float, ay: float, bx: float, by: float, focal_mm: float) -> float:
    cross = hypot(focal_mm * (ay - by), focal_mm * (bx - ax), ax * by - ay * bx)
    return degrees(atan2(cross, ax * bx + ay * by + focal_mm * focal_mm))


def nyquist_lp_mm(pitch_um: float) -> float:
    """Return the highest frequency that a pitch can hold, line pairs per mm on the sensor.

    Examples
    --------
    >>> round(nyquist_lp_mm(5.5), 1)
    90.9
    """
    return 1000 / (2 * pitch_um)
