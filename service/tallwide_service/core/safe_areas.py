"""Safe areas: where the parts of a picture that screens leave free lie on the recorded raster.

An area is whole pixels of the delivered raster first, by the published rule; then it is mapped to
the upright picture and the recorded raster and made whole pixels again by dropping every pixel
that lies only partly inside, so that nothing outside the delivered area is ever called safe.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations

from tallwide.answers import Extraction, Rect, SafeAreaPlace, SharedSafeArea, Size
from tallwide.geometry import common_area, recorded_to_upright, upright_to_recorded
from tallwide.job import Capture, Deliverable, Job, Raster
from tallwide_service.core.standards import Insets, own_insets, published_set, safe_rect
from tallwide_service.errors import CannotBeMet, Fault


@dataclass(frozen=True, slots=True)
class NamedInsets:
    """One safe area of a deliverable before it is placed."""

    label: str
    document: str | None
    in_scope: bool
    insets: Insets
    pointer: str


def safe_areas(job: Job, extractions: tuple[Extraction, ...]) -> tuple[SafeAreaPlace, ...]:
    """Return every safe area of every deliverable, the published sets first, then the user's own.

    Raises
    ------
    CannotBeMet
        If insets leave nothing of a picture.
    """
    return tuple(
        placed(area, deliverable, extraction, job.capture)
        for index, (deliverable, extraction) in enumerate(zip(job.deliverables, extractions, strict=True))
        for area in named_insets(deliverable, f"/deliverables/{index}")
    )


def named_insets(deliverable: Deliverable, pointer: str) -> Iterator[NamedInsets]:
    """Yield the areas that a deliverable asks for, under labels that name the document."""
    for index, name in enumerate(deliverable.safe_area_sets):
        published = published_set(name)
        for area in published.areas:
            in_scope = deliverable.ratio == published.written_for and not published.superseded
            where = f"{pointer}/safe_area_sets/{index}"
            yield NamedInsets(area.label, published.document, in_scope, area.insets, where)
    for index, own in enumerate(deliverable.safe_areas):
        yield NamedInsets(own.label, None, True, own_insets(own), f"{pointer}/safe_areas/{index}")


def placed(area: NamedInsets, deliverable: Deliverable, extraction: Extraction, capture: Capture) -> SafeAreaPlace:
    """Return one area on the delivered raster, in the upright picture and on the recorded raster."""
    frame = extraction.upright_rect
    raster = deliverable.raster or Raster(frame.width, frame.height)
    delivered = safe_rect(raster, area.insets)
    upright = None if delivered is None else within_frame(delivered, raster, frame)
    if delivered is None or upright is None:
        fault = Fault(area.pointer, f"its insets leave nothing of a picture of {raster.width} x {raster.height} px")
        raise CannotBeMet(f'safe area "{area.label}" of "{deliverable.label}" is empty', (fault,))
    return SafeAreaPlace(
        deliverable=deliverable.label,
        label=area.label,
        document=area.document,
        in_scope=area.in_scope,
        delivered_raster=Size(raster.width, raster.height),
        delivered_rect=delivered,
        upright_rect=upright,
        rect=upright_to_recorded(upright, capture),
    )


def within_frame(delivered: Rect, raster: Raster, frame: Rect) -> Rect | None:
    """Return the whole pixels of an upright frame that lie wholly inside an area of its delivered raster.

    Examples
    --------
    >>> within_frame(Rect(67, 38, 1786, 1004), Raster(1920, 1080), Rect(0, 0, 3840, 2160))
    Rect(x=134, y=76, width=3572, height=2008)
    """
    across, down = Fraction(frame.width, raster.width), Fraction(frame.height, raster.height)
    left, top = _ceil(delivered.x * across), _ceil(delivered.y * down)
    right, bottom = delivered.right * across // 1, delivered.bottom * down // 1
    if right <= left or bottom <= top:
        return None
    return Rect(frame.x + left, frame.y + top, int(right - left), int(bottom - top))


def _ceil(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)


def shared_safe_areas(
    job: Job, extractions: tuple[Extraction, ...], places: tuple[SafeAreaPlace, ...]
) -> tuple[SharedSafeArea, ...]:
    """Return, for each pair of deliverables and for all of them, the area that is safe in every one.

    Safe in one deliverable is what lies in all of its safe areas; in its whole frame where it has none.
    """
    safe = {
        extraction.deliverable: common_area(
            [extraction.rect, *(place.rect for place in places if place.deliverable == extraction.deliverable)]
        )
        for extraction in extractions
    }
    groups = list(combinations(safe, 2))
    if len(safe) > 2:
        groups.append(tuple(safe))  # type: ignore[arg-type]
    return tuple(_shared(group, safe, job.capture) for group in groups)


def _shared(labels: tuple[str, ...], safe: dict[str, Rect | None], capture: Capture) -> SharedSafeArea:
    areas = [area for label in labels if (area := safe[label]) is not None]
    rect = common_area(areas) if len(areas) == len(labels) else None
    return SharedSafeArea(labels, rect, None if rect is None else recorded_to_upright(rect, capture))
