"""Reasons: why a plan stands where it stands, in sentences that a technician reads to a producer.

Codes and members are stable; sentences are for people.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from tallwide.answers import Reason
from tallwide.geometry import squeeze_along
from tallwide.job import Capture, Criterion, Job, exact
from tallwide_service.core.positions import Pass, Take
from tallwide_service.core.production import captures_of
from tallwide_service.core.rig import rig_check, rig_faults
from tallwide_service.core.standing import Draft, standing

CRITERION_WORDS: dict[Criterion, str] = {
    "enough_pixels": "pixels against what is asked",
    "passes": "passes",
    "changeovers": "change-overs",
    "lens_covers": "what the lens covers",
    "minutes": "time",
    "megabytes": "storage",
    "smallest_oversampling": "smallest oversampling",
    "reframe_room": "room to reframe",
    "same_moment": "the same moment in all frames",
}
MARGIN_CODES = {"enough": "enough_pixels", "at_limit": "pixels_at_limit", "short": "too_few_pixels"}


def plan_reasons(job: Job, plan: Draft, dominated_by: int | None, better: Draft | None) -> tuple[Reason, ...]:
    """Return the reasons of one plan, from what it is to what each deliverable gets."""
    return (
        *_moment(plan),
        *_beaten(plan, dominated_by, better),
        *day_reasons(job, plan),
        *(reason for one in plan.passes for reason in _position(job, one)),
        *_rig(job, plan),
        *(reason for one in plan.passes for reason in _minimums(one)),
        *(reason for one in plan.passes for take in one.takes for reason in _frame(take)),
    )


def _moment(plan: Draft) -> Iterator[Reason]:
    count = len(plan.passes)
    if count == 1:
        yield Reason("one_pass", "All frames come out of one take and show the same moment.")
        return
    yield Reason(
        "two_passes" if count == 2 else "three_passes",
        f"{'Two' if count == 2 else 'Three'} passes never show the same performance: editors cannot cut between their "
        "frames as of one moment.",
        numbers={"passes": count},
    )


def _beaten(plan: Draft, dominated_by: int | None, better: Draft | None) -> Iterator[Reason]:
    if dominated_by is None or better is None:
        return
    mine, theirs = standing(plan), standing(better)
    gains = ", ".join(CRITERION_WORDS[name] for name in mine if theirs[name] > mine[name])
    text = f"Plan {dominated_by + 1} is as good in every criterion and better in: {gains}."
    yield Reason("dominated", text, numbers={"plan": dominated_by})


def day_reasons(job: Job, plan: Draft) -> Iterator[Reason]:
    """Say what the plan costs the day, and whether the day has it."""
    cost, production = plan.cost, job.production
    if cost.changeovers:
        times = "once" if cost.changeovers == 1 else f"{cost.changeovers:,} times"
        yield Reason(
            "changeovers",
            f"The camera is changed over {times} in the day, starting upright.",
            numbers={"changeovers": cost.changeovers},
        )
    if production is None:
        return
    for name, unit, needed, available in (
        ("time", "minutes", cost.minutes, production.minutes_available),
        ("storage", "megabytes", cost.megabytes, production.megabytes_available),
    ):
        if needed is None:
            if available is not None:
                yield Reason(f"{name}_unknown", f"Too little is stated to know the plan's {unit}.")
            continue
        text, numbers = f"It takes {_amount(needed)} {unit}", {unit: float(needed)}
        if available is None:
            yield Reason(f"enough_{name}", f"{text}.", numbers=numbers)
            continue
        spare = exact(available) - needed
        words = f"{_amount(abs(spare))} {'to spare' if spare >= 0 else 'are missing'}"
        numbers |= {"available": float(available), "spare": float(spare)}
        code = f"{'enough' if spare >= 0 else 'too_little'}_{name}"
        yield Reason(code, f"{text}; {available:,} are available, {words}.", numbers=numbers)


def _amount(value: Fraction) -> str:
    """Return an amount with its thousands apart, to a tenth."""
    return f"{float(value):,.1f}".removesuffix(".0")


def _position(job: Job, one: Pass) -> Iterator[Reason]:
    """Say what the position of a pass does to its picture."""
    position, capture = one.position, one.position.capture
    if position.roll:
        how = "on its side, by" if capture.is_on_its_side else "by"
        text = f"The camera is turned {how} {position.roll} degrees clockwise, seen from behind."
        yield Reason("turned", text, numbers={"roll": position.roll})
        if capture.is_on_its_side:
            yield Reason(
                "bands_turn",
                "Rows stand upright: bands from lamps and LED walls stand upright too, and pan and tilt change roles.",
                numbers={"roll": position.roll},
            )
    yield from _squeeze(capture)
    if position.number and job.framing.subject is not None:
        yield Reason(
            "subject_carried", "The subject keeps its offset from the picture's centre, measured in the scene."
        )
    given = captures_of(job)[position.number][1]
    if capture.raster.height < given.raster.height:
        rate = capture.frames_per_second or 0
        yield Reason(
            "frame_rate_limits_height",
            f"At {rate:g} frames per second this mode records {capture.raster.height:,} of its "
            f"{given.raster.height:,} lines.",
            numbers={"frames_per_second": rate, "lines": capture.raster.height, "full_lines": given.raster.height},
        )
    if capture.detail_factor != 1:
        yield Reason(
            "detail_factor",
            f"The colour filter array is said to leave {capture.detail_factor:g} of the detail; verdicts count pixels.",
            numbers={"detail_factor": capture.detail_factor},
        )


def _rig(job: Job, plan: Draft) -> Iterator[Reason]:
    """Say what of the rig does not fit where the plan puts it, once a roll."""
    if job.rig is not None:
        for roll in dict.fromkeys(one.position.roll for one in plan.passes):
            yield from rig_faults(rig_check(job.rig, roll))


def _minimums(one: Pass) -> Iterator[Reason]:
    """Say which frames the objective alone would leave short, and what holding the minimums takes from the others."""
    if one.unheld is None:
        return
    short = [take for take in one.unheld if take.reach is not None and take.reach < 1]
    given = [
        f"{_size_in_words(after)} instead of {_size_in_words(before, named=False)}"
        for before, after in zip(one.unheld, one.takes, strict=True)
        if after.extraction.rect.area < before.extraction.rect.area
    ]
    worst = min(short, key=lambda take: take.reach or Fraction(0))
    ratio = float(worst.over or 0)
    text = (
        f'The objective alone would leave "{worst.deliverable.label}" an oversampling of {ratio:.3g}, '
        f"{worst.deliverable.minimum_oversampling:g} is asked: the minimums are held"
        + (f", which leaves {in_a_row(given)}." if given else ".")
    )
    numbers = {"oversampling": ratio, "asked": worst.deliverable.minimum_oversampling, "short": len(short)}
    yield Reason("minimums_held", text, deliverable=worst.deliverable.label, numbers=numbers)


def _size_in_words(take: Take, *, named: bool = True) -> str:
    frame = take.extraction.upright_rect
    size = f"{frame.width:,} x {frame.height:,}"
    return f'"{take.deliverable.label}" {size} px' if named else size


def _squeeze(capture: Capture) -> Iterator[Reason]:
    """Say what the squeeze does: it stays on its sensor axis when the body turns."""
    if capture.squeeze == 1:
        return
    picture, squeeze = capture.upright_raster, squeeze_along(capture)
    across, down = squeeze[::-1] if capture.is_on_its_side else squeeze
    width, height = picture.width * exact(across), picture.height * exact(down)
    axis = "sensor's " + ("width" if capture.squeeze_axis == "sensor_width" else "height")
    lies = "across" if across != 1 else "upright"
    yield Reason(
        "squeeze_turns_with_body" if capture.is_on_its_side else "squeeze",
        f"The squeeze of {capture.squeeze:g} acts along the {axis}, which lies {lies} here: {picture.width:,} x "
        f"{picture.height:,} px show the shape of {float(width):,.6g} x {float(height):,.6g}. A lens that is turned in "
        "its mount is another capture.",
        numbers={"squeeze": capture.squeeze, "scene_width": float(width), "scene_height": float(height)},
    )


def _frame(take: Take) -> Iterator[Reason]:
    if take.covered is False:
        frame = take.extraction.upright_rect
        yield Reason(
            "lens_cuts",
            f'"{take.deliverable.label}" is {frame.width:,} x {frame.height:,} px because the lens covers no more.',
            deliverable=take.deliverable.label,
            numbers={"width": frame.width, "height": frame.height},
        )
    if take.reach is not None:
        yield pixels_reason(take)


def pixels_reason(take: Take) -> Reason:
    """Say what one deliverable has and needs."""
    frame, needed, margin = take.extraction.upright_rect, take.deliverable.raster, take.margin
    assert needed is not None and margin.oversampling is not None  # noqa: S101, PT018 - asked only where a raster is
    ratio = margin.oversampling.smaller
    text = (
        f'"{take.deliverable.label}" has {frame.width:,} x {frame.height:,} px for {needed.width:,} x '
        f"{needed.height:,}: oversampling {ratio:.3g}, {margin.minimum_oversampling:g} is asked."
    )
    return Reason(
        MARGIN_CODES[margin.verdict or "short"],
        text,
        deliverable=take.deliverable.label,
        numbers={"oversampling": ratio, "asked": margin.minimum_oversampling},
    )


def passes_in_words(plan: Draft, job: Job) -> str:
    """Return what is shot, in words."""
    several = bool(job.alternatives)
    parts = [position_in_words(one, named=several) for one in plan.passes]
    count = {1: "one pass", 2: "two passes", 3: "three passes"}[len(parts)]
    return f"{count}, {in_a_row(parts)}"


def in_a_row(parts: Sequence[str]) -> str:
    """Return words in a row, the last two with "and" between them."""
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]


def position_in_words(one: Pass, *, named: bool) -> str:
    """Return where the camera stands in a pass, with the capture's name where there are several."""
    turned = "upright" if one.position.roll == 0 else f"turned by {one.position.roll} degrees"
    if not named:
        return turned
    name = one.position.capture.label or (
        "the job's capture" if one.position.number == 0 else f"alternative {one.position.number}"
    )
    return f'{turned} on "{name}"'
