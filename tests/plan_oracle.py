"""Plans by brute force: every way to share deliverables out over every set of positions, nothing left out.

Written apart from the service's search: it solves passes with the solver, counts costs by hand, and
compares plans in every criterion. Exponential; for a few small deliverables.
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from itertools import product

from tallwide.job import Raster, exact
from tallwide_service.core import margins, solve
from tallwide_service.errors import CannotBeMet

DEFAULT_ORDER = (
    *("enough_pixels", "passes", "changeovers", "lens_covers", "minutes", "megabytes"),
    *("smallest_oversampling", "reframe_room", "same_moment"),
)


def every_plan(job):
    """Return every plan as (frozenset of passes, criteria): a pass is (capture index, roll, labels)."""
    captures = [recorded(capture) for capture in (job.capture, *(job.alternatives or ()))]
    modes = [number for number, capture in enumerate(captures) if capture is not None]
    positions = [(number, roll) for number in modes for roll in (job.rolls or (0, 90, 270))]
    frames = job.deliverables
    solved = {}
    for number, roll in positions:
        for mask in range(1, 1 << len(frames)):
            chosen = [frame for bit, frame in enumerate(frames) if mask >> bit & 1]
            solved[(number, roll), mask] = one_pass(job, replace(captures[number], roll=roll), chosen)
    shared = job.framing.arrangement == "shared_point"
    plans = {}
    for blocks in parts(len(frames), job.passes or 2):
        for where in product(positions, repeat=len(blocks)):
            if not shared and len(set(where)) < len(where):
                continue  # two passes in one position leave frames that lie alone as they are
            facts = [solved[position, mask] for position, mask in zip(where, blocks, strict=True)]
            if None in facts:
                continue
            key = frozenset(
                (number, roll, tuple(frame.label for bit, frame in enumerate(frames) if mask >> bit & 1))
                for (number, roll), mask in zip(where, blocks, strict=True)
            )
            plans[key] = criteria(job, captures, where, facts)
    return plans


def recorded(capture):
    """Return a capture with the lines that its frame rate leaves; `None` where it records none at that rate."""
    if capture.rate_limits is None:
        return capture
    lines = [limit.height for limit in capture.rate_limits if limit.frames_per_second >= capture.frames_per_second]
    return replace(capture, raster=Raster(capture.raster.width, max(lines)), rate_limits=None) if lines else None


def parts(count, most):
    """Yield masks that part so many deliverables into at most so many passes, each once."""
    for owners in product(range(most), repeat=count):
        seen = list(dict.fromkeys(owners))
        if seen == sorted(seen) and seen == list(range(len(seen))):
            yield [sum(1 << bit for bit in range(count) if owners[bit] == owner) for owner in seen]


def one_pass(job, capture, chosen):
    """Return (reach, over, room, covered) of each frame of a pass; `None` where one does not fit.

    On one point the objective decides, unless a frame then misses its minimum and other places reach all minimums.
    """
    judged = solved_pass(job, capture, chosen, minimums=None)
    is_short = judged is not None and any(reach is not None and reach < 1 for reach, *_ in judged)
    if not is_short or job.framing.arrangement != "shared_point" or len(chosen) == 1:
        return judged
    return solved_pass(job, capture, chosen, minimums="held") or judged


def solved_pass(job, capture, chosen, *, minimums):
    """Return what each frame of a pass has under one rule; `None` where one does not fit."""
    labels = {frame.label for frame in chosen}
    nest = tuple(pair for pair in job.framing.nest if set(pair) <= labels)
    framing = replace(job.framing, nest=nest, minimums=minimums)
    view = replace(job, capture=capture, deliverables=tuple(chosen), framing=framing)
    lens = capture.lens
    try:
        solution = solve(view)
        free = solution
        if lens is not None and lens.image_circle_mm is not None:
            free = solve(replace(view, capture=replace(capture, lens=replace(lens, image_circle_mm=None))))
    except CannotBeMet:
        return None
    found = []
    for frame, extraction, bare, margin in zip(
        chosen, solution.extractions, free.extractions, margins(view, solution), strict=True
    ):
        size, room = extraction.upright_rect, margin.reframe_room
        over = None
        if frame.raster is not None:
            over = min(Fraction(size.width, frame.raster.width), Fraction(size.height, frame.raster.height))
        moved = max(
            Fraction(room.left + room.right, size.width),
            Fraction(room.top + room.bottom, size.height),
        )
        covered = (bare.rect.width, bare.rect.height) == (extraction.rect.width, extraction.rect.height)
        found.append((None if over is None else over / exact(frame.minimum_oversampling), over, moved, covered))
    return found


def criteria(job, captures, where, facts):
    """Return what a plan is worth in each criterion, larger for the better."""
    frames = [frame for one in facts for frame in one]
    day = job.production
    shots = (day and day.shots) or 1
    changes = shots * (len(set(where)) - 1) + all(roll != 0 for _, roll in where)
    minutes = megabytes = -math.inf
    if day and day.minutes_per_take is not None:
        takes = shots * (day.takes_per_shot or 1)
        if day.minutes_per_changeover is not None or not changes:
            rolling = len(where) * takes * exact(day.minutes_per_take)
            minutes = -(rolling + changes * exact(day.minutes_per_changeover or 0))
        rates = [captures[number].data_rate_mb_s for number, _ in where]
        if None not in rates:
            megabytes = -sum(map(exact, rates)) * 60 * exact(day.minutes_per_take) * takes
    return {
        "enough_pixels": min([Fraction(1), *(reach for reach, *_ in frames if reach is not None)]),
        "passes": -len(where),
        "changeovers": -changes,
        "lens_covers": all(covered for *_, covered in frames),
        "minutes": minutes,
        "megabytes": megabytes,
        "smallest_oversampling": min((over for _, over, *_ in frames if over is not None), default=Fraction(10**9)),
        "reframe_room": min(room for _, _, room, _ in frames),
        "same_moment": len(where) == 1,
    }


def fits(job, found):
    """Return the smaller of what is available over what is needed, at most 1."""
    day = job.production
    ratios = [Fraction(1)]
    if day and day.minutes_available is not None and found["minutes"] != -math.inf:
        ratios.append(exact(day.minutes_available) / -found["minutes"])
    if day and day.megabytes_available is not None and found["megabytes"] != -math.inf:
        ratios.append(exact(day.megabytes_available) / -found["megabytes"])
    return min(ratios)


def unbeaten(plans):
    """Return the values of plans that no other is as good as in every criterion and better in one."""
    values = {tuple(found.values()) for found in plans.values()}
    return {
        value
        for value in values
        if not any(other != value and all(a >= b for a, b in zip(other, value, strict=True)) for other in values)
    }


def best_value(job, plans, order=DEFAULT_ORDER):
    """Return the value of the plan that comes first: the most nearly feasible, then criterion by criterion."""
    return max(
        (min(found["enough_pixels"], fits(job, found)), *(found[name] for name in order)) for found in plans.values()
    )
