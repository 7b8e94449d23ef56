"""The column: pages of paper being filled from the top with rules, paragraphs and lists. Lengths are mm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from tallwide_service.render.page import Item, Words, areas, oblong, wrapped
from tallwide_service.render.palette import Colour

SIDE_MM, TOP_MM, FOOT_MM = 15.0, 13.0, 14.0
INK: Colour = (28, 28, 30)
SOFT: Colour = (104, 104, 110)
RULE: Colour = (198, 198, 202)
LINE = 1.38
# Between two columns of a list, and from an item's mark to its text.
GUTTER_MM, INDENT_MM = 6.0, 4.5


@dataclass(frozen=True, slots=True)
class Type:
    """Sizes of text: what is read first, what stands beside it, and what is looked up."""

    body: float = 2.75
    small: float = 2.4
    tiny: float = 2.05

    def at(self, share: float) -> Type:
        """Return the sizes set smaller."""
        return Type(self.body * share, self.small * share, self.tiny * share)


@dataclass(frozen=True, slots=True)
class ListItem:
    """An item of a list: its mark, and its text in lines."""

    mark: str
    lines: Sequence[str]


@dataclass(slots=True)
class Column:
    """Pages being filled from the top: where the next thing goes, and what each page holds."""

    width: float
    height: float
    type: Type
    pages: list[list[Item]] = field(default_factory=list)
    y: float = 0.0

    def turn(self) -> None:
        """Begin a page."""
        self.pages.append([])
        self.y = TOP_MM

    @property
    def room(self) -> float:
        """Height that is left on the page."""
        return self.height - FOOT_MM - self.y

    @property
    def measure(self) -> float:
        """Width of the text."""
        return self.width - 2 * SIDE_MM

    def add(self, *items: Item) -> None:
        """Put items on the page."""
        self.pages[-1] += items

    def write(self, text: str, x: float, size: float, colour: Colour = INK) -> None:
        """Write one line at the present height."""
        self.add(Words(text, x, self.y + size, size, colour))

    def write_right(self, text: str, x: float, size: float, colour: Colour = INK) -> None:
        """Write one line that ends at x, at the present height."""
        self.add(Words(text, x, self.y + size, size, colour, "end"))

    def rule(self, colour: Colour = RULE) -> None:
        """Draw a line across the text and go below it."""
        self.add(*areas((oblong(SIDE_MM, self.y, self.measure, 0.18),), colour, "rule"))
        self.y += 0.2

    def paragraph(self, text: str, size: float, *, colour: Colour = INK) -> None:
        """Write a text in lines, over pages where it must."""
        for line in wrapped(text, size, self.measure):
            if self.room < size * LINE:
                self.turn()
            self.write(line, SIDE_MM, size, colour)
            self.y += size * LINE

    def heading(self, text: str, keep_mm: float) -> None:
        """Write a heading, on a new page where what follows would not fit below it."""
        if self.room < keep_mm + self.heading_mm:
            self.turn()
        self.y += 1.6
        self.write(text, SIDE_MM, self.type.small, SOFT)
        self.y += self.type.small * LINE + 0.4

    @property
    def heading_mm(self) -> float:
        """Height of a heading."""
        return 2.0 + self.type.small * LINE

    def list_in_two(self, title: str, texts: Sequence[str], marks: Sequence[object] | None = None) -> None:
        """Write a heading and items in two columns, down the first, then the second; over pages where it must."""
        size, width = self.type.tiny, (self.measure - GUTTER_MM) / 2
        items = [
            ListItem(str(mark), wrapped(text, size, width - INDENT_MM))
            for mark, text in zip(marks or ("–",) * len(texts), texts, strict=True)
        ]
        # A list that has room on a page of its own is not divided.
        height = in_two(items)[1] * size * LINE
        is_longer = height > self.height - TOP_MM - FOOT_MM - self.heading_mm
        self.heading(title, keep_mm=2 * size * LINE if is_longer else height)
        while items:
            count = self._how_many_fit(items)
            if count == 0:
                self.turn()
                count = max(self._how_many_fit(items), 1)
            self._write_in_two(items[:count], width)
            items = items[count:]

    def _how_many_fit(self, items: Sequence[ListItem]) -> int:
        most = int(self.room / (self.type.tiny * LINE) + 1e-9)
        return next((count for count in range(len(items), 0, -1) if in_two(items[:count])[1] <= most), 0)

    def _write_in_two(self, items: Sequence[ListItem], width: float) -> None:
        size, top = self.type.tiny, self.y
        first, height = in_two(items)
        for place, column in enumerate((items[:first], items[first:])):
            x, self.y = SIDE_MM + place * (width + GUTTER_MM), top
            for item in column:
                self.write(item.mark, x, size, SOFT)
                for line in item.lines:
                    self.write(line, x + INDENT_MM, size)
                    self.y += size * LINE
        self.y = top + height * size * LINE


def in_two(items: Sequence[ListItem]) -> tuple[int, int]:
    """Return how many items go into the first of two columns to be least high, and how many lines that is."""
    lines = [len(item.lines) for item in items]
    heights = ((max(sum(lines[:first]), sum(lines[first:])), -first) for first in range(len(lines) + 1))
    height, first = min(heights)
    return -first, height
