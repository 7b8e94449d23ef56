"""The demo's day: which camera, which way round, which lens, and what a camera beside it has to have.

A kit file holds the invented cameras, lenses and a rig; the day's job names them by label.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping
from itertools import groupby
from pathlib import Path
from typing import Any

from tallwide.answers import CoverageAnswer, CoverageRow, MatchAnswer, OpticsAnswer, OrientationAnswer, Plan
from tallwide.client import Client
from tallwide.kit import Kit
from tallwide.wire import to_wire

REPORT_WIDTH = 110
PLANS_SHOWN = 6

LENSES: dict[str, dict[str, Any]] = {
    "32": {"focal_length_mm": 32, "f_number": 4, "image_circle_mm": 34.5, "focus_distance_mm": 3000},
    "27": {"focal_length_mm": 27, "f_number": 4, "image_circle_mm": 31},
    "24-70": {
        "f_number": 4,
        "settings": [
            {"focal_length_mm": 24, "image_circle_mm": 30.5},
            {"focal_length_mm": 35, "image_circle_mm": 33},
            {"focal_length_mm": 70, "image_circle_mm": 36},
        ],
    },
    "50 squeezed": {"focal_length_mm": 50, "squeeze": 2, "covered_mm": {"width": 26, "height": 22}},
}
RIGS: dict[str, dict[str, Any]] = {
    "studio plate": {
        "rods": "studio_19",
        "axis_upright_mm": {"height_mm": 120},
        "axis_turned_mm": {"height_mm": 151},
        "axis_roll_270_mm": {"height_mm": 138},
        "support_mm": {"least_mm": 100, "most_mm": 145},
        "carrying_faces": ["bottom", "left"],
        "room": [
            {"face": "left", "need": "cards", "needed_mm": 60, "roll_270_mm": 45},
            {"face": "right", "need": "cooling", "needed_mm": 30, "roll_90_mm": 0},
        ],
        "ratings": [{"label": "battery mount", "rolls": [0, 90, 270]}],
    }
}
# What the day asks of the cameras beyond their frames.
RECORDING: dict[str, dict[str, Any]] = {
    "heron": {"lens": "32", "frames_per_second": 25, "readout_ms": 9, "data_rate_mb_s": 310},
    "kestrel": {"lens": "27", "frames_per_second": 25, "readout_ms": 12, "data_rate_mb_s": 180},
    "stork": {"lens": "50 squeezed", "frames_per_second": 25, "readout_ms": 14, "data_rate_mb_s": 420},
}
DAY: dict[str, Any] = {
    "shots": 8,
    "takes_per_shot": 4,
    "minutes_per_take": 3,
    "minutes_per_changeover": 20,
    "minutes_available": 420,
    "megabytes_available": 8_000_000,
}


def kit_of(captures: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Return the production's kit, of the demo's cameras."""
    return {
        "captures": {name: {**capture, **RECORDING[name]} for name, capture in captures.items()},
        "lenses": LENSES,
        "rigs": RIGS,
    }


def day_job(deliverables: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the day's job, its cameras, lenses and rig by label."""
    return {
        "version": 1,
        "id": "lantern-quay-day",
        "capture": "heron",
        "deliverables": deliverables,
        "alternatives": ["kestrel", "stork"],
        "production": DAY,
        "movement": {"pan_deg_s": 15},
        "rig": "studio plate",
        "captures": ["heron", "kestrel"],
        "lenses": ["32", "27", "24-70"],
        "match": {"capture": "kestrel", "focal_lengths_mm": [18, 21, 25, 27, 32, 35, 40]},
    }


def run_day(
    client: Client, folder: Path, captures: Mapping[str, Mapping[str, Any]], deliverables: list[dict[str, Any]]
) -> tuple[list[str], tuple[str, ...]]:
    """Decide the day; write kit, job, answers and the rental order; return the report and the cautions."""
    kit, labelled = kit_of(captures), day_job(deliverables)
    job = Kit.of(kit).merged(labelled)
    plans, table = client.orientation(job), client.coverage(job)
    match, optics = client.match(job), client.optics(job)
    folder.mkdir(exist_ok=True)
    answers = {"orientation": plans, "coverage": table, "match": match, "optics": optics}
    documents = {"kit": kit, "job": labelled, **{name: to_wire(answer) for name, answer in answers.items()}}
    for name, document in documents.items():
        text = json.dumps(document, indent=1, ensure_ascii=False) + "\n"
        (folder / f"{name}.json").write_text(text, encoding="utf-8")
    (folder / "rental_order.csv").write_text(client.rows_csv(job, "coverage"), encoding="utf-8")
    lines = [*_plans(plans), "", *_rental(table), "", *_beside(match), *_seen(optics)]
    return lines, plans.cautions if plans.plans[plans.recommended.plan].cost.turned_passes else ()


def _plans(answer: OrientationAnswer) -> Iterator[str]:
    title = "The day: one pass, a turn, another camera, or twice"
    yield title
    yield "-" * len(title)
    yield f"{'plan':<72}{'minutes':>9}{'GB':>9}{'tightest':>10}  feasible"
    for plan in [plan for plan in answer.plans if plan.dominated_by is None][:PLANS_SHOWN]:
        yield _plan(answer.plans.index(plan) + 1, plan)
    change = answer.what_would_change
    said = [each.text for each in (change.stricter, change.looser, change.changeover) if each is not None]
    for text in (answer.recommended.text, *said, *(mend.text for mend in change.mends[:2])):
        yield from textwrap.wrap(text, REPORT_WIDTH)
    for check in answer.rig:
        for reason in check.reasons:
            yield from textwrap.wrap(reason.text, REPORT_WIDTH)


def _plan(number: int, plan: Plan) -> str:
    passes = " and ".join(
        f"{(one.capture or '').split(',')[0]} {f'at roll {one.roll}' if one.roll else 'upright'} "
        f"({len(one.deliverables)} frames)"
        for one in plan.passes
    )
    gigabytes = "" if plan.cost.megabytes is None else f"{plan.cost.megabytes / 1000:,.0f}"
    tightest = "" if plan.smallest_oversampling is None else f"{plan.smallest_oversampling:.2f}"
    return (
        f"{f'{number}  {passes}':<72}{plan.cost.minutes or 0:>9,.0f}{gigabytes:>9}{tightest:>10}  "
        f"{'yes' if plan.feasible else 'no'}"
    )


def _rental(answer: CoverageAnswer) -> Iterator[str]:
    """Yield a line for each camera and lens: how many frames it covers, and the worst corner."""
    yield f"{'camera':<36}{'lens':<10}{'mm':>5}{'frames covered':>17}{'worst corner, mm':>19}  not covered"
    for (capture, lens, focal), group in groupby(answer.rows, key=_setup):
        rows = list(group)
        missed = [row.deliverable for row in rows if row.covered is False]
        spares = [row.spare_mm for row in rows if row.spare_mm is not None]
        worst = f"{min(spares):+.2f}" if spares else ""
        count = f"{len(rows) - len(missed)} of {len(rows)}"
        yield f"{capture:<36}{lens:<10}{focal:>5g}{count:>17}{worst:>19}  {', '.join(missed)}".rstrip()


def _setup(row: CoverageRow) -> tuple[str, str, float]:
    return row.capture or "", row.lens or "", row.focal_length_mm or 0


def _beside(answer: MatchAnswer) -> Iterator[str]:
    other = None if answer.job.match is None else answer.job.match.capture.label
    rows = [row for row in answer.rows if row.by == "width"]
    for row in rows[:3]:
        yield (
            f'"{row.deliverable}" as wide on {other}: {row.exact_mm:.1f} mm; {row.focal_length_mm:g} mm shows '
            f"{abs(row.error_pct or 0):.1f} % {'more' if (row.error_pct or 0) > 0 else 'less'}."
        )


def _seen(answer: OpticsAnswer) -> Iterator[str]:
    for frame in answer.frames[:3]:
        depth, effect = frame.depth_of_field, frame.readout
        if depth is not None and depth.near_mm is not None:
            far = "infinity" if depth.far_mm is None else f"{depth.far_mm / 1000:.2f} m"
            yield f'"{frame.deliverable}" is sharp from {depth.near_mm / 1000:.2f} m to {far}.'
        if effect is not None:
            yield f'"{frame.deliverable}": {effect.leaning} lean by {effect.lean_deg:.2f} degrees in the pan.'
