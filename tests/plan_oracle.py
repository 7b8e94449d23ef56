"""Every plan there is, one by one: each set of passes, each way to share deliverables among them, each solved anew."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations, product

from tallwide.job import Job, exact
from tallwide_service.core import solve
from tallwide_service.errors import CannotBeMet


@dataclass(frozen=True)
class Enumerated:
    """A plan as it was found: its passes (capture, roll, labels), and what it is worth."""

    passes: tuple[tuple[int, int, tuple[str, ...]], ...]
    shortest: Fraction
    smallest: Fraction
    cut: bool
    changeovers: int

    @property
    def worth(self) -> tuple:
        """What is compared, in the default order: smaller is better."""
        return (
            self.shortest < 1,
            -min(self.shortest, Fraction(1)),
            len(self.passes),
            self.changeovers,
            self.cut,
            -self.smallest,
            -self.shortest,
        )


def enumerate_plans(job: Job, allowed: int) -> Iterator[Enumerated]:
    """Yield every plan of a job whose deliverables all have rasters; no subject, no production."""
    captures = (job.capture, *(job.alternatives or ()))
    states = [(index, roll) for index in range(len(captures)) for roll in job.rolls or (0, 90, 270)]
    count = len(job.deliverables)
    for size in range(1, allowed + 1):
        for chosen in combinations(states, size):
            for given in product(range(size), repeat=count):
                if set(given) != set(range(size)):
                    continue
                try:
                    yield _enumerated(job, captures, chosen, given)
                except CannotBeMet:
                    continue


def _enumerated(job, captures, chosen, given) -> Enumerated:
    passes, over, reach, cut = [], [], [], False
    for number, (index, roll) in enumerate(chosen):
        frames = tuple(frame for frame, at in zip(job.deliverables, given, strict=True) if at == number)
        part = replace(job, capture=replace(captures[index], roll=roll), deliverables=frames)
        lens = part.capture.lens and replace(part.capture.lens, image_circle_mm=None)
        free = solve(replace(part, capture=replace(part.capture, lens=lens))).extractions
        for frame, extraction, uncut in zip(frames, solve(part).extractions, free, strict=True):
            pixels = extraction.rect.width, extraction.rect.height
            across, down = pixels if roll in (0, 180) else reversed(pixels)
            over.append(min(Fraction(across, frame.raster.width), Fraction(down, frame.raster.height)))
            reach.append(over[-1] / exact(frame.minimum_oversampling))
            cut = cut or uncut.rect.area > extraction.rect.area
        passes.append((index, roll, tuple(frame.label for frame in frames)))
    upright = any(roll == 0 for _, roll in chosen)
    return Enumerated(tuple(passes), min(reach), min(over), cut, len(chosen) - 1 + (not upright))
