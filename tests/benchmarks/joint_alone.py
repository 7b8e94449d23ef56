"""The joint solver alone: beside SciPy's MILP, beside a continuous relaxation, and many frames beside few."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable
from typing import Any

import claims
import numpy as np
from measure import Row, in_turn, timed
from scipy.optimize import Bounds, LinearConstraint, milp, minimize
from worst_joint_job import hunt

from tallwide.job import Job, exact
from tallwide.wire import from_wire
from tallwide_service.core import solve
from tallwide_service.core.candidates import Shape, chain_sides

ASPECTS = ("16:9", "9:16", "1:1", "4:5", "2.39:1", "2:3", "1.85:1", "3:4")
WIDTH, HEIGHT, STEP = 12_288, 8_640, 2
# A common eye line: where it lies in the picture and in each frame; the subject that all hold, px; the lens's circle.
LINE, EYES, SUBJECT, CIRCLE_MM, PITCH_UM = 0.36, 0.33, (4_000, 1_500, 1_500, 4_000), 50.0, 3.9


def document(frames: int, *, width: int = WIDTH, circle_mm: float | None = None, objective: str = "largest") -> Any:
    """Return a job of frames with a common top on a free point; other widths make other jobs."""
    lens: dict[str, Any] = {} if circle_mm is None else {"lens": {"image_circle_mm": circle_mm}}
    return {
        "capture": {"raster": {"width": width, "height": HEIGHT}, "photosite_pitch_um": PITCH_UM, **lens},
        "deliverables": [
            {"label": f"frame {place}", "aspect": aspect, "align": {"x": 0.5, "y": 0}}
            for place, aspect in enumerate(ASPECTS[:frames])
        ],
        "framing": {"arrangement": "shared_point", "objective": objective},
    }


def varied(frames: int, **options: Any) -> Callable[[], object]:
    """Return a call that solves another job each time, so that no answer and no chain of sizes is remembered."""
    widths = itertools.count(WIDTH, -2)
    return lambda: solve(from_wire(Job, document(frames, width=next(widths), **options)))


def on_a_line(width: int = WIDTH) -> Any:
    """Return a job of three frames with an eye line in common, inside a circle and around a subject."""
    job = document(3, width=width, circle_mm=CIRCLE_MM)
    for frame in job["deliverables"]:
        frame["align"] = {"x": 0.5, "y": EYES}
    job["framing"] |= {"point": {"y": LINE}, "subject": dict(zip(("x", "y", "width", "height"), SUBJECT, strict=True))}
    return job


def in_order_by_milp() -> list[tuple[int, int]]:
    """Return the sizes of three frames on one point under `in_order`, by HiGHS, a goal after the other.

    A switch for each of the 400 largest candidate sizes of a frame, places in whole steps.
    """
    job = from_wire(Job, document(3))
    shapes = [Shape(frame.ratio, exact(job.framing.aspect_tolerance), job.capture.grid) for frame in job.deliverables]
    sizes = [np.column_stack(chain_sides(shape, WIDTH, HEIGHT))[-400:] for shape in shapes]
    starts = np.cumsum([0] + [len(each) for each in sizes])
    switches, total = int(starts[-1]), int(starts[-1]) + 6 + 2
    rows, low, high = [], [], []
    for i, each in enumerate(sizes):
        span = slice(int(starts[i]), int(starts[i + 1]))
        chosen = np.zeros(total)
        chosen[span] = 1
        rows.append(chosen)
        low.append(1.0)
        high.append(1.0)
        for axis, (length, align) in enumerate(((WIDTH, 0.5), (HEIGHT, 0.0))):
            inside, level = np.zeros(total), np.zeros(total)
            inside[span], level[span] = each[:, axis], each[:, axis] * align
            inside[switches + 2 * i + axis] = level[switches + 2 * i + axis] = STEP
            level[switches + 6 + axis] = -1
            rows += [inside, level]
            low += [0.0, 0.0]
            high += [float(length), STEP - 0.01]
    upper, lower = np.concatenate([np.ones(switches), np.full(8, float(WIDTH))]), np.zeros(total)
    found: list[tuple[int, int]] = []
    for i, each in enumerate(sizes):
        goal = np.zeros(total)
        goal[starts[i] : starts[i + 1]] = -(each[:, 0] * each[:, 1]) / (WIDTH * HEIGHT)
        answer = milp(
            goal,
            constraints=LinearConstraint(np.array(rows), low, high),
            integrality=np.concatenate([np.ones(switches + 6), np.zeros(2)]),
            bounds=Bounds(lower, upper),
            options={"mip_rel_gap": 0},
        )
        if not answer.success:
            raise RuntimeError(answer.message)
        best = int(np.argmax(answer.x[starts[i] : starts[i + 1]]))
        lower[starts[i] + best] = 1  # what is decided stays
        found.append(tuple(each[best].tolist()))
    return found


def relaxed_by_slsqp() -> object:
    """Return the continuous relaxation of three frames under `largest`, in heights of the raster: no grid."""
    ratios = [float(frame.ratio) for frame in from_wire(Job, document(3)).deliverables]
    wide = WIDTH / HEIGHT

    def room(values: np.ndarray) -> np.ndarray:
        x, y, *heights = values
        spare = [[x - h * r / 2, wide - x - h * r / 2, 1 - y - h] for h, r in zip(heights, ratios, strict=True)]
        return np.array([y, *np.ravel(spare)])

    found = minimize(
        lambda values: -np.log(np.maximum(values[2:], 1e-6)).sum(),
        [wide / 2, 0.25, 0.25, 0.25, 0.25],
        constraints={"type": "ineq", "fun": room},
        method="SLSQP",
    )
    if not found.success or abs(found.x[3] - 1) > 1e-3:
        raise RuntimeError(f"no optimum: {found.message}, {found.x}")
    return found


def relaxed_on_a_line_by_slsqp() -> object:
    """Return the continuous relaxation of the three frames on a line, in heights of the raster: no grid."""
    ratios = np.array([float(frame.ratio) for frame in from_wire(Job, on_a_line()).deliverables])
    wide, radius = WIDTH / HEIGHT, CIRCLE_MM / 2 / (PITCH_UM / 1000 * HEIGHT)
    x, y, across, down = (length / HEIGHT for length in SUBJECT)

    def room(values: np.ndarray) -> np.ndarray:
        middle, heights = values[0], values[1:]
        left, right = middle - heights * ratios / 2, middle + heights * ratios / 2
        top, bottom = LINE - EYES * heights, LINE + (1 - EYES) * heights
        corners = [
            radius**2 - (side - wide / 2) ** 2 - (edge - 0.5) ** 2 for side in (left, right) for edge in (top, bottom)
        ]
        inside = [left, wide - right, top, 1 - bottom]
        around = [x - left, right - x - across, y - top, bottom - y - down]
        return np.concatenate([*corners, *inside, *around])

    found = minimize(
        lambda values: -np.log(np.maximum(values[1:], 1e-6)).sum(),
        [wide / 2, 0.7, 0.7, 0.7],
        constraints={"type": "ineq", "fun": room},
        method="SLSQP",
    )
    if not found.success:
        raise RuntimeError(f"no optimum: {found.message}, {found.x}")
    return found


def rows(rounds: int, hostile: int) -> list[Row]:
    """Return what joint jobs cost."""
    few, plain, order = varied(3, circle_mm=CIRCLE_MM), varied(3), varied(3, objective="in_order")
    many, widths = varied(8, circle_mm=CIRCLE_MM), itertools.count(WIDTH, -2)
    calls = (few, many, order, in_order_by_milp, relaxed_by_slsqp, plain)
    three, eight, ours, by_milp, relaxed, raster = in_turn(rounds, *(lambda call=call: timed(call) for call in calls))
    line, relaxed_line = in_turn(
        rounds,
        lambda: timed(lambda: solve(from_wire(Job, on_a_line(next(widths))))),
        lambda: timed(relaxed_on_a_line_by_slsqp),
    )
    ours_found = [
        (each.rect.width, each.rect.height)
        for each in solve(from_wire(Job, document(3, objective="in_order"))).extractions
    ]
    if in_order_by_milp() != ours_found:
        raise RuntimeError("MILP and the solver disagree")
    began = time.perf_counter()
    worst = hunt(range(hostile), frames=8)
    return [
        Row(
            claims.JOINT_CIRCLE,
            f"{three * 1e3:.1f} ms",
            "",
            three * 1e3,
        ),
        Row(claims.JOINT_RASTER, f"{raster * 1e3:.1f} ms", "", raster * 1e3),
        Row(
            claims.JOINT_EIGHT,
            f"{eight * 1e3:.1f} ms",
            f"{three * 1e3:.1f} ms",
            eight / three,
        ),
        Row(
            claims.JOINT_MILP,
            f"{ours * 1e3:.1f} ms",
            f"MILP {by_milp * 1e3:.0f} ms",
            by_milp / ours,
        ),
        Row(
            claims.JOINT_SLSQP,
            f"{raster * 1e3:.1f} ms",
            f"{relaxed * 1e3:.1f} ms",
            raster / relaxed,
        ),
        Row(
            claims.JOINT_SLSQP_LINE,
            f"{line * 1e3:.1f} ms",
            f"{relaxed_line * 1e3:.1f} ms",
            line / relaxed_line,
        ),
        Row(
            claims.JOINT_HOSTILE,
            f"{worst.seconds:.2f} s (seed {worst.seed} of {hostile})",
            f"{worst.unproven} not proven, {time.perf_counter() - began:.0f} s in all",
            worst.seconds,
        ),
    ]
