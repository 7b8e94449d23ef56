"""How much the searches of one answer may do: an amount of work, not of time, so that equal jobs give equal answers.

A look is a question about one size of one frame over one cell of `joint_search`; whatever else is
done is counted as the looks that take as long.
"""

from __future__ import annotations

from dataclasses import dataclass

from tallwide.job import Job

# What an answer may take for its own frames; a search stops there with an honest gap.
MOST_LOOKS = 16_000_000
# By how much the search for its own frames may pass that where they are few, so that few frames are proven.
_FEW_FRAMES, _MORE_FOR_FEW = 8, 32_000_000
# What it may do beside them is what they left of it up to this much, or this part of it where that is more.
_MOST_BESIDE, _LEAST_BESIDE = 12_000_000, 4
# What one search of an answer that cannot know how many it will need may take: such a part of what is left, and always
# at least such a part of the whole, in which ordinary frames are proven.
_LARGEST_PART, _LEAST_PART = 4, 64


@dataclass(slots=True)
class Allowance:
    """Looks that one job or several may take, and those that they have taken.

    `more` is by how much the search for the frames of the first job alone may pass them.
    """

    looks: int = MOST_LOOKS
    taken: int = 0
    more: int = 0

    @classmethod
    def of(cls, job: Job) -> Allowance:
        """Return what the answer to a job may take."""
        return cls(more=_MORE_FOR_FEW if len(job.deliverables) <= _FEW_FRAMES else 0)

    @property
    def left(self) -> int:
        """Looks that may still be taken."""
        return max(self.looks - self.taken, 0)

    def beside(self) -> Allowance:
        """Return what an answer may do beside the job that this was given to."""
        return Allowance(max(min(self.left, _MOST_BESIDE), MOST_LOOKS // _LEAST_BESIDE))

    def part(self, job: Job, sharing: int) -> Allowance:
        """Return what a job may take: all that comes before its search, and of what is left a part of so many."""
        before = looks_before(job)
        return Allowance(min(before + max(self.left - before, 0) // sharing, self.left))

    def of_one(self, job: Job) -> Allowance:
        """Return what one job may take of those whose number is not known; what comes before its search is beside it.

        How often that is done is bounded elsewhere.
        """
        return Allowance(looks_before(job) + max(self.left // _LARGEST_PART, self.looks // _LEAST_PART))

    def taken_by_one(self, job: Job, own: Allowance) -> None:
        """Count what the search of one job took of what it was given."""
        self.taken += max(own.taken - looks_before(job), 0)


def looks_before(job: Job) -> int:
    """Return what the region and the tables of a search take, whether or not it goes on for long.

    A region that is cut is cut for every column, and columns are asked for each frame's place. On one point it
    is about three looks for every two sizes that a frame may have, which are no more than steps of the grid.
    """
    capture, frames = job.capture, len(job.deliverables)
    raster, grid, area = capture.raster, capture.grid, capture.usable_area
    looks = 0
    if area is not None or (capture.lens is not None and capture.photosite_pitch_um is not None):
        looks = raster.width * (frames + len(area or ()) // 4) // 2
    if job.framing.arrangement == "independent":
        return looks
    return looks + 3 * frames * (raster.width // grid.width + raster.height // grid.height) // 2
