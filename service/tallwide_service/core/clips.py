"""Clips: a whole table of captures against one list of deliverables, as the exact solver has it for each.

Equal captures are solved once, and spread by a join. The kernel solves the distinct ones family by
family, a family being captures that differ in their rasters alone, and what is in no large family by
exact columns. Few captures, and what these cannot do exactly, go to the exact solver, so the way never shows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from tallwide.job import Align, Capture, Deliverable, Framing, Grid, Job, Lens, Number, Offset, Protection, Raster
from tallwide_service.core.clip_columns import CLIP_COLUMNS, FRAME_COLUMNS, SQUEEZE_AXES, ClipTable, Column
from tallwide_service.core.extraction import describe, frames, ground_of, place_alone, solve
from tallwide_service.core.grouping import equal_rows
from tallwide_service.core.kernel import Cutter, Flags, blocks
from tallwide_service.core.margin import margin
from tallwide_service.core.measures import Measurer, Measures, measures_of
from tallwide_service.core.region import usable_region
from tallwide_service.core.unlike_clips import UnlikeClips
from tallwide_service.errors import CannotBeMet, Fault, InvalidJob
from tallwide_service.limits import LIMITS

# Below this many captures that go together the exact solver is the quicker one.
_FEW = 24
_MOST_REMEMBERED_FRAMES = 16_384
_PHOTOSITES = ("photosites_width", "photosites_height")
_RASTER = ("raster_width_px", "raster_height_px")
Makers = tuple[tuple[Cutter, Measurer], ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """A clip, or one deliverable of it, that has no answer: indexes, and what is in conflict.

    `deliverable` is `None` where the whole clip is refused. `kind` is `InvalidJob` where the clip breaks a bound.
    """

    clip: int
    deliverable: int | None
    detail: str
    faults: tuple[Fault, ...]
    kind: type[CannotBeMet | InvalidJob] = CannotBeMet


@dataclass(frozen=True, slots=True)
class ClipFrames:
    """The frames of clips: columns of `FRAME_COLUMNS`, each of shape (clips, deliverables).

    Where `answered` is false the columns hold zeros, and `refused` says why.
    """

    columns: Mapping[str, Column]
    answered: Flags
    refused: tuple[Refusal, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """One capture's frames: a row of `FRAME_COLUMNS` a deliverable, or why there is none."""

    rows: tuple[tuple[float, ...] | None, ...]
    refused: tuple[tuple[int | None, str, tuple[Fault, ...]], ...] = ()


class ClipSolver:
    """Solves tables of clips against one list of deliverables; remembers captures that it has met.

    Under `independent` a deliverable is refused by itself, on a shared point the whole clip is.
    May be used by several threads at once.
    """

    def __init__(self, deliverables: tuple[Deliverable, ...], framing: Framing) -> None:
        self.deliverables = deliverables
        self.framing = framing
        self._most_remembered = max(_MOST_REMEMBERED_FRAMES // len(deliverables), 1)
        self._known: dict[tuple[Number, ...], Answer] = {}
        self._families: dict[tuple[Number, ...], tuple[Makers | None]] = {}

    def solve(self, table: ClipTable) -> ClipFrames:
        """Return the frames of every clip of a table."""
        parts = [self._solve_block(table.rows(rows), rows.start) for rows in blocks(table.count)]
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return self._empty(0).frames(())
        columns = {name: np.concatenate([part.columns[name] for part in parts]) for name in FRAME_COLUMNS}
        refused = tuple(refusal for part in parts for refusal in part.refused)
        return ClipFrames(MappingProxyType(columns), np.concatenate([part.answered for part in parts]), refused)

    def _solve_block(self, table: ClipTable, first: int) -> ClipFrames:
        faults = _out_of_bounds(table)
        if self.framing.arrangement == "shared_point":
            faults = _too_large_together(table) | faults
        refused = [
            Refusal(first + clip, None, f"{fault.pointer} {fault.detail}", (fault,), InvalidJob)
            for clip, fault in faults.items()
        ]
        clips = np.arange(table.count)
        if faults:
            clips = np.delete(clips, list(faults))
        sound = table.rows(clips) if faults else table
        firsts, kinds = equal_rows(tuple(sound.columns.values()))
        is_joined = len(firsts) < sound.count
        found, without = self._distinct(sound.rows(firsts) if is_joined else sound)
        refused.extend(self._spread_refusals(without, clips + first, kinds))
        if is_joined:
            found = found.rows(kinds)
        if faults:
            whole = self._empty(table.count)
            whole.fill(clips, found)
            found = whole
        return found.frames(tuple(sorted(refused, key=_place)))

    @staticmethod
    def _spread_refusals(without: Mapping[int, Answer], clips: Column, kinds: Column) -> Iterator[Refusal]:
        for row in np.flatnonzero(np.isin(kinds, list(without))).tolist() if without else ():
            for index, detail, faults in without[int(kinds[row])].refused:
                yield Refusal(int(clips[row]), index, detail, faults)

    def _empty(self, count: int) -> _Found:
        return _Found.empty(count, len(self.deliverables))

    def _distinct(self, table: ClipTable) -> tuple[_Found, dict[int, Answer]]:
        """Return the frames of captures that differ, and the answers of those that lack some, by row."""
        found, without = self._empty(table.count), {}
        for row in self._by_kernel(table, found):
            answer = self._exact(table, row)
            found.put(row, answer)
            if answer.refused:
                without[row] = answer
        return found, without

    def _exact(self, table: ClipTable, row: int) -> Answer:
        """Return one capture's answer by the exact solver, remembered."""
        clip = table.clip(row)
        key = tuple(_comparable(value) for value in clip.values())
        answer = self._known.get(key)
        if answer is None:
            answer = exact_answer(job_of(clip, self.deliverables, self.framing))
            if len(self._known) >= self._most_remembered:
                self._known.clear()
            self._known[key] = answer
        return answer

    def _by_kernel(self, table: ClipTable, found: _Found) -> Iterator[int]:
        """Solve what the kernel can into `found`; yield the rows that the exact solver must do."""
        if self.framing.arrangement != "independent" or self.framing.subject is not None or table.count < _FEW:
            yield from range(table.count)
            return
        firsts, kinds = equal_rows(_family_columns(table))
        sizes = np.bincount(kinds, minlength=len(firsts))
        order = np.argsort(kinds, kind="stable")
        ends = np.cumsum(sizes)
        unlike: list[Column] = []
        for first, start, end in zip(firsts.tolist(), (ends - sizes).tolist(), ends.tolist(), strict=True):
            rows = order[start:end]
            left = self._family(table, first, rows, found) if end - start >= _FEW else None
            unlike.append(rows if left is None else rows[left])
        yield from self._unlike(table, np.sort(np.concatenate(unlike)), found)

    def _unlike(self, table: ClipTable, rows: Column, found: _Found) -> Iterator[int]:
        """Solve rows of no large family into `found`; yield those that the exact solver must do."""
        has_circle = ~np.isnan(table.columns["lens_image_circle_mm"][rows])
        alike = table.columns["roll_deg"][rows] * 2 + has_circle
        for kind in np.unique(alike).tolist():
            these = rows[alike == kind]
            if len(these) >= _FEW:
                clips, is_left = UnlikeClips.of(table.rows(these), self.framing), np.zeros(len(these), dtype=np.bool_)
                for index, deliverable in enumerate(self.deliverables):
                    measures, has_frame = clips.measures(deliverable)
                    found.scatter(index, these, measures)
                    is_left |= ~has_frame
                these = these[is_left]
            yield from these.tolist()

    def _family(self, table: ClipTable, first: int, rows: Column, found: _Found) -> Flags | None:
        """Solve one family; return which of its rows are left, `None` for all."""
        makers = self._makers(table, first)
        if makers is None:
            return None
        is_all = len(rows) == table.count
        widths, heights = (table.columns[name] if is_all else table.columns[name][rows] for name in _RASTER)
        left = np.zeros(len(rows), dtype=np.bool_)
        for index, (cutter, measurer) in enumerate(makers):
            into = found.of(index) if is_all else Measures.empty(len(rows))
            open_rows = cutter.cut(widths, heights, into.rects)
            measurer.fill(widths, heights, into)
            if not is_all:
                found.scatter(index, rows, into)
            if open_rows is not None:
                left |= open_rows
        return left

    def _makers(self, table: ClipTable, first: int) -> Makers | None:
        """Return what cuts and measures a family's frames; `None` where the exact solver has to. Remembered."""
        key = tuple(_comparable(column[0].item()) for column in _family_columns(table.rows(slice(first, first + 1))))
        known = self._families.get(key)
        if known is None:
            known = (_makers_of(job_of(table.clip(first), self.deliverables, self.framing)),)
            if len(self._families) >= self._most_remembered:
                self._families.clear()
            self._families[key] = known
        return known[0]


@dataclass(frozen=True, slots=True)
class _Found:
    """Frames being found: columns of shape (deliverables, clips), and which are there."""

    columns: dict[str, Column]
    answered: Flags

    @classmethod
    def empty(cls, clips: int, deliverables: int) -> _Found:
        """Return room, all of it counted as answered."""
        shape = deliverables, clips
        columns = {name: np.zeros(shape, dtype=kind) for name, kind in FRAME_COLUMNS.items()}
        return cls(columns, np.ones(shape, dtype=np.bool_))

    def of(self, deliverable: int) -> Measures:
        """Return the columns of one deliverable, to be filled."""
        return Measures({name: column[deliverable] for name, column in self.columns.items()})

    def scatter(self, deliverable: int, rows: Column, values: Measures) -> None:
        """Put one deliverable's frames into some rows."""
        for name, column in self.columns.items():
            column[deliverable, rows] = values.columns[name]

    def put(self, row: int, answer: Answer) -> None:
        """Put one capture's answer."""
        for deliverable, values in enumerate(answer.rows):
            self.answered[deliverable, row] = values is not None
            for name, value in zip(self.columns, values or (0,) * len(self.columns), strict=True):
                self.columns[name][deliverable, row] = value

    def rows(self, chosen: Column) -> _Found:
        """Return these frames for rows chosen by number, each as often as it is named."""
        columns = {name: column.take(chosen, axis=1) for name, column in self.columns.items()}
        return _Found(columns, self.answered.take(chosen, axis=1))

    def fill(self, rows: Column, other: _Found) -> None:
        """Put others' frames into some rows; the rest is not answered."""
        self.answered[:] = False
        self.answered[:, rows] = other.answered
        for name, column in self.columns.items():
            column[:, rows] = other.columns[name]

    def frames(self, refused: tuple[Refusal, ...]) -> ClipFrames:
        """Return what was found, clips first."""
        columns = {name: column.T for name, column in self.columns.items()}
        return ClipFrames(MappingProxyType(columns), self.answered.T, refused)


def _comparable(value: Number) -> Number:
    """Return a number that is equal to itself: NaN, which means that nothing is given, is not."""
    return -1.0 if value != value else value  # noqa: PLR0124


def _makers_of(job: Job) -> Makers | None:
    if job.capture.lens is not None:
        return None
    makers = []
    for frame in frames(job):
        cutter, measurer = Cutter.of(frame), Measurer.of(frame, job.capture.roll)
        if cutter is None or measurer is None:
            return None
        makers.append((cutter, measurer))
    return tuple(makers)


def _place(refusal: Refusal) -> tuple[int, int]:
    return refusal.clip, -1 if refusal.deliverable is None else refusal.deliverable


def _family_columns(table: ClipTable) -> list[Column]:
    """Return what captures of one family have in common: all but the raster, photosites as the shape of pixels."""
    columns = [values for name, values in table.columns.items() if name not in (*_RASTER, *_PHOTOSITES)]
    width, height, across, down = (table.columns[name].astype(np.int64) for name in (*_RASTER, *_PHOTOSITES))
    is_given = across > 0
    if not is_given.any():
        return columns
    wide, high = np.where(is_given, across * height, 1), np.where(is_given, width * down, 1)
    divisor = np.gcd(wide, high)
    return [*columns, wide // divisor, high // divisor]


def _out_of_bounds(table: ClipTable) -> dict[int, Fault]:
    """Return the first fault of each clip that breaks a bound."""
    faults: dict[int, Fault] = {}
    for name, column in CLIP_COLUMNS.items():
        values = table.columns[name]
        bad = column.faulty(values)
        if bad is not None:
            for row in np.flatnonzero(np.broadcast_to(bad, (table.count,))).tolist():
                faults.setdefault(row, column.fault(values[row].item()))
    across, down = (table.columns[name] for name in _PHOTOSITES)
    circle, pitch = table.columns["lens_image_circle_mm"], table.columns["photosite_pitch_um"]
    for bad, pointer, needed_with in (
        ((across == 0) & (down != 0), "/capture/photosites/width", "photosites.height"),
        ((across != 0) & (down == 0), "/capture/photosites/height", "photosites.width"),
        (~np.isnan(circle) & np.isnan(pitch), "/capture/photosite_pitch_um", "lens.image_circle_mm"),
    ):
        for row in np.flatnonzero(bad).tolist():
            faults.setdefault(row, Fault(pointer, f"is required with {needed_with}"))
    return faults


def _too_large_together(table: ClipTable) -> dict[int, Fault]:
    """Return a fault of each clip whose raster is larger than frames on one point are looked for in."""
    most = LIMITS.shared_point_side_px
    faults: dict[int, Fault] = {}
    for name in _RASTER:
        values = table.columns[name]
        for row in np.flatnonzero(values > most).tolist():
            got = int(values[row])
            detail = f"must be at most {most} where frames share a point, not {got}"
            faults.setdefault(row, Fault(CLIP_COLUMNS[name].pointer, detail, most, got))
    return faults


def capture_of(clip: Mapping[str, Number]) -> Capture:
    """Return the capture that one clip's columns describe."""

    def given(name: str) -> Number | None:
        value = clip[name]
        return None if value != value or value == 0 else value  # noqa: PLR0124 - NaN

    circle = given("lens_image_circle_mm")
    lens = None
    if circle is not None:
        offset = Offset(clip["lens_offset_x_mm"], clip["lens_offset_y_mm"])
        lens = Lens(image_circle_mm=circle, offset_mm=offset)
    photosites = None
    if clip["photosites_width"]:
        photosites = Raster(int(clip["photosites_width"]), int(clip["photosites_height"]))
    return Capture(
        raster=Raster(int(clip["raster_width_px"]), int(clip["raster_height_px"])),
        photosites=photosites,
        photosite_pitch_um=given("photosite_pitch_um"),
        squeeze=clip["squeeze"],
        squeeze_axis=SQUEEZE_AXES[int(clip["squeeze_axis"])],  # type: ignore[arg-type]
        roll=int(clip["roll_deg"]),  # type: ignore[arg-type]
        grid=Grid(*(int(clip[f"grid_{name}_px"]) for name in ("x", "y", "width", "height"))),
        lens=lens,
    )


def job_of(clip: Mapping[str, Number], deliverables: tuple[Deliverable, ...], framing: Framing) -> Job:
    """Return the job of one clip: its capture, and the deliverables with what the clip says in their place."""
    align_x, align_y, protection = (clip[name] for name in ("align_x", "align_y", "protection_each_side"))
    changed = []
    for deliverable in deliverables:
        align = deliverable.align
        kept = Align(align.x if align_x != align_x else align_x, align.y if align_y != align_y else align_y)  # noqa: PLR0124
        guarded = deliverable.protection if protection != protection else Protection(each_side=protection)  # noqa: PLR0124
        changed.append(replace(deliverable, align=kept, protection=guarded))
    return Job(capture=capture_of(clip), deliverables=tuple(changed), framing=framing)


def exact_answer(job: Job) -> Answer:
    """Return what the exact solver says of one capture."""
    if job.framing.arrangement == "shared_point":
        return _answer_together(job)
    try:
        ground = ground_of(job)
    except CannotBeMet as error:
        return Answer((None,) * len(job.deliverables), ((None, str(error), error.faults),))
    rows: list[tuple[float, ...] | None] = []
    refused: list[tuple[int | None, str, tuple[Fault, ...]]] = []
    for index, frame in enumerate(frames(job)):
        try:
            placement = place_alone(frame, ground)
        except CannotBeMet as error:
            rows.append(None)
            refused.append((index, str(error), error.faults))
            continue
        extraction = describe(frame, placement, ground)
        rows.append(measures_of(extraction, margin(frame.deliverable, extraction, job.capture, ground.region)))
    return Answer(tuple(rows), tuple(refused))


def _answer_together(job: Job) -> Answer:
    try:
        extractions = solve(job).extractions
    except CannotBeMet as error:
        return Answer((None,) * len(job.deliverables), ((None, str(error), error.faults),))
    region = usable_region(job.capture)
    pairs = zip(job.deliverables, extractions, strict=True)
    return Answer(tuple(measures_of(each, margin(wanted, each, job.capture, region)) for wanted, each in pairs))
