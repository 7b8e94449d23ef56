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

from tallwide.job import Face, Job, MatchBy, Minimums, Roll, RoomFor

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
    """A constraint that binds frames on one scene point, and what letting it go would bring each frame.

    `value` is the number that stands at the pointer instead, where it is let go by one step or one mm.
    `gap` is that of the frames' own certificate: above 0 letting go may bring more still.
    """

    pointer: str
    let_go: LetGo
    frames: tuple[FrameGain, ...]
    value: float | None = None
    gap: float = 0


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A constraint of which the work that one answer may take did not tell whether it binds."""

    pointer: str
    let_go: LetGo
    value: float | None = None


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
    """All frames at one value of the swept member; none, and why, where the job cannot be met there.

    `gap` is that of the frames' own certificate, `None` where there are none.
    """

    value: float
    frames: tuple[SweepFrame, ...]
    problem: str | None
    gap: float | None = None


@dataclass(frozen=True, slots=True)
class ExtractionsAnswer(Answer):
    """Extractions in the order of the deliverables; `common_area` is `None` where they do not all meet.

    Of all answers it alone has a certificate. `what_binds` is there for frames on one scene point, and
    `what_binds_left_out` beside it: the constraints that were not tried to the end. `sweep` is there
    where the job asks for one.
    """

    extractions: tuple[Extraction, ...]
    common_area: Rect | None
    combined_area: Rect
    certificate: Certificate
    what_binds: tuple[Binding, ...] | None = None
    what_binds_left_out: tuple[LeftOut, ...] | None = None
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
    """What of a picture's rows can be seen where it is shown: a second verdict beside the contracted raster's.

    `rows` are those that an eye of one arc minute tells apart at the screen's centre, from the
    nearest viewer's distance; `screen_rows` those of the LED wall or the hand-held screen. The
    verdict weighs the rows extracted against the fewest of the others; from
    `extraction_enough_from_mm` on, the eye tells no more rows apart than were extracted. Pixels
    per inch are of the delivered and of the extracted rows on the picture's height.
    """

    rows: int | None
    screen_rows: int | None
    rows_delivered: int | None
    rows_extracted: int
    limited_by: Literal["eye", "screen", "delivery", "extraction"]
    verdict: Verdict
    extraction_enough_from_mm: float | None
    delivered_pixels_per_inch: float | None
    extracted_pixels_per_inch: float | None


@dataclass(frozen=True, slots=True)
class Margin:
    """How many pixels one extraction has to spare; widths and heights are upright.

    `spare_px` counts beyond `minimum_oversampling` times `needed`, rounded up, on each axis;
    `photosite_*` is the same test on the photosites behind those pixels, which a camera that
    scales in its body passes or fails differently. `detail_oversampling` is the oversampling times
    the capture's `detail_factor`: what a colour filter array leaves of it; no verdict hangs on it.
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
    detail_factor: float
    detail_oversampling: Oversampling | None


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
class ReadoutEffect:
    """What reading row after row does to one frame while the camera turns.

    `rows` of the recorded raster are read in `frame_ms`. `lean_deg` is how far the upright
    picture's verticals (or, with the body turned, its horizontals) lean, clockwise positive, and
    `lean_px` how far that shifts one end of the frame against the other; `stretch_pct` how much
    longer its heights (or widths) come out. `None` where the picture moves as fast as it is read.
    """

    deliverable: str
    rows: int
    frame_ms: float
    leaning: Literal["verticals", "horizontals"]
    lean_deg: float
    lean_px: float
    stretched: Literal["heights", "widths"]
    stretch_pct: float | None


@dataclass(frozen=True, slots=True)
class DataVolume:
    """What a pass records, megabytes of 10^6 bytes: a minute, a take and the whole day."""

    megabytes_a_minute: float
    megabytes_a_take: float | None
    megabytes_a_day: float | None


@dataclass(frozen=True, slots=True)
class PlannedPass:
    """One pass of a plan: a capture at one roll, and what comes out of it.

    `capture_index` is 0 for the job's own capture, then 1 and up through its `alternatives`.
    `recorded` is the raster that is recorded, px: less than the capture's where its frame rate
    leaves fewer lines. `lens_covers` is whether no frame is smaller than it would be with a lens
    that covers everything; `None` where nothing is known of what the lens covers. `minimums` is
    held where the job's objective alone would leave a frame of a shared point short of its minimum
    oversampling, and other places reach all minimums: those are taken (`framing.minimums`).
    """

    capture: str | None
    capture_index: int
    roll: Roll
    deliverables: tuple[str, ...]
    extractions: tuple[Extraction, ...]
    margins: tuple[Margin, ...]
    recorded: Size
    lens_covers: bool | None
    readout: tuple[ReadoutEffect, ...]
    data: DataVolume | None
    minimums: Minimums


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

    `lens_covers` is false where what the lens covers makes a frame smaller than sensor and usable
    area do; `reframe_room` is the least, over the frames, of the share of its own side that a frame
    can be moved by along its freer axis.
    """

    enough_pixels: bool
    passes: int
    changeovers: int
    lens_covers: bool
    minutes: float | None
    megabytes: float | None
    smallest_oversampling: float | None
    reframe_room: float
    same_moment: bool


@dataclass(frozen=True, slots=True)
class ChangeoverStep:
    """One thing to do when the camera goes into the position of a pass, in its place in the order."""

    code: str
    text: str
    pass_index: int = 0


@dataclass(frozen=True, slots=True)
class Plan:
    """A way to shoot all deliverables; feasible with enough pixels, and within the time and storage stated.

    `smallest_reach` is the smallest oversampling over its minimum: below 1 pixels are missing.
    `dominated_by` is the place in `plans` of one that is at least as good by every criterion and
    better by one; `None` where there is none. `data` is what its passes record together: a minute
    and a take of each, and the day.
    """

    passes: tuple[PlannedPass, ...]
    feasible: bool
    smallest_oversampling: float | None
    smallest_reach: float | None
    reasons: tuple[Reason, ...]
    cost: PlanCost
    criteria: PlanCriteria
    dominated_by: int | None
    changeover: tuple[ChangeoverStep, ...]
    data: DataVolume | None = None


@dataclass(frozen=True, slots=True)
class Skipped:
    """A capture at one roll from which some deliverables cannot come, and why; all of them where it says none."""

    capture: str | None
    capture_index: int
    roll: Roll
    deliverables: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Considered:
    """What was looked at, and how.

    `complete`: every plan that none dominates is known and listed. Of `plans_possible` ways to
    share the deliverables out, `plans_weighed` were weighed. `proof`: all of them (`exhausted`),
    or none of the others can come before the recommended one, by what each frame has alone in the
    best of a plan's passes (`bounded`), or neither is known (`none`); `rule` says it in a sentence.
    `rolls`, `passes` and `prefer` are what was used.
    """

    complete: bool
    proof: Literal["exhausted", "bounded", "none"]
    rule: str
    positions: int
    passes_solved: int
    plans_weighed: float
    plans_possible: float
    plans_undominated: int
    rolls: tuple[Roll, ...]
    passes: int
    prefer: tuple[str, ...]
    skipped: tuple[Skipped, ...]


@dataclass(frozen=True, slots=True)
class Flip:
    """Where the order flips: with all minimum oversamplings times `factor`, another plan becomes the one to take.

    Beyond the factor where it is 1 or more, below it where it is less. `plan` is `None`
    where that plan is not listed; `minimum_oversampling` is the minimum there, where all
    deliverables ask for the same.
    """

    factor: float
    minimum_oversampling: float | None
    plan: int | None
    text: str


@dataclass(frozen=True, slots=True)
class Mend:
    """The smallest change of lens or mode that gives one pass of a plan enough pixels.

    `raster` is a recording mode of the same shape and squeeze, `image_circle_mm` a usable circle,
    in tenths of a mm; both are tried with the solver. Neither where no such change helps.
    """

    plan: int
    pass_index: int
    raster: Size | None
    image_circle_mm: float | None
    text: str


@dataclass(frozen=True, slots=True)
class ChangeoverLimit:
    """How long a change-over may take.

    `minutes` is the longest with which the best plan of several passes (`plan`) still fits into the
    time available. `decides_minutes` is where several passes stop paying: up to there `quicker`
    comes first, beyond it `slower`, a plan of fewer change-overs; `None` where no change-over,
    however quick or slow, changes which plan comes first.
    """

    plan: int
    minutes: float
    text: str
    decides_minutes: float | None = None
    quicker: int | None = None
    slower: int | None = None


@dataclass(frozen=True, slots=True)
class WhatWouldChange:
    """What would change the decision; `None` where nothing of that kind does, or too little is known."""

    stricter: Flip | None
    looser: Flip | None
    changeover: ChangeoverLimit | None
    mends: tuple[Mend, ...]


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
class BlockedSide:
    """Something beside one face of the camera that has less room than it needs, mm."""

    face: Face
    need: RoomFor
    needed_mm: float
    room_mm: float
    short_mm: float


@dataclass(frozen=True, slots=True)
class RigCheck:
    """How a rig fits at one roll: lengths only, no load.

    Heights are above the plane of the rods' centres, sideways is right of their middle, seen from
    behind. Errors are the optical axis against the rods' convention; `post_mm` is how much longer
    the lens support's post has to be for it. What the rig does not say is `None`.
    """

    roll: Roll
    standing_on: Face
    may_carry: bool | None
    rods_centred: bool | None
    height_error_mm: float | None
    sideways_error_mm: float | None
    post_mm: float | None
    support_reaches: bool | None
    support_misses_mm: float | None
    blocked: tuple[BlockedSide, ...]
    not_rated: tuple[str, ...]
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class OrientationAnswer(Answer):
    """Plans, best first; cautions stand there whenever a plan turns the camera, and beside every rig."""

    plans: tuple[Plan, ...]
    recommended: Recommendation
    break_even: tuple[BreakEven, ...]
    what_would_change: WhatWouldChange
    considered: Considered
    rig: tuple[RigCheck, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class EquivalentFocal:
    """Focal lengths, mm, that show as much on another frame: by width, by height and by diagonal."""

    by_width: float
    by_height: float
    by_diagonal: float


@dataclass(frozen=True, slots=True)
class CoverageRow:
    """One capture with one lens for one deliverable.

    `extraction` is the frame as it would lie if the lens covered everything; `covered` whether it
    does with its protection, and `spare_mm` by how much at the worst corner or side, negative
    where it is missing; `None` where nothing is known of what the lens covers. `largest` is the
    largest frame that is covered: its angles and its oversampling are what the lens gives.
    `equivalent_focal_mm` is against the capture's full raster.
    """

    capture: str | None
    capture_index: int
    lens: str | None
    lens_index: int | None
    focal_length_mm: float | None
    deliverable: str
    extraction: Rect | None
    covered: bool | None
    spare_mm: float | None
    largest: Rect | None
    angle_of_view_deg: AngleOfView | None
    equivalent_focal_mm: EquivalentFocal | None
    oversampling: Oversampling | None
    verdict: Verdict | None
    wanted_oversampling: Oversampling | None
    problem: str | None


@dataclass(frozen=True, slots=True)
class CoverageAnswer(Answer):
    """Captures by lenses by deliverables, in the order of the job."""

    rows: tuple[CoverageRow, ...]


@dataclass(frozen=True, slots=True)
class MatchRow:
    """The focal length of another camera that gives one frame as this camera shows it.

    `exact_mm` gives it exactly; `focal_length_mm` is the nearest of those to choose from, and
    `error_pct` how much more it shows by the side that is matched, by which the others differ too.
    """

    deliverable: str
    by: MatchBy
    exact_mm: float
    focal_length_mm: float | None
    error_pct: float | None
    width_error_pct: float | None
    height_error_pct: float | None
    diagonal_error_pct: float | None


@dataclass(frozen=True, slots=True)
class MatchAnswer(Answer):
    """Matches by deliverable, by width, height and diagonal; with the other camera's frames.

    `recorded` is the raster on which those frames lie, px: less than the other camera's where its
    frame rate leaves fewer lines.
    """

    rows: tuple[MatchRow, ...]
    extractions: tuple[Extraction, ...]
    recorded: Size | None = None


@dataclass(frozen=True, slots=True)
class DepthOfField:
    """Sharpness in depth for one frame; the circle of confusion is what becomes one seen pixel of the delivery.

    `hyperfocal_mm` is f^2 / (N c) + f, from the lens; `hyperfocal_short_mm` the shorter form
    f^2 / (N c). Limits are for the job's focus distance; `far_mm` is `None` where it is infinity.
    """

    circle_of_confusion_mm: float
    hyperfocal_mm: float
    hyperfocal_short_mm: float
    near_mm: float | None
    far_mm: float | None
    reaches_infinity: bool | None


@dataclass(frozen=True, slots=True)
class FallOff:
    """Natural fall-off at the frame's farthest corner, cos^4 from the exit pupil: an estimate, never a verdict."""

    angle_deg: float
    relative_illuminance: float
    stops: float
    is_estimate: Literal[True] = True


@dataclass(frozen=True, slots=True)
class FrameOptics:
    """What the lens does in one frame.

    `equivalent_focal_mm` is against the full raster: the focal length that would show as much on it.
    """

    deliverable: str
    equivalent_focal_mm: EquivalentFocal | None
    depth_of_field: DepthOfField | None
    fall_off: FallOff | None
    readout: ReadoutEffect | None
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class FramePair:
    """How many times longer a focal length one frame needs to show as much as another, by each side."""

    deliverable: str
    as_much_as: str
    by_width: float
    by_height: float
    by_diagonal: float


@dataclass(frozen=True, slots=True)
class OpticsAnswer(Answer):
    """Optics of every frame, and of frames against each other."""

    frames: tuple[FrameOptics, ...]
    pairs: tuple[FramePair, ...]


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
