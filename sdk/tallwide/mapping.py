"""Mapping: the same place in every picture that a recording becomes, exact to the last rational.

Spaces: `photosites`, `recorded`, `upright` (turned so that the scene stands), `scene` (upright and
desqueezed: the axis along which a pixel shows more is stretched, the other keeps its pixels),
`extraction` (recorded pixels from the frame's own corner, not turned), `delivery` (pixels of the
delivered file, its turn counted), `media` (the file as received) and `pull` (a plate with overscan,
padded). Each is an affine picture of the recorded raster, so every step is a 3 x 3 matrix, row-major,
for column vectors. x right, y down. Coordinates are pixel edges (0 is the left edge of the first
pixel) unless they are said to be centres (0 is the middle of the first pixel).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from tallwide.answers import Answer, Rect
from tallwide.decision import Decision, Frame
from tallwide.geometry import pixel_shape, turned_raster
from tallwide.job import Area, Capture, Coordinate, Media, Places, Position, Pull, Raster, Roll, Space, exact

FRAME_SPACES = ("extraction", "delivery", "pull")
LARGEST_COORDINATE = 10**9
# The smallest double has 341 digits as a rational; a map may add some sixty to it.
LONGEST_RATIONAL = 1001
RATIONAL = re.compile(r"-?[0-9]{1,500}(?:/[0-9]{1,500}|\.[0-9]{1,500})?")


def exact_coordinate(written: Coordinate) -> Fraction:
    """Return the exact value of a coordinate: a JSON number, or a rational as text.

    Raises
    ------
    ValueError
        If it is neither, or beyond a thousand million.

    Examples
    --------
    >>> exact_coordinate("2304/5"), exact_coordinate(0.1)
    (Fraction(2304, 5), Fraction(1, 10))
    """
    if isinstance(written, str):
        if len(written) > LONGEST_RATIONAL or not RATIONAL.fullmatch(written):
            raise ValueError('a coordinate is a number or a rational as text, such as "2304/5"')
        try:
            value = Fraction(written)
        except ZeroDivisionError:
            raise ValueError("a coordinate's denominator must not be zero") from None
    elif (
        isinstance(written, bool)
        or not isinstance(written, int | float)
        or (isinstance(written, float) and not math.isfinite(written))
    ):
        raise ValueError('a coordinate is a number or a rational as text, such as "2304/5"')
    else:
        value = exact(written)
    if abs(value) > LARGEST_COORDINATE:
        raise ValueError(f"a coordinate lies within {LARGEST_COORDINATE} of zero")
    return value


@dataclass(frozen=True, slots=True)
class RealArea:
    """A rectangle whose numbers are exact rationals."""

    x: Fraction
    y: Fraction
    width: Fraction
    height: Fraction

    @property
    def right(self) -> Fraction:
        """Right edge."""
        return self.x + self.width

    @property
    def bottom(self) -> Fraction:
        """Bottom edge."""
        return self.y + self.height


Vertex = tuple[Fraction, Fraction]
Row = tuple[Fraction, Fraction, Fraction]


@dataclass(frozen=True, slots=True)
class Matrix:
    """An affine map of the plane: x' = a x + b y + c, y' = d x + e y + f, all exact."""

    a: Fraction
    b: Fraction
    c: Fraction
    d: Fraction
    e: Fraction
    f: Fraction

    @property
    def rows(self) -> tuple[Row, Row, Row]:
        """The 3 x 3 matrix, row by row."""
        return (
            (self.a, self.b, self.c),
            (self.d, self.e, self.f),
            (Fraction(0), Fraction(0), Fraction(1)),
        )

    def __matmul__(self, first: Matrix) -> Matrix:
        """Return the map that applies `first`, then this one."""
        return Matrix(
            self.a * first.a + self.b * first.d,
            self.a * first.b + self.b * first.e,
            self.a * first.c + self.b * first.f + self.c,
            self.d * first.a + self.e * first.d,
            self.d * first.b + self.e * first.e,
            self.d * first.c + self.e * first.f + self.f,
        )

    def inverse(self) -> Matrix:
        """Return the map back."""
        determinant = self.a * self.e - self.b * self.d
        a, b = self.e / determinant, -self.b / determinant
        d, e = -self.d / determinant, self.a / determinant
        return Matrix(a, b, -(a * self.c + b * self.f), d, e, -(d * self.c + e * self.f))

    def point(self, vertex: Vertex) -> Vertex:
        """Return where a point comes to lie."""
        x, y = vertex
        return self.a * x + self.b * y + self.c, self.d * x + self.e * y + self.f

    def area(self, area: RealArea | Rect) -> RealArea:
        """Return where a rectangle comes to lie; every space is a quarter turn of every other."""
        first = self.point((Fraction(area.x), Fraction(area.y)))
        second = self.point((Fraction(area.x + area.width), Fraction(area.y + area.height)))
        left, right = sorted((first[0], second[0]))
        top, bottom = sorted((first[1], second[1]))
        return RealArea(left, top, right - left, bottom - top)


def scaling(x: Fraction, y: Fraction) -> Matrix:
    """Return a scale about the origin."""
    zero = Fraction(0)
    return Matrix(x, zero, zero, zero, y, zero)


def shift(x: Fraction | int, y: Fraction | int) -> Matrix:
    """Return a shift."""
    zero, one = Fraction(0), Fraction(1)
    return Matrix(one, zero, Fraction(x), zero, one, Fraction(y))


def turn(width: Fraction | int, height: Fraction | int, roll: Roll) -> Matrix:
    """Return the clockwise turn of a `width` x `height` picture into its new own corner.

    Examples
    --------
    >>> turn(4800, 3200, 90).point((Fraction(0), Fraction(0)))
    (Fraction(3200, 1), Fraction(0, 1))
    """
    w, h, zero, one = Fraction(width), Fraction(height), Fraction(0), Fraction(1)
    return {
        0: Matrix(one, zero, zero, zero, one, zero),
        90: Matrix(zero, -one, h, one, zero, zero),
        180: Matrix(-one, zero, w, zero, -one, h),
        270: Matrix(zero, one, zero, -one, zero, w),
    }[roll]


@dataclass(frozen=True, slots=True)
class PulledPlate:
    """A pulled plate: the recorded pixels that it holds, and its own size with padding.

    `room` is the overscan that the raster really gave, recorded px: left, top, right, bottom.
    """

    picture: Rect
    raster: Raster
    room: tuple[int, int, int, int]
    is_cut_short: bool


def plate(frame: Frame, capture: Capture, pull: Pull) -> PulledPlate:
    """Return what a pull takes around one frame."""
    rect, raster = frame.rect, capture.raster
    share = exact(pull.overscan_share or 0)
    across = pull.overscan_px if pull.overscan_px is not None else _ceil(share * rect.width)
    down = pull.overscan_px if pull.overscan_px is not None else _ceil(share * rect.height)
    left, top = min(across, rect.x), min(down, rect.y)
    right, bottom = min(across, raster.width - rect.right), min(down, raster.height - rect.bottom)
    picture = Rect(rect.x - left, rect.y - top, rect.width + left + right, rect.height + top + bottom)
    size = turned_raster(Raster(picture.width, picture.height), capture.roll if pull.upright else 0)
    return PulledPlate(
        picture,
        Raster(_to_multiple(size.width, pull.multiple), _to_multiple(size.height, pull.multiple)),
        (left, top, right, bottom),
        is_cut_short=(left, top, right, bottom) != (across, down, across, down),
    )


def _ceil(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)


def _to_multiple(side: int, multiple: int) -> int:
    return -(-side // multiple) * multiple


def from_recorded(space: Space, decision: Decision) -> Matrix:
    """Return the map from the recorded raster to a space, both in pixel edges.

    Raises
    ------
    KeyError
        If the space names a deliverable that the decision does not have.
    ValueError
        If the space lacks what it is made of: a deliverable, a delivery raster, media facts.
    """
    capture = decision.capture
    raster = capture.raster
    if space.space == "recorded":
        return shift(0, 0)
    if space.space == "photosites":
        return scaling(Fraction(capture.imager.width, raster.width), Fraction(capture.imager.height, raster.height))
    if space.space == "upright":
        return turn(raster.width, raster.height, capture.roll)
    if space.space == "scene":
        return scaling(*desqueeze(capture)) @ turn(raster.width, raster.height, capture.roll)
    if space.space == "media":
        if space.media is None:
            raise ValueError('the space "media" needs the member "media": the facts of the file')
        return media_matrix(space.media, raster)
    if space.deliverable is None:
        raise ValueError(f'the space "{space.space}" needs the member "deliverable"')
    frame = decision.frame(space.deliverable)
    if space.space == "extraction":
        return shift(-frame.rect.x, -frame.rect.y)
    if space.space == "delivery":
        return delivery_matrix(frame, capture)
    return pull_matrix(frame, capture, space.pull or Pull())


def desqueeze(capture: Capture) -> tuple[Fraction, Fraction]:
    """Return by how much the upright picture's width and height are stretched to show the scene's shape.

    One of the two is 1: the axis along which a pixel shows more of the scene is stretched, so that
    no pixel is thrown away.
    """
    shape = pixel_shape(capture)
    if capture.is_on_its_side:
        shape = 1 / shape
    one = Fraction(1)
    return (shape, one) if shape >= 1 else (one, 1 / shape)


def delivery_matrix(frame: Frame, capture: Capture) -> Matrix:
    """Return the map from the recorded raster to the delivered file's pixels."""
    raster, rect = frame.deliverable.raster, frame.rect
    if raster is None:
        raise ValueError(f"{frame.label!r} has no delivery raster")
    upright = turned_raster(Raster(rect.width, rect.height), capture.roll)
    stand = turn(rect.width, rect.height, capture.roll) @ shift(-rect.x, -rect.y)
    fill = scaling(Fraction(raster.width, upright.width), Fraction(raster.height, upright.height))
    return turn(raster.width, raster.height, frame.deliverable.delivery_turn) @ fill @ stand


def delivered_raster(frame: Frame) -> Raster:
    """Return the size of the delivered file: the delivery raster, its turn counted."""
    raster = frame.deliverable.raster
    if raster is None:
        raise ValueError(f"{frame.label!r} has no delivery raster")
    return turned_raster(raster, frame.deliverable.delivery_turn)


def pull_matrix(frame: Frame, capture: Capture, pull: Pull) -> Matrix:
    """Return the map from the recorded raster to a pulled plate's pixels."""
    picture = plate(frame, capture, pull).picture
    corner = shift(-picture.x, -picture.y)
    return turn(picture.width, picture.height, capture.roll if pull.upright else 0) @ corner


def media_matrix(media: Media, recorded: Raster) -> Matrix:
    """Return the map from the recorded raster to a received file's pixels.

    Raises
    ------
    ValueError
        If the file is said to show what was not recorded.
    """
    shows = exact_area(media.shows or Area(0, 0, recorded.width, recorded.height))
    if shows.x < 0 or shows.y < 0 or shows.right > recorded.width or shows.bottom > recorded.height:
        raise ValueError("the part of the recording that a file shows does not lie on the recorded raster")
    content = exact_area(media.content or Area(0, 0, media.raster.width, media.raster.height))
    stand = turn(shows.width, shows.height, media.turn) @ shift(-shows.x, -shows.y)
    turned = stand.area(shows)
    scale = scaling(content.width / turned.width, content.height / turned.height)
    return shift(content.x, content.y) @ scale @ stand


def exact_area(area: Area) -> RealArea:
    """Return an area as a job states it, exact."""
    return RealArea(exact(area.x), exact(area.y), exact(area.width), exact(area.height))


def matrix(decision: Decision, source: Space, target: Space, *, position: Position = "edges") -> Matrix:
    """Return the map from one space to another.

    Parameters
    ----------
    decision
        The job and its frames.
    source, target
        The two spaces.
    position
        Whether coordinates of both are pixel edges or pixel centres; they differ by half a pixel
        of each space.
    """
    step = from_recorded(target, decision) @ from_recorded(source, decision).inverse()
    if position == "centres":
        half = Fraction(1, 2)
        return shift(-half, -half) @ step @ shift(half, half)
    return step


@dataclass(frozen=True, slots=True)
class Mapped:
    """What was mapped, in the order that it was given, and the map itself in both directions."""

    matrix: Matrix
    inverse: Matrix
    points: tuple[Vertex, ...] = ()
    rects: tuple[RealArea, ...] = ()
    polygons: tuple[tuple[Vertex, ...], ...] = ()


def map_places(
    decision: Decision,
    source: Space,
    target: Space,
    *,
    position: Position = "edges",
    points: Iterable[tuple[Coordinate, Coordinate]] = (),
    rects: Iterable[tuple[Coordinate, Coordinate, Coordinate, Coordinate]] = (),
    polygons: Iterable[Iterable[tuple[Coordinate, Coordinate]]] = (),
) -> Mapped:
    """Return points, rectangles (x, y, width, height) and polygons of one space in another.

    A coordinate is a JSON number or an exact rational as text, such as `"2304/5"`. A rectangle's
    corners are mapped as points; it stays a rectangle, because spaces differ by quarter turns.

    Raises
    ------
    KeyError, ValueError
        If a space is not of this decision, or a coordinate is no number.
    """
    forward = matrix(decision, source, target, position=position)
    return Mapped(
        forward,
        forward.inverse(),
        tuple(forward.point(_vertex(point)) for point in points),
        tuple(forward.area(RealArea(*(exact_coordinate(number) for number in rect))) for rect in rects),
        tuple(tuple(forward.point(_vertex(point)) for point in polygon) for polygon in polygons),
    )


def _vertex(point: tuple[Coordinate, Coordinate]) -> Vertex:
    x, y = point
    return exact_coordinate(x), exact_coordinate(y)


@dataclass(frozen=True, slots=True)
class MatrixForms:
    """A 3 x 3 matrix, row-major, for column vectors: as rationals in text, and as doubles."""

    exact: tuple[tuple[str, str, str], ...]
    value: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True)
class PointForms:
    """A point: as rationals in text, and as doubles."""

    exact: tuple[str, str]
    value: tuple[float, float]


@dataclass(frozen=True, slots=True)
class RectForms:
    """A rectangle (x, y, width, height): as rationals in text, and as doubles."""

    exact: tuple[str, str, str, str]
    value: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class MapResult:
    """What was mapped, as it is printed."""

    source: str
    target: str
    position: Position
    matrix: MatrixForms
    inverse: MatrixForms
    points: tuple[PointForms, ...]
    rects: tuple[RectForms, ...]
    polygons: tuple[tuple[PointForms, ...], ...]


@dataclass(frozen=True, slots=True)
class MapAnswer(Answer):
    """Places of one space in another, and the map itself."""

    mapped: MapResult


def mapped_places(decision: Decision, places: Places) -> MapResult:
    """Return what a job asks to be mapped, as it is printed: exact rationals beside doubles.

    Raises
    ------
    KeyError, ValueError
        If a space is not of this decision, or a coordinate is no number.
    """
    mapped = map_places(
        decision,
        places.source,
        places.target,
        position=places.position,
        points=places.points,
        rects=places.rects,
        polygons=places.polygons,
    )
    return MapResult(
        str(places.source),
        str(places.target),
        places.position,
        _matrix_forms(mapped.matrix),
        _matrix_forms(mapped.inverse),
        tuple(_point_forms(point) for point in mapped.points),
        tuple(_rect_forms(rect) for rect in mapped.rects),
        tuple(tuple(_point_forms(point) for point in polygon) for polygon in mapped.polygons),
    )


def _matrix_forms(step: Matrix) -> MatrixForms:
    return MatrixForms(
        tuple((str(a), str(b), str(c)) for a, b, c in step.rows),
        tuple((float(a), float(b), float(c)) for a, b, c in step.rows),
    )


def _point_forms(point: Vertex) -> PointForms:
    return PointForms((str(point[0]), str(point[1])), (float(point[0]), float(point[1])))


def _rect_forms(area: RealArea) -> RectForms:
    return RectForms(
        (str(area.x), str(area.y), str(area.width), str(area.height)),
        (float(area.x), float(area.y), float(area.width), float(area.height)),
    )


__all__ = [
    "Mapped",
    "Matrix",
    "PulledPlate",
    "RealArea",
    "delivered_raster",
    "delivery_matrix",
    "desqueeze",
    "from_recorded",
    "map_places",
    "matrix",
    "plate",
]
