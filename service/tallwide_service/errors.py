"""Every error that the service raises on purpose.

    JobError                     the job could not be computed
    ├── NotServedYet             a member that this version does not compute
    └── CannotBeMet              constraints in conflict, each with its pointer and by how much it misses

They know nothing of HTTP; `api.problems` turns them into problem documents.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong: where (an RFC 6901 pointer into the job) and what."""

    pointer: str
    detail: str


class JobError(Exception):
    """Base. `slug` and `title` name the kind; `faults` tell of this occurrence."""

    slug, title = "job", "The job could not be computed"

    def __init__(self, detail: str, faults: tuple[Fault, ...] = ()) -> None:
        super().__init__(detail)
        self.faults = faults


class NotServedYet(JobError):
    """The job asks for something that this version does not compute."""

    slug, title = "not-served-yet", "The job asks for something that is not served yet"


class CannotBeMet(JobError):
    """What the job asks for contradicts itself: no rectangle can meet it."""

    slug, title = "cannot-be-met", "What the job asks for cannot be met"
