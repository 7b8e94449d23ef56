"""Frames alone on a whole raster, in plain integers: what most calls ask for, without a search and without nouns.

No circle, no usable area, no subject. Every candidate up to the longest sides fits then, and the
candidates form a chain (`core.candidates`), so the largest is the first one found from the far end
of the family counted along the longer side. Where it is not found within a few steps, or where no
side fits, the general solver decides, with the same result. Ratios and shares are given as
numerator and denominator, not necessarily in lowest terms; lengths are recorded pixels.

A frame without protection takes about 1.5 us, of which a call of `min` or of a function of one line
would be a twentieth each: such rules stand written out here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from tallwide.answers import Verdict
from tallwide.job import Roll
from tallwide_service.core.verdict import verdict_of

# Single steps that are tried; most frames need one.
_STEPS = 16
# A named tuple's own constructor does the same after a call more.
_made = tuple.__new__

Share = tuple[int, int]
Pair = tuple[float, float]
# Left, top, width and height.
Box = tuple[int, int, int, int]


class PlainPlace(NamedTuple):
    """Where a frame lies, its protection in whole pixels by recorded side, and what keeps it from being larger."""

    x: int
    y: int
    width: int
    height: int
    left: int
    top: int
    right: int
    bottom: int
    bound_by: tuple[str, ...]


def place_plain(
    raster: tuple[int, int],
    grid: tuple[int, int, int, int],
    ratio: Share,
    tolerance: Share,
    align: tuple[int, int, int, int],
    protection: tuple[int, int, int, int, int, int, int, int] | None,
) -> PlainPlace | None:
    """Return where a frame lies; `None` where the general solver has to decide.

    Parameters
    ----------
    raster
        Width and height.
    grid
        Steps of x, y, width and height.
    ratio
        Recorded width over height.
    tolerance
        Largest aspect error.
    align
        Shares of the recorded width and height that are placed.
    protection
        Shares by recorded side: left, top, right, bottom; `None` where there is none.
    """
    across, down, wide, high = grid
    width_px, height_px = raster
    if protection is None:
        columns, lines = width_px // wide, height_px // high
    else:
        columns = _longest(width_px, wide, across, protection[0], protection[1], protection[4], protection[5])
        lines = _longest(height_px, high, down, protection[2], protection[3], protection[6], protection[7])
    if columns <= 0 or lines <= 0:
        return None
    rise, run = ratio[0] * high, ratio[1] * wide
    if rise >= run:
        width, height = _largest(columns, lines, run, rise, tolerance)
    else:
        height, width = _largest(lines, columns, rise, run, tolerance)
    if width == 0:
        return None
    width *= wide
    height *= high
    if protection is None:
        left = top = right = bottom = 0
        bound = _binding_bare(width_px, width, wide, ("raster_left", "raster_right"))
        bound += _binding_bare(height_px, height, high, ("raster_top", "raster_bottom"))
    else:
        ln, ld, tn, td, rn, rd, bn, bd = protection
        left, right = -(-ln * width // ld), -(-rn * width // rd)
        top, bottom = -(-tn * height // td), -(-bn * height // bd)
        bound = _binding(width_px, width, wide, across, (ln, ld, rn, rd), ("raster_left", "raster_right"))
        bound += _binding(height_px, height, high, down, (tn, td, bn, bd), ("raster_top", "raster_bottom"))
    if len(bound) > 4:
        bound = tuple(dict.fromkeys(bound))
    x = _nearest(width_px - width, align[0], align[1], across, left, right)
    y = _nearest(height_px - height, align[2], align[3], down, top, bottom)
    return _made(PlainPlace, (x, y, width, height, left, top, right, bottom, bound or ("grid",)))


def aspect_numbers(width: int, height: int, ratio: Share, shape: Share, *, is_on_its_side: bool) -> tuple[float, float]:
    """Return the aspect of a recorded size as shown, and achieved / requested - 1.

    `ratio` is the recorded one that was asked for, `shape` a recorded pixel's. One integer over
    another is rounded once, as the float of their exact quotient is.
    """
    wide, high = width * ratio[1], height * ratio[0]
    shown, by = width * shape[0], height * shape[1]
    if is_on_its_side:
        # A body on its side shows both turned over.
        return by / shown, (high - wide) / wide
    return shown / by, (wide - high) / high


def ideal_numbers(
    x: int, y: int, width: int, height: int, ratio: Share, align: tuple[int, int, int, int]
) -> tuple[float, float, float, float]:
    """Return the largest rectangle of exactly a ratio inside a rectangle, around its align point."""
    wide, high = ratio
    spare = width * high - height * wide
    if spare <= 0:
        whole = wide * align[3]
        return float(x), (y * whole - spare * align[2]) / whole, float(width), width * high / wide
    whole = high * align[1]
    return (x * whole + spare * align[0]) / whole, float(y), height * wide / high, float(height)


class PlainMargin(NamedTuple):
    """What a frame has to spare for its deliverable; pairs are along the upright width and height."""

    oversampling: Pair
    spare_px: tuple[int, int]
    spare_pct: float
    verdict: Verdict
    photosite_oversampling: Pair
    photosite_verdict: Verdict
    scale_to_delivery: Pair
    detail_oversampling: Pair
    scale: float  # how far the frame can be enlarged


def margin_numbers(
    size: tuple[int, int], behind: tuple[Share, Share], needed: tuple[int, int], asked: Share, detail: Share
) -> PlainMargin:
    """Return what a frame is weighed by, each number rounded once, as the float of its exact quotient is.

    Parameters
    ----------
    size
        The frame's upright width and height.
    behind
        Photosites behind them.
    needed
        Width and height of the delivery.
    asked
        The oversampling that is asked for.
    detail
        The share of detail that a colour filter array leaves.
    """
    (width, height), (wide, high) = size, needed
    # The smaller oversampling as a whole number over another, times the inverse of what is asked.
    smaller = (width, wide) if width * high <= height * wide else (height, high)
    reached, due = smaller[0] * asked[1], smaller[1] * asked[0]
    photo = (behind[0][0], behind[0][1] * wide), (behind[1][0], behind[1][1] * high)
    least = photo[0] if photo[0][0] * photo[1][1] <= photo[1][0] * photo[0][1] else photo[1]
    return PlainMargin(
        (width / wide, height / high),
        (width - -(-asked[0] * wide // asked[1]), height - -(-asked[0] * high // asked[1])),
        (reached - due) * 100 / due,
        verdict_of(reached, due),
        (photo[0][0] / photo[0][1], photo[1][0] / photo[1][1]),
        verdict_of(least[0] * asked[1], least[1] * asked[0]),
        (wide / width, high / height),
        (width * detail[0] / (wide * detail[1]), height * detail[0] / (high * detail[1])),
        reached / due,
    )


def photosites_behind(
    width: int, height: int, raster: tuple[int, int], photosites: tuple[int, int]
) -> tuple[Share, Share]:
    """Return the photosites behind a recorded width and height, each as a whole number over another."""
    return (width * photosites[0], raster[0]), (height * photosites[1], raster[1])


def upright_box(x: int, y: int, width: int, height: int, raster: tuple[int, int], roll: Roll) -> Box:
    """Return where a recorded rectangle lies in the upright picture, as `geometry.turn_rect` does."""
    right, bottom = raster[0] - x - width, raster[1] - y - height
    if roll == 90:
        return bottom, x, height, width
    if roll == 180:
        return right, bottom, width, height
    if roll == 270:
        return y, right, height, width
    return x, y, width, height


def common_and_combined(places: Sequence[PlainPlace]) -> tuple[Box | None, Box]:
    """Return what all frames share, if anything, and what holds them all, as `geometry.common_area` and its like do."""
    left, top, width, height = places[0][:4]
    low_x = high_x = left
    low_y = high_y = top
    first_right = last_right = left + width
    first_bottom = last_bottom = top + height
    for place in places[1:]:
        left, top, width, height = place[:4]
        right, bottom = left + width, top + height
        if left < low_x:
            low_x = left
        elif left > high_x:
            high_x = left
        if top < low_y:
            low_y = top
        elif top > high_y:
            high_y = top
        if right < first_right:
            first_right = right
        elif right > last_right:
            last_right = right
        if bottom < first_bottom:
            first_bottom = bottom
        elif bottom > last_bottom:
            last_bottom = bottom
    common = None
    if first_right > high_x and first_bottom > high_y:
        common = high_x, high_y, first_right - high_x, first_bottom - high_y
    return common, (low_x, low_y, last_right - low_x, last_bottom - low_y)


def _largest(most: int, most_partner: int, rise: int, run: int, tolerance: Share) -> tuple[int, int]:
    """Return the largest count and its partner within the tolerance; 0, 0 where a few steps find none.

    The exact partner of a count is count * rise / run, at most the count itself.
    """
    lower = tolerance[1]
    upper = lower + tolerance[0]
    count = (2 * most_partner + 1) * run // (2 * rise)
    if count > most:  # noqa: PLR1730 - `min` is a call
        count = most
    last = count - _STEPS
    twice = 2 * run
    while count > last and count > 0:
        exact = count * rise
        rounded = 2 * exact + run
        partner = rounded // twice or 1
        if partner <= most_partner:
            actual = partner * run
            if actual * lower <= exact * upper and exact * lower <= actual * upper:
                return count, partner
        if partner * twice == rounded and 1 < partner <= most_partner + 1:
            # Half way between two: the smaller one counts as well.
            partner -= 1
            actual = partner * run
            if actual * lower <= exact * upper and exact * lower <= actual * upper:
                return count, partner
        count -= 1
    return 0, 0


def _longest(length: int, step: int, place_step: int, bn: int, bd: int, an: int, ad: int) -> int:
    """Return the most steps of a side that fit beside its protection; 0 where a few tries find none."""
    unit = bd * ad
    count = length * unit // (unit + bn * ad + an * bd) // step
    last = count - 3
    while count > last and count > 0:
        side = count * step
        before, after = -(-bn * side // bd), -(-an * side // ad)
        if -(-before // place_step) <= (length - side - after) // place_step:
            return count
        count -= 1
    return 0


def _binding_bare(length: int, side: int, step: int, edges: tuple[str, str]) -> tuple[str, ...]:
    """Return what keeps a side without protection from being one grid step longer."""
    if side + step <= length:
        return ()
    return (*edges, "grid") if side < length else edges


def _binding(
    length: int, side: int, step: int, place_step: int, shares: tuple[int, int, int, int], edges: tuple[str, str]
) -> tuple[str, ...]:
    """Return what keeps a protected side from being one grid step longer."""
    bn, bd, an, ad = shares
    longer = side + step
    before, after = -(-bn * longer // bd), -(-an * longer // ad)
    if -(-before // place_step) <= (length - longer - after) // place_step:
        return ()
    names: tuple[str, ...] = edges
    if (bn or an) and longer <= length:
        names += ("protection",)
    longer = side + 1
    if -(-bn * longer // bd) + longer + -(-an * longer // ad) <= length:
        names += ("grid",)
    return names


def _nearest(room: int, share: int, unit: int, step: int, before: int, after: int) -> int:
    """Return the grid place nearest to a share of the room; a tie goes to the smaller."""
    # `snap.nearest_step_of`, written out: it is asked for twice a frame, and calling it takes half a microsecond.
    whole = unit * step
    nearest = -((whole - 2 * share * room) // (2 * whole)) * step
    lowest = -(-before // step) * step
    if nearest < lowest:
        return lowest
    highest = (room - after) // step * step
    return highest if nearest > highest else nearest
