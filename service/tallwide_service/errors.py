"""Every error that the service raises on purpose.

    JobError                     the job could not be computed
    ├── InvalidJob               a job, or a clip that stands for one, breaks a bound or a rule
    ├── SweepLeavesBounds        a sweep asks for values that no job may hold
    ├── CannotBeMet              constraints in conflict, each with its pointer and by how much it misses
    │   └── NoneFound            the search ended before it found anything that meets them; there may be something
    ├── MemberMissing            an endpoint needs a member of the job that others do without
    ├── NoSuchPicture            a map, a check or a comparison speaks of a picture that the job does not have
    └── FormUnreadable           a hand-off document does not keep to its standard

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


class InvalidJob(JobError):
    """A job, or a clip that stands for one, is readable but breaks a bound or a rule."""

    slug, title = "invalid-job", "The job is readable but wrong"


class SweepLeavesBounds(JobError):
    """A sweep takes a member to values that no job may hold."""

    slug, title = "sweep-leaves-bounds", "The sweep leaves what the member may be"


class CannotBeMet(JobError):
    """What the job asks for contradicts itself: no rectangle can meet it."""

    slug, title = "cannot-be-met", "What the job asks for cannot be met"


class NoneFound(CannotBeMet):
    """No rectangles that meet what the job asks for were found in the work that a job may take; there may be some."""


class MemberMissing(JobError):
    """An endpoint needs a member of the job that others do without."""

    slug, title = "member-missing", "The job lacks a member that this endpoint needs"

    @classmethod
    def at(cls, pointer: str, detail: str) -> MemberMissing:
        """Return the error of a job without one member."""
        return cls(f"{pointer} {detail}", (Fault(pointer, detail),))


class NoSuchPicture(JobError):
    """A map, a check or a comparison speaks of a picture that the job does not have."""

    slug, title = "no-such-picture", "The job has no such picture"


class FormUnreadable(JobError):
    """A hand-off document does not keep to its standard."""

    slug, title = "form-unreadable", "The document does not keep to its standard"
