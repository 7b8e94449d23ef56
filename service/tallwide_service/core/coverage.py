"""Coverage: which lens covers which deliverable on which recording mode, and by how much.

Lengths are mm on the sensor. A frame is the one that a lens which covers everything would leave;
it is covered where it lies inside the circle and the covered width and height together with its
protection. Spare is from the worst corner to the circle, or from the nearest side to the covered
area, whichever is less; negative where it is missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

from tallwide.answers import CoverageRow, Rect
from tallwide.job import Capture, Job, Lens, LensChoice
from tallwide_service.core.frame_optics import equivalent_focal
from tallwide_service.core.optics import edges_mm, image_facts, pixel_mm
from tallwide_service.core.positions import (
    Position,
    Searches,
    Take,
    alone,
    carried_framing,
    refuse_a_long_search,
    together,
    without_lens_bounds,
)
from tallwide_service.core.recording import as_recorded
from tallwide_service.core.region import corners, lens_bounds
from tallwide_service.errors import CannotBeMet, Fault
from tallwide_service.limits import LIMITS


@dataclass(frozen=True, slots=True)
class Setup:
    """A capture with a lens at one focal length: places in the job's lists, and how problems point at it.

    `outside` is why no frame can hold the subject, where it does not lie inside the picture.
    """

    capture_index: int
    lens_index: int | None
    position: Position
    outside: CannotBeMet | None


def coverage(job: Job, searches: Searches | None = None) -> tuple[CoverageRow, ...]:
    """Return the table of captures by lenses by deliverables; the searches may know the job's own solution.

    Raises
    ------
    CannotBeMet
        If it would have more rows than the limit, or a lens's bounds in mm meet a capture without a pitch.
    """
    setups = list(_setups(job))
    rows = len(setups) * len(job.deliverables)
    together = job.framing.arrangement == "shared_point"
    most = LIMITS.coverage_rows_together if together else LIMITS.coverage_rows
    if rows > most:
        where = " on a shared point" if together else ""
        detail = f"the table would have {rows:,} rows; at most {most:,} are computed{where}"
        raise CannotBeMet(detail, tuple(Fault(at, detail, most, rows) for at in ("/captures", "/lenses")))
    refuse_a_long_search(
        (setup.position.capture for setup in setups), len(job.deliverables), ("/deliverables", "/captures", "/lenses")
    )
    searches = searches or Searches(job)
    free: dict[object, tuple[Take | CannotBeMet, ...]] = {}
    return tuple(row for setup in setups for row in _rows(searches, setup, free))


def _setups(job: Job) -> Iterator[Setup]:
    captures = job.captures or (job.capture,)
    stem = "/captures/{}" if job.captures else "/capture"
    for number, capture in enumerate(captures):
        pointer = stem.format(number)
        lenses: list[tuple[int | None, Capture]] = [(None, capture)]
        if job.lenses:
            lenses = [(place, mounted(capture, setting)) for place, setting in _settings(job.lenses)]
        for place, with_lens in lenses:
            if without_lens_bounds(with_lens) != with_lens and with_lens.photosite_pitch_um is None:
                fault = Fault(f"{pointer}/photosite_pitch_um", "is required to know what a lens covers in mm")
                raise CannotBeMet(f"{fault.pointer} {fault.detail}", (fault,))
            recorded = as_recorded(with_lens, pointer)
            framing, outside = job.framing, None
            try:
                framing = carried_framing(job, recorded)
            except CannotBeMet as error:
                outside = error
            yield Setup(number, place, Position(number, pointer, recorded, framing), outside)


def _settings(lenses: tuple[LensChoice, ...]) -> Iterator[tuple[int, LensChoice]]:
    """Yield every lens at every focal length, as lenses of one."""
    for place, lens in enumerate(lenses):
        if not lens.settings:
            yield place, lens
        for setting in lens.settings:
            yield (
                place,
                replace(
                    lens,
                    focal_length_mm=setting.focal_length_mm,
                    image_circle_mm=setting.image_circle_mm or lens.image_circle_mm,
                    covered_mm=setting.covered_mm or lens.covered_mm,
                    settings=(),
                ),
            )


def mounted(capture: Capture, lens: LensChoice) -> Capture:
    """Return a capture with a lens in place of its own; a squeeze that the lens names is the lens's."""
    return replace(
        capture,
        squeeze=capture.squeeze if lens.squeeze is None else lens.squeeze,
        squeeze_axis=lens.squeeze_axis or capture.squeeze_axis,
        lens=Lens(**{member.name: getattr(lens, member.name) for member in fields(Lens)}),
    )


def _rows(
    searches: Searches, setup: Setup, solved: dict[object, tuple[Take | CannotBeMet, ...]]
) -> Iterator[CoverageRow]:
    capture = setup.position.capture
    wanted, largest = _wanted_and_largest(searches, setup, solved)
    lens, bounds = capture.lens, lens_bounds(capture)
    for index, deliverable in enumerate(searches.job.deliverables):
        whole, inside = wanted[index], largest[index]
        found = whole.extraction if isinstance(whole, Take) else None
        spare = None if found is None else spare_mm(found.protection_rect, capture)
        covered = None
        if found is not None and spare is not None:
            covered = all(bound.holds(x, y) for bound in bounds for x, y in corners(found.protection_rect))
        held = inside if isinstance(inside, Take) else None
        yield CoverageRow(
            capture=capture.label,
            capture_index=setup.capture_index,
            lens=None if lens is None else lens.label,
            lens_index=setup.lens_index,
            focal_length_mm=None if lens is None else lens.focal_length_mm,
            deliverable=deliverable.label,
            extraction=None if found is None else found.rect,
            covered=covered,
            spare_mm=spare,
            largest=None if held is None else held.extraction.rect,
            angle_of_view_deg=None if held is None else image_facts(held.extraction.rect, capture).angle_of_view_deg,
            equivalent_focal_mm=None if held is None else equivalent_focal(held.extraction.rect, capture),
            oversampling=None if held is None else held.margin.oversampling,
            verdict=None if held is None else held.margin.verdict,
            wanted_oversampling=whole.margin.oversampling if isinstance(whole, Take) else None,
            problem=str(inside) if isinstance(inside, CannotBeMet) else None,
        )


def _wanted_and_largest(
    searches: Searches, setup: Setup, solved: dict[object, tuple[Take | CannotBeMet, ...]]
) -> tuple[tuple[Take | CannotBeMet, ...], tuple[Take | CannotBeMet, ...]]:
    """Return the frames that a lens which covers everything would leave, remembered, and those that this one leaves."""
    if setup.outside is not None:
        nothing = (setup.outside,) * len(searches.job.deliverables)
        return nothing, nothing
    position = setup.position
    free = replace(position, capture=without_lens_bounds(position.capture))
    bare = free.capture if free.capture.lens is None else replace(free.capture, lens=Lens(), label=None)
    key = bare, free.framing
    if key not in solved:  # a lens that covers everything leaves the same frames of one subject, whatever it is called
        solved[key] = frames(searches, free)
    return solved[key], solved[key] if free.capture == position.capture else frames(searches, position)


def frames(searches: Searches, position: Position) -> tuple[Take | CannotBeMet, ...]:
    """Return every deliverable on one setup; on a shared point all of them as a whole, or none."""
    job = searches.job
    if job.framing.arrangement != "shared_point":
        return alone(job, position, asks_for_cover=False)
    try:
        everything = tuple(range(len(job.deliverables)))
        return together(searches, position, everything, asks_for_cover=False, explains=True).takes
    except CannotBeMet as error:
        return (error,) * len(job.deliverables)


def spare_mm(rect: Rect, capture: Capture) -> float | None:
    """Return by how many mm a rectangle lies inside what the lens covers; `None` where nothing is known of that.

    Whether it does is decided exactly; the mm are rounded to doubles.
    """
    pixel, lens = pixel_mm(capture), capture.lens
    if pixel is None or lens is None:
        return None
    edges = edges_mm(rect, capture, pixel)
    spares = []
    if lens.image_circle_mm is not None:
        spares.append(lens.image_circle_mm / 2 - edges.farthest_mm)
    if lens.covered_mm is not None:
        width, height = lens.covered_mm.width / 2, lens.covered_mm.height / 2
        spares += [width + edges.left, width - edges.right, height + edges.top, height - edges.bottom]
    return min(spares, default=None)
