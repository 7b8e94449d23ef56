"""Media check: whether a file holds the picture that the job's numbers were made for.

The usual failure is a file of half the size, padded, desqueezed or turned, cropped with the numbers
of the full raster. The check reads a file's facts and says whether the frames fit as they are; fit
after a scale, an offset, a desqueeze or a turn, with each rectangle in the file's own pixels; or do
not fit, and why. Only facts decide: what a file might be, but does not state, is listed under
`possible`, to be confirmed by stating `content`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from tallwide.answers import Answer, RealRect, Rect
from tallwide.decision import Decision
from tallwide.geometry import pixel_shape, turned_raster
from tallwide.job import Area, Capture, FileFacts, Media, Raster, Roll
from tallwide.mapping import RealArea, media_matrix

Verdict = Literal["fits", "fits_after", "does_not_fit"]
Step = Literal["scale", "offset", "desqueeze", "turn", "crop"]
TURNS: tuple[Roll, ...] = (0, 90, 180, 270)


@dataclass(frozen=True, slots=True)
class FittedFrame:
    """One frame in a file's own stored pixels.

    `exact` is x, y, width, height as rationals; `whole_rect` the nearest whole pixels, and
    `whole_error_px` how far its farthest edge lies from the exact one.
    """

    deliverable: str
    rect: RealRect
    exact: tuple[str, str, str, str]
    whole_rect: Rect
    whole_error_px: float
    inside: bool


@dataclass(frozen=True, slots=True)
class FileReading:
    """One way to understand a file: the steps from the recording to it, and the frames in its pixels."""

    steps: tuple[Step, ...]
    text: str
    media: Media
    scale: tuple[float, float]
    frames: tuple[FittedFrame, ...]


@dataclass(frozen=True, slots=True)
class MediaCheck:
    """The verdict, the reading that it rests on, why, and what else the file might be."""

    verdict: Verdict
    reading: FileReading | None
    reasons: tuple[str, ...]
    possible: tuple[FileReading, ...]


@dataclass(frozen=True, slots=True)
class CheckAnswer(Answer):
    """Whether a file holds the recording that a job was made for."""

    check: MediaCheck


def check_media(decision: Decision, facts: FileFacts) -> MediaCheck:
    """Return whether a file holds the recording that a decision was made for.

    Raises
    ------
    ValueError
        If the facts contradict themselves.
    """
    proven = [media for turn in stated_turns(decision.capture, facts) for media in whole_picture(decision, facts, turn)]
    if not proven:
        return _misfit(decision, facts)
    first, *others = (reading(decision, facts, media) for media in proven)
    if not all(frame.inside for frame in first.frames):  # pragma: no cover - frames lie on their own raster
        raise ValueError("a frame lies outside its own recording")
    return MediaCheck(
        "fits_after" if first.steps else "fits",
        first,
        (first.text, *sample_aspect_remarks(decision.capture, facts, first)),
        tuple(others),
    )


def stated_turns(capture: Capture, facts: FileFacts) -> tuple[Roll, ...]:
    """Return how the stored picture may have been turned, clockwise, by what job and file state.

    Either it is stored as recorded, or it stands upright once a player has turned it.
    """
    made_upright = TURNS[(capture.roll - facts.rotation) // 90 % 4]
    return (0,) if made_upright == 0 else (0, made_upright)


def whole_picture(decision: Decision, facts: FileFacts, turn: Roll) -> Iterator[Media]:
    """Yield the reading in which the file's picture is the whole recording, turned by `turn`, if it has the shape."""
    turned = turned_raster(decision.capture.raster, turn)
    picture = facts.picture
    if has_shape(picture, turned, Fraction(1)) or has_shape(
        picture, turned, turned_pixel_shape(decision.capture, turn)
    ):
        yield Media(Raster(facts.width, facts.height), turn, picture)


def turned_pixel_shape(capture: Capture, turn: Roll) -> Fraction:
    """Return how much wider than high a recorded pixel shows the scene once the raster is turned."""
    shape = pixel_shape(capture)
    return 1 / shape if turn in (90, 270) else shape


def has_shape(picture: Area, raster: Raster, stretch: Fraction) -> bool:
    """Whether a picture is a raster, its width stretched, at some scale: both sides within a pixel of it."""
    width, height = Fraction(picture.width), Fraction(picture.height)
    ideal = raster.width * stretch / raster.height
    return abs(width - height * ideal) <= 1 or abs(height - width / ideal) <= 1


def reading(decision: Decision, facts: FileFacts, media: Media) -> FileReading:
    """Return one way to understand a file, in words and numbers."""
    capture = decision.capture
    picture = media.content or Area(0, 0, facts.width, facts.height)
    turned = turned_raster(capture.raster, media.turn)
    across, down = Fraction(picture.width) / turned.width, Fraction(picture.height) / turned.height
    steps: list[Step] = []
    words: list[str] = []
    if media.turn:
        steps.append("turn")
        words.append(f"turned clockwise by {media.turn} degrees")
    shape = turned_pixel_shape(capture, media.turn)
    # A file within a pixel of the recorded shape is taken as such; only then of the desqueezed one.
    if not has_shape(picture, turned, Fraction(1)) and has_shape(picture, turned, shape):
        steps.append("desqueeze")
        words.append(f"desqueezed (width {float(across / down):.6g} times as much as height)")
    if not across == down == 1 and (not steps or steps[-1] != "desqueeze" or 1 not in (across, down)):
        steps.append("scale")
        words.append(f"scaled to {float(across):.6g} x {float(down):.6g}")
    if (picture.x, picture.y) != (0, 0):
        steps.append("offset")
        words.append(f"with its corner at {picture.x:g}, {picture.y:g}")
    if not steps and (picture.width, picture.height) != (facts.width, facts.height):
        words.append("with padding at right and bottom")
    text = "the file holds the recording as it is" if not words else "the file holds the recording " + ", ".join(words)
    return FileReading(tuple(steps), text, media, (float(across), float(down)), fitted(decision, facts, media))


def fitted(decision: Decision, facts: FileFacts, media: Media) -> tuple[FittedFrame, ...]:
    """Return every frame in the file's own stored pixels."""
    step = media_matrix(media, decision.capture.raster)
    return tuple(_fitted_frame(frame.label, step.area(frame.rect), facts) for frame in decision.frames)


def _fitted_frame(label: str, area: RealArea, facts: FileFacts) -> FittedFrame:
    left, top = _nearest(area.x), _nearest(area.y)
    right, bottom = _nearest(area.right), _nearest(area.bottom)
    error = max(abs(left - area.x), abs(top - area.y), abs(right - area.right), abs(bottom - area.bottom))
    return FittedFrame(
        label,
        RealRect(float(area.x), float(area.y), float(area.width), float(area.height)),
        (str(area.x), str(area.y), str(area.width), str(area.height)),
        Rect(left, top, right - left, bottom - top),
        float(error),
        area.x >= 0 and area.y >= 0 and area.right <= facts.width and area.bottom <= facts.height,
    )


def _nearest(value: Fraction) -> int:
    """Return the nearest whole number; half way goes up, so that neighbours keep their common edge."""
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


def sample_aspect_remarks(capture: Capture, facts: FileFacts, found: FileReading) -> tuple[str, ...]:
    """Return a remark where the file's sample aspect is not what the recording's pixels would show."""
    if facts.sample_aspect is None:
        return ()
    stated = facts.sample_aspect.ratio
    expected = turned_pixel_shape(capture, found.media.turn) * Fraction(found.scale[1]) / Fraction(found.scale[0])
    if abs(stated / expected - 1) <= Fraction(1, 100):
        return ()
    return (
        f"the file states a sample aspect of {float(stated):.6g}; the job's squeeze and photosites would give "
        f"{float(expected):.6g}: players show it in another shape, the rectangles are right in stored pixels",
    )


def _misfit(decision: Decision, facts: FileFacts) -> MediaCheck:
    capture, picture = decision.capture, facts.picture
    recorded = capture.raster
    reasons = [
        f"the file's picture is {picture.width} x {picture.height}; the recording is "
        f"{recorded.width} x {recorded.height}, and no scale, desqueeze or stated turn makes one of the other"
    ]
    guesses = [*_unstated_turns(decision, facts)]
    if guesses:
        reasons.append("it has the recording's shape turned, but states no rotation: the direction cannot be known")
    else:
        guesses = [*_unstated_bars(decision, facts)]
        reasons.append(
            "it may hold the whole recording with bars, or only a part of it; state where the picture lies (content)"
        )
    possible = tuple(reading(decision, facts, media) for media in guesses)
    return MediaCheck("does_not_fit", None, tuple(reasons), possible)


def _unstated_turns(decision: Decision, facts: FileFacts) -> Iterator[Media]:
    for turn in TURNS:
        if turn not in stated_turns(decision.capture, facts):
            yield from whole_picture(decision, facts, turn)


def _unstated_bars(decision: Decision, facts: FileFacts) -> Iterator[Media]:
    """Yield the recording, whole and centred at the largest scale up to 1, inside a picture of another shape."""
    picture = facts.picture
    for turn in stated_turns(decision.capture, facts):
        turned = turned_raster(decision.capture.raster, turn)
        for stretch in dict.fromkeys((Fraction(1), turned_pixel_shape(decision.capture, turn))):
            full_width, full_height = turned.width * stretch, Fraction(turned.height)
            scale = min(Fraction(picture.width) / full_width, Fraction(picture.height) / full_height, Fraction(1))
            width, height = float(full_width * scale), float(full_height * scale)
            x = float(Fraction(picture.x) + (Fraction(picture.width) - full_width * scale) / 2)
            y = float(Fraction(picture.y) + (Fraction(picture.height) - full_height * scale) / 2)
            yield Media(Raster(facts.width, facts.height), turn, Area(x, y, width, height))
