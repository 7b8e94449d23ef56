"""Colours and dashes that tell frames apart, also without colour.

Colours: Okabe and Ito, "Color Universal Design" (2008), the set without black, lighter ones first,
so that a line stands out from the dark edge beside it. Dashes repeat after 32 frames, colours
after seven; the label always tells.
"""

from __future__ import annotations

Colour = tuple[int, int, int]

OKABE_ITO: tuple[Colour, ...] = (
    (230, 159, 0),  # orange
    (86, 180, 233),  # sky blue
    (240, 228, 66),  # yellow
    (0, 158, 115),  # bluish green
    (204, 121, 167),  # reddish purple
    (213, 94, 0),  # vermilion
    (0, 114, 178),  # blue
)
EDGE: Colour = (16, 16, 16)
PLATE: Colour = (24, 24, 24)
INK: Colour = (245, 245, 245)

_DASHES = (14, 8, 22, 5, 30, 11, 3, 40)
_GAP, _DOT = 3, 2


def frame_colour(index: int) -> Colour:
    """Return the colour of the frame at a place in the job."""
    return OKABE_ITO[index % len(OKABE_ITO)]


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
