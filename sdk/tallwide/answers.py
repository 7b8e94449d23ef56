"""Answers: what the service computes for a job.

`rect`, `protection_rect`, `common_area` and `combined_area` are whole recorded pixels, origin top
left. Everything that a person reads as width, height, horizontal or vertical (`pixels`,
`sensor_mm`, `angle_of_view_deg`, room left and right) is in the upright picture, and its name or
its docstring says so. A member that the job gives no facts for is `None`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from tallwide.job import Job, Roll

Verdict = Literal["enough", "at_limit", "short"]


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle of whole pixels: top-left corner and size."""

    x: int
    y: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """First column to the right of the rectangle."""
        return self.x + self.width

    @property
    def bottom(self) -> int:
        """First line below the rectangle."""
        return self.y + self.height

    @property
    def area(self) -> int:
        """Pixels inside."""
        return self.width * self.height

    def holds(self, other: Rect) -> bool:
        """Whether `other` lies inside; edges may touch."""
        return self.x <= other.x and self.y <= other.y and other.right <= self.right and other.bottom <= self.bottom


@dataclass(frozen=True, slots=True)
class RealRect:
    """A rectangle whose edges need not lie on pixels."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Size:
    """A width and a height; the member that holds it names the unit."""

    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Axes:
    """A value along the upright picture's width (`x`) and its height (`y`)."""

    x: float
    y: float


@dataclass(frozen=True, slots=True)
class AchievedAspect:
    """Aspect asked for, aspect of the rectangle as shown, and achieved / requested - 1."""

    requested: float
    achieved: float
    error: float


@dataclass(frozen=True, slots=True)
class AngleOfView:
    """Angles between the rays to opposite edges or corners, degrees, upright, the squeezed axis counted."""

    horizontal: float
    vertical: float
    diagonal: float


@dataclass(frozen=True, slots=True)
class Room:
    """A value for each side of the upright picture."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, slots=True)
class SubjectRoom:
    """Room between a subject and its frame, upright: `px`, and `share` of the frame's width or height."""

    px: Room
    share: Room


@dataclass(frozen=True, slots=True)
class Extraction:
    """The rectangle of the recorded raster that becomes one deliverable.

    `ideal_rect` is the largest rectangle of exactly the requested aspect inside `rect`, around the
    same align point. `sensor_mm` is upright; `off_axis_mm` is how far the frame's centre lies from
    the lens's axis.
    """

    deliverable: str
    rect: Rect
    upright_rect: Rect
    ideal_rect: RealRect
    protection_rect: Rect
    aspect: AchievedAspect
    bound_by: tuple[str, ...]
    share_of_raster: float
    subject_room: SubjectRoom | None = None
    sensor_mm: Size | None = None
    diagonal_mm: float | None = None
    angle_of_view_deg: AngleOfView | None = None
    off_axis_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Certificate:
    """How good the solution is and how that is known: the gap is 0 where it is proven the best."""

    objective: str
    value: float
    upper_bound: float
    gap: float
    proof: Literal["exhausted", "bounded"]
    cases: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What every JSON answer carries; `job` repeats the job with all that was used for it."""

    engine_version: str
    answer_id: str
    decision_id: str | None
    job: Job


LetGo = Literal["one_step", "one_mm", "entirely"]


@dataclass(frozen=True, slots=True)
class FrameGain:
    """What a frame would be if a constraint were let go, and how much that is more; upright px."""

    deliverable: str
    width: int
    height: int
    width_gain: int
    height_gain: int


@dataclass(frozen=True, slots=True)
class Binding:
    """A constraint that binds frames on one scene point, and what letting it go would bring each frame."""

    pointer: str
    let_go: LetGo
    frames: tuple[FrameGain, ...]


@dataclass(frozen=True, slots=True)
class SweepFrame:
    """One frame at one value of a sweep; upright px."""

    deliverable: str
    x: int
    y: int
    width: int
    height: int
    oversampling: float | None
    spare_pct: float | None
    verdict: Verdict | None


@dataclass(frozen=True, slots=True)
class SweepStep:
    """All frames at one value of the swept member; none, and why, where the job cannot be met there."""

    value: float
    frames: tuple[SweepFrame, ...]
    problem: str | None


@dataclass(frozen=True, slots=True)
class ExtractionsAnswer(Answer):
    """Extractions in the order of the deliverables; `common_area` is `None` where they do not all meet.

    `what_binds` is there for frames on one scene point, `sweep` where the job asks for one.
    """

    extractions: tuple[Extraction, ...]
    common_area: Rect | None
    combined_area: Rect
    certificate: Certificate
    what_binds: tuple[Binding, ...] | None = None
    sweep: tuple[SweepStep, ...] | None = None


@dataclass(frozen=True, slots=True)
class Oversampling:
    """Pixels that an extraction has over pixels that its deliverable needs, upright; the smaller counts."""

    x: float
    y: float
    smaller: float


@dataclass(frozen=True, slots=True)
class ReframeRoom:
    """What an editor may still do with a frame.

    `scale` is how far it can be enlarged before it falls short of its minimum oversampling
    (`None` without a delivery raster); the sides are upright pixels that it can be moved by
    before it leaves the usable picture.
    """

    scale: float | None
    left: int
    top: int
    right: int
    bottom: int


@dataclass(frozen=True, slots=True)
class EyeLimit:
    """Picture rows that an eye of one arc minute tells apart at the nearest viewer's distance."""

    rows: int


@dataclass(frozen=True, slots=True)
class Margin:
    """How many pixels one extraction has to spare; widths and heights are upright.

    `spare_px` counts beyond `minimum_oversampling` times `needed`, rounded up, on each axis;
    `photosite_*` is the same test on the photosites behind those pixels, which a camera that
    scales in its body passes or fails differently.
    """

    deliverable: str
    pixels: Size
    photosites: Size
    needed: Size | None
    minimum_oversampling: float
    oversampling: Oversampling | None
    spare_px: Axes | None
    spare_pct: float | None
    verdict: Verdict | None
    enough: bool | None
    photosite_oversampling: Oversampling | None
    photosite_verdict: Verdict | None
    scale_to_delivery: Axes | None
    reframe_room: ReframeRoom
    eye_limit: EyeLimit | None
    nyquist_lp_mm: float | None


@dataclass(frozen=True, slots=True)
class MarginsAnswer(Answer):
    """Margins in the order of the deliverables."""

    margins: tuple[Margin, ...]


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a plan stands where it stands: a stable code, a sentence, and the numbers it speaks of."""

    code: str
    text: str
    deliverable: str | None = None
    numbers: Mapping[str, float] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class PlannedPass:
    """One pass of a plan: a capture at one roll, and what comes out of it.

    `capture_index` is 0 for the job's own capture, then 1 and up through its `alternatives`.
    """

    capture: str | None
    capture_index: int
    roll: Roll
    deliverables: tuple[str, ...]
    extractions: tuple[Extraction, ...]
    margins: tuple[Margin, ...]


@dataclass(frozen=True, slots=True)
class PlanCost:
    """What a plan asks of the day, and whether all frames show one moment.

    `changeovers` counts changes of capture or roll from an upright camera through all shots,
    consecutive shots in alternate order; `minutes` and `megabytes` are `None` where the
    production or a data rate does not say enough.
    """

    passes: int
    turned_passes: int
    same_moment: bool
    changeovers: int
    minutes: float | None
    megabytes: float | None


@dataclass(frozen=True, slots=True)
class PlanCriteria:
    """A plan by every criterion.

    `reframe_room` is the smallest oversampling over its minimum: below 1 pixels are missing;
    `lens_covers` is false where the image circle makes a frame smaller than sensor and usable area do.
    """

    enough_pixels: bool
    passes: int
    changeovers: int
    lens_covers: bool
    minutes: float | None
    megabytes: float | None
    smallest_oversampling: float | None
    reframe_room: float | None
    same_moment: bool


@dataclass(frozen=True, slots=True)
class Plan:
    """A way to shoot all deliverables; feasible with enough pixels, and within the time and storage stated.

    `dominated_by` is the place in `plans` of one that is at least as good by every criterion and
    better by one; `None` where there is none.
    """

    passes: tuple[PlannedPass, ...]
    feasible: bool
    smallest_oversampling: float | None
    reasons: tuple[Reason, ...]
    cost: PlanCost
    criteria: PlanCriteria
    dominated_by: int | None


@dataclass(frozen=True, slots=True)
class Skipped:
    """A capture at one roll from which a pass was not made, and why: `deliverables` could not be placed."""

    capture: str | None
    capture_index: int
    roll: Roll
    deliverables: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Considered:
    """What was looked at: `complete` is whether no plan of the allowed passes was left out.

    Of `plans` the first are listed, as many as the service's limit says; `rule` is how they were found.
    """

    complete: bool
    plans: int
    rule: str
    rolls: tuple[Roll, ...]
    passes: int
    prefer: tuple[str, ...]
    skipped: tuple[Skipped, ...]


@dataclass(frozen=True, slots=True)
class Flip:
    """Where the order flips: with all minimum oversamplings times `factor`, `plan` becomes the one to take.

    From there on upwards for a factor above 1, downwards below. `minimum_oversampling` is that of
    the deliverable which decides, at that factor.
    """

    factor: float
    deliverable: str
    minimum_oversampling: float
    plan: int


@dataclass(frozen=True, slots=True)
class Mend:
    """The smallest change found, by whole recorded pixels or tenths of a mm, that makes a plan feasible.

    `raster` is a recording mode of the same shape and squeeze at `capture_index`; `image_circle_mm`
    a usable circle. `None` where a change of that kind does not help.
    """

    plan: int
    capture_index: int
    raster: Size | None
    image_circle_mm: float | None


@dataclass(frozen=True, slots=True)
class WhatWouldChange:
    """What would change the decision; `None` where nothing of that kind does, or too little is known.

    `changeover_minutes` is the longest change-over at which the best plan of several passes still
    fits into the time available.
    """

    stricter: Flip | None
    looser: Flip | None
    changeover_minutes: float | None
    mend: Mend | None


@dataclass(frozen=True, slots=True)
class BreakEven:
    """The largest raster of its aspect that one deliverable's crop still fills, upright and turned.

    At the deliverable's minimum oversampling, in whole pixels of the delivery raster; `None` where
    the frame does not fit at all. `gain_of_turning` is turned over upright: how many times more
    pixels the limiting side has.
    """

    deliverable: str
    upright: Size | None
    turned: Size | None
    gain_of_turning: float | None


@dataclass(frozen=True, slots=True)
class Recommendation:
    """The plan to take, by its place in `plans`, and why."""

    plan: int
    text: str


@dataclass(frozen=True, slots=True)
class OrientationAnswer(Answer):
    """Plans, best first; cautions stand there whenever a plan turns the camera."""

    plans: tuple[Plan, ...]
    recommended: Recommendation
    break_even: tuple[BreakEven, ...]
    what_would_change: WhatWouldChange
    considered: Considered
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SafeAreaPlace:
    """One safe area: on the delivered raster, in the upright picture, and on the recorded raster.

    `document` is the published source, `None` for the user's own insets; `in_scope` is whether the
    deliverable has the shape that the document is written for and the document is in force.
    """

    deliverable: str
    label: str
    document: str | None
    in_scope: bool
    delivered_raster: Size
    delivered_rect: Rect
    upright_rect: Rect
    rect: Rect


@dataclass(frozen=True, slots=True)
class SharedSafeArea:
    """The area that is safe in every one of some deliverables; `None` where there is none."""

    deliverables: tuple[str, ...]
    rect: Rect | None
    upright_rect: Rect | None


@dataclass(frozen=True, slots=True)
class SafeAreasAnswer(Answer):
    """All safe areas, and what is safe in two deliverables at once and in all of them."""

    safe_areas: tuple[SafeAreaPlace, ...]
    shared: tuple[SharedSafeArea, ...]


@dataclass(frozen=True, slots=True)
class EdgeErrors:
    """How far each edge, as dialled, lies from its place: px, right and down positive."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, slots=True)
class DialRow:
    """Numbers to type for one frame, in one unit and from one origin.

    From the corner, `x` and `y` are the frame's left and top edge; from the centre, they are where
    its centre lies from the picture's, right and down positive.
    """

    picture: Literal["feed", "recording"]
    unit: Literal["px", "percent"]
    origin: Literal["corner", "centre"]
    step: float
    x: float
    y: float
    width: float
    height: float
    error_px: EdgeErrors
    largest_error_px: float


@dataclass(frozen=True, slots=True)
class DialIns:
    """One frame's exact place in the feed, whether the feed shows all of it, and its numbers."""

    deliverable: str
    feed_rect: RealRect
    in_feed: bool
    rows: tuple[DialRow, ...]


@dataclass(frozen=True, slots=True)
class FeedPlace:
    """A feed's size, and where the recording stands in it, px."""

    width: int
    height: int
    recording: RealRect


@dataclass(frozen=True, slots=True)
class DialInAnswer(Answer):
    """Numbers for every frame, in the order of the deliverables."""

    feed: FeedPlace
    frames: tuple[DialIns, ...]


@dataclass(frozen=True, slots=True)
class FrameReading:
    """How one frame of a photographed chart lies against where it belongs, in upright pixels.

    `shift_px` is of the frame's centre; `scale` is seen over expected; rotation is clockwise
    positive. `keystone_px.x` is how much longer the left edge is than the right one, `.y` the top
    one than the bottom one. Errors are of the corners, in the chart's order.
    """

    deliverable: str
    shift_px: Axes
    scale: Axes
    rotation_deg: float
    skew_deg: float
    keystone_px: Axes
    corner_errors_px: tuple[float, ...]
    largest_error_px: float
    tolerance_px: float
    verdict: Literal["within", "beyond"]


@dataclass(frozen=True, slots=True)
class ChartReadingAnswer(Answer):
    """What each measured frame says, in the order of the reading."""

    frames: tuple[FrameReading, ...]
