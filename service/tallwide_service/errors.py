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
from typing import Any


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong: where (an RFC 6901 pointer into the job) and what; of a bound, which and what passed it."""

    pointer: str
    detail: str
    limit: int | None = None
    got: int | None = None

    def document(self) -> dict[str, Any]:
        """Return the fault as problems have it."""
        return {"pointer": self.pointer, "detail": self.detail, **passed_bound(self.limit, self.got)}


def passed_bound(limit: int | None, got: int | None) -> dict[str, int]:
    """Return a bound and what passed it, as members of a problem; none where no bound was passed."""
    return {name: value for name, value in (("limit", limit), ("got", got)) if value is not None}


class JobError(Exception):
    """Base. `slug` and `title` name the kind; `faults` tell of this occurrence.

    `limit` and `got` are there where a bound was passed by what is no member of the job.
    """

    slug, title = "job", "The job could not be computed"

    def __init__(
        self, detail: str, faults: tuple[Fault, ...] = (), *, limit: int | None = None, got: int | None = None
    ) -> None:
        super().__init__(detail)
        self.faults, self.limit, self.got = faults, limit, got


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
