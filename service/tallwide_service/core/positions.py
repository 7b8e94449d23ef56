"""Positions: a capture at a roll, and what each deliverable gets from it.

A position is a recording mode of a camera as it would stand in one pass; a take is one deliverable
as it comes out of one. Ratios are exact; sizes are upright pixels.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction

from tallwide.answers import Extraction, Margin
from tallwide.job import Capture, Deliverable, Framing, Job, Roll, exact
from tallwide_service.core.allowance import Allowance
from tallwide_service.core.extraction import (
    Frame,
    Ground,
    Placement,
    Solution,
    describe,
    frames,
    ground_of,
    is_larger_elsewhere,
    place_alone,
    solve,
)
from tallwide_service.core.margin import margin
from tallwide_service.core.production import captures_of
from tallwide_service.core.recording import as_recorded
from tallwide_service.core.region import lens_bounds, usable_region
from tallwide_service.core.subject import carried_subject
from tallwide_service.errors import CannotBeMet, Fault, NoneFound
from tallwide_service.limits import LIMITS

ROLLS: tuple[Roll, ...] = (0, 90, 270)


@dataclass(frozen=True, slots=True)
class Take:
    """One deliverable as it comes out of a pass.

    `covered` is whether the frame is as large as a lens that covers everything would leave it;
    `None` where nothing is known of what the lens covers. `over` is the smaller oversampling,
    `reach` that over what is asked (below 1 falls short; both `None` without a raster), `room` the
    share of its own side that the frame can be moved by, along its freer axis.
    """

    index: int
    deliverable: Deliverable
    extraction: Extraction
    margin: Margin
    covered: bool | None
    over: Fraction | None = field(init=False)
    reach: Fraction | None = field(init=False)
    room: Fraction = field(init=False)

    def __post_init__(self) -> None:
        # Asked for once a plan, of which there may be thousands.
        needed, frame = self.deliverable.raster, self.extraction.upright_rect
        over = (
            None if needed is None else min(Fraction(frame.width, needed.width), Fraction(frame.height, needed.height))
        )
        object.__setattr__(self, "over", over)
        asked = exact(self.deliverable.minimum_oversampling)
        object.__setattr__(self, "reach", None if over is None else over / asked)
        room = self.margin.reframe_room
        freer = max(Fraction(room.left + room.right, frame.width), Fraction(room.top + room.bottom, frame.height))
        object.__setattr__(self, "room", freer)

    @property
    def fill(self) -> Fraction:
        """Width, in delivery pixels, of the largest raster of its aspect that the crop fills at scale 1."""
        pixel_ratio = self.deliverable.ratio / exact(self.deliverable.pixel_aspect)
        return min(Fraction(self.extraction.upright_rect.width), self.extraction.upright_rect.height * pixel_ratio)


@dataclass(frozen=True, slots=True)
class Position:
    """One capture at one roll: `number` 0 is the job's own capture, n its n-th alternative.

    `framing` is the job's with its subject where it lies in this position's picture.
    """

    number: int
    pointer: str
    capture: Capture
    framing: Framing

    @property
    def roll(self) -> Roll:
        """How far the body is turned."""
        return self.capture.roll

    def job(self, job: Job, indices: Iterable[int] | None = None) -> Job:
        """Return the job of a pass in this position, for some of the deliverables."""
        chosen = job.deliverables if indices is None else tuple(job.deliverables[index] for index in indices)
        labels = {each.label for each in chosen}
        nest = tuple(pair for pair in self.framing.nest if labels.issuperset(pair))
        return replace(job, capture=self.capture, deliverables=chosen, framing=replace(self.framing, nest=nest))


@dataclass(slots=True)
class Searches:
    """The passes of one answer that are solved as a whole: they share an allowance.

    `given` is the solution of the job as it is given, where it is known: it is not sought a second time.
    """

    job: Job
    given: Solution | None = None
    allowance: Allowance = field(default_factory=Allowance)

    @classmethod
    def beside(cls, job: Job) -> Searches:
        """Return the searches of an answer that tells the decision of the job as it is given, too, if it can be met."""
        allowance = Allowance.of(job)
        try:
            given: Solution | None = solve(job, allowance, explains=False)
        except CannotBeMet:
            given = None
        return cls(job, given, allowance.beside())

    def solve(self, view: Job, *, explains: bool = False) -> Solution:
        """Return the extractions of a pass.

        Raises
        ------
        CannotBeMet
            If there are none, which is explained where it is asked for.
        """
        if self.given is not None and _is_the_same(view, self.job):
            return self.given
        own = self.allowance.of_one(view)
        try:
            return solve(view, own, explains=explains)
        finally:
            self.allowance.taken_by_one(view, own)


def _is_the_same(view: Job, job: Job) -> bool:
    """Whether two jobs lie alike: minimums that are not held move no frame."""
    if (view.framing.minimums == "held") != (job.framing.minimums == "held"):
        return False
    return view == replace(job, framing=replace(job.framing, minimums=view.framing.minimums))


@dataclass(frozen=True, slots=True)
class Refused:
    """A capture at a roll that cannot be taken at all."""

    number: int
    label: str | None
    roll: Roll
    error: CannotBeMet


@dataclass(frozen=True, slots=True)
class Pass:
    """A position and what comes out of it.

    `unheld` is what the job's objective alone would give, where a frame would then miss its minimum
    oversampling and all minimums are held instead. `is_proven` is whether no search for them ended early.
    """

    position: Position
    takes: tuple[Take, ...]
    unheld: tuple[Take, ...] | None = None
    is_proven: bool = True

    @property
    def has_enough(self) -> bool:
        """Whether every frame reaches its minimum oversampling."""
        return have_enough(self.takes)


def have_enough(takes: Iterable[Take]) -> bool:
    """Whether every one reaches its minimum oversampling."""
    return all(take.reach is None or take.reach >= 1 for take in takes)


def positions_of(job: Job) -> tuple[tuple[Position, ...], tuple[Refused, ...]]:
    """Return every capture at every roll allowed, each once, and why others cannot be taken."""
    positions: list[Position] = []
    refused: list[Refused] = []
    seen: list[Capture] = []
    for number, (pointer, capture) in enumerate(captures_of(job)):
        for roll in dict.fromkeys(job.rolls or ROLLS):
            turned = replace(capture, roll=roll)
            if turned in seen:
                continue
            seen.append(turned)
            try:
                positions.append(position_at(job, number, pointer, turned))
            except CannotBeMet as error:
                refused.append(Refused(number, capture.label, roll, error))
    return tuple(positions), tuple(refused)


def position_at(job: Job, number: int, pointer: str, capture: Capture) -> Position:
    """Return the position of a capture as it records, the job's subject carried into its picture.

    Raises
    ------
    CannotBeMet
        If the capture does not record at its frame rate, or the subject does not lie inside its picture.
    """
    recorded = as_recorded(capture, pointer)
    return Position(number, pointer, recorded, carried_framing(job, recorded))


def carried_framing(job: Job, recorded: Capture) -> Framing:
    """Return a job's framing with its subject where it lies in another capture's picture.

    Raises
    ------
    CannotBeMet
        If it does not lie inside the picture.
    """
    subject = job.framing.subject
    if subject is None:
        return job.framing
    carried = carried_subject(subject, job.capture, recorded)
    if carried is None:
        picture = recorded.upright_raster
        detail = (
            f"the subject does not lie inside the {picture.width} x {picture.height} px of the picture at "
            f"roll {recorded.roll}"
        )
        raise CannotBeMet(detail, (Fault("/framing/subject", detail),))
    return replace(job.framing, subject=carried)


def refuse_a_long_search(captures: Iterable[Capture], frames: int, pointers: tuple[str, ...]) -> None:
    """Refuse more frames in curved regions than are looked for in time: each takes as long as its raster is wide.

    In a usable area it takes twice as long: corners are held against every side of it.

    Raises
    ------
    CannotBeMet
        If the longer sides of the rasters, once or twice for each frame, are more than the limit.
    """
    curved = [each for each in captures if each.usable_area is not None or lens_bounds(each)]
    together = frames * sum(
        max(each.raster.width, each.raster.height) * (1 if each.usable_area is None else 2) for each in curved
    )
    most = LIMITS.curved_frames_px
    if together > most:
        detail = (
            f"{frames} frames to be found in each of {len(curved)} regions with a circle or a usable area are "
            f"{together:,} px of longer sides, twice in a usable area; at most {most:,} are looked through"
        )
        raise CannotBeMet(detail, tuple(Fault(pointer, detail, most, together) for pointer in pointers))


def alone(job: Job, position: Position, *, asks_for_cover: bool = True) -> tuple[Take | CannotBeMet, ...]:
    """Return each deliverable as it comes out of a position with nothing beside it, or why it does not.

    Whether the lens covers them takes a second solution, without what the lens covers.
    """
    view = replace(
        position.job(job), framing=replace(position.framing, arrangement="independent", nest=(), minimums=None)
    )
    try:
        ground = ground_of(view)
    except CannotBeMet as error:
        return (at_pointer(error, position.pointer),) * len(job.deliverables)
    bare = None
    if asks_for_cover and lens_bounds(position.capture):
        bare = replace(ground, region=usable_region(without_lens_bounds(position.capture)))
    # Deliverables of one shape lie alike; a day's list has many rasters of few shapes.
    alike: dict[object, tuple[Placement, bool | None] | CannotBeMet] = {}
    takes: list[Take | CannotBeMet] = []
    for index, frame in enumerate(frames(view)):
        key = frame.shape, frame.align, frame.protection
        if key not in alike:
            alike[key] = _placed(frame, ground, bare, position)
        found = alike[key]
        if isinstance(found, CannotBeMet):
            takes.append(found)
        else:
            placement, covered = found
            takes.append(_take(index, frame.deliverable, describe(frame, placement, ground), ground, covered))
    return tuple(takes)


def _placed(
    frame: Frame, ground: Ground, bare: Ground | None, position: Position
) -> tuple[Placement, bool | None] | CannotBeMet:
    """Return where a frame lies alone, and whether a lens that covers everything would leave it as large."""
    try:
        placement = place_alone(frame, ground)
    except CannotBeMet as error:
        return at_pointer(error, position.pointer)
    if bare is None:
        return placement, None
    return placement, not is_larger_elsewhere(frame, bare, placement.rect)


def planned(searches: Searches, position: Position, indices: tuple[int, ...]) -> Pass:
    """Return some deliverables as a plan has them come out of a position.

    The job's objective decides, as long as every frame reaches its minimum oversampling: where one
    would not, the minimums are held, if any places reach them all.

    Raises
    ------
    CannotBeMet
        If there are no places for them, enough pixels or not.
    """
    judged = replace(position, framing=replace(position.framing, minimums=None))
    free = together(searches, judged, indices)
    if free.has_enough or len(indices) == 1:
        return free
    try:
        found = holding_minimums(searches, position, indices)
    except NoneFound:
        return replace(free, is_proven=False)
    except CannotBeMet:
        return free
    return replace(found, unheld=free.takes, is_proven=free.is_proven and found.is_proven)


def holding_minimums(
    searches: Searches, position: Position, indices: tuple[int, ...], *, asks_for_cover: bool = True
) -> Pass:
    """Return some deliverables as they come out of a position with all their minimum oversamplings held.

    Raises
    ------
    CannotBeMet
        If no places reach them all.
    """
    held = replace(position, framing=replace(position.framing, minimums="held"))
    return together(searches, held, indices, asks_for_cover=asks_for_cover)


def together(
    searches: Searches,
    position: Position,
    indices: tuple[int, ...],
    *,
    asks_for_cover: bool = True,
    explains: bool = False,
) -> Pass:
    """Return some deliverables as they come out of a position, solved as a whole.

    Whether the lens covers them takes a second solution, without what the lens covers. What stands
    in the way is only told where an error `explains`.

    Raises
    ------
    CannotBeMet
        If they do not.
    """
    view = position.job(searches.job, indices)
    try:
        ground, solution = ground_of(view), searches.solve(view, explains=explains)
    except CannotBeMet as error:
        raise at_pointer(error, position.pointer) from error
    free, is_proven = None, solution.certificate.gap == 0
    if asks_for_cover and lens_bounds(position.capture):
        uncut = searches.solve(replace(view, capture=without_lens_bounds(position.capture)))
        free, is_proven = uncut.extractions, is_proven and uncut.certificate.gap == 0
    takes = []
    for place, (index, extraction) in enumerate(zip(indices, solution.extractions, strict=True)):
        covered = None
        if free is not None:
            mine, theirs = extraction.rect, free[place].rect
            covered = (mine.width, mine.height) == (theirs.width, theirs.height)
        takes.append(_take(index, searches.job.deliverables[index], extraction, ground, covered))
    return Pass(position, tuple(takes), is_proven=is_proven)


def _take(index: int, deliverable: Deliverable, extraction: Extraction, ground: Ground, covered: bool | None) -> Take:
    found = margin(deliverable, extraction, ground.capture, ground.region)
    return Take(index, deliverable, extraction, found, covered)


def without_lens_bounds(capture: Capture) -> Capture:
    """Return a capture with a lens that covers everything."""
    if capture.lens is None:
        return capture
    return replace(capture, lens=replace(capture.lens, image_circle_mm=None, covered_mm=None))


def at_pointer(error: CannotBeMet, pointer: str, saying: str = "{}") -> CannotBeMet:
    """Return an error about a job's own capture with its pointers at the place that the capture was taken from."""
    faults = tuple(
        replace(fault, pointer=pointer + fault.pointer.removeprefix("/capture"))
        if fault.pointer.startswith("/capture")
        else fault
        for fault in error.faults
    )
    return type(error)(saying.format(error), faults)
