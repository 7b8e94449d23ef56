"""Mapping: laws that hold to the last rational, and agreement with shapely and Pillow."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from PIL import Image
from shapely import affinity
from shapely.geometry import box

from strategies import decisions
from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.job import Area, Aspect, Capture, Deliverable, Job, Media, Places, Pull, Raster, Space
from tallwide.mapping import (
    FRAME_SPACES,
    LARGEST_COORDINATE,
    RealArea,
    desqueeze,
    exact_coordinate,
    map_places,
    mapped_places,
    matrix,
    plate,
)

COORDINATES = st.one_of(
    st.integers(-70_000, 70_000),
    st.floats(-70_000, 70_000, allow_nan=False),
    st.fractions(-70_000, 70_000, max_denominator=10_000).map(str),
)
POINTS = st.tuples(COORDINATES, COORDINATES)


@st.composite
def spaces(draw, decision: Decision):
    name = draw(
        st.sampled_from(("photosites", "recorded", "upright", "scene", "extraction", "delivery", "media", "pull"))
    )
    if name == "media":
        raster = Raster(draw(st.integers(1, 8192)), draw(st.integers(1, 8192)))
        content = Area(*(draw(st.integers(1, 500)) for _ in range(4))) if draw(st.booleans()) else None
        return Space("media", media=Media(raster, draw(st.sampled_from((0, 90, 180, 270))), content))
    if name in FRAME_SPACES:
        frame = draw(st.sampled_from(decision.frames))
        assume(name != "delivery" or frame.deliverable.raster is not None)
        pull = Pull(draw(st.integers(0, 200)), None, draw(st.sampled_from((1, 16))), draw(st.booleans()))
        return Space(name, frame.label, pull=pull if name == "pull" else None)
    return Space(name)


@st.composite
def decisions_and_spaces(draw, count: int):
    decision = draw(decisions())
    return decision, [draw(spaces(decision)) for _ in range(count)]


@given(decisions_and_spaces(2), POINTS, st.sampled_from(("edges", "centres")))
@settings(max_examples=150, deadline=None)
def test_there_and_back_is_the_identity_to_the_last_rational(given_spaces, point, position):
    decision, (one, other) = given_spaces
    there = map_places(decision, one, other, position=position, points=[point]).points[0]
    assume(max(abs(each) for each in there) <= LARGEST_COORDINATE)  # farther ones are refused by name
    back = map_places(decision, other, one, position=position, points=[(str(there[0]), str(there[1]))]).points[0]
    assert back == (exact_coordinate(point[0]), exact_coordinate(point[1]))


@given(decisions_and_spaces(3), st.sampled_from(("edges", "centres")))
@settings(max_examples=150, deadline=None)
def test_steps_one_after_the_other_equal_the_direct_step(given_spaces, position):
    decision, (one, two, three) = given_spaces
    first = matrix(decision, one, two, position=position)
    second = matrix(decision, two, three, position=position)
    assert second @ first == matrix(decision, one, three, position=position)


@given(decisions_and_spaces(2))
@settings(max_examples=100, deadline=None)
def test_a_matrix_times_its_inverse_is_the_identity(given_spaces):
    decision, (one, other) = given_spaces
    mapped = map_places(decision, one, other)
    product = np.array(mapped.inverse.rows, dtype=object) @ np.array(mapped.matrix.rows, dtype=object)
    assert (product == np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1]], dtype=object)).all()


@given(decisions(), st.data())
@settings(max_examples=150, deadline=None)
def test_upright_and_scene_agree_with_shapely(decision, data):
    """An independent path: shapely turns about the raster's corner, shifts back and scales."""
    capture = decision.capture
    w, h = capture.raster.width, capture.raster.height
    frame = data.draw(st.sampled_from(decision.frames))
    rect = frame.rect
    shape = box(rect.x, rect.y, rect.right, rect.bottom)
    # With y down a positive angle of shapely's turns clockwise.
    turned = affinity.rotate(shape, capture.roll, origin=(0, 0))
    upright = affinity.translate(turned, *{0: (0, 0), 90: (h, 0), 180: (w, h), 270: (0, w)}[capture.roll])
    mapped = map_places(decision, Space("recorded"), Space("upright"), rects=[_numbers(rect)]).rects[0]
    assert np.allclose(upright.bounds, [float(v) for v in (mapped.x, mapped.y, mapped.right, mapped.bottom)], atol=1e-6)
    across, down = desqueeze(capture)
    scene = affinity.scale(upright, float(across), float(down), origin=(0, 0))
    mapped = map_places(decision, Space("recorded"), Space("scene"), rects=[_numbers(rect)]).rects[0]
    assert np.allclose(
        scene.bounds, [float(v) for v in (mapped.x, mapped.y, mapped.right, mapped.bottom)], rtol=1e-9, atol=1e-5
    )


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
@pytest.mark.parametrize("squeeze", [1, 2, 0.5])
@pytest.mark.parametrize("axis", ["sensor_width", "sensor_height"])
@pytest.mark.parametrize("delivery_turn", [0, 90, 180, 270])
def test_a_pixel_on_the_delivered_file_is_the_one_that_pillow_puts_there(roll, squeeze, axis, delivery_turn):
    """Crop, turn, enlarge by whole pixels and turn a real picture with Pillow; every pixel says where it came from."""
    capture = Capture(Raster(24, 16), roll=roll, squeeze=squeeze, squeeze_axis=axis)
    rect = Rect(4, 2, 12, 8)
    upright = (8, 12) if roll in (90, 270) else (12, 8)
    deliverable = Deliverable("d", None, Raster(upright[0] * 3, upright[1] * 2), delivery_turn=delivery_turn)
    decision = _decision(capture, deliverable, rect)
    ys, xs = np.mgrid[0:16, 0:24]
    picture = Image.fromarray((ys * 24 + xs).astype(np.int32), mode=None)
    turns = {90: Image.Transpose.ROTATE_270, 180: Image.Transpose.ROTATE_180, 270: Image.Transpose.ROTATE_90}
    picture = picture.crop((rect.x, rect.y, rect.right, rect.bottom))
    picture = picture.transpose(turns[roll]) if roll else picture
    picture = picture.resize((upright[0] * 3, upright[1] * 2), Image.Resampling.NEAREST)
    picture = picture.transpose(turns[delivery_turn]) if delivery_turn else picture
    delivered = np.array(picture)
    for y, x in [(0, 0), (3, 5), (delivered.shape[0] - 1, delivered.shape[1] - 1), (0, delivered.shape[1] - 1)]:
        middle = [(str(Fraction(2 * x + 1, 2)), str(Fraction(2 * y + 1, 2)))]
        found = map_places(decision, Space("delivery", "d"), Space("recorded"), points=middle).points[0]
        assert divmod(int(delivered[y, x]), 24) == (int(found[1]), int(found[0]))


def test_a_point_tracked_on_a_delivered_frame_goes_back_to_the_recorded_pixel():
    # Arithmetic by hand: 4,800 x 2,700 at the top of 4,800 x 3,200, delivered at 3,840 x 2,160: factor 5/4.
    capture = Capture(Raster(4800, 3200))
    decision = _decision(capture, Deliverable("wide", None, Raster(3840, 2160)), Rect(0, 0, 4800, 2700))
    mapped = map_places(decision, Space("delivery", "wide"), Space("recorded"), points=[(1001, 333.2)])
    assert mapped.points == ((Fraction(5005, 4), Fraction(833, 2)),)
    centre = map_places(decision, Space("delivery", "wide"), Space("recorded"), position="centres", points=[(0, 0)])
    assert centre.points == ((Fraction(1, 8), Fraction(1, 8)),)


def test_edges_and_centres_differ_by_half_a_pixel_of_each_space():
    decision = _decision(
        Capture(Raster(4800, 3200)), Deliverable("half", None, Raster(2400, 1600)), Rect(0, 0, 4800, 3200)
    )
    edges = matrix(decision, Space("recorded"), Space("delivery", "half"))
    centres = matrix(decision, Space("recorded"), Space("delivery", "half"), position="centres")
    assert edges.point((Fraction(1), Fraction(1))) == (Fraction(1, 2), Fraction(1, 2))
    assert centres.point((Fraction(1, 2), Fraction(1, 2))) == (0, 0)


def test_a_padded_half_size_proxy_maps_by_where_its_picture_lies():
    decision = _decision(Capture(Raster(4800, 3200)), Deliverable("f", Aspect("3:2")), Rect(0, 0, 4800, 3200))
    proxy = Media(Raster(2432, 1632), content=Area(16, 16, 2400, 1600))
    mapped = map_places(decision, Space("recorded"), Space("media", media=proxy), points=[(0, 0), (4800, 3200)])
    assert mapped.points == ((16, 16), (2416, 1616))


def test_a_pull_is_clipped_at_the_raster_and_padded_at_right_and_bottom():
    frame = _decision(Capture(Raster(4800, 3200)), Deliverable("f", Aspect("3:2")), Rect(10, 100, 3000, 2000)).frames[0]
    taken = plate(frame, Capture(Raster(4800, 3200)), Pull(overscan_px=64, multiple=16))
    assert taken.picture == Rect(0, 36, 3074, 2128)
    assert (taken.raster.width, taken.raster.height) == (3088, 2128)
    assert taken.room == (10, 64, 64, 64)
    assert taken.is_cut_short
    share = plate(frame, Capture(Raster(4800, 3200)), Pull(overscan_share=0.05))
    assert share.picture == Rect(0, 0, 3160, 2200)


def test_a_print_of_a_map_holds_rationals_and_doubles_row_by_row():
    decision = _decision(
        Capture(Raster(4800, 3200)), Deliverable("w", None, Raster(3840, 2160)), Rect(0, 500, 4800, 2700)
    )
    source, target = Space("recorded"), Space("delivery", "w")
    printed = mapped_places(decision, Places(source, target, rects=((0, 500, 4800, 2700),)))
    assert printed.matrix.exact == (("4/5", "0", "0"), ("0", "4/5", "-400"), ("0", "0", "1"))
    assert printed.inverse.value == ((1.25, 0.0, 0.0), (0.0, 1.25, 500.0), (0.0, 0.0, 1.0))
    assert printed.rects[0].exact == ("0", "0", "3840", "2160")
    assert printed.target == "delivery:w"


@pytest.mark.parametrize(
    "written", ["1/0", "1e9", "", "--1", "1" * 1200, "0x10", "\u0663", True, None, float("nan"), 1e300, 10**400]
)
def test_what_is_no_coordinate_is_refused(written):
    with pytest.raises(ValueError, match="coordinate"):
        exact_coordinate(written)


@pytest.mark.parametrize(
    ("space", "error"),
    [
        (Space("media"), ValueError),
        (Space("extraction"), ValueError),
        (Space("delivery", "none"), KeyError),
        (Space("delivery", "f"), ValueError),
        (Space("media", media=Media(Raster(1, 1), shows=Area(-1, 0, 1, 1))), ValueError),
    ],
)
def test_a_space_without_what_it_is_made_of_is_refused(space, error):
    decision = _decision(Capture(Raster(480, 320)), Deliverable("f", Aspect("3:2")), Rect(0, 0, 480, 320))
    with pytest.raises(error):
        matrix(decision, Space("recorded"), space)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Pull(overscan_px=1, overscan_share=0.1),
        lambda: Pull(overscan_px=-1),
        lambda: Pull(multiple=0),
        lambda: Media(Raster(1, 1), content=Area(0, 0, 0, 1)),
    ],
)
def test_nonsense_about_a_file_or_a_plate_is_refused(make):
    with pytest.raises(ValueError):  # noqa: PT011 - each says its own reason
        make()


def test_a_rectangle_under_a_turn_keeps_its_top_left_corner_first():
    capture = Capture(Raster(4800, 3200), roll=90)
    decision = _decision(capture, Deliverable("f", Aspect("2:3")), Rect(0, 0, 4800, 3200))
    mapped = map_places(decision, Space("recorded"), Space("upright"), rects=[(0, 0, 10, 20)]).rects[0]
    assert mapped == RealArea(Fraction(3180), Fraction(0), Fraction(20), Fraction(10))


def _numbers(rect: Rect):
    return rect.x, rect.y, rect.width, rect.height


def _decision(capture: Capture, deliverable: Deliverable, rect: Rect) -> Decision:
    return Decision(Job(capture, (deliverable,)), (Frame(deliverable, rect, rect),), "0" * 64, "0.1.0")
