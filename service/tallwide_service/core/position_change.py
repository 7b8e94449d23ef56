"""Change-over lists: what to do, in order, when the camera goes from one position to another.

Common practice, no source; a reminder for the people who do it, not a method. The order is theirs
too: what keeps people safe first, then what the picture hangs on, then what the next take needs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tallwide.answers import ChangeoverStep
from tallwide.job import Capture, Job, Rig, Roll
from tallwide_service.core.rig import rig_check

_TURNING: tuple[tuple[str, str], ...] = (
    ("hold", "Take the load off: hold the camera, keep its second support on, park the motors, keep people clear."),
    ("mount", "Turn the body to {position} on the points rated for it; close and check every lock."),
    ("level", "Level the camera again, on the picture and not on the body."),
    ("balance", "Balance head or stabiliser again on all axes; on a stabiliser run its tuning again."),
    ("safety_line", "Attach the safety line again, and see that it is free of the load in the new position."),
    ("lens_support", "Set the lens support to the new height of the axis{post}."),
    ("motors", "Set the lens motors again: brackets, gears, calibration, end stops."),
    ("matte_box", "Set the matte box again: height, sideways place, and which way flags and shade lie."),
    ("filters", "Turn grads back to the horizon and set the polariser by eye again; both turned with the camera."),
    ("viewfinder", "Move the viewfinder to where it can be reached and seen."),
    ("monitor_turn", "{monitors}"),
    ("cards", "Check that card doors open and that cards can be changed."),
    ("buttons", "Check that record, power and menu can be reached."),
    ("fans", "Check that cooling openings are free and blow at nobody and into nothing."),
    ("battery", "Check that the battery's mount is rated for {position}, and that it is locked."),
    ("cables", "Lead cables anew, without pull, clear of joints that turn."),
    ("antennas", "Point antennas anew and check the link of video, motors and timecode."),
    ("horizon_data", "Check what the camera records of its roll: turn the horizon data off or note the position."),
    ("slate", "{slate}"),
    ("overlay", "Load the overlay for {position} into every monitor and finder."),
)
_MODE: tuple[tuple[str, str], ...] = (
    ("mode", "Go over to {mode} and check raster, frame rate and codec on its screen."),
    ("mode_overlay", "Load the overlay for {mode} into every monitor and finder."),
)
_LENS: tuple[tuple[str, str], ...] = (
    ("lens", "Put on the lens {lens}, and set support, motors, matte box and focus marks for it."),
)


def changeover_steps(job: Job, positions: Sequence[tuple[int, Capture]]) -> tuple[ChangeoverStep, ...]:
    """Return the steps of a plan, in order: into its first position where that is turned, then from pass to pass."""
    steps: list[ChangeoverStep] = []
    last: tuple[int, Roll, str | None] = (positions[0][0], 0, _lens_label(positions[0][1]))
    for place, (number, capture) in enumerate(positions):
        lens = _lens_label(capture)
        if capture.roll != last[1]:
            steps.extend(_steps(_TURNING, job, capture, place))
        if number != last[0]:
            steps.extend(_steps(_MODE, job, capture, place))
        if lens is not None and lens != last[2]:
            steps.extend(_steps(_LENS, job, capture, place))
        last = (number, capture.roll, lens or last[2])
    return tuple(steps)


def _lens_label(capture: Capture) -> str | None:
    return None if capture.lens is None else capture.lens.label


def _steps(rows: Sequence[tuple[str, str]], job: Job, capture: Capture, place: int) -> Iterator[ChangeoverStep]:
    is_upright = capture.roll == 0
    position = "the upright position" if is_upright else f"roll {capture.roll}"
    turn = f"shown upright by a turn of {capture.roll} degrees clockwise"
    words = {
        "position": position,
        "mode": capture.label or "the other capture",
        "lens": _lens_label(capture) or "",
        "post": _post(job.rig, capture.roll),
        "monitors": "Show the picture as it is recorded again at every monitor."
        if is_upright
        else f"Show the picture turned by {capture.roll} degrees clockwise at every monitor; "
        "the recording stays as it is.",
        "slate": f"Write {position} on the slate and in the report{'' if is_upright else f': {turn}'}.",
    }
    for code, text in rows:
        yield ChangeoverStep(code, text.format(**words), place)
    if rows is _TURNING and job.rig is not None:
        check = rig_check(job.rig, capture.roll)
        for side in check.blocked:
            text = f"Make room for the {side.need} at the {side.face} face: {side.short_mm:g} mm."
            yield ChangeoverStep("blocked", text, place)


def _post(rig: Rig | None, roll: Roll) -> str:
    post = None if rig is None else rig_check(rig, roll).post_mm
    return "" if not post else f": {abs(post):g} mm {'higher' if post > 0 else 'lower'} than the rods' convention"
