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
    ("hold", "Take the load off: hold the camera, park the motors, keep people clear."),
    ("mount", "Turn the body to {position} on the points rated for it; close and check every lock."),
    ("safety_line", "Attach the safety line again, and see that it is free of the load in the new position."),
    ("level", "Level the camera again, on the picture and not on the body."),
    ("balance", "Balance head or stabiliser again on all axes; on a stabiliser run its tuning again."),
    ("lens_support", "Set the lens support to the new height of the axis{post}."),
    ("motors", "Set the lens motors again: brackets, gears, calibration, end stops."),
    ("matte_box", "Set the matte box again: height, sideways place, and which way flags and shade lie."),
    ("filters", "Turn grads back to the horizon and set the polariser by eye again; both turned with the camera."),
    ("viewfinder", "Move the viewfinder to where it can be reached and seen."),
    (
        "monitor_turn",
        "Show the picture turned by {roll} degrees clockwise at every monitor; the recording stays as it is.",
    ),
    ("overlay", "Load the overlay for {position} into every monitor and finder."),
    ("cards", "Check that card doors open and that cards can be changed."),
    ("buttons", "Check that record, power and menu can be reached."),
    ("fans", "Check that cooling openings are free and blow at nobody and into nothing."),
    ("battery", "Check that the battery's mount is rated for {position}, and that it is locked."),
    ("cables", "Lead cables anew, without pull, clear of joints that turn."),
    ("antennas", "Point antennas anew and check the link of video, motors and timecode."),
    ("horizon_data", "Check what the camera records of its roll: turn the horizon data off or note the position."),
    (
        "slate",
        "Write {position} on the slate and in the report: shown upright by a turn of {roll} degrees clockwise.",
    ),
)
_MODE: tuple[tuple[str, str], ...] = (
    ("mode", "Set the camera to {mode} and check raster, frame rate and codec on its screen."),
    ("mode_overlay", "Load the overlay for {mode} into every monitor and finder."),
)


def changeover_steps(job: Job, positions: Sequence[tuple[int, Capture]]) -> tuple[ChangeoverStep, ...]:
    """Return the steps of a plan, in order: into its first position where that is turned, then from pass to pass."""
    steps: list[ChangeoverStep] = []
    before: tuple[int, Capture | None] = (positions[0][0], None)
    for number, capture in positions:
        last = before[1]
        if number != before[0]:
            steps.extend(_steps(_MODE, job, capture))
        if capture.roll != (0 if last is None else last.roll):
            steps.extend(_steps(_TURNING, job, capture))
        before = (number, capture)
    return tuple(steps)


def _steps(rows: Sequence[tuple[str, str]], job: Job, capture: Capture) -> Iterator[ChangeoverStep]:
    words = {
        "position": "the upright position" if capture.roll == 0 else f"roll {capture.roll}",
        "roll": str(capture.roll),
        "mode": capture.label or "the other capture",
        "post": _post(job.rig, capture.roll),
    }
    for code, text in rows:
        yield ChangeoverStep(code, text.format(**words))
    if rows is _TURNING and job.rig is not None:
        check = rig_check(job.rig, capture.roll)
        for side in check.blocked:
            yield ChangeoverStep(
                "blocked", f"Make room for the {side.need} at the {side.face} face: {side.short_mm:g} mm."
            )


def _post(rig: Rig | None, roll: Roll) -> str:
    post = None if rig is None else rig_check(rig, roll).post_mm
    return "" if not post else f": {abs(post):g} mm {'higher' if post > 0 else 'lower'} than the rods' convention"
