"""Standards: published safe areas and rasters, each with the document it stands in.

Safe areas are insets as shares of the picture's width and height, the same on opposite sides. An
inset becomes the nearest whole pixel; half a pixel goes inwards, to the smaller area.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from tallwide.answers import Rect
from tallwide.job import Raster, SafeArea, exact

Insets = tuple[Fraction, Fraction, Fraction, Fraction]


@dataclass(frozen=True, slots=True)
class PublishedArea:
    """One area of a published set: insets at the left and right, and at the top and bottom."""

    label: str
    inset_x: Fraction
    inset_y: Fraction

    @property
    def insets(self) -> Insets:
        """Shares of the picture's sides: left, top, right, bottom."""
        return self.inset_x, self.inset_y, self.inset_x, self.inset_y


@dataclass(frozen=True, slots=True)
class PublishedSet:
    """A named set of safe areas, the document that states it, and the shape that it is written for."""

    name: str
    document: str
    title: str
    written_for: Fraction
    superseded: bool
    areas: tuple[PublishedArea, ...]


@dataclass(frozen=True, slots=True)
class PublishedRaster:
    """A raster, the shape of its pixels (width over height), and the document that states it."""

    name: str
    label: str
    raster: Raster
    pixel_aspect: Fraction
    document: str


WIDE = Fraction(16, 9)
PER_MILLE = Fraction(1, 1000)

SAFE_AREA_SETS = (
    # EBU R 95 v1.1 (2017): 3.5 % for action and 5 % for graphics at each edge of a 16:9 picture.
    PublishedSet(
        "ebu_r95",
        "EBU R 95 v1.1 (2017)",
        "Safe areas for 16:9 television production",
        WIDE,
        False,
        (
            PublishedArea("action safe", 35 * PER_MILLE, 35 * PER_MILLE),
            PublishedArea("graphics safe", 50 * PER_MILLE, 50 * PER_MILLE),
        ),
    ),
    # ITU-R BT.1848-1 (2015): the same, and graphics for a 4:3 centre: 12.5 % + 5 % of the 4:3 width = 16.25 %.
    PublishedSet(
        "itu_r_bt1848",
        "ITU-R BT.1848-1 (2015)",
        "Safe areas of wide-screen 16:9 aspect ratio digital productions",
        WIDE,
        False,
        (
            PublishedArea("action safe", 35 * PER_MILLE, 35 * PER_MILLE),
            PublishedArea("graphics safe", 50 * PER_MILLE, 50 * PER_MILLE),
            PublishedArea("graphics safe, 4:3 centre", Fraction(13, 80), 50 * PER_MILLE),
        ),
    ),
    # SMPTE ST 2046-1:2009: 93 % and 90 % of the width and the height of the production aperture.
    PublishedSet(
        "smpte_st2046_1",
        "SMPTE ST 2046-1:2009",
        "Safe action and safe title areas for television systems",
        WIDE,
        False,
        (
            PublishedArea("safe action", 35 * PER_MILLE, 35 * PER_MILLE),
            PublishedArea("safe title", 50 * PER_MILLE, 50 * PER_MILLE),
        ),
    ),
    # SMPTE RP 218 as it was before 2009: 90 % and 80 %. Kept for archives; ST 2046-1 took its place.
    PublishedSet(
        "smpte_rp218",
        "SMPTE RP 218 (superseded by SMPTE ST 2046-1)",
        "Safe action and safe title areas for cathode ray tubes",
        WIDE,
        True,
        (
            PublishedArea("safe action", 50 * PER_MILLE, 50 * PER_MILLE),
            PublishedArea("safe title", 100 * PER_MILLE, 100 * PER_MILLE),
        ),
    ),
)

SQUARE = Fraction(1)
RASTERS = (
    # Only the centre 702 of the 720 samples are 4:3 or 16:9 (52 us of active line at 13.5 MHz).
    PublishedRaster("sd_625_4x3", "SD, 625 lines, 4:3", Raster(720, 576), Fraction(128, 117), "ITU-R BT.601-7 (2011)"),
    PublishedRaster(
        "sd_625_16x9", "SD, 625 lines, 16:9", Raster(720, 576), Fraction(512, 351), "ITU-R BT.601-7 (2011)"
    ),
    PublishedRaster("hd_720", "HD, 720 lines", Raster(1280, 720), SQUARE, "SMPTE ST 296; ITU-R BT.1847"),
    PublishedRaster("hd_1080", "HD, 1,080 lines", Raster(1920, 1080), SQUARE, "ITU-R BT.709-6 (2015); SMPTE ST 274"),
    PublishedRaster("uhd_2160", "UHD, 2,160 lines", Raster(3840, 2160), SQUARE, "ITU-R BT.2020-2 (2015)"),
    PublishedRaster("uhd_4320", "UHD, 4,320 lines", Raster(7680, 4320), SQUARE, "ITU-R BT.2020-2 (2015)"),
    PublishedRaster("dc_2k", "D-cinema 2K, container", Raster(2048, 1080), SQUARE, "SMPTE ST 428-1"),
    PublishedRaster("dc_4k", "D-cinema 4K, container", Raster(4096, 2160), SQUARE, "SMPTE ST 428-1"),
    PublishedRaster("dc_2k_flat", "D-cinema 2K, flat", Raster(1998, 1080), SQUARE, "SMPTE ST 428-1"),
    PublishedRaster("dc_4k_flat", "D-cinema 4K, flat", Raster(3996, 2160), SQUARE, "SMPTE ST 428-1"),
    PublishedRaster("dc_2k_scope", "D-cinema 2K, scope", Raster(2048, 858), SQUARE, "SMPTE ST 428-1"),
    PublishedRaster("dc_4k_scope", "D-cinema 4K, scope", Raster(4096, 1716), SQUARE, "SMPTE ST 428-1"),
)


def published_set(name: str) -> PublishedSet:
    """Return a set of safe areas by its name.

    Raises
    ------
    KeyError
        If no set has the name.
    """
    return {safe_set.name: safe_set for safe_set in SAFE_AREA_SETS}[name]


def inset_px(share: Fraction, side: int) -> int:
    """Return an inset in whole pixels: the nearest, half a pixel inwards.

    Examples
    --------
    >>> inset_px(Fraction(35, 1000), 1920), inset_px(Fraction(35, 1000), 1080)
    (67, 38)
    """
    return (2 * share.numerator * side + share.denominator) // (2 * share.denominator)


def safe_rect(raster: Raster, insets: Insets) -> Rect | None:
    """Return a safe area on a delivered raster, in whole pixels; `None` where the insets leave nothing."""
    left, right = inset_px(insets[0], raster.width), inset_px(insets[2], raster.width)
    top, bottom = inset_px(insets[1], raster.height), inset_px(insets[3], raster.height)
    width, height = raster.width - left - right, raster.height - top - bottom
    return Rect(left, top, width, height) if width > 0 and height > 0 else None


def own_insets(area: SafeArea) -> Insets:
    """Return the insets of an area of the user's own: left, top, right, bottom."""
    return exact(area.left), exact(area.top), exact(area.right), exact(area.bottom)
