"""Geometry: rectangles, points and sides under a quarter turn, all exact.

Two pictures of one capture: the recorded raster, and the upright picture, which is the recorded
raster turned clockwise by the capture's roll so that the scene stands upright. Origin top left,
x right, y down, whole pixels. Roll 90 is shown upright by a turn of 90 degrees clockwise:
upright x = raster height - recorded y, upright y = recorded x.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple, TypeVar

from tallwide.answers import Rect
from tallwide.job import Capture, Number, Raster, Roll, SqueezeAxis, exact

Value = TypeVar("Value")


class Sides(NamedTuple):
    """One value for each side of a rectangle; what is left and top depends on the picture named."""

    left: Fraction
    top: Fraction
    right: Fraction
    bottom: Fraction


def turned_raster(raster: Raster, roll: Roll) -> Raster:
    """Return the size of a raster after a turn by `roll`."""
    return Raster(raster.height, raster.width) if roll in (90, 270) else Raster(raster.width, raster.height)


def turn_rect(rect: Rect, raster: Raster, roll: Roll) -> Rect:
    """Return where a rectangle of `raster` lies after the raster is turned clockwise by `roll`.

    Examples
    --------
    >>> turn_rect(Rect(0, 0, 4, 2), Raster(10, 6), 90)
    Rect(x=4, y=0, width=2, height=4)
    """
    if roll == 90:
        return Rect(raster.height - rect.bottom, rect.x, rect.height, rect.width)
    if roll == 180:
        return Rect(raster.width - rect.right, raster.height - rect.bottom, rect.width, rect.height)
    if roll == 270:
        return Rect(rect.y, raster.width - rect.right, rect.height, rect.width)
    return rect


def recorded_to_upright(rect: Rect, capture: Capture) -> Rect:
    """Return a recorded rectangle's place in the upright picture."""
    return turn_rect(rect, capture.raster, capture.roll)


def upright_to_recorded(rect: Rect, capture: Capture) -> Rect:
    """Return an upright rectangle's place on the recorded raster."""
    return turn_rect(rect, turned_raster(capture.raster, capture.roll), opposite_roll(capture.roll))


def opposite_roll(roll: Roll) -> Roll:
    """Return the roll that undoes a roll."""
    return 270 if roll == 90 else 90 if roll == 270 else roll


def upright_sides_to_recorded(sides: Iterable[Fraction], roll: Roll) -> Sides:
    """Return upright side values (left, top, right, bottom) by the recorded raster's sides."""
    return Sides(*by_recorded_side(tuple(sides), roll))


def by_recorded_side(upright: Sequence[Value], roll: Roll) -> tuple[Value, ...]:
    """Return what is given for the upright left, top, right and bottom in the order of the recorded ones.

    Under roll 90 the scene's left is the recorded bottom, its top the recorded left.
    """
    turns = roll // 90
    return tuple(upright[(side + turns) % 4] for side in range(4))


def upright_fraction_to_recorded(x: Fraction, y: Fraction, roll: Roll) -> tuple[Fraction, Fraction]:
    """Return a point given as shares of an upright rectangle as shares of the recorded one."""
    if roll == 90:
        return y, 1 - x
    if roll == 180:
        return 1 - x, 1 - y
    if roll == 270:
        return 1 - y, x
    return x, y


def recorded_ratio(shown: Fraction, capture: Capture) -> Fraction:
    """Return recorded width over height of a rectangle that is shown with ratio `shown`.

    A recorded rectangle w x h is shown as (w sx pw/W) / (h sy ph/H) at roll 0 and 180, and as the
    inverse at 90 and 270: W x H raster, pw x ph photosites, sx and sy squeeze.
    """
    upright = 1 / shown if capture.is_on_its_side else shown
    return upright / pixel_shape(capture)


def shown_ratio(width: int, height: int, capture: Capture) -> Fraction:
    """Return the ratio, as shown, of a recorded rectangle of `width` x `height`."""
    recorded = Fraction(width, height) * pixel_shape(capture)
    return 1 / recorded if capture.is_on_its_side else recorded


def squeeze_along(capture: Capture) -> tuple[Number, Number]:
    """Return how many times wider the scene is than its image, along the sensor's width and its height.

    Examples
    --------
    >>> squeeze_along(Capture(Raster(4800, 3200), squeeze=1.5, squeeze_axis="sensor_height"))
    (1, 1.5)
    """
    return (capture.squeeze, 1) if capture.squeeze_axis == "sensor_width" else (1, capture.squeeze)


def pixel_shape(capture: Capture) -> Fraction:
    """Return how much wider than high one recorded pixel shows the scene, along the sensor's axes."""
    imager, raster = capture.imager, capture.raster
    return shape_of_pixels(
        capture.squeeze, capture.squeeze_axis, imager.width * raster.height, raster.width * imager.height
    )


@lru_cache(maxsize=1024)
def shape_of_pixels(squeeze: Number, axis: SqueezeAxis, wide: int, high: int) -> Fraction:
    """Return the same for pixels `wide` to `high` without the squeeze."""
    along_width = exact(squeeze) if axis == "sensor_width" else 1 / exact(squeeze)
    return along_width * Fraction(wide, high)


def common_area(rects: Iterable[Rect]) -> Rect | None:
    """Return the area that all rectangles share; `None` where there is none."""
    rects = tuple(rects)
    x, y = max(rect.x for rect in rects), max(rect.y for rect in rects)
    right, bottom = min(rect.right for rect in rects), min(rect.bottom for rect in rects)
    return Rect(x, y, right - x, bottom - y) if right > x and bottom > y else None


def combined_area(rects: Iterable[Rect]) -> Rect:
    """Return the smallest rectangle that holds all of them."""
    rects = tuple(rects)
    x, y = min(rect.x for rect in rects), min(rect.y for rect in rects)
    return Rect(x, y, max(rect.right for rect in rects) - x, max(rect.bottom for rect in rects) - y)


def region_box(capture: Capture) -> tuple[Fraction, Fraction, Fraction, Fraction]:
    """Return the box of the region, exact: left, top, right, bottom, recorded px.

    The intersection of the bounding boxes of raster, usable area, image circle and what the lens
    covers. Left may lie beyond right where they do not meet.

    Examples
    --------
    >>> [str(edge) for edge in region_box(Capture(Raster(4800, 3200)))]
    ['0', '0', '4800', '3200']
    """
    raster = capture.raster
    left, top, right, bottom = Fraction(0), Fraction(0), Fraction(raster.width), Fraction(raster.height)
    if capture.usable_area is not None:
        across = [exact(x) for x, _ in capture.usable_area]
        down = [exact(y) for _, y in capture.usable_area]
        left, top = max(left, min(across)), max(top, min(down))
        right, bottom = min(right, max(across)), min(bottom, max(down))
    circle = image_circle_px(capture)
    if circle is not None:
        x, y, half_width, half_height = circle
        left, top = max(left, x - half_width), max(top, y - half_height)
        right, bottom = min(right, x + half_width), min(bottom, y + half_height)
    covered = covered_area_px(capture)
    if covered is not None:
        left, top = max(left, covered[0]), max(top, covered[1])
        right, bottom = min(right, covered[2]), min(bottom, covered[3])
    return left, top, right, bottom


def image_circle_px(capture: Capture) -> tuple[Fraction, Fraction, Fraction, Fraction] | None:
    """Return the image circle on the recorded raster, exact: centre x, y, and half axes, px.

    One mm is 1000 / pitch photosites on each axis, so that it may be an ellipse in recorded pixels.
    `None` where no circle or no pitch is given.
    """
    lens, raster = capture.lens, capture.raster
    if lens is None or lens.image_circle_mm is None or capture.photosite_pitch_um is None:
        return None
    across, down = pixels_a_mm(capture, capture.photosite_pitch_um)
    radius_mm = exact(lens.image_circle_mm) / 2
    return (
        Fraction(raster.width, 2) + exact(lens.offset_mm.x) * across,
        Fraction(raster.height, 2) + exact(lens.offset_mm.y) * down,
        radius_mm * across,
        radius_mm * down,
    )


def covered_area_px(capture: Capture) -> tuple[Fraction, Fraction, Fraction, Fraction] | None:
    """Return the rectangle that the lens covers, exact: left, top, right, bottom, recorded px.

    `None` where no covered width and height, or no pitch, is given.
    """
    lens, raster = capture.lens, capture.raster
    if lens is None or lens.covered_mm is None or capture.photosite_pitch_um is None:
        return None
    across, down = pixels_a_mm(capture, capture.photosite_pitch_um)
    x = Fraction(raster.width, 2) + exact(lens.offset_mm.x) * across
    y = Fraction(raster.height, 2) + exact(lens.offset_mm.y) * down
    half_width, half_height = exact(lens.covered_mm.width) / 2 * across, exact(lens.covered_mm.height) / 2 * down
    return x - half_width, y - half_height, x + half_width, y + half_height


def pixels_a_mm(capture: Capture, pitch_um: Number) -> tuple[Fraction, Fraction]:
    """Return recorded pixels a mm on the sensor, along its width and its height, for a pitch of photosites."""
    photosites = 1000 / exact(pitch_um)
    imager, raster = capture.imager, capture.raster
    return photosites * Fraction(raster.width, imager.width), photosites * Fraction(raster.height, imager.height)
