"""Regions: exact on every corner, in agreement with shapely, and refused where they are not convex."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from tallwide.answers import Rect
from tallwide.job import Aspect, Capture, Deliverable, Job, Lens, Offset, Raster
from tallwide_service.core import solve
from tallwide_service.core.region import usable_region
from tallwide_service.errors import CannotBeMet

sides = st.integers(2, 3000)


@st.composite
def circled(draw):
    """Captures with an image circle that is an ellipse in recorded pixels."""
    width, height = draw(sides), draw(sides)
    return Capture(
        raster=Raster(width, height),
        photosites=Raster(draw(st.integers(1, 2 * width)), draw(st.integers(1, 2 * height))),
        photosite_pitch_um=draw(st.sampled_from((2.2, 3.45, 5.8, 1000))),
        lens=Lens(
            image_circle_mm=draw(st.integers(1, 60_000)) / 1000,
            offset_mm=Offset(draw(st.integers(-3000, 3000)) / 1000, draw(st.integers(-3000, 3000)) / 1000),
        ),
    )


@settings(max_examples=60)
@given(capture=circled(), data=st.data())
def test_first_and_last_rows_of_a_circle_are_exact(capture, data):
    region = usable_region(capture)
    (circle,) = region.cuts
    width, height = capture.raster.width, capture.raster.height
    for _ in range(20):
        x = data.draw(st.integers(0, width))
        first, last = int(region.first_row[x]), int(region.last_row[x])
        if first <= last:
            assert circle.holds(x, first)
            assert circle.holds(x, last)
            assert first == 0 or not circle.holds(x, first - 1)
            assert last == height or not circle.holds(x, last + 1)
        else:
            middle = min(max(round(circle.y), 0), height)
            assert not any(circle.holds(x, y) for y in (middle - 1, middle, middle + 1) if 0 <= y <= height)


@pytest.mark.parametrize("pitch_um", [1000, 500, 2000])
def test_a_circle_through_whole_pixels_holds_them(pitch_um):
    # 3-4-5 triangles: (3, 4), (4, 3), (5, 0) lie exactly on a circle of radius 5 around the centre.
    capture = Capture(
        raster=Raster(10, 10), photosite_pitch_um=pitch_um, lens=Lens(image_circle_mm=10 * pitch_um / 1000)
    )
    region = usable_region(capture)
    for x, y in ((8, 9), (9, 8), (10, 5), (5, 0), (2, 1)):
        assert region.first_row[x] <= y <= region.last_row[x]
    assert region.last_row[9] == 8
    assert region.holds(Rect(1, 2, 8, 6))
    assert not region.holds(Rect(1, 1, 8, 8))


@st.composite
def convex_areas(draw):
    """Convex polygons with decimal corners, as hulls of random points."""
    width, height = draw(sides), draw(sides)
    points = draw(
        st.lists(
            st.tuples(st.integers(0, 100 * width), st.integers(0, 100 * height)), min_size=3, max_size=12, unique=True
        )
    )
    hull = shapely.MultiPoint([(x / 100, y / 100) for x, y in points]).convex_hull
    if hull.geom_type != "Polygon":
        return None
    corners = tuple((float(x), float(y)) for x, y in hull.exterior.coords[:-1])
    return Capture(raster=Raster(width, height), usable_area=draw(st.sampled_from((corners, corners[::-1]))))


@settings(max_examples=80)
@given(capture=convex_areas(), data=st.data())
def test_a_usable_area_holds_what_shapely_says_it_covers(capture, data):
    if capture is None:
        return
    try:
        region = usable_region(capture)
    except CannotBeMet:
        # A hull of doubles may have a corner that is not exactly convex: a hair's breadth inwards.
        return
    area = shapely.Polygon(capture.usable_area)
    width, height = capture.raster.width, capture.raster.height
    for _ in range(10):
        x, y = data.draw(st.integers(0, width - 1)), data.draw(st.integers(0, height - 1))
        rect = Rect(x, y, data.draw(st.integers(1, width - x)), data.draw(st.integers(1, height - y)))
        box = shapely.box(rect.x, rect.y, rect.right, rect.bottom)
        # Doubles cannot decide what touches the edge; there exact arithmetic is asked below.
        if box.boundary.distance(area.boundary) > 1e-6 or area.disjoint(box):
            assert region.holds(rect) == area.covers(box)
        inside = all(
            cut.holds(cx, cy) for cut in region.cuts for cx in (rect.x, rect.right) for cy in (rect.y, rect.bottom)
        )
        assert region.holds(rect) == inside


@settings(max_examples=60)
@given(capture=circled(), data=st.data())
def test_a_circle_holds_what_shapely_says_it_covers(capture, data):
    region = usable_region(capture)
    (circle,) = region.cuts
    unit = shapely.Point(0, 0).buffer(1, quad_segs=4096)
    ellipse = shapely.affinity.affine_transform(
        unit, [float(circle.half_width), 0, 0, float(circle.half_height), float(circle.x), float(circle.y)]
    )
    width, height = capture.raster.width, capture.raster.height
    for _ in range(10):
        x, y = data.draw(st.integers(0, width - 1)), data.draw(st.integers(0, height - 1))
        rect = Rect(x, y, data.draw(st.integers(1, width - x)), data.draw(st.integers(1, height - y)))
        box = shapely.box(rect.x, rect.y, rect.right, rect.bottom)
        reach = max(float(circle.half_width), float(circle.half_height))
        if box.boundary.distance(ellipse.boundary) > 1e-6 * reach + 1e-6:
            assert region.holds(rect) == ellipse.covers(box)


@pytest.mark.parametrize("least", [1.234567890123456e-9, 1e-300])
def test_a_level_side_of_any_decimals_takes_no_rows_away(least):
    """Its slope and its start are small, but in whole numbers it is longer than 64 bits."""
    area = ((least, 0), (300, 0), (300, 300), (0, 300))
    region = usable_region(Capture(raster=Raster(300, 300), usable_area=area))
    assert (region.first_row[1:] == 0).all()
    assert (region.last_row[1:] == 300).all()


places = st.floats(0, 3000) | st.integers(0, 300).map(lambda tenths: tenths * 10 + 1e-11)


@settings(max_examples=60)
@given(corners=st.tuples(*[st.tuples(places, places)] * 3), data=st.data())
def test_rows_beside_sides_of_any_decimals_are_exact(corners, data):
    """Doubles decide most rows of such sides; here every corner is asked of the half planes, in fractions."""
    capture = Capture(raster=Raster(3000, 3000), usable_area=corners)
    try:
        region = usable_region(capture)
    except CannotBeMet:
        return
    (area,) = region.cuts
    near = [min(max(int(x) + step, 0), 3000) for x, _ in corners for step in (-1, 0, 1, 2)]
    for x in (*near, *data.draw(st.lists(st.integers(0, 3000), max_size=20))):
        first, last = int(region.first_row[x]), int(region.last_row[x])
        if first <= last:
            assert area.holds(x, first)
            assert area.holds(x, last)
            assert first == 0 or not area.holds(x, first - 1)
            assert last == 3000 or not area.holds(x, last + 1)
        else:
            middle = [y for _, y in corners]
            assert not any(area.holds(x, y) for y in range(max(int(min(middle)), 0), int(max(middle)) + 2, 7))


@pytest.mark.parametrize(
    ("corners", "corner", "word"),
    [
        pytest.param(((0, 0), (10, 0), (5, 2), (10, 10), (0, 10)), 2, "turns inwards", id="a notch"),
        pytest.param(((0, 0), (10, 0), (10, 0), (0, 10)), 1, "stands twice", id="a corner twice"),
        pytest.param(((0, 0), (10, 0), (4, 0), (0, 10)), 1, "doubles back", id="a spike"),
        pytest.param(((0, 0), (5, 5), (10, 10)), 1, "", id="a line"),
        pytest.param(((0, 0), (10, 10), (10, 0), (0, 10)), 1, "turns inwards", id="a bow tie"),
    ],
)
def test_an_area_that_is_not_convex_is_refused_at_the_corner_that_breaks_it(corners, corner, word):
    with pytest.raises(CannotBeMet, match="not convex") as refusal:
        usable_region(Capture(raster=Raster(10, 10), usable_area=corners))
    (fault,) = refusal.value.faults
    assert word in fault.detail
    if word:
        assert fault.pointer == f"/capture/usable_area/{corner}"


def test_a_star_that_always_turns_one_way_is_refused():
    star = [(50 + 40 * math.cos(4 * math.pi * i / 5), 50 + 40 * math.sin(4 * math.pi * i / 5)) for i in range(5)]
    corners = tuple((round(x, 3), round(y, 3)) for x, y in star)
    with pytest.raises(CannotBeMet, match="more than one round"):
        usable_region(Capture(raster=Raster(100, 100), usable_area=corners))


def test_corners_on_a_straight_side_are_fine():
    area = ((0, 0), (5, 0), (10, 0), (10, 10), (0, 10))
    region = usable_region(Capture(raster=Raster(10, 10), usable_area=area))
    assert region.holds(Rect(0, 0, 10, 10))


def test_the_regions_box_is_that_of_all_its_parts():
    capture = Capture(
        raster=Raster(100, 60),
        photosite_pitch_um=1000,
        lens=Lens(image_circle_mm=50, offset_mm=Offset(10, 0)),
        usable_area=((40, 0), (100, 0), (100, 60), (40, 60)),
    )
    box = usable_region(capture).box
    assert (box.left, box.top, box.right, box.bottom) == (40, 5, 85, 55)
    assert isinstance(box.left, Fraction | int)


@pytest.mark.parametrize(
    ("photosites", "half_axes"),
    [
        pytest.param(None, (1000, 1000), id="pixels as photosites"),
        # By hand: 10 mm of 5 um are 2,000 photosites; half as many across than pixels, so twice as many pixels.
        pytest.param(Raster(2400, 3200), (2000, 1000), id="fewer photosites across"),
        pytest.param(Raster(4800, 6400), (1000, 500), id="more photosites down"),
    ],
)
def test_a_circle_is_an_ellipse_where_photosites_and_pixels_differ_on_one_axis(photosites, half_axes):
    capture = Capture(Raster(4800, 3200), photosites=photosites, photosite_pitch_um=5, lens=Lens(image_circle_mm=10))
    region = usable_region(capture)
    across, down = half_axes
    assert (region.box.left, region.box.right) == (2400 - across, 2400 + across)
    assert (region.first_row[2400], region.last_row[2400]) == (1600 - down, 1600 + down)
    # A 3-4-5 triangle in mm lies exactly on the circle, whatever the pixels are like.
    x, y = 2400 + across * 3 // 5, 1600 + down * 4 // 5
    assert region.last_row[x] == y


@pytest.mark.parametrize(
    ("axis", "roll", "aspect", "size"),
    [
        # By hand: 4,000 x 3,000 shows 8:3 where the width is squeezed, 2:3 where the height is; turned, the inverse.
        pytest.param("sensor_width", 0, "8:3", (4000, 3000), id="along the width"),
        pytest.param("sensor_height", 0, "2:3", (4000, 3000), id="along the height"),
        pytest.param("sensor_width", 90, "3:8", (4000, 3000), id="along the width, turned"),
        pytest.param("sensor_height", 270, "3:2", (4000, 3000), id="along the height, turned"),
        pytest.param("sensor_height", 180, "1:1", (4000, 2000), id="a square of a squeezed height"),
    ],
)
def test_squeeze_acts_along_either_axis_of_the_sensor(axis, roll, aspect, size):
    capture = Capture(Raster(4000, 3000), squeeze=2, squeeze_axis=axis, roll=roll)
    rect = solve(Job(capture, (Deliverable("frame", aspect=Aspect(aspect)),))).extractions[0].rect
    assert (rect.width, rect.height) == size
