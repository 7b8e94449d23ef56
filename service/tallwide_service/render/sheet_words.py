"""What the framing sheet says of captures, frames, plans and rigs, in words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from tallwide.answers import Extraction, EyeLimit, Margin, Plan, PlannedPass, RigCheck, SubjectRoom
from tallwide.job import Capture, Rig
from tallwide_service.core.reasons import MARGIN_CODES
from tallwide_service.core.rig import says_room

_ARTICLES = {"protection": "its", "partner": "a"}  # "the" before all else that binds a frame
_VERDICTS = {"enough": "enough", "at_limit": "exactly enough", "short": "too few"}
# Between two numbers a times sign; what stands in quotes is somebody's name and stays as it is.
_NAME_OR_TIMES = re.compile(r'("[^"]*")|(?<=\d) x (?=[\d−-])')


def typeset(text: str) -> str:
    """Return a sentence with a times sign between the sides of a size.

    Examples
    --------
    >>> typeset('"5 x 7" has 1,080 x 1,512 px')
    '"5 x 7" has 1,080 × 1,512 px'
    """
    return _NAME_OR_TIMES.sub(lambda found: found.group(1) or " × ", text)


def signed(number: float, places: int = 0) -> str:
    """Return a number with its sign, a true minus."""
    return f"{number:+,.{places}f}".replace("-", "−")


def capture_facts(capture: Capture) -> Iterator[tuple[str, str]]:
    """Yield the facts of a capture that are known, each with its name."""
    raster, imager, lens = capture.raster, capture.imager, capture.lens
    if capture.label:
        yield "Capture", capture.label
    yield "Recorded raster", f"{raster.width:,} × {raster.height:,} px"
    if (imager.width, imager.height) != (raster.width, raster.height):
        yield "Photosites", f"{imager.width:,} × {imager.height:,}"
    if capture.photosite_pitch_um is not None:
        yield "Photosite pitch", f"{capture.photosite_pitch_um:g} µm"
    yield "Roll", f"{capture.roll}°" + ("" if capture.roll else ", upright")
    if capture.squeeze != 1:
        yield "Squeeze", f"{capture.squeeze:g}, along {capture.squeeze_axis.replace('_', ' ')}"
    if lens is not None:
        named = [f"{lens.focal_length_mm:g} mm"] if lens.focal_length_mm is not None else []
        named += [f"f/{lens.f_number:g}"] if lens.f_number is not None else []
        yield "Lens", ", ".join([*([lens.label] if lens.label else []), *named]) or "–"
        if lens.image_circle_mm is not None:
            yield "Image circle", f"{lens.image_circle_mm:g} mm"
    if capture.usable_area is not None:
        yield "Usable area", f"{len(capture.usable_area)} corners"
    grid = capture.grid
    yield "Grid of places, sizes", f"{grid.x} × {grid.y}, {grid.width} × {grid.height} px"


def frame_words(extraction: Extraction, margin: Margin) -> str:
    """Return what is said of a frame below its numbers: need, viewers, what binds it, and the subject's room."""
    parts = [*_need(margin)]
    if margin.eye_limit is not None:
        parts.append(seen(margin.eye_limit))
    parts.append("held by " + held_by(extraction.bound_by))
    if extraction.subject_room is not None:
        parts.append(headroom(extraction.subject_room))
    return "; ".join(parts)


def _need(margin: Margin) -> Iterator[str]:
    if margin.needed is None or margin.spare_pct is None or margin.spare_px is None:
        return
    times = f" × {margin.minimum_oversampling:g}" if margin.minimum_oversampling != 1 else ""
    spare = f"{signed(margin.spare_px.x)} × {signed(margin.spare_px.y)} px"
    verdict = _VERDICTS[margin.verdict or "enough"]
    needed = f"needs {margin.needed.width:,.0f} × {margin.needed.height:,.0f} px{times}"
    yield f"{needed}: {verdict}, {signed(margin.spare_pct, 1)} % ({spare})"


def seen(eye: EyeLimit) -> str:
    """Return how many rows are told apart, shown, delivered and extracted, which of these limits, and the verdict."""
    rows = {
        "the eye resolves": eye.rows,
        "the screen has": eye.screen_rows,
        "delivered": eye.rows_delivered,
        "extracted": eye.rows_extracted,
    }
    known = ", ".join(f"{name} {count:,}" for name, count in rows.items() if count is not None)
    return f"rows: {known}; the {eye.limited_by} limits, {_VERDICTS[eye.verdict]}"


def held_by(names: Iterable[str]) -> str:
    """Return what binds a frame in words, edges of the raster together.

    Examples
    --------
    >>> held_by(("raster_top", "raster_bottom", "protection", "image_circle"))
    "the raster's top and bottom, its protection, the image circle"
    """
    names = list(names)
    edges = [name.removeprefix("raster_") for name in names if name.startswith("raster_")]
    others = [
        f"{_ARTICLES.get(name, 'the')} {name.replace('_', ' ')}" for name in names if not name.startswith("raster_")
    ]
    return ", ".join((["the raster's " + " and ".join(edges)] if edges else []) + others)


def headroom(room: SubjectRoom) -> str:
    """Return the room above the subject and around it, in pixels and in percent of the frame."""
    px = room.px
    return (
        f"headroom {px.top:,} px, {100 * room.share.top:.1f} % of the frame; room left {px.left:,}, "
        f"right {px.right:,}, below {px.bottom:,} px"
    )


def stance(roll: int) -> str:
    """Return how the camera stands at a roll."""
    return "upright" if roll == 0 else f"turned by {roll}°"


def pass_name(plan: Plan, place: int) -> str:
    """Return which pass of a plan is spoken of, how the camera stands in it, and what it records."""
    one = plan.passes[place]
    capture = f', on "{one.capture}"' if one.capture and one.capture_index else ""
    recorded = f"{one.recorded.width:,} × {one.recorded.height:,} px"
    return f"Pass {place + 1} of {len(plan.passes)}, {stance(one.roll)}{capture}, {recorded}"


def pass_frames(one: PlannedPass) -> Iterator[str]:
    """Yield each frame of a pass: its place on what is recorded, what it has of what is asked, and its headroom."""
    for extraction, margin in zip(one.extractions, one.margins, strict=True):
        rect, upright, room = extraction.rect, extraction.upright_rect, extraction.subject_room
        words = f"{rect.width:,} × {rect.height:,} px at {rect.x:,}, {rect.y:,}"
        if one.roll:
            words += f", upright {upright.width:,} × {upright.height:,}"
        if margin.oversampling is not None:
            verdict = _VERDICTS[margin.verdict or "enough"]
            words += f"; {margin.oversampling.smaller:.3f} of {margin.minimum_oversampling:g}, {verdict}"
        if room is not None:
            words += f"; headroom {room.px.top:,} px, {100 * room.share.top:.1f} %"
        yield words


def plan_reasons(plan: Plan, rig: Iterable[str]) -> list[str]:
    """Return why a plan is what it is, without what the sheet says of frames and rig elsewhere."""
    said = set(rig)
    codes = set(MARGIN_CODES.values())
    return [reason.text for reason in plan.reasons if reason.code not in codes and reason.text not in said]


def rig_words(rig: Rig, check: RigCheck) -> Iterator[str]:
    """Yield how a rig fits at one roll, and what nobody has said of it."""
    carries = {None: "; whether it may carry is not said", True: ", said to carry it", False: ""}[check.may_carry]
    at = "Upright" if check.roll == 0 else f"At roll {check.roll}"
    if check.may_carry is not False:
        yield f"{at} the camera stands on its {check.standing_on} face{carries}."
    for reason in check.reasons:
        yield reason.text
    if check.height_error_mm == 0 and check.sideways_error_mm:
        yield f"{at} the support's post stays as long as it is."
    if check.support_reaches:
        yield f"{at} the lens support reaches the axis."
    if not says_room(rig, check.roll):
        yield f"{at} whether anything is blocked is not said."
    elif not check.blocked:
        yield f"{at} nothing whose room is stated is blocked."
