"""Colours and dashes that tell frames apart, also without colour.

Published colour-blind-safe sets, lighter colours first, so that a line stands out from the dark
edge beside it. Dashes repeat after 32 frames, colours after six or seven; the label always tells.
"""

from __future__ import annotations

from tallwide.job import Overlay

Colour = tuple[int, int, int]

# Okabe and Ito, "Color Universal Design" (2008), without black.
OKABE_ITO: tuple[Colour, ...] = (
    (230, 159, 0),  # orange
    (86, 180, 233),  # sky blue
    (240, 228, 66),  # yellow
    (0, 158, 115),  # bluish green
    (204, 121, 167),  # reddish purple
    (213, 94, 0),  # vermilion
    (0, 114, 178),  # blue
)
# Paul Tol, "Colour Schemes", SRON/EPS/TN/09-002; bright, without grey.
TOL_BRIGHT: tuple[Colour, ...] = (
    (102, 204, 238),  # cyan
    (204, 187, 68),  # yellow
    (238, 102, 119),  # red
    (34, 136, 51),  # green
    (68, 119, 170),  # blue
    (170, 51, 119),  # purple
)
# The same report; high contrast, with white, without black.
TOL_HIGH_CONTRAST: tuple[Colour, ...] = (
    (221, 170, 51),  # yellow
    (255, 255, 255),  # white
    (187, 85, 102),  # red
    (0, 68, 136),  # blue
)
PALETTES = {"okabe_ito": OKABE_ITO, "tol_bright": TOL_BRIGHT, "tol_high_contrast": TOL_HIGH_CONTRAST}

EDGE: Colour = (16, 16, 16)
SHADE: Colour = (0, 0, 0)
SHADE_ALPHA = 150
NEUTRAL: Colour = (245, 245, 245)
# Plate and ink by theme.
THEMES: dict[str, tuple[Colour, Colour]] = {
    "dark": ((24, 24, 24), (245, 245, 245)),
    "light": ((245, 245, 245), (24, 24, 24)),
}

_DASHES = (14, 8, 22, 5, 30, 11, 3, 40)
_GAP, _DOT = 3, 2


def frame_colour(index: int, overlay: Overlay | None = None) -> Colour:
    """Return the colour of the frame at a place in the job: the user's own first, then the palette's."""
    overlay = overlay or Overlay()
    if index < len(overlay.colours):
        written = overlay.colours[index]
        return (int(written[1:3], 16), int(written[3:5], 16), int(written[5:7], 16))
    colours = PALETTES[overlay.palette]
    return colours[(index - len(overlay.colours)) % len(colours)]


def frame_dashes(index: int) -> tuple[int, ...]:
    """Return marks and gaps in line thicknesses, alternately; empty for a solid line.

    The first frame is solid; the others have a dash of one of eight lengths and up to three dots.

    Examples
    --------
    >>> frame_dashes(0), frame_dashes(1)
    ((), (14, 3, 2, 3))
    """
    place = index % (4 * len(_DASHES))
    if place == 0:
        return ()
    return (_DASHES[place // 4], _GAP, *(_DOT, _GAP) * (place % 4))


def plate_colours(theme: str) -> tuple[Colour, Colour]:
    """Return the colours of a label's plate and ink; pictures without style sheets are dark unless light."""
    return THEMES["light" if theme == "light" else "dark"]


def on_plate(colour: Colour, theme: str) -> Colour:
    """Return the colour of a line's sample on a label's plate: what is neutral on the picture is the ink's there."""
    return plate_colours(theme)[1] if colour == NEUTRAL else colour
