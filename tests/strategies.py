"""One hypothesis strategy per noun; small rasters for exhaustive oracles, large ones for laws."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from hypothesis import assume
from hypothesis import strategies as st

from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.geometry import upright_sides_to_recorded
from tallwide.job import (
    Align,
    Aspect,
    Capture,
    Deliverable,
    Framing,
    Grid,
    Job,
    Lens,
    Point,
    Production,
    Protection,
    Raster,
    RateLimit,
)
from tallwide_service.core.region import protected

WRITTEN_ASPECTS = ("16:9", "9:16", "4:5", "1:1", "2.39:1", "1.85:1", "4:3", "2:3", "3:2", 1.9, 0.5625, "2:1")


def rasters(smallest: int = 1, largest: int = 65_535):
    sides = st.integers(smallest, largest)
    return st.builds(Raster, sides, sides)


aspects = st.one_of(
    st.sampled_from(WRITTEN_ASPECTS),
    st.builds(lambda w, h: f"{w}:{h}", st.integers(1, 40), st.integers(1, 40)).filter(
        lambda text: 1 / 20 <= int(text.split(":")[0]) / int(text.split(":")[1]) <= 20
    ),
    st.integers(50, 20_000).map(lambda thousandths: thousandths / 1000),
).map(Aspect)

steps = st.integers(1, 4)
grids = st.builds(Grid, x=steps, y=steps, width=steps, height=steps)
shares = st.integers(0, 100).map(lambda hundredths: hundredths / 100)
aligns = st.builds(Align, x=shares, y=shares)
small_shares = st.integers(0, 30).map(lambda hundredths: hundredths / 100)
protections = st.one_of(
    st.builds(Protection, each_side=small_shares),
    st.builds(Protection, inward=small_shares),
    st.builds(Protection, left=small_shares, top=small_shares, right=small_shares, bottom=small_shares),
)
rolls = st.sampled_from((0, 90, 180, 270))
squeezes = st.sampled_from((1, 1.25, 1.33, 1.5, 1.8, 2, 0.5))
squeeze_axes = st.sampled_from(("sensor_width", "sensor_height"))
tolerances = st.sampled_from((0, 0.0005, 0.002, 0.01, 0.05, 0.1))


@st.composite
def captures(draw, smallest: int = 1, largest: int = 65_535):
    raster = draw(rasters(smallest, largest))
    return Capture(
        raster=raster,
        photosites=draw(st.one_of(st.none(), rasters(smallest, largest))),
        photosite_pitch_um=draw(st.sampled_from((None, 2.2, 3.45, 5.8))),
        squeeze=draw(squeezes),
        squeeze_axis=draw(squeeze_axes),
        roll=draw(rolls),
        grid=draw(grids),
    )


@st.composite
def deliverables(draw, label: str = "frame"):
    return Deliverable(
        label=label,
        aspect=draw(aspects),
        align=draw(aligns),
        protection=draw(protections),
    )


@st.composite
def jobs(draw, smallest: int = 1, largest: int = 65_535, most: int = 4):
    """Jobs of frames that lie independently of each other on a plain raster."""
    count = draw(st.integers(1, most))
    return Job(
        capture=draw(captures(smallest, largest)),
        deliverables=tuple(draw(deliverables(f"frame {index}")) for index in range(count)),
        framing=Framing(aspect_tolerance=draw(tolerances)),
    )


def rects(raster: Raster):
    """Rectangles of whole pixels inside a raster."""

    def build(x, y, width, height):
        return Rect(x, y, min(width, raster.width - x), min(height, raster.height - y))

    places = st.integers(0, raster.width - 1), st.integers(0, raster.height - 1)
    return st.builds(build, *places, st.integers(1, raster.width), st.integers(1, raster.height))


labels = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=20)
pixel_aspects = st.sampled_from((1, 1, 1, 1.5, 0.5, 1.0666666666666667))


@st.composite
def decisions(draw, smallest: int = 2, largest: int = 65_535, most: int = 4, turns=(0, 0, 90, 180, 270)):
    """Jobs with frames that lie anywhere on the raster: what a map or a hand-off gets, no solver asked."""
    capture = draw(captures(smallest, largest))
    names = draw(st.lists(labels, min_size=1, max_size=most, unique=True))
    frames = []
    for name in names:
        rect = draw(rects(capture.raster))
        raster = draw(st.one_of(st.none(), rasters(2, 8192)))
        deliverable = Deliverable(
            label=name,
            aspect=None if raster else draw(aspects),
            raster=raster,
            pixel_aspect=draw(pixel_aspects) if raster else 1,
            delivery_turn=draw(st.sampled_from(turns)),
            protection=draw(protections),
        )
        assume(raster is None or Fraction(1, 20) <= deliverable.ratio <= 20)
        sides = upright_sides_to_recorded(deliverable.protection.shares(), capture.roll)
        grown = protected(rect, sides)
        if not Rect(0, 0, capture.raster.width, capture.raster.height).holds(grown):
            deliverable, grown = replace(deliverable, protection=Protection(each_side=0)), rect
        frames.append(Frame(deliverable, rect, grown))
    job = Job(capture=capture, deliverables=tuple(frame.deliverable for frame in frames), id=draw(st.none() | labels))
    return Decision(job, tuple(frames), decision_id="0" * 64, engine_version="0.1.0")


@st.composite
def production_jobs(draw, arrangement: str = "independent", circles: bool | None = None, rates: bool = False):
    """Jobs small enough for brute force: a few deliverables, captures that vary, and a day of shooting.

    With `rates`, some modes record fewer lines at their frame rate, or cannot be recorded at it.
    """
    together = arrangement == "shared_point"
    count = draw(st.integers(1, 3))
    frames = tuple(
        Deliverable(
            label=f"frame {index}",
            raster=draw(st.none() if index and draw(st.integers(0, 5)) == 0 else rasters(4, 60)),
            aspect=Aspect("4:3"),
            minimum_oversampling=draw(st.sampled_from((1, 1, 1, 0.5, 1.2))),
            align=draw(st.sampled_from((Align(), Align(0.5, 0), Align(0, 0)))),
            protection=draw(st.sampled_from((Protection(each_side=0), Protection(each_side=0.05)))),
        )
        for index in range(count)
    )
    frames = tuple(replace(frame, aspect=None) if frame.raster else frame for frame in frames)
    assume(all(Fraction(1, 20) <= frame.ratio <= 20 for frame in frames))
    with_circle = draw(st.booleans()) if circles is None else circles
    own, *others = (
        Capture(
            raster=(raster := draw(rasters(20, 90))),
            label=f"mode {index}",
            photosite_pitch_um=5,
            grid=draw(st.sampled_from((Grid(), Grid(1, 1, 1, 1), Grid(2, 1, 2, 1)))),
            lens=Lens(image_circle_mm=draw(st.sampled_from((0.25, 0.35, 0.5)))) if with_circle else None,
            data_rate_mb_s=draw(st.sampled_from((50, 100, 200.5))),
            frames_per_second=draw(st.sampled_from((24, 48, 60))) if rates else None,
            rate_limits=(RateLimit(24, raster.height), RateLimit(48, raster.height // 2))
            if rates and draw(st.booleans())
            else None,
        )
        for index in range(1 if together and with_circle else 1 + draw(st.integers(0, 1)))
    )
    day = Production(
        shots=draw(st.integers(1, 3)),
        takes_per_shot=draw(st.integers(1, 2)),
        minutes_per_take=draw(st.sampled_from((None, 1, 2.5))),
        minutes_per_changeover=draw(st.sampled_from((None, 0, 15))),
    )
    if day.minutes_per_take is not None:
        bounds = draw(st.sampled_from((None, 10, 20))), draw(st.sampled_from((None, 20_000, 90_000)))
        day = replace(day, minutes_available=bounds[0], megabytes_available=bounds[1])
    point = Point(None, None) if together else None
    return Job(
        capture=own,
        deliverables=frames,
        framing=Framing(arrangement=arrangement, point=point, aspect_tolerance=0.05),
        alternatives=tuple(others),
        rolls=draw(st.sampled_from((None, (0,), (0, 90), (90, 270)))),
        passes=draw(st.sampled_from((None, 1, 2))),
        production=draw(st.sampled_from((None, day))),
        prefer=draw(st.sampled_from((None, ("megabytes",), ("smallest_oversampling", "passes")))),
    )


@st.composite
def crowded_jobs(draw):
    """Jobs of three or four frames on one point that pull apart, so that partners cost each other size."""
    frames = tuple(
        Deliverable(f"frame {index}", raster=draw(rasters(3, 50)), align=draw(aligns))
        for index in range(draw(st.integers(3, 4)))
    )
    assume(all(Fraction(1, 20) <= frame.ratio <= 20 for frame in frames))
    grid = Grid(1, 1, 1, 1)
    return Job(
        Capture(raster=draw(rasters(20, 60)), grid=grid, data_rate_mb_s=100),
        frames,
        Framing(arrangement="shared_point", point=Point(None, None), aspect_tolerance=0.1),
        alternatives=draw(st.sampled_from(((), (Capture(raster=Raster(40, 50), grid=grid, data_rate_mb_s=50),)))),
        rolls=draw(st.sampled_from(((0,), (0, 90)))),
        passes=draw(st.sampled_from((1, 2, 2, 2))),
        prefer=draw(st.sampled_from((None, ("smallest_oversampling",), ("megabytes", "reframe_room")))),
    )
