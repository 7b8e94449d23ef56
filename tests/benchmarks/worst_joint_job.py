"""`python tests/benchmarks/worst_joint_job.py --jobs 500`: hunts for the joint job that takes longest.

Everything that makes a search hard, mixed at random: circles and polygons that bind, odd grids, align points of many
decimals, one aspect for all, weights far apart, subjects, matched sides, nested frames.
"""

from __future__ import annotations

import argparse
import random
import time
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from tallwide.job import Job
from tallwide.wire import from_wire
from tallwide_service.core import solve
from tallwide_service.errors import CannotBeMet, NoneFound

ASPECTS = ("16:9", "9:16", "4:5", "1:1", "2.39:1", "1.85:1", "4:3", "2:3", "3:1", "1:3", "0.7:1", "10:1", "1:10")
GRIDS = ((1, 1, 1, 1), (2, 2, 2, 2), (2, 1, 2, 1), (1, 1, 2, 2), (4, 4, 8, 8), (2, 2, 1, 1), (16, 16, 2, 2))
WIDTH, HEIGHT, PITCH_UM = 12_288, 8_640, 3.9
AREAS = (
    ((WIDTH / 2, 0), (WIDTH, HEIGHT / 2), (WIDTH / 2, HEIGHT), (0, HEIGHT / 2)),
    ((0, 0), (WIDTH, 0), (WIDTH, HEIGHT)),
    ((0, 0), (WIDTH, 1000), (WIDTH, HEIGHT), (0, HEIGHT - 1000)),
    ((0, HEIGHT), (WIDTH / 3, 0), (WIDTH, HEIGHT / 2)),
)


@dataclass(frozen=True)
class Worst:
    """The slowest job of a hunt, and how many were not proven."""

    seed: int
    seconds: float
    unproven: int


def hostile_job(seed: int, frames: int) -> dict[str, Any]:
    """Return a job that is meant to be hard, the same for a seed."""
    dice = random.Random(seed)  # noqa: S311 - picks jobs
    capture: dict[str, Any] = {
        "raster": {"width": WIDTH, "height": HEIGHT},
        "photosite_pitch_um": PITCH_UM,
        "grid": dict(zip(("x", "y", "width", "height"), dice.choice(GRIDS), strict=True)),
        "roll": dice.choice((0, 90, 180)),
    }
    kind = dice.random()
    if kind < 0.45:
        diagonal_mm = (WIDTH**2 + HEIGHT**2) ** 0.5 * PITCH_UM / 1000
        capture["lens"] = {
            "image_circle_mm": round(diagonal_mm * dice.uniform(0.3, 1.05), 1),
            "offset_mm": {"x": dice.choice((0, 0, 1.3, 5)), "y": dice.choice((0, -0.7))},
        }
    if 0.3 < kind < 0.75:
        capture["usable_area"] = dice.choice(AREAS)
    framing: dict[str, Any] = {
        "arrangement": "shared_point",
        "objective": dice.choice(("in_order", "largest", "raise_smallest")),
        "match": dice.choice(("none",) * 6 + ("height", "width")),
        "point": dice.choice(({"x": None, "y": None},) * 5 + ({"x": 0.5, "y": None}, {"x": None, "y": 0.33})),
    }
    if dice.random() < 0.3:
        width, height = dice.randint(1, 2000), dice.randint(1, 2000)
        framing["subject"] = {
            "x": dice.randint(0, HEIGHT - width),
            "y": dice.randint(0, HEIGHT - height),
            "width": width,
            "height": height,
        }
    if frames > 1 and dice.random() < 0.15:
        framing["nest"] = [["frame 0", "frame 1"]]
    one = dice.choice(ASPECTS) if dice.random() < 0.2 else None
    places = dice.choice((lambda: dice.choice((0, 0.33, 0.5, 1)), lambda: round(dice.random(), 4), dice.random))
    deliverables = [
        {
            "label": f"frame {place}",
            "aspect": one or dice.choice(ASPECTS),
            "align": {"x": places(), "y": places()},
            "protection": {"each_side": dice.choice((0, 0, 0.05))},
            "weight": dice.choice((1, 1, 2, 0.5, 3.17, 100, 0.01)),
        }
        for place in range(frames)
    ]
    return {"capture": capture, "deliverables": deliverables, "framing": framing}


def hunt(seeds: Iterable[int], frames: int) -> Worst:
    """Solve a hostile job for each seed and return the slowest."""
    worst, unproven = (-1.0, -1), 0
    for seed in seeds:
        job = from_wire(Job, hostile_job(seed, frames))
        began = time.perf_counter()
        try:
            unproven += solve(job).certificate.gap > 0
        except NoneFound:  # refused, but only because the search ended
            unproven += 1
        except CannotBeMet:
            pass
        worst = max(worst, (time.perf_counter() - began, seed))
    return Worst(seed=worst[1], seconds=worst[0], unproven=unproven)


def main() -> None:
    """Hunt, and print the slowest job."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--frames", type=int, default=8)
    options = parser.parse_args()
    print(hunt(range(options.seed, options.seed + options.jobs), options.frames))


if __name__ == "__main__":
    main()
