"""Labels: where the plates of an overlay go.

Plates never overlap each other and stay inside the picture. They go low in their frame, where faces
seldom are, and keep off the subject, inside their frame and off lines, in this order, where there
is room. Where there is no room they are set smaller, then shorter. Tags of what surrounds the
frames give way: one that finds no room is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tallwide.answers import Rect
from tallwide_service.render.palette import Colour
from tallwide_service.render.scene import Plate, TextLine
from tallwide_service.render.type_setting import ascent, fitted, line_height, text_width

# Heights of text in lines of a monitor 1,080 lines high; guesses, judged by eye at arm's length.
LARGEST_LINES_OF_1080, SMALLEST_LINES_OF_1080 = 24, 15
SMALLEST_TEXT_PX = 7
# The second line and those below it are set smaller than the name.
FACTS_SIZE = 0.78
# A name is cut with an ellipsis beyond this many ems.
LONGEST_NAME_EM = 24

Boxes = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Label:
    """What a plate says, whose it is, and the box that it should stand in."""

    kind: Literal["label", "tag"]
    frame: int | None
    box: Rect
    colour: Colour
    dashes: tuple[int, ...]
    texts: tuple[str, ...]


def placed_labels(
    labels: Sequence[Label], picture: Rect, *, lines: Sequence[Rect], subject: Sequence[Rect]
) -> tuple[Plate, ...]:
    """Return plates at free places in the upright picture, off the subject and lines where there is room."""
    frames = [label for label in labels if label.kind == "label"]
    tags = [label for label in labels if label.kind == "tag"]
    obstacles = (_boxes(subject), _boxes(lines))
    monitor = max(picture.height, picture.width * 9 / 16)
    largest = max(SMALLEST_TEXT_PX, round(monitor * LARGEST_LINES_OF_1080 / 1080))
    smallest = max(SMALLEST_TEXT_PX, round(monitor * SMALLEST_LINES_OF_1080 / 1080))
    plates = _frame_plates(frames, picture, obstacles, largest, smallest)
    for tag in tags:
        plate = _plate(tag, picture, smallest)
        taken = _boxes([other.rect for other in plates])
        # A tag stands at the top of its box, and may stand on the subject, whose tag it may be.
        place = _free_place(
            tag.box, plate.rect, picture, smallest // 2, taken, (_boxes([]), obstacles[1]), from_top=True
        )
        if place is not None:
            plates.append(replace(plate, rect=place))
    return tuple(plates)


def _frame_plates(
    labels: Sequence[Label], picture: Rect, obstacles: tuple[Boxes, Boxes], largest: int, smallest: int
) -> list[Plate]:
    """Return every frame's plate: all lines at some size, or the names alone, or as many as find room."""
    for texts in (labels, [replace(label, texts=label.texts[:1]) for label in labels]):
        size = largest
        while size >= smallest:
            plates = _laid_out(texts, picture, size, obstacles, all_of_them=True)
            if len(plates) == len(texts):
                return plates
            size = size * 7 // 8
    return _laid_out([replace(label, texts=label.texts[:1]) for label in labels], picture, smallest, obstacles)


def _laid_out(
    labels: Sequence[Label],
    picture: Rect,
    size: int,
    obstacles: tuple[Boxes, Boxes],
    *,
    all_of_them: bool = False,
) -> list[Plate]:
    """Return plates at one size; with `all_of_them` no more are tried after one that finds no room."""
    plates: list[Plate] = []
    for label in labels:
        plate = _plate(label, picture, size)
        taken = _boxes([other.rect for other in plates])
        place = _free_place(label.box, plate.rect, picture, size // 2, taken, obstacles)
        if place is not None:
            plates.append(replace(plate, rect=place))
        elif all_of_them:
            break
    return plates


def _boxes(rects: Sequence[Rect]) -> Boxes:
    return np.array([(r.x, r.y, r.right, r.bottom) for r in rects], dtype=np.int64).reshape(-1, 4)


def _plate(label: Label, picture: Rect, size: int) -> Plate:
    """Return a label of its final size at no place yet."""
    pad, swatch = size // 2, 2 * size
    most = min(picture.width - swatch - 3 * pad, LONGEST_NAME_EM * size)
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
    obstacles: tuple[Boxes, Boxes],
    *,
    from_top: bool = False,
) -> Rect | None:
    """Return the best place for a plate: off every plate, and off lines where there is such a place."""
    places = _places(box, plate, picture, gap, from_top=from_top)
    if not len(places):
        return None
    size = np.array([plate.width, plate.height])
    free = places[_hits(places, size, taken, gap // 2) == 0]
    if not len(free):
        return None
    # The subject is covered last of all; a label stands on lines, few of them, rather than in another frame.
    on_subject, on_lines = (_hits(free, size, boxes, gap // 2) for boxes in obstacles)
    x, y = free[np.lexsort((on_lines, _leave(free, size, box), on_subject))[0]]
    return Rect(int(x), int(y), plate.width, plate.height)


def _hits(places: Boxes, size: Boxes, boxes: Boxes, gap: int) -> NDArray[np.int64]:
    """Return to how many boxes each place comes nearer than a gap."""
    hits = np.zeros(len(places), dtype=np.int64)
    left, top = places[:, 0] - gap, places[:, 1] - gap
    right, bottom = places[:, 0] + size[0] + gap, places[:, 1] + size[1] + gap
    for x, y, beyond_x, beyond_y in boxes.tolist():
        hits += (left < beyond_x) & (right > x) & (top < beyond_y) & (bottom > y)
    return hits


def _leave(places: Boxes, size: Boxes, box: Rect) -> NDArray[np.bool_]:
    """Return which places lie outside of a box, even in part."""
    inside = (places >= (box.x, box.y)) & (places + size <= (box.right, box.bottom))
    return np.logical_not(inside.all(axis=1))


def _places(box: Rect, plate: Rect, picture: Rect, gap: int, *, from_top: bool) -> Boxes:
    """Return where a plate may go, best first: inside the box from one end, then all over the picture."""
    visible = Rect(
        max(box.x, picture.x),
        max(box.y, picture.y),
        max(min(box.right, picture.right) - max(box.x, picture.x), 0),
        max(min(box.bottom, picture.bottom) - max(box.y, picture.y), 0),
    )
    grids = [_grid(area, plate, gap, from_top=from_top) for area in (visible, picture)]
    places = np.concatenate(grids)
    inside = (
        (places[:, 0] >= picture.x)
        & (places[:, 1] >= picture.y)
        & (places[:, 0] + plate.width <= picture.right)
        & (places[:, 1] + plate.height <= picture.bottom)
    )
    return np.asarray(places[inside])


def _grid(area: Rect, plate: Rect, gap: int, *, from_top: bool) -> Boxes:
    """Return places inside an area: rows from one end, each from its left, right and middle to steps between."""
    step_y = max(plate.height // 2, 1)
    top, bottom = area.y + gap, max(area.bottom - gap - plate.height, area.y + gap)
    rows = np.arange(top, bottom + 1, step_y) if from_top else np.arange(bottom, top - 1, -step_y)
    left, right = area.x + gap, area.right - gap - plate.width
    between = np.arange(left, max(right, left) + 1, max(plate.width // 3, 1))
    columns = np.concatenate(([left, right, (left + right) // 2], between))
    return np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1).reshape(-1, 2)[:, ::-1].astype(np.int64)
