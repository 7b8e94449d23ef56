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
    Protection,
    Raster,
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
