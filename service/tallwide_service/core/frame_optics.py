"""Frame optics: what a lens shows in one frame against another, how deep it is sharp, how it falls off.

Lengths are mm. Equivalent focal lengths compare frames in the scene, the squeezed axis counted: by
width, by height and by diagonal, for frames of different shape these differ.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import permutations

from tallwide.answers import (
    DepthOfField,
    EquivalentFocal,
    Extraction,
    FallOff,
    FrameOptics,
    FramePair,
    Reason,
    Rect,
)
from tallwide.geometry import squeeze_along
from tallwide.job import Capture, Deliverable, Job, exact
from tallwide_service.core.optics import edges_mm, pixel_mm
from tallwide_service.core.readout import readout_effect
from tallwide_service.core.viewing import eye_limit


def frame_optics(job: Job, extractions: Sequence[Extraction]) -> tuple[FrameOptics, ...]:
    """Return what the job's lens does in each frame."""
    return tuple(
        _of_frame(deliverable, extraction, job)
        for deliverable, extraction in zip(job.deliverables, extractions, strict=True)
    )


def _of_frame(deliverable: Deliverable, extraction: Extraction, job: Job) -> FrameOptics:
    capture = job.capture
    depth, refused = depth_of_field(deliverable, extraction, capture)
    fall_off = natural_fall_off(extraction.rect, capture)
    reasons = [] if refused is None else [refused]
    if fall_off is not None:
        reasons.append(
            Reason(
                "fall_off_estimate",
                "Natural fall-off is estimated from the exit pupil, without vignetting; no verdict hangs on it.",
                numbers={"stops": fall_off.stops},
            )
        )
    effect = readout_effect(extraction, capture, job.movement)
    if effect is not None:
        lie = "upright" if capture.is_on_its_side else "level"
        reasons.append(Reason("bands", f"Rows lie {lie} here, and bands from lamps and LED walls with them."))
    return FrameOptics(
        deliverable.label, equivalent_focal(extraction.rect, capture), depth, fall_off, effect, tuple(reasons)
    )


def scene_size(rect: Rect, capture: Capture) -> tuple[Fraction, Fraction]:
    """Return a rectangle's upright sides in photosites as shown: the squeezed axis counts `squeeze` times."""
    imager, raster = capture.imager, capture.raster
    squeeze_x, squeeze_y = squeeze_along(capture)
    across = Fraction(rect.width * imager.width, raster.width) * exact(squeeze_x)
    down = Fraction(rect.height * imager.height, raster.height) * exact(squeeze_y)
    return (down, across) if capture.is_on_its_side else (across, down)


def equivalent_focal(rect: Rect, capture: Capture) -> EquivalentFocal | None:
    """Return the focal lengths that show on the full raster what this lens shows in a frame; `None` without one.

    The diagonal method is the one that handbooks mean where they name none.
    """
    focal_mm = None if capture.lens is None else capture.lens.focal_length_mm
    if focal_mm is None:
        return None
    raster = capture.raster
    times = times_longer(scene_size(rect, capture), scene_size(Rect(0, 0, raster.width, raster.height), capture))
    return EquivalentFocal(*(focal_mm * each for each in times))


def times_longer(frame: tuple[Fraction, Fraction], other: tuple[Fraction, Fraction]) -> tuple[float, float, float]:
    """Return how many times longer a lens shows as much on `other` as on `frame`: by width, height and diagonal."""
    diagonal = math.hypot(*map(float, other)) / math.hypot(*map(float, frame))
    return float(other[0] / frame[0]), float(other[1] / frame[1]), diagonal


def frame_pairs(job: Job, extractions: Sequence[Extraction]) -> Iterator[FramePair]:
    """Yield every frame against every other."""
    sizes = {each.deliverable: scene_size(each.rect, job.capture) for each in extractions}
    for one, other in permutations(sizes, 2):
        yield FramePair(one, other, *times_longer(sizes[other], sizes[one]))


def circle_of_confusion_mm(deliverable: Deliverable, extraction: Extraction) -> float | None:
    """Return the circle that becomes one row of the picture as it is seen; `None` without a pitch.

    The frame's height on the sensor over the fewest rows there are: extracted, delivered, shown by
    the screen or told apart by the eye. It follows the extraction and the delivery.
    """
    if extraction.sensor_mm is None:
        return None
    rows = [extraction.upright_rect.height]
    if deliverable.raster is not None:
        rows.append(deliverable.raster.height)
    seen = eye_limit(deliverable, extraction)
    if seen is not None:
        rows += [each for each in (seen.rows, seen.screen_rows) if each]
    return extraction.sensor_mm.height / min(rows)


def depth_of_field(
    deliverable: Deliverable, extraction: Extraction, capture: Capture
) -> tuple[DepthOfField | None, Reason | None]:
    """Return sharpness in depth, or why there is none; neither where the lens does not say enough."""
    lens, circle = capture.lens, circle_of_confusion_mm(deliverable, extraction)
    if lens is None or lens.focal_length_mm is None or lens.f_number is None or circle is None:
        return None, None
    if capture.squeeze != 1:
        text = "A squeezed lens has two focal lengths, and so no one depth of field; none is given."
        return None, Reason("squeezed_lens_has_two_focal_lengths", text, deliverable=deliverable.label)
    if lens.focus_distance_mm is not None and lens.focus_distance_mm <= lens.focal_length_mm:
        text = "The focus distance lies within the focal length, where a lens forms no image; none is given."
        return None, Reason("focus_within_focal_length", text, deliverable=deliverable.label)
    short = hyperfocal_short_mm(lens.focal_length_mm, lens.f_number, circle)
    near = far = None
    if lens.focus_distance_mm is not None:
        near, far = limits_mm(short + lens.focal_length_mm, lens.focus_distance_mm, lens.focal_length_mm)
    reaches = None if lens.focus_distance_mm is None else far is None
    return DepthOfField(circle, short + lens.focal_length_mm, short, near, far, reaches), None


def hyperfocal_short_mm(focal_mm: float, f_number: float, circle_mm: float) -> float:
    """Return f^2 / (N c), the shorter form; the longer one adds f. N is the f-number, not the T-stop.

    Examples
    --------
    >>> round(hyperfocal_short_mm(50, 8, 0.03)), round(hyperfocal_short_mm(50, 8, 0.03) + 50)
    (10417, 10467)
    """
    return focal_mm * focal_mm / (f_number * circle_mm)


def limits_mm(hyperfocal_mm: float, focus_mm: float, focal_mm: float) -> tuple[float, float | None]:
    """Return the nearest and the farthest distance that is sharp, from the lens; `None` is infinity.

    Thin lens: near = s (H - f) / (H + s - 2 f), far = s (H - f) / (H - s), with H the longer form.
    Focused at H, the near limit is H / 2.
    """
    product = focus_mm * (hyperfocal_mm - focal_mm)
    near = product / (hyperfocal_mm + focus_mm - 2 * focal_mm)
    return near, None if focus_mm >= hyperfocal_mm else product / (hyperfocal_mm - focus_mm)


def natural_fall_off(rect: Rect, capture: Capture) -> FallOff | None:
    """Return cos^4 of the angle from the exit pupil to the frame's farthest corner; `None` without its distance."""
    pixel = pixel_mm(capture)
    pupil_mm = None if capture.lens is None else capture.lens.exit_pupil_mm
    if pixel is None or pupil_mm is None:
        return None
    edges = edges_mm(rect, capture, pixel)
    return fall_off(edges.farthest_mm, pupil_mm)


def fall_off(radius_mm: float, pupil_mm: float) -> FallOff:
    """Return the natural fall-off at a distance from the axis.

    Examples
    --------
    >>> round(100 * fall_off(43.2666 / 2, 50).relative_illuminance)
    71
    """
    angle = math.atan2(radius_mm, pupil_mm)
    left = math.cos(angle) ** 4
    return FallOff(math.degrees(angle), left, -math.log2(left))
