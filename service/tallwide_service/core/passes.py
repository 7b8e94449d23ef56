"""Passes: what comes out of one capture at one roll, each pass solved as a whole.

The scene stays where it is while the camera is turned or another mode is set: the shared point keeps
its shares of the upright picture, and the subject its place from the picture's centre. Its size
follows from how much of the scene a pixel shows, in photosites where no pitch is known, in mm on the
sensor where both captures state one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from tallwide.answers import Extraction, Margin
from tallwide.job import Capture, Deliverable, Framing, Job, Roll, Subject, exact
from tallwide_service.core.extraction import solve
from tallwide_service.core.margin import margins
from tallwide_service.errors import CannotBeMet, Fault

DEFAULT_ROLLS: tuple[Roll, ...] = (0, 90, 270)


@dataclass(frozen=True, slots=True)
class State:
    """A capture at one roll; `index` is 0 for the job's own, then 1 and up through its alternatives."""

    index: int
    capture: Capture

    @property
    def roll(self) -> Roll:
        """Roll of the body."""
        return self.capture.roll


@dataclass(frozen=True, slots=True)
class Taken:
    """One deliverable as it comes out of one pass.

    `is_cut_by_the_lens` is whether the same pass, without the image circle, makes its frame larger.
    """

    deliverable: Deliverable
    extraction: Extraction
    margin: Margin
    is_cut_by_the_lens: bool

    @property
    def fill(self) -> Fraction:
        """Width, in delivery pixels, of the largest raster of its aspect that the crop fills at scale 1."""
        pixel_ratio = self.deliverable.ratio / exact(self.deliverable.pixel_aspect)
        return min(Fraction(self.extraction.upright_rect.width), self.extraction.upright_rect.height * pixel_ratio)

    @property
    def over(self) -> Fraction | None:
        """Smaller oversampling; `None` without a raster."""
        needed, frame = self.deliverable.raster, self.extraction.upright_rect
        if needed is None:
            return None
        return min(Fraction(frame.width, needed.width), Fraction(frame.height, needed.height))

    @property
    def reach(self) -> Fraction | None:
        """Smaller oversampling over what is asked: below 1 falls short; `None` without a raster."""
        over = self.over
        return None if over is None else over / exact(self.deliverable.minimum_oversampling)


@dataclass
class Passes:
    """Every pass of a job that was asked for, solved once."""

    job: Job
    states: tuple[State, ...]
    solved: dict[tuple[int, int], Mapping[int, Taken] | CannotBeMet] = field(default_factory=dict)
    joint_frames: int = 0

    @property
    def is_joint(self) -> bool:
        """Whether frames of one pass depend on each other."""
        return self.job.framing.arrangement == "shared_point"

    def alone(self, place: int) -> Mapping[int, Taken]:
        """Return each deliverable that one state can place by itself, by its index."""
        found: dict[int, Taken] = {}
        for index in range(len(self.job.deliverables)):
            result = self._solved(place, 1 << index)
            if not isinstance(result, CannotBeMet):
                found.update(result)
        return found

    def whole(self, place: int, subset: int) -> Mapping[int, Taken] | None:
        """Return some deliverables (a bit each) out of one state, solved together; `None` if that fails."""
        result = self._solved(place, subset)
        return None if isinstance(result, CannotBeMet) else result

    def refusal(self, place: int, subset: int) -> CannotBeMet | None:
        """Return why one state cannot place some deliverables together."""
        result = self._solved(place, subset)
        return result if isinstance(result, CannotBeMet) else None

    def _solved(self, place: int, subset: int) -> Mapping[int, Taken] | CannotBeMet:
        key = (place, subset)
        if key not in self.solved:
            if self.is_joint:
                self.joint_frames += subset.bit_count()
            self.solved[key] = taken_by(self.job, self.states[place].capture, subset)
        return self.solved[key]


def states_of(job: Job) -> tuple[State, ...]:
    """Return every capture at every allowed roll, in their order; the same thing twice counts once."""
    captures = (job.capture, *(job.alternatives or ()))
    states: list[State] = []
    for index, capture in enumerate(captures):
        for roll in job.rolls or DEFAULT_ROLLS:
            turned = replace(capture, roll=roll)
            if all(turned != state.capture for state in states):
                states.append(State(index, turned))
    return tuple(states)


def taken_by(job: Job, capture: Capture, subset: int) -> Mapping[int, Taken] | CannotBeMet:
    """Return some deliverables out of one pass, or why they cannot be placed."""
    indices = [index for index in range(len(job.deliverables)) if subset >> index & 1]
    try:
        part = job_of_a_pass(job, capture, indices)
        solution = solve(part)
    except CannotBeMet as error:
        return error
    uncut = solve(without_circle(part)).extractions if has_circle(capture) else solution.extractions
    cut = [free.rect.area > held.rect.area for free, held in zip(uncut, solution.extractions, strict=True)]
    parts = zip(part.deliverables, solution.extractions, margins(part, solution), cut, strict=True)
    return {index: Taken(*each) for index, each in zip(indices, parts, strict=True)}


def has_circle(capture: Capture) -> bool:
    """Whether an image circle is stated."""
    return capture.lens is not None and capture.lens.image_circle_mm is not None


def without_circle(job: Job) -> Job:
    """Return a job as if the lens covered everything."""
    lens = job.capture.lens and replace(job.capture.lens, image_circle_mm=None)
    return replace(job, capture=replace(job.capture, lens=lens))


def job_of_a_pass(job: Job, capture: Capture, indices: list[int]) -> Job:
    """Return the job of one pass: its capture, its deliverables, and the framing carried over to it."""
    deliverables = tuple(job.deliverables[index] for index in indices)
    labels = {deliverable.label for deliverable in deliverables}
    framing: Framing = job.framing
    nest = tuple(pair for pair in framing.nest if labels.issuperset(pair))
    subject = framing.subject and carried_subject(framing.subject, job.capture, capture)
    return replace(
        job, capture=capture, deliverables=deliverables, framing=replace(framing, nest=nest, subject=subject)
    )


def carried_subject(subject: Subject, before: Capture, after: Capture) -> Subject:
    """Return the subject in another capture's upright picture, whole px around all of it.

    Raises
    ------
    CannotBeMet
        If it does not lie in that picture.
    """
    old, new = before.upright_raster, after.upright_raster
    shown_before, shown_after = _shown_by_a_pixel(before), _shown_by_a_pixel(after)
    pitches = (before.photosite_pitch_um, after.photosite_pitch_um)
    size = exact(pitches[0]) / exact(pitches[1]) if pitches[0] is not None and pitches[1] is not None else Fraction(1)
    x, width = _carried(subject.x, subject.width, old.width, new.width, size * shown_before[0] / shown_after[0])
    y, height = _carried(subject.y, subject.height, old.height, new.height, size * shown_before[1] / shown_after[1])
    if x < 0 or y < 0 or x + width > new.width or y + height > new.height:
        detail = (
            f"the subject would be {width} x {height} px at {x}, {y}; "
            f"the upright picture is {new.width} x {new.height} px"
        )
        raise CannotBeMet(detail, (Fault("/framing/subject", detail),))
    return Subject(x, y, width, height)


def _carried(start: int, length: int, old_side: int, new_side: int, scale: Fraction) -> tuple[int, int]:
    """Return start and length on another side, offset from its middle kept; grown outwards to whole px."""
    first = Fraction(new_side, 2) + (start - Fraction(old_side, 2)) * scale
    last = first + length * scale
    low, high = first.numerator // first.denominator, -(-last.numerator // last.denominator)
    return low, high - low


def _shown_by_a_pixel(capture: Capture) -> tuple[Fraction, Fraction]:
    """Return how much of the scene an upright pixel shows across and down, in photosites."""
    squeeze = exact(capture.squeeze)
    across = Fraction(capture.imager.width, capture.raster.width)
    down = Fraction(capture.imager.height, capture.raster.height)
    if capture.squeeze_axis == "sensor_width":
        across *= squeeze
    else:
        down *= squeeze
    return (down, across) if capture.is_on_its_side else (across, down)
