"""Rigs: whether rods, support, faces and sides still fit when the camera is turned. Arithmetic of lengths only.

No load is calculated and none is promised. Lengths are mm; heights are above the plane of the rods'
centres, sideways is right of their middle, seen from behind the camera. Everything about the rig
is what the user says; what is not said stays open.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from tallwide.answers import BlockedSide, Reason, RigCheck
from tallwide.job import AxisPlace, Face, Number, Rig, Roll, RoomNeed, exact

# Conventions of the trade (common practice, no source): height of the optical axis over the rods'
# centres, and where it lies beside their middle. The pair of the 15 mm studio system is shifted
# 17.25 mm to the right, so that the axis lies left of its middle.
STANDARD_AXIS: dict[str, AxisPlace] = {
    "light_15": AxisPlace(85, 0),
    "studio_15": AxisPlace(118, -17.25),
    "studio_19": AxisPlace(120, 0),
}
PLURAL = {"cables", "cards", "buttons"}
FAULTS = {"face_may_not_carry", "support_out_of_reach", "side_blocked", "not_rated"}
# A body turned clockwise, seen from behind, stands on the face that was its right one.
LOWER_FACE: dict[Roll, Face] = {0: "bottom", 90: "right", 180: "top", 270: "left"}


def rig_check(rig: Rig, roll: Roll) -> RigCheck:
    """Return how a rig fits with the camera at one roll."""
    standing_on: Face = "bottom" if rig.held_by == "bottom" else LOWER_FACE[roll]
    may_carry = None if rig.carrying_faces is None else standing_on in rig.carrying_faces
    axis = axis_place(rig, roll)
    standard = standard_axis(rig)
    height = sideways = None
    if axis is not None and standard is not None:
        height = exact(axis.height_mm) - exact(standard.height_mm)
        sideways = exact(axis.sideways_mm) - exact(standard.sideways_mm)
    misses = None if axis is None else support_misses(rig, axis)
    check = RigCheck(
        roll=roll,
        standing_on=standing_on,
        may_carry=may_carry,
        rods_centred=None if axis is None else axis.sideways_mm == 0,
        height_error_mm=None if height is None else float(height),
        sideways_error_mm=None if sideways is None else float(sideways),
        post_mm=None if height is None else float(height),
        support_reaches=None if misses is None else misses == 0,
        support_misses_mm=None if misses is None else float(misses),
        blocked=blocked_sides(rig, roll, standing_on),
        not_rated=tuple(rating.label for rating in rig.ratings if roll not in rating.rolls),
        reasons=(),
    )
    return replace(check, reasons=tuple(_reasons(check)))


def axis_place(rig: Rig, roll: Roll) -> AxisPlace | None:
    """Return where the optical axis lies at a roll, as far as the rig says it."""
    if roll in (0, 180):
        return rig.axis_upright_mm
    if roll == 270 and rig.axis_roll_270_mm is not None:
        return rig.axis_roll_270_mm
    return rig.axis_turned_mm


def rig_faults(check: RigCheck) -> tuple[Reason, ...]:
    """Return what does not fit; of two rolls that are worth the same, the one with fewer faults comes first."""
    return tuple(reason for reason in check.reasons if reason.code in FAULTS)


def standard_axis(rig: Rig) -> AxisPlace | None:
    """Return where the optical axis belongs: by the user's own figures, or by the convention that is named."""
    if rig.standard_axis_mm is not None:
        return rig.standard_axis_mm
    return None if rig.rods is None else STANDARD_AXIS[rig.rods]


def support_misses(rig: Rig, axis: AxisPlace) -> Fraction | None:
    """Return by how much the lens support cannot reach the axis: above its range positive, below negative."""
    if rig.support_mm is None:
        return None
    height, least, most = (exact(each) for each in (axis.height_mm, rig.support_mm.least_mm, rig.support_mm.most_mm))
    return max(height - most, Fraction(0)) + min(height - least, Fraction(0))


def blocked_sides(rig: Rig, roll: Roll, standing_on: Face) -> tuple[BlockedSide, ...]:
    """Return what has less room than it needs; a face that the camera stands on has none."""
    blocked = []
    for need in rig.room:
        room: Number | None = 0 if need.face == standing_on else _room(need, roll)
        if room is not None and room < need.needed_mm:
            short = float(exact(need.needed_mm) - exact(room))
            blocked.append(BlockedSide(need.face, need.need, need.needed_mm, room, short))
    return tuple(blocked)


def says_room(rig: Rig, roll: Roll) -> bool:
    """Whether the rig says of anything how much room it has at a roll."""
    return any(_room(need, roll) is not None for need in rig.room)


def _room(need: RoomNeed, roll: Roll) -> Number | None:
    return {0: need.upright_mm, 90: need.roll_90_mm, 270: need.roll_270_mm}.get(roll)


def _reasons(check: RigCheck) -> list[Reason]:
    """Say in sentences what the figures say."""
    at = "Upright" if check.roll == 0 else f"At roll {check.roll}"
    reasons = []
    if check.may_carry is False:
        reasons.append(
            Reason(
                "face_may_not_carry", f"{at} the camera stands on its {check.standing_on} face, not said to carry it."
            )
        )
    if check.rods_centred is not None:
        where = "lies over the middle of the rods" if check.rods_centred else "does not lie over the middle of the rods"
        reasons.append(
            Reason("rods_centred" if check.rods_centred else "rods_off_centre", f"{at} the optical axis {where}.")
        )
    if check.height_error_mm is not None and check.sideways_error_mm is not None:
        reasons.extend(_axis_reasons(check, at, check.height_error_mm, check.sideways_error_mm))
    if check.support_misses_mm:
        reasons.append(
            Reason(
                "support_out_of_reach",
                f"{at} the lens support misses the axis by {abs(check.support_misses_mm):g} mm.",
                numbers={"misses_mm": check.support_misses_mm},
            )
        )
    reasons += [
        Reason(
            "side_blocked",
            f"{at} {side.need} have {side.room_mm:g} of {side.needed_mm:g} mm at the {side.face} face."
            if side.need in PLURAL
            else f"{at} the {side.need} has {side.room_mm:g} of {side.needed_mm:g} mm at the {side.face} face.",
            numbers={"room_mm": side.room_mm, "needed_mm": side.needed_mm, "short_mm": side.short_mm},
        )
        for side in check.blocked
    ]
    reasons += [
        Reason("not_rated", f"{label} is not said to be rated for roll {check.roll}.") for label in check.not_rated
    ]
    return reasons


def _axis_reasons(check: RigCheck, at: str, height: float, sideways: float) -> list[Reason]:
    if not height and not sideways:
        return [Reason("axis_as_standard", f"{at} the optical axis lies where the rods expect it.")]
    reasons = []
    if height:
        way, post = ("high", "longer") if height > 0 else ("low", "shorter")
        reasons.append(
            Reason(
                "axis_height",
                f"{at} the axis lies {abs(height):g} mm too {way}: the support's post is {abs(height):g} mm {post}.",
                numbers={"height_error_mm": height, "post_mm": check.post_mm or 0},
            )
        )
    if sideways:
        side = "right" if sideways > 0 else "left"
        reasons.append(
            Reason(
                "axis_sideways",
                f"{at} the axis lies {abs(sideways):g} mm too far {side}: support, matte box and motors with it.",
                numbers={"sideways_error_mm": sideways},
            )
        )
    return reasons
