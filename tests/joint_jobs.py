"""Random jobs on small rasters for the exhaustive oracle, and a long run: `python tests/joint_jobs.py --jobs 20000`.

Of eight jobs of the long run two have nested frames on an odd grid, two hold minimum oversamplings, and one has three
or four frames, chains of them inside each other, and half the time a lens that covers a rectangle.
"""

from __future__ import annotations

import argparse
import random
from dataclasses import replace
from itertools import pairwise

from joint_oracle import allowed_rects, alone, together
from tallwide.answers import Rect
from tallwide.job import (
    Align,
    Aspect,
    Capture,
    Deliverable,
    Extent,
    Framing,
    Grid,
    Job,
    Lens,
    Offset,
    Point,
    Protection,
    Raster,
    Subject,
)
from tallwide_service.core import solve
from tallwide_service.errors import CannotBeMet

ASPECTS = ("3:2", "2:3", "1:1", "4:5", "2:1", "1:2", "4:3")


def random_job(seed: int, *, largest: int = 12) -> Job:
    """Return a job of one to three frames on a raster of at most `largest` pixels a side, the same for a seed."""
    dice = random.Random(seed)  # noqa: S311 - picks test cases
    capture = _random_capture(dice, largest)
    frames = tuple(_random_frame(dice, index) for index in range(dice.choice((1, 2, 2, 2, 2, 3))))
    framing = _random_framing(dice, capture, frames)
    return Job(capture=capture, deliverables=frames, framing=framing)


def nested_job(seed: int) -> Job:
    """Return a small job of nested frames whose steps of places and sizes are unlike, the same for a seed."""
    dice = random.Random(f"nested {seed}")  # noqa: S311 - picks test cases
    job = random_job(dice.randrange(1 << 30))
    while not job.framing.nest:
        job = random_job(dice.randrange(1 << 30))
    capture = replace(job.capture, grid=Grid(*(dice.choice((1, 2, 3, 4)) for _ in range(4))))
    point = dice.choice((job.framing.point, Point(0.5, None), Point(0.5, 0.5)))
    return replace(job, capture=capture, framing=replace(job.framing, point=point))


def held_job(seed: int) -> Job:
    """Return a small job that holds the minimum oversamplings of its frames, the same for a seed."""
    dice = random.Random(f"held {seed}")  # noqa: S311 - picks test cases
    job = random_job(dice.randrange(1 << 30))
    while job.framing.arrangement != "shared_point":
        job = random_job(dice.randrange(1 << 30))
    frames = tuple(replace(frame, minimum_oversampling=dice.choice((0.5, 1, 1, 1.2))) for frame in job.deliverables)
    return replace(job, deliverables=frames, framing=replace(job.framing, minimums="held"))


def crowded_job(seed: int) -> Job:
    """Return a small job of three or four frames, many of them inside each other, the same for a seed."""
    dice = random.Random(f"crowded {seed}")  # noqa: S311 - picks test cases
    count = dice.choice((3, 3, 4))
    capture = replace(
        _random_capture(dice, 9 - count), grid=Grid(1, 1, dice.choice((1, 1, 2)), dice.choice((1, 1, 1, 2)))
    )
    if dice.random() < 0.5:
        width, height = capture.raster.width, capture.raster.height
        covered = Extent(dice.randint(width, 2 * width) / 2, dice.randint(height, 2 * height) / 2)
        lens = capture.lens or Lens(offset_mm=Offset(dice.choice((0, 0.5)), dice.choice((0, 0, -0.7))))
        capture = replace(capture, photosite_pitch_um=1000, lens=replace(lens, covered_mm=covered))
    frames = tuple(_random_frame(dice, index) for index in range(count))
    if dice.random() < 0.6:  # or few could share a point
        frames = tuple(replace(frame, align=frames[0].align) for frame in frames)
    framing = replace(_random_framing(dice, capture, frames), subject=None, match="none", aspect_tolerance=0.5)
    labels = [frame.label for frame in frames]
    dice.shuffle(labels)
    chain = tuple(pairwise(labels))  # each inside the next
    fork = tuple((label, labels[-1]) for label in labels[:-1])  # all inside the last
    return Job(
        capture=capture,
        deliverables=frames,
        framing=replace(framing, arrangement="shared_point", nest=dice.choice(((), chain, chain[:2], fork))),
    )


def job_of_seed(seed: int) -> Job:
    """Return the job of a seed, of whichever kind."""
    kinds = {2: held_job, 3: nested_job, 5: crowded_job, 6: held_job, 7: nested_job}
    return kinds.get(seed % 8, random_job)(seed)


def _random_capture(dice: random.Random, largest: int) -> Capture:
    width, height = dice.randint(4, largest), dice.randint(4, largest)
    place_x, place_y = dice.choice((1, 2)), dice.choice((1, 2))
    if dice.random() < 0.7:
        grid = Grid(place_x, place_y, place_x * dice.choice((1, 1, 2)), place_y * dice.choice((1, 1, 2)))
    else:
        grid = Grid(*(dice.choice((1, 1, 2, 2, 3)) for _ in range(4)))
    capture = Capture(
        raster=Raster(width, height),
        grid=grid,
        roll=dice.choice((0, 0, 90, 180, 270)),
        squeeze=dice.choice((1, 1, 1, 2, 1.5)),
        squeeze_axis=dice.choice(("sensor_width", "sensor_height")),
    )
    kind = dice.random()
    if kind < 0.3:
        circle = dice.choice((width, height, max(width, height), round(0.9 * (width**2 + height**2) ** 0.5, 2)))
        offset = Offset(dice.choice((0, 0, 0.5, -1)), dice.choice((0, 0, 0.7)))
        capture = replace(
            capture,
            photosite_pitch_um=1000,
            lens=Lens(image_circle_mm=circle, offset_mm=offset),
            photosites=Raster(dice.randint(width // 2 + 1, 2 * width), height) if dice.random() < 0.3 else None,
        )
    if 0.25 < kind < 0.45:
        area = dice.choice(
            (
                ((0, 0), (width, 0), (width, height)),
                ((width / 2, 0), (width, height / 2), (width / 2, height), (0, height / 2)),
                ((1, 1), (width - 1, 0.5), (width - 0.5, height), (0, height - 1)),
            )
        )
        capture = replace(capture, usable_area=area)
    return capture


def _random_frame(dice: random.Random, index: int) -> Deliverable:
    aspect = dice.choice(ASPECTS)
    protection = dice.choice(
        (
            Protection(each_side=0),
            Protection(each_side=0),
            Protection(each_side=dice.choice((0.05, 0.1, 0.2))),
            Protection(left=0.1, top=0, right=0.05, bottom=0.2),
        )
    )
    width, height = (int(part) for part in aspect.split(":"))
    times = dice.randint(1, 3)
    return Deliverable(
        label="dcba"[index],
        aspect=Aspect(aspect),
        raster=Raster(width * times, height * times) if dice.random() < 0.4 else None,
        align=Align(dice.choice((0, 0.5, 0.5, 1, 0.33, 0.25)), dice.choice((0, 0.5, 0.5, 1, 0.33, 0.75))),
        protection=protection,
        weight=dice.choice((1, 1, 0.5, 2, 1.25)),
    )


def _random_framing(dice: random.Random, capture: Capture, frames: tuple[Deliverable, ...]) -> Framing:
    picture = capture.upright_raster
    subject = None
    if dice.random() < 0.2:
        width, height = dice.randint(1, picture.width // 2), dice.randint(1, picture.height // 2)
        subject = Subject(
            dice.randint(0, picture.width - width), dice.randint(0, picture.height - height), width, height
        )
    tolerance = dice.choice((0.5, 0.3, 0.2, 0.1))
    if len(frames) == 1 and dice.random() < 0.5:
        return Framing(subject=subject, aspect_tolerance=tolerance)
    point = None
    if dice.random() < 0.6:
        point = Point(dice.choice((None, None, None, 0.5, 0.33, 0.4)), dice.choice((None, None, 0.5, 0.33, 0.2)))
    nest: tuple[tuple[str, str], ...] = ()
    if len(frames) > 1 and dice.random() < 0.25:
        pair = (frames[0].label, frames[1].label)
        nest = (pair if dice.random() < 0.5 else pair[::-1],)
    return Framing(
        arrangement="shared_point",
        point=point,
        subject=subject,
        match=dice.choice(("none",) * 5 + ("height", "width")) if len(frames) > 1 else "none",
        nest=nest,
        objective=dice.choice(("in_order", "largest", "raise_smallest")),
        aspect_tolerance=tolerance,
    )


def solved(job: Job) -> list[Rect] | None:
    """Return the solver's rectangles; `None` where it finds the job cannot be met."""
    try:
        return [extraction.rect for extraction in solve(job, explains=False).extractions]
    except CannotBeMet:
        return None


def tried_out(job: Job) -> list[Rect] | None:
    """Return the oracle's rectangles; `None` where there are none."""
    if job.framing.arrangement == "shared_point":
        return together(job)
    found = [alone(job, index, allowed_rects(job, index)) for index in range(len(job.deliverables))]
    return None if None in found else found


def main() -> None:
    """Compare solver and oracle on many jobs and stop at the first difference."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1_000_000)
    options = parser.parse_args()
    met = 0
    for seed in range(options.seed, options.seed + options.jobs):
        job = job_of_seed(seed)
        expected, found = tried_out(job), solved(job)
        met += expected is not None
        if found != expected:
            raise SystemExit(f"seed {seed}: the oracle finds {expected}, the solver {found}")
    print(f"{options.jobs} jobs, {met} of them can be met: solver and oracle agree on all")


if __name__ == "__main__":
    main()
