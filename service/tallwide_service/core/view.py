"""Views: where places of the recorded raster stand in a picture that people look at.

A view is a quarter turn followed by a scale and a shift along each axis, all exact. The picture is
the recorded raster, the upright picture, one deliverable's own raster, or a monitor feed in which
the recording stands. Lengths are pixels, origin top left, y down.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from tallwide.answers import Extraction, Rect
from tallwide.geometry import pixel_shape, turn_rect, turned_raster
from tallwide.job import Capture, Job, MonitorFeed, Picture, Raster, Roll
from tallwide_service.errors import CannotBeMet, Fault

ONE, NOTHING = Fraction(1), Fraction(0)


class Box(NamedTuple):
    """A rectangle by its edges, exact, in pixels of a picture."""

    left: Fraction
    top: Fraction
    right: Fraction
    bottom: Fraction

    @property
    def width(self) -> Fraction:
        """Right less left."""
        return self.right - self.left

    @property
    def height(self) -> Fraction:
        """Bottom less top."""
        return self.bottom - self.top


@dataclass(frozen=True, slots=True)
class View:
    """A picture of `width` x `height` px and the way from the recorded raster into it."""

    width: int
    height: int
    raster: Raster
    roll: Roll = 0
    scale: tuple[Fraction, Fraction] = (ONE, ONE)
    shift: tuple[Fraction, Fraction] = (NOTHING, NOTHING)

    def box(self, rect: Rect) -> Box:
        """Return where a recorded rectangle stands in the picture."""
        turned = turn_rect(rect, self.raster, self.roll)
        (sx, sy), (dx, dy) = self.scale, self.shift
        return Box(turned.x * sx + dx, turned.y * sy + dy, turned.right * sx + dx, turned.bottom * sy + dy)

    def point(self, x: float, y: float) -> tuple[float, float]:
        """Return where a recorded point stands in the picture."""
        width, height = self.raster.width, self.raster.height
        turned = {0: (x, y), 90: (height - y, x), 180: (width - x, height - y), 270: (y, width - x)}[self.roll]
        return (
            turned[0] * float(self.scale[0]) + float(self.shift[0]),
            turned[1] * float(self.scale[1]) + float(self.shift[1]),
        )

    @property
    def recording(self) -> Box:
        """Where the whole recorded raster stands; parts of it may lie outside the picture."""
        return self.box(Rect(0, 0, self.raster.width, self.raster.height))


def view_of(job: Job, extractions: tuple[Extraction, ...], picture: Picture | None = None) -> View:
    """Return the view of a job's picture, the recorded raster where it names none.

    Raises
    ------
    CannotBeMet
        If the picture names a deliverable that the job has not.
    """
    picture = picture or job.picture or Picture(view="recorded")
    if picture.monitor is not None:
        return feed_view(job.capture, picture.monitor)
    if picture.deliverable is not None:
        return deliverable_view(job, extractions, picture.deliverable)
    return upright_view(job.capture) if picture.view == "upright" else recorded_view(job.capture)


def recorded_view(capture: Capture) -> View:
    """Return the recorded raster as it is."""
    return View(capture.raster.width, capture.raster.height, capture.raster)


def upright_view(capture: Capture) -> View:
    """Return the recorded raster turned so that the scene stands upright."""
    picture = capture.upright_raster
    return View(picture.width, picture.height, capture.raster, capture.roll)


def deliverable_view(job: Job, extractions: tuple[Extraction, ...], label: str) -> View:
    """Return one deliverable's own raster, upright; without a raster its extraction's own pixels."""
    for deliverable, extraction in zip(job.deliverables, extractions, strict=True):
        if deliverable.label == label:
            frame = extraction.upright_rect
            raster = deliverable.raster or Raster(frame.width, frame.height)
            sx, sy = Fraction(raster.width, frame.width), Fraction(raster.height, frame.height)
            shift = (-frame.x * sx, -frame.y * sy)
            return View(raster.width, raster.height, job.capture.raster, job.capture.roll, (sx, sy), shift)
    fault = Fault("/picture/deliverable", f'no deliverable has the label "{label}"')
    raise CannotBeMet(fault.detail, (fault,))


def feed_view(capture: Capture, feed: MonitorFeed) -> View:
    """Return a monitor feed with the recording centred in it.

    Examples
    --------
    >>> view = feed_view(Capture(raster=Raster(4800, 3200)), MonitorFeed(1920, 1080))
    >>> [int(edge) for edge in view.recording]
    [150, 0, 1770, 1080]
    """
    roll: Roll = capture.roll if feed.turned else 0
    picture = turned_raster(capture.raster, roll)
    wide = Fraction(picture.width)
    if feed.desqueezed:
        shape = pixel_shape(capture)
        wide *= 1 / shape if roll in (90, 270) else shape
    across, down = feed.width / wide, Fraction(feed.height, picture.height)
    scale = min(across, down) if feed.fit == "whole" else max(across, down)
    scales = (scale * wide / picture.width, scale)
    shift = ((feed.width - scale * wide) / 2, (feed.height - scale * picture.height) / 2)
    return View(feed.width, feed.height, capture.raster, roll, scales, shift)
