"""Subjects: where the subject of a job lies in the picture of another capture, or at another roll.

Its offset from the picture's centre is kept in the scene. How much scene a pixel shows follows from
pitch, photosites a pixel and squeeze, and from focal lengths where both lenses name theirs; where a
pitch or a focal length is missing on one side, the two are taken to be alike.
"""

from __future__ import annotations

from fractions import Fraction
from math import ceil, floor

from tallwide.geometry import squeeze_along
from tallwide.job import Capture, Subject, exact


def carried_subject(subject: Subject, origin: Capture, target: Capture) -> Subject | None:
    """Return a subject of `origin`'s upright picture in `target`'s, grown to whole pixels.

    `None` where it does not lie inside the picture.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from tallwide.job import Raster
    >>> upright = Capture(Raster(4800, 3200))
    >>> carried_subject(Subject(2000, 700, 800, 1500), upright, replace(upright, roll=90))
    Subject(x=1200, y=1500, width=800, height=1500)
    """
    across, down = (a / b for a, b in zip(_scene_a_pixel(origin, target), _scene_a_pixel(target, origin), strict=True))
    before, after = origin.upright_raster, target.upright_raster
    left = Fraction(after.width, 2) + (subject.x - Fraction(before.width, 2)) * across
    top = Fraction(after.height, 2) + (subject.y - Fraction(before.height, 2)) * down
    right, bottom = left + subject.width * across, top + subject.height * down
    x, y, end, foot = floor(left), floor(top), ceil(right), ceil(bottom)
    if x < 0 or y < 0 or end > after.width or foot > after.height:
        return None
    return Subject(x, y, end - x, foot - y, own=subject.own)


def _scene_a_pixel(capture: Capture, other: Capture) -> tuple[Fraction, Fraction]:
    """Return how much scene one upright pixel shows, across and down, in units that both captures share."""
    raster, imager = capture.raster, capture.imager
    squeeze_x, squeeze_y = squeeze_along(capture)
    along_width = Fraction(imager.width, raster.width) * exact(squeeze_x)
    along_height = Fraction(imager.height, raster.height) * exact(squeeze_y)
    scale = Fraction(1)
    if capture.photosite_pitch_um is not None and other.photosite_pitch_um is not None:
        scale *= exact(capture.photosite_pitch_um)
    focal, theirs = (each.lens and each.lens.focal_length_mm for each in (capture, other))
    if focal is not None and theirs is not None:
        scale /= exact(focal)
    if capture.is_on_its_side:
        along_width, along_height = along_height, along_width
    return along_width * scale, along_height * scale
