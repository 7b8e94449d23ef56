"""Labels: where the plates of an overlay go.

Plates never overlap each other and stay inside the picture. They go low in their frame, where faces
seldom are, and keep off the subject, inside their frame, and off lines and out of other frames, in
this order, where there is room; small frames choose first. Where there is no room they are set
smaller, then shorter. Tags of what surrounds the frames give way: one that finds no room is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tallwide.answers import Rect
from tallwide.geometry import common_area
from tallwide_service.render.palette import Colour
from tallwide_service.render.scene import Plate, TextLine
from tallwide_service.render.type_setting import ascent, fitted, line_height, text_width

# Heights of text in lines of a monitor 1,080 lines high; guesses, judged by eye at arm's length.
LARGEST_LINES_OF_1080, SMALLEST_LINES_OF_1080 = 24, 15
SMALLEST_TEXT_PX = 7
# The second line and those below it are set smaller than the name.
FACTS_SIZE = 0.78

# More than what any place is charged for lines and frames.
_MOST_BOXES = 1 << 20
# A plate on the subject strays further than one outside its frame, but not for the sake of a subject that is guessed.
_ON_SUBJECT, _ON_GUESS = 3, 1
# A label that crosses a line hides some of it; one that lies wholly in another frame seems to be that one's.
_CROSSED, _INSIDE = 2, 3

Boxes = NDArray[np.int64]
Places = NDArray[np.int64]


class Obstacles(NamedTuple):
    """What a plate keeps off: the subject, lines, and the insides of frames that are smaller than its own.

    `on_subject` is how far a plate on the subject strays.
    """

    subject: Boxes
    lines: Boxes
    smaller: Boxes
    on_subject: int


@dataclass(frozen=True, slots=True)
class Label:
    """What a plate says, whose it is, and the box that it should stand in."""

    kind: Literal["label", "tag"]
    frame: int | None
    box: Rect
    colour: Colour
    dashes: tuple[int, ...]
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TextSizes:
    """Heights of a label's first line, px: the one that is tried first, and the one below which none goes.

    A line is cut with an ellipsis beyond `longest_em` times its height.
    """

    largest: int
    smallest: int
    longest_em: int = 24


def text_sizes(picture: Rect) -> TextSizes:
    """Return sizes that are read on a monitor that shows the whole picture."""
    monitor = max(picture.height, picture.width * 9 / 16)
    return TextSizes(
        *(
            max(SMALLEST_TEXT_PX, round(monitor * lines / 1080))
            for lines in (LARGEST_LINES_OF_1080, SMALLEST_LINES_OF_1080)
        )
    )


def placed_labels(
    labels: Sequence[Label], picture: Rect, sizes: TextSizes, *, lines: Sequence[Rect], subject: Rect | None
) -> tuple[Plate, ...]:
    """Return plates at free places in the upright picture, off the subject and lines where there is room.

    Where no subject is given, what the frames are about is taken to be in the middle.
    """
    frames = [label for label in labels if label.kind == "label"]
    tags = [label for label in labels if label.kind == "tag"]
    kept_clear = _boxes([_middle_of(picture) if subject is None else subject])
    obstacles = Obstacles(kept_clear, _boxes(lines), _boxes([]), _ON_GUESS if subject is None else _ON_SUBJECT)
    for_tags = obstacles._replace(subject=_boxes([]))
    plates = _frame_plates(frames, picture, obstacles, sizes)
    for tag in tags:
        plate = _plate(tag, picture, sizes.smallest, sizes.longest_em)
        taken = _boxes([other.rect for other in plates])
        # A tag stands at the top of its box, and may stand on the subject, whose tag it may be.
        place = _free_place(tag.box, plate.rect, picture, sizes.smallest // 2, taken, for_tags, from_top=True)
        if place is not None:
            plates.append(replace(plate, rect=place.rect))
    return tuple(plates)


def _middle_of(picture: Rect) -> Rect:
    """Return the middle half of a picture, each way."""
    return Rect(
        picture.x + picture.width // 4, picture.y + picture.height // 4, picture.width // 2, picture.height // 2
    )


def _frame_plates(labels: Sequence[Label], picture: Rect, obstacles: Obstacles, sizes: TextSizes) -> list[Plate]:
    """Return every frame's plate: all lines at some size, or the names alone, or as many as find room.

    Of the sizes down to three quarters of the largest, the one at which the fewest plates stray; a smaller one only
    where there is no room at these.
    """
    names = [replace(label, texts=label.texts[:1]) for label in labels]
    for texts in (labels, names):
        best, size, least = None, sizes.largest, sizes.smallest
        while size >= least and (best is None or best.strays):
            found = _laid_out(texts, picture, size, sizes.longest_em, obstacles, all_of_them=True)
            if len(found.plates) == len(texts) and (best is None or found.strays < best.strays):
                best, least = found, max(sizes.smallest, sizes.largest * 3 // 4)
            size = size * 7 // 8
        if best is not None:
            return best.plates
    return _laid_out(names, picture, sizes.smallest, sizes.longest_em, obstacles).plates


@dataclass(frozen=True, slots=True)
class _Layout:
    """Plates at their places; one strays twice outside its frame, once partly outside, and on the subject."""

    plates: list[Plate]
    strays: int


def _laid_out(
    labels: Sequence[Label],
    picture: Rect,
    size: int,
    longest_em: int,
    obstacles: Obstacles,
    *,
    all_of_them: bool = False,
) -> _Layout:
    """Return plates at one size; with `all_of_them` no more are tried after one that finds no room."""
    plates: dict[int, Plate] = {}
    strays = 0
    by_size = sorted(range(len(labels)), key=lambda index: _seen_px(labels[index].box, picture))
    for place_of_size, index in enumerate(by_size):
        label = labels[index]
        smaller = _boxes([labels[other].box for other in by_size[:place_of_size]])
        plate = _plate(label, picture, size, longest_em)
        taken = _boxes([other.rect for other in plates.values()])
        place = _free_place(label.box, plate.rect, picture, size // 2, taken, obstacles._replace(smaller=smaller))
        if place is not None:
            plates[index] = replace(plate, rect=place.rect)
            strays += place.strays
        elif all_of_them:
            break
    return _Layout([plates[index] for index in sorted(plates)], strays)


def _seen_px(box: Rect, picture: Rect) -> int:
    """Return how many pixels of a box are in the picture."""
    seen = common_area((box, picture))
    return 0 if seen is None else seen.width * seen.height


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a plate goes, and how far that is from where it should: see `_Layout`."""

    rect: Rect
    strays: int


def _boxes(rects: Sequence[Rect]) -> Boxes:
    return np.array([(r.x, r.y, r.right, r.bottom) for r in rects], dtype=np.int64).reshape(-1, 4)


def _plate(label: Label, picture: Rect, size: int, longest_em: int) -> Plate:
    """Return a label of its final size at no place yet."""
    pad, swatch = size // 2, 2 * size
    most = min(picture.width - swatch - 3 * pad, longest_em * size)
    lines, top = [], pad // 2
    for row, text in enumerate(label.texts):
        text_px = size if row == 0 else max(SMALLEST_TEXT_PX, round(size * FACTS_SIZE))
        shown = fitted(text, text_px, max(most, 0))
        lines.append(TextLine(shown, swatch + pad, top + ascent(text_px), text_width(shown, text_px), text_px))
        top += line_height(text_px)
    width = swatch + 2 * pad + max(line.width for line in lines)
    return Plate(
        label.kind,
        label.frame,
        Rect(0, 0, width, top + pad // 2),
        0,
        label.colour,
        swatch_marks(label.dashes, size),
        tuple(lines),
    )


def swatch_marks(dashes: tuple[int, ...], size: int) -> tuple[Rect, ...]:
    """Return a sample of a line beside the first line of text, upright, from the plate's corner."""
    thick = max(1, size // 5)
    start, end = size // 2, 2 * size
    y = size // 4 + ascent(size) - line_height(size) // 3
    if not dashes:
        return (Rect(start, y, end - start, thick),)
    unit = max(1, thick // 3)
    marks, place, step = [], start, 0
    while place < end:
        length = min(dashes[step % len(dashes)] * unit, end - place)
        if step % 2 == 0:
            marks.append(Rect(place, y, length, thick))
        place, step = place + length, step + 1
    return tuple(marks)


def _free_place(
    box: Rect,
    plate: Rect,
    picture: Rect,
    gap: int,
    taken: Boxes,
    obstacles: Obstacles,
    *,
    from_top: bool = False,
) -> _Place | None:
    """Return the best place for a plate: off every plate, and off lines where there is such a place."""
    least, best = np.inf, None
    # A box that lies wholly outside has no part of its own to look at.
    for area in (common_area((box, picture)) or picture, picture):
        rows, columns = _grid(area, plate, picture, gap, from_top=from_top)
        if not len(rows) or not len(columns):
            continue
        is_free = _hits(rows, columns, plate, taken, gap // 2) == 0
        if not is_free.any():
            continue
        # The subject is covered last of all; a label stands on lines, few of them, rather than outside its frame.
        on_subject, on_lines = (
            _hits(rows, columns, plate, boxes, gap // 2) for boxes in (obstacles.subject, obstacles.lines)
        )
        leaves = _leave(rows, columns, plate, box)
        charge = _CROSSED * on_lines + _INSIDE * _inside(rows, columns, plate, obstacles.smaller)
        worth = np.where(is_free, (on_subject * obstacles.on_subject + leaves) * _MOST_BOXES + charge, np.inf)
        place = np.unravel_index(np.argmin(worth), worth.shape)
        if worth[place] < least:
            least, best = worth[place], Rect(int(columns[place[1]]), int(rows[place[0]]), plate.width, plate.height)
    return None if best is None else _Place(best, int(least // _MOST_BOXES))


def _hits(rows: Places, columns: Places, plate: Rect, boxes: Boxes, gap: int) -> NDArray[np.float32]:
    """Return to how many boxes a plate at each row and column comes nearer than a gap.

    A box is hit where its rows and its columns are: one product of two tables counts for all places.
    """
    x, y, right, bottom = boxes.T[..., np.newaxis]
    hits_row = (rows - gap < bottom) & (rows + plate.height + gap > y)
    hits_column = (columns - gap < right) & (columns + plate.width + gap > x)
    return np.asarray(hits_row.T.astype(np.float32) @ hits_column.astype(np.float32))


def _inside(rows: Places, columns: Places, plate: Rect, boxes: Boxes) -> NDArray[np.float32]:
    """Return in how many boxes a plate at each row and column lies as a whole."""
    x, y, right, bottom = boxes.T[..., np.newaxis]
    holds_row = (rows >= y) & (rows + plate.height <= bottom)
    holds_column = (columns >= x) & (columns + plate.width <= right)
    return np.asarray(holds_row.T.astype(np.float32) @ holds_column.astype(np.float32))


def _leave(rows: Places, columns: Places, plate: Rect, box: Rect) -> NDArray[np.int64]:
    """Return at which rows and columns a plate lies outside of a box: 1 in part, 2 as a whole."""
    row_leaves = (rows < box.y) | (rows + plate.height > box.bottom)
    column_leaves = (columns < box.x) | (columns + plate.width > box.right)
    row_is_out = (rows >= box.bottom) | (rows + plate.height <= box.y)
    column_is_out = (columns >= box.right) | (columns + plate.width <= box.x)
    in_part, as_a_whole = np.logical_or.outer(row_leaves, column_leaves), np.logical_or.outer(row_is_out, column_is_out)
    return np.asarray(in_part.astype(np.int64) + as_a_whole)


def _grid(area: Rect, plate: Rect, picture: Rect, gap: int, *, from_top: bool) -> tuple[Places, Places]:
    """Return rows from one end of an area, and columns: left, right and middle, then steps between; best first.

    Those of which a plate would leave the picture are left out.
    """
    step_y = max(plate.height // 2, 1)
    top, bottom = area.y + gap, max(area.bottom - gap - plate.height, area.y + gap)
    rows = np.arange(top, bottom + 1, step_y) if from_top else np.arange(bottom, top - 1, -step_y)
    left, right = area.x + gap, area.right - gap - plate.width
    between = np.arange(left, max(right, left) + 1, max(plate.width // 3, 1))
    columns = np.concatenate(([left, right, (left + right) // 2], between))
    return (
        rows[(rows >= picture.y) & (rows + plate.height <= picture.bottom)],
        columns[(columns >= picture.x) & (columns + plate.width <= picture.right)],
    )
