"""Jobs: what is recorded, what has to be delivered, and how the frames lie together.

A job is the one document that every computing endpoint takes. Its nouns are frozen dataclasses,
one class a noun, spoken by the SDK, the service and the core alike. Pixel sizes and places are
whole numbers, origin top left, x right, y down; ratios are width over height. A JSON number means
the shortest decimal that reads back as the same double, and is exact from there on: `exact` is
the one place where that rule is applied.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Literal

Number = int | float
Roll = Literal[0, 90, 180, 270]
SqueezeAxis = Literal["sensor_width", "sensor_height"]
Arrangement = Literal["independent", "shared_point"]
Match = Literal["none", "height", "width"]
Minimums = Literal["verdict", "held"]
Objective = Literal["in_order", "largest", "raise_smallest"]
SpaceName = Literal["photosites", "recorded", "upright", "scene", "extraction", "delivery", "media", "pull"]
Position = Literal["edges", "centres"]
Coordinate = Number | str
View = Literal["recorded", "upright"]
Fit = Literal["whole", "fill"]
Theme = Literal["light", "dark", "auto", "variables"]
Labels = Literal["full", "short", "none"]
Criterion = Literal[
    "enough_pixels",
    "passes",
    "changeovers",
    "lens_covers",
    "minutes",
    "megabytes",
    "smallest_oversampling",
    "reframe_room",
    "same_moment",
]
RodSystem = Literal["light_15", "studio_15", "studio_19"]
Face = Literal["left", "right", "top", "bottom"]
RoomFor = Literal["cables", "cards", "cooling", "screen", "buttons", "battery", "viewfinder"]
MatchBy = Literal["width", "height", "diagonal"]
SafeAreaSet = Literal["ebu_r95", "itu_r_bt1848", "smpte_st2046_1", "smpte_rp218"]

LARGEST_SIDE_PX = 65_535
ASPECT_RANGE = (Fraction(1, 20), Fraction(20))
ASPECT_LENGTH = 32
_ASPECT = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?):([0-9]{1,9}(?:\.[0-9]{1,9})?)")
_NOTHING: Mapping[str, Any] = MappingProxyType({})


@lru_cache(maxsize=4096)
def exact(number: Number) -> Fraction:
    """Return the exact value that a JSON number stands for.

    Raises
    ------
    ValueError
        If `number` is not finite.

    Examples
    --------
    >>> exact(2.39)
    Fraction(239, 100)
    """
    return Fraction(number) if isinstance(number, int) else Fraction(repr(number))


@lru_cache(maxsize=4096)
def aspect_ratio(written: str | Number) -> Fraction:
    """Return width over height for an aspect as people write it.

    Parameters
    ----------
    written
        `"W:H"` with whole or decimal numbers, or one number.

    Raises
    ------
    ValueError
        If it is not written so, or lies outside 0.05 to 20.

    Examples
    --------
    >>> aspect_ratio("16:9"), aspect_ratio("2.39:1"), aspect_ratio(0.8)
    (Fraction(16, 9), Fraction(239, 100), Fraction(4, 5))
    """
    if isinstance(written, str):
        parts = _ASPECT.fullmatch(written) if len(written) <= ASPECT_LENGTH else None
        if parts is None:
            raise ValueError('an aspect is written "W:H", such as "16:9" or "2.39:1", or as one number')
        width, height = Fraction(parts[1]), Fraction(parts[2])
        if not height:
            raise ValueError("the second number of an aspect must be greater than zero")
        ratio = width / height
    else:
        ratio = exact(written)
    lowest, highest = ASPECT_RANGE
    if not lowest <= ratio <= highest:
        raise ValueError("an aspect must lie between 0.05 and 20")
    return ratio


@dataclass(frozen=True, slots=True)
class Noun:
    """One object of a job document; `own` keeps the caller's members, whose names begin with `_`."""

    own: Mapping[str, Any] = field(default_factory=lambda: _NOTHING, kw_only=True, hash=False, repr=False)


@dataclass(frozen=True, slots=True)
class Aspect:
    """An aspect ratio as it was written, and its exact value, width over height."""

    written: str | Number
    ratio: Fraction = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "ratio", aspect_ratio(self.written))


@dataclass(frozen=True, slots=True)
class Raster(Noun):
    """A pixel grid: columns and lines, whole numbers from 1 to 65,535."""

    width: int
    height: int

    def __post_init__(self) -> None:
        if not (0 < self.width <= LARGEST_SIDE_PX and 0 < self.height <= LARGEST_SIDE_PX):
            raise ValueError(f"a raster is 1 to {LARGEST_SIDE_PX} px on each side, not {self.width} x {self.height}")


@dataclass(frozen=True, slots=True)
class Grid(Noun):
    """Steps, in recorded pixels, at which places (`x`, `y`) and sizes may lie."""

    x: int = 2
    y: int = 2
    width: int = 2
    height: int = 2


@dataclass(frozen=True, slots=True)
class Offset(Noun):
    """Where the image circle's centre lies from the raster's centre, mm on the sensor, x right, y down."""

    x: Number = 0
    y: Number = 0


@dataclass(frozen=True, slots=True)
class Extent(Noun):
    """A width and a height, mm on the sensor, along its own axes."""

    width: Number
    height: Number


@dataclass(frozen=True, slots=True)
class Lens(Noun):
    """A lens as it is set: what it covers, place of its axis, focal length, f-number.

    What it covers is a usable circle (diameter on the sensor), or a width and a height around its
    axis (squeezed lenses, baffles), or both. `exit_pupil_mm` is the distance of the exit pupil from
    the sensor, `focus_distance_mm` that of the plane in focus from the lens.
    """

    label: str | None = None
    image_circle_mm: Number | None = None
    covered_mm: Extent | None = None
    offset_mm: Offset = Offset()
    focal_length_mm: Number | None = None
    f_number: Number | None = None
    focus_distance_mm: Number | None = None
    exit_pupil_mm: Number | None = None


@dataclass(frozen=True, slots=True)
class RateLimit(Noun):
    """Up to this frame rate, a mode records so many lines, centred on its full height."""

    frames_per_second: Number
    height: int


@dataclass(frozen=True, slots=True)
class Capture(Noun):
    """One recording mode of one camera: recorded raster, photosites behind it, squeeze, roll and lens.

    `squeeze` acts along `squeeze_axis` of the sensor, before any turn. `usable_area` holds the
    corners of a convex polygon in recorded pixels. `detail_factor` is the share of detail that a
    colour filter array leaves, 1 where nothing is taken off. `rate_limits` say how many lines the
    mode records up to which frame rate.
    """

    raster: Raster
    label: str | None = None
    photosites: Raster | None = None
    photosite_pitch_um: Number | None = None
    squeeze: Number = 1
    squeeze_axis: SqueezeAxis = "sensor_width"
    roll: Roll = 0
    grid: Grid = Grid()
    usable_area: tuple[tuple[Number, Number], ...] | None = None
    lens: Lens | None = None
    readout_ms: Number | None = None
    frames_per_second: Number | None = None
    data_rate_mb_s: Number | None = None
    detail_factor: Number = 1
    rate_limits: tuple[RateLimit, ...] | None = None

    @property
    def imager(self) -> Raster:
        """Photosites behind the recorded raster; as many as pixels where none are given."""
        return self.photosites or self.raster

    @property
    def is_on_its_side(self) -> bool:
        """Whether the camera body is turned by a quarter."""
        return self.roll in (90, 270)

    @property
    def upright_raster(self) -> Raster:
        """Size of the upright picture, not desqueezed."""
        if self.is_on_its_side:
            return Raster(self.raster.height, self.raster.width)
        return self.raster


@dataclass(frozen=True, slots=True)
class Align(Noun):
    """A point of a frame as shares of its upright width and height: 0, 0 is top left."""

    x: Number = 0.5
    y: Number = 0.5


@dataclass(frozen=True, slots=True)
class Protection(Noun):
    """Picture kept clean outside a frame, in one of three forms.

    `each_side`: share of the frame's own width and height on every side. `inward`: the frame is
    1 - `inward` of the protected picture. Or shares by upright side.
    """

    each_side: Number | None = None
    inward: Number | None = None
    left: Number | None = None
    top: Number | None = None
    right: Number | None = None
    bottom: Number | None = None

    def shares(self) -> tuple[Fraction, Fraction, Fraction, Fraction]:
        """Return the share of the frame's width or height by upright side: left, top, right, bottom."""
        if self.each_side is not None:
            return (exact(self.each_side),) * 4
        if self.inward is not None:
            inward = exact(self.inward)
            return (inward / (1 - inward) / 2,) * 4
        return (exact(self.left or 0), exact(self.top or 0), exact(self.right or 0), exact(self.bottom or 0))


@dataclass(frozen=True, slots=True)
class SafeArea(Noun):
    """An area of the delivered picture that screens leave free: insets as shares of its upright sides."""

    label: str
    left: Number = 0
    top: Number = 0
    right: Number = 0
    bottom: Number = 0


@dataclass(frozen=True, slots=True)
class Display(Noun):
    """Where a deliverable is seen: height of the picture and distance of the nearest viewer, or what shows it.

    `pixel_pitch_mm` is that of an LED wall, `screen` the pixels of a hand-held one as it is held.
    """

    height_mm: Number | None = None
    viewing_distance_mm: Number | None = None
    pixel_pitch_mm: Number | None = None
    screen: Raster | None = None


@dataclass(frozen=True, slots=True)
class Deliverable(Noun):
    """One picture that has to be delivered: its shape as shown, its raster, and what it asks for.

    `raster` is in the upright picture; `delivery_turn` is how far, clockwise, the upright picture
    is turned to make the delivered file. `safe_area_sets` names published sets that are drawn and
    mapped beside the own `safe_areas`.
    """

    label: str
    aspect: Aspect | None = None
    raster: Raster | None = None
    pixel_aspect: Number = 1
    delivery_turn: Roll = 0
    minimum_oversampling: Number = 1
    align: Align = Align()
    protection: Protection = Protection(each_side=0)
    weight: Number = 1
    safe_areas: tuple[SafeArea, ...] = ()
    safe_area_sets: tuple[SafeAreaSet, ...] = ()
    display: Display | None = None

    @property
    def ratio(self) -> Fraction:
        """Exact aspect as shown: that of the raster and its pixels where there is a raster."""
        if self.raster is not None:
            return Fraction(self.raster.width, self.raster.height) * exact(self.pixel_aspect)
        if self.aspect is None:
            raise ValueError("a deliverable needs an aspect or a raster")
        return self.aspect.ratio


@dataclass(frozen=True, slots=True)
class Point(Noun):
    """The shared scene point, as shares of the upright picture; `None` leaves an axis free."""

    x: Number | None = None
    y: Number | None = None


@dataclass(frozen=True, slots=True)
class Subject(Noun):
    """What must stay in every frame, px in the upright picture."""

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Framing(Noun):
    """How the frames lie together in the upright picture.

    `minimums` held leaves out every size of a frame that is below its minimum oversampling; as a
    verdict, and where it is not given, they are judged and nothing is left out.
    """

    arrangement: Arrangement = "independent"
    point: Point | None = None
    subject: Subject | None = None
    match: Match = "none"
    nest: tuple[tuple[str, str], ...] = ()
    objective: Objective = "in_order"
    aspect_tolerance: Number = 0.002
    minimums: Minimums | None = None


@dataclass(frozen=True, slots=True)
class MonitorFeed(Noun):
    """The picture that a monitor or finder is fed, and how the recording stands in it, centred.

    `fit` whole shows all of the recording; fill leaves no border and cuts the recording's edges.
    `turned` feeds the upright picture, otherwise the recorded one as the camera gives it;
    `desqueezed` shows it in the scene's shape, otherwise each recorded pixel is square.
    """

    width: int
    height: int
    fit: Fit = "whole"
    turned: bool = False
    desqueezed: bool = False


@dataclass(frozen=True, slots=True)
class Picture(Noun):
    """The picture that is drawn on: one of a view, one deliverable's own raster, or a monitor feed.

    In JSON a view is its bare name: `"recorded"` or `"upright"`.
    """

    view: View | None = None
    deliverable: str | None = None
    monitor: MonitorFeed | None = None

    def __post_init__(self) -> None:
        if (self.view, self.deliverable, self.monitor).count(None) != 2:
            raise ValueError("a picture is one of a view, a deliverable and a monitor")


@dataclass(frozen=True, slots=True)
class Overlay(Noun):
    """What an overlay shows, and how.

    Lines are `line_px` thick, or `line_share` of the picture's height, or 1/540 of it. `palette`
    names a published colour-blind-safe set; `colours` (`#rrggbb`, used in turn) go before it.
    `shade` darkens what lies outside the combined area, or outside the frame of `shade_frame`.
    """

    line_px: int | None = None
    line_share: Number | None = None
    palette: Literal["okabe_ito", "tol_bright", "tol_high_contrast"] = "okabe_ito"
    colours: tuple[str, ...] = ()
    contrast_lines: bool = True
    labels: Labels = "full"
    centre_marks: bool = True
    protection: bool = True
    common_area: bool = False
    safe_areas: bool = True
    subject: bool = True
    image_circle: bool = True
    usable_area: bool = True
    shade: Literal["none", "combined_area", "frame"] = "none"
    shade_frame: str | None = None
    theme: Theme = "dark"
    id_prefix: str = "tallwide"


@dataclass(frozen=True, slots=True)
class Plate(Noun):
    """What is made of an uploaded still.

    `output`: the overlay burned into it, a sheet of all frames cut out, or a ZIP of single files.
    `fit` scale takes a still of another size than the recorded raster; exact refuses it.
    """

    output: Literal["burned_in", "contact_sheet", "frames"] = "burned_in"
    fit: Literal["exact", "scale"] = "exact"
    media_type: Literal["image/png", "image/jpeg", "image/tiff"] = "image/png"
    longest_side_px: int | None = None


@dataclass(frozen=True, slots=True)
class DialIn(Noun):
    """The steps at which a monitor or finder takes numbers by hand: pixels, and percent."""

    step_px: Number = 1
    step_pct: Number = 0.1


@dataclass(frozen=True, slots=True)
class Sheet(Noun):
    """What the framing sheet states that the job does not compute; `date` is printed as it is written."""

    paper: Literal["A4", "letter"] = "A4"
    title: str | None = None
    date: str | None = None
    notes: str | None = None


@dataclass(frozen=True, slots=True)
class ReadFrame(Noun):
    """The corners of one frame as they were measured on a grab, px of the picture that is named beside.

    In the order that the chart's reader sees: top left, top right, bottom right, bottom left; 0, 0
    is the outer corner of the top-left pixel.
    """

    deliverable: str
    corners: tuple[tuple[Number, Number], ...]


@dataclass(frozen=True, slots=True)
class ChartReading(Noun):
    """A grab of the chart: corners by frame, the picture they were measured in, and the tolerance."""

    frames: tuple[ReadFrame, ...]
    picture: View = "recorded"
    tolerance_px: Number = 4


@dataclass(frozen=True, slots=True)
class Chart(Noun):
    """How the framing chart is printed, and what was read from a grab of it.

    On a paper size, as large as it goes, or with the recorded picture `width_mm` wide.
    """

    paper: Literal["A3", "A2"] = "A3"
    width_mm: Number | None = None
    reading: ChartReading | None = None


@dataclass(frozen=True, slots=True)
class Area(Noun):
    """A rectangle in the pixels of the picture that is spoken of; need not be whole."""

    x: Number
    y: Number
    width: Number
    height: Number

    def __post_init__(self) -> None:
        if self.width <= 0 or self.height <= 0:
            raise ValueError("an area is wider and higher than nothing")


@dataclass(frozen=True, slots=True)
class Media(Noun):
    """A file as received: what part of the recording it shows, how it was turned, and where it lies.

    `shows` is the part of the recorded raster that the file holds (all of it if left out). That
    part, turned clockwise by `turn`, fills `content` of the file's own `raster` (all of it if left
    out): a smaller content is a scale, a content away from the corner is padding, and one of
    another shape is a desqueeze.
    """

    raster: Raster
    turn: Roll = 0
    content: Area | None = None
    shows: Area | None = None


@dataclass(frozen=True, slots=True)
class Pull(Noun):
    """A plate pulled around an extraction: overscan on every side, in recorded px or as a share of the side.

    Overscan stops at the edge of the raster. Width and height are then padded, at right and bottom,
    to a multiple; padding holds no picture. `upright` turns the plate so that the scene stands.
    """

    overscan_px: int | None = None
    overscan_share: Number | None = None
    multiple: int = 1
    upright: bool = False

    def __post_init__(self) -> None:
        if self.overscan_px is not None and self.overscan_share is not None:
            raise ValueError("overscan is stated in px or as a share, not both")
        if (self.overscan_px or 0) < 0 or (self.overscan_share or 0) < 0:
            raise ValueError("overscan is not negative")
        if self.multiple < 1:
            raise ValueError("a plate is padded to a multiple of 1 px or more")


@dataclass(frozen=True, slots=True)
class Space(Noun):
    """One picture to map from or to; `extraction`, `delivery` and `pull` name their deliverable."""

    space: SpaceName
    deliverable: str | None = None
    media: Media | None = None
    pull: Pull | None = None

    def __str__(self) -> str:
        return self.space if self.deliverable is None else f"{self.space}:{self.deliverable}"


@dataclass(frozen=True, slots=True)
class Places(Noun):
    """What is mapped: points, rectangles (x, y, width, height) and polygons, from one space to another.

    A coordinate is a JSON number, or an exact rational as text, such as `"2304/5"`.
    """

    source: Space
    target: Space
    position: Position = "edges"
    points: tuple[tuple[Coordinate, Coordinate], ...] = ()
    rects: tuple[tuple[Coordinate, Coordinate, Coordinate, Coordinate], ...] = ()
    polygons: tuple[tuple[tuple[Coordinate, Coordinate], ...], ...] = ()


@dataclass(frozen=True, slots=True)
class ContainerCrop(Noun):
    """What a container says is not picture, px of the file removed at each edge."""

    left: int = 0
    top: int = 0
    right: int = 0
    bottom: int = 0

    def __post_init__(self) -> None:
        if min(self.left, self.top, self.right, self.bottom) < 0:
            raise ValueError("a container's crop removes nothing or more at each edge")


@dataclass(frozen=True, slots=True)
class FileFacts(Noun):
    """Facts of a file, as stored: before a player turns or stretches it.

    `rotation` is how far, clockwise, a player is told to turn the picture; `sample_aspect` the shape
    of one sample, width over height (`None` where the file says nothing). `content` is where the
    picture lies in the file, if a person knows it better than the container.
    """

    width: int
    height: int
    sample_aspect: Aspect | None = None
    rotation: Roll = 0
    crop: ContainerCrop = ContainerCrop()
    content: Area | None = None

    @property
    def picture(self) -> Area:
        """Where the file says that its picture lies.

        Raises
        ------
        ValueError
            If that is nowhere, or outside the file.
        """
        crop, area = self.crop, self.content
        if area is None:
            width, height = self.width - crop.left - crop.right, self.height - crop.top - crop.bottom
            if width <= 0 or height <= 0:
                raise ValueError("the container's crop leaves no picture")
            return Area(crop.left, crop.top, width, height)
        beyond = area.x + area.width > self.width or area.y + area.height > self.height
        if area.x < 0 or area.y < 0 or beyond:
            raise ValueError("the picture does not lie inside the file")
        return area


@dataclass(frozen=True, slots=True)
class Handoff(Noun):
    """What a hand-off may be told beyond the decision.

    `source` is the name or address of the recorded file, as the receiver knows it; `language` the
    BCP 47 tag of the labels; `pull` the overscan of plates.
    """

    source: str | None = None
    language: str | None = None
    pull: Pull | None = None


@dataclass(frozen=True, slots=True)
class Comparand(Noun):
    """What a job is compared with: another job, or a document of a hand-off form.

    `tolerance_px` is how far an edge may have moved, in recorded px of the job, for the picture to
    count as the same.
    """

    job: Job | None = None
    form: str | None = None
    document: Any = None
    lenient: bool = False
    tolerance_px: Number = 0


@dataclass(frozen=True, slots=True)
class Sweep(Noun):
    """One number of the job, by its pointer, through a range in equal steps, both ends included.

    `from_` is `from` in JSON, which Python keeps for itself.
    """

    member: str
    from_: Number
    to: Number
    steps: int


@dataclass(frozen=True, slots=True)
class Production(Noun):
    """What the day asks for and allows; minutes are of the clock, megabytes are 10^6 bytes."""

    shots: int | None = None
    takes_per_shot: int | None = None
    minutes_per_take: Number | None = None
    minutes_per_changeover: Number | None = None
    minutes_available: Number | None = None
    megabytes_available: Number | None = None


@dataclass(frozen=True, slots=True)
class Movement(Noun):
    """How fast the camera is turned: pan to the right and tilt upwards are positive, degrees a second."""

    pan_deg_s: Number = 0
    tilt_deg_s: Number = 0


@dataclass(frozen=True, slots=True)
class ZoomSetting(Noun):
    """One focal length of a zoom, and what it covers there."""

    focal_length_mm: Number
    image_circle_mm: Number | None = None
    covered_mm: Extent | None = None


@dataclass(frozen=True, slots=True)
class LensChoice(Noun):
    """A lens that may be taken: one focal length, or a zoom as several settings.

    What it covers is as in `Lens`. `squeeze` and `squeeze_axis`, where given, take the place of the
    capture's: they belong to the lens.
    """

    label: str
    focal_length_mm: Number | None = None
    image_circle_mm: Number | None = None
    covered_mm: Extent | None = None
    offset_mm: Offset = Offset()
    f_number: Number | None = None
    squeeze: Number | None = None
    squeeze_axis: SqueezeAxis | None = None
    settings: tuple[ZoomSetting, ...] = ()
    focus_distance_mm: Number | None = None
    exit_pupil_mm: Number | None = None


@dataclass(frozen=True, slots=True)
class CameraMatch(Noun):
    """The camera beside, whose focal length is sought; `focal_lengths_mm` are those there are to choose from."""

    capture: Capture
    focal_lengths_mm: tuple[Number, ...] = ()


@dataclass(frozen=True, slots=True)
class AxisPlace(Noun):
    """Where the optical axis lies: above the plane of the rods' centres, and right of their middle, mm.

    As seen from behind the camera.
    """

    height_mm: Number
    sideways_mm: Number = 0


@dataclass(frozen=True, slots=True)
class Span(Noun):
    """The least and the most that something can be set to, mm."""

    least_mm: Number
    most_mm: Number

    def __post_init__(self) -> None:
        if self.most_mm < self.least_mm:
            raise ValueError("the most is at least the least")


@dataclass(frozen=True, slots=True)
class RoomNeed(Noun):
    """Room that something needs beside one face of the camera, and the room there is, mm.

    Faces are those of the body as it stands upright, seen from behind; room left out is not known.
    """

    face: Face
    need: RoomFor
    needed_mm: Number
    upright_mm: Number | None = None
    roll_90_mm: Number | None = None
    roll_270_mm: Number | None = None


@dataclass(frozen=True, slots=True)
class Rating(Noun):
    """For which rolls the maker rates a battery mount or an accessory, as the user says."""

    label: str
    rolls: tuple[Roll, ...]


@dataclass(frozen=True, slots=True)
class Rig(Noun):
    """What holds the camera, upright and turned; all of it as the user says.

    `rods` names a convention of the trade; `standard_axis_mm` gives figures of one's own in its
    place. `axis_roll_270_mm` is given where the axis lies elsewhere at roll 270 than at roll 90.
    `held_by` is whether a turned body stands on the face that points down, or is held at its bottom
    face by a bracket.
    """

    rods: RodSystem | None = None
    standard_axis_mm: AxisPlace | None = None
    axis_upright_mm: AxisPlace | None = None
    axis_turned_mm: AxisPlace | None = None
    axis_roll_270_mm: AxisPlace | None = None
    support_mm: Span | None = None
    carrying_faces: tuple[Face, ...] | None = None
    held_by: Literal["lower_face", "bottom"] = "lower_face"
    room: tuple[RoomNeed, ...] = ()
    ratings: tuple[Rating, ...] = ()


@dataclass(frozen=True, slots=True)
class Job(Noun):
    """A capture, its deliverables and how they are framed together, and options of single endpoints.

    `alternatives` are further recording modes or cameras, `rolls` and `passes` what is allowed
    (0, 90, 270 and 2 where left out), `prefer` the criteria that count first, of /v1/orientation.
    """

    capture: Capture
    deliverables: tuple[Deliverable, ...]
    framing: Framing = Framing()
    picture: Picture | None = None
    overlay: Overlay | None = None
    plate: Plate | None = None
    dial_in: DialIn | None = None
    sheet: Sheet | None = None
    chart: Chart | None = None
    map: Places | None = None
    file: FileFacts | None = None
    handoff: Handoff | None = None
    compare: Comparand | None = None
    sweep: Sweep | None = None
    alternatives: tuple[Capture, ...] | None = None
    rolls: tuple[Roll, ...] | None = None
    passes: int | None = None
    production: Production | None = None
    prefer: tuple[Criterion, ...] | None = None
    movement: Movement | None = None
    rig: Rig | None = None
    captures: tuple[Capture, ...] | None = None
    lenses: tuple[LensChoice, ...] | None = None
    match: CameraMatch | None = None
    version: Literal[1] = 1
    id: str | None = None
