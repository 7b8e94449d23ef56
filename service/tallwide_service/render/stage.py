"""The stage: the picture of a scene turned so that the scene stands upright, where layout is done.

Whole pixels throughout. An area that ends inside a pixel takes all of it, so that a line drawn
outside never touches even a part of a pixel of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

from tallwide.answers import Rect
from tallwide.geometry import opposite_roll, turn_rect, turned_raster
from tallwide.job import Capture, Raster, Roll
from tallwide_service.core.view import View


@dataclass(frozen=True, slots=True)
class Stage:
    """A view, and the turn that makes its scene stand upright."""

    view: View
    turn: Roll
    #: Size of the picture that is drawn, and that of the whole picture upright.
    shown: Raster
    upright: Raster

    @property
    def picture(self) -> Rect:
        """The whole picture, upright."""
        return Rect(0, 0, self.upright.width, self.upright.height)

    def rect(self, recorded: Rect) -> Rect:
        """Return where a recorded rectangle stands; every pixel that it touches."""
        box = self.view.box(recorded)
        left, top = box.left // 1, box.top // 1
        right, bottom = -(-box.right // 1), -(-box.bottom // 1)
        return turn_rect(Rect(int(left), int(top), int(right - left), int(bottom - top)), self.shown, self.turn)

    def drawn(self, rect: Rect) -> Rect:
        """Return where an upright rectangle lies on the picture that is drawn."""
        return turn_rect(rect, self.upright, opposite_roll(self.turn))


def stage_of(view: View, capture: Capture) -> Stage:
    """Return the stage of a view of a capture."""
    turn, shown = cast(Roll, (capture.roll - view.roll) % 360), Raster(view.width, view.height)
    return Stage(view, turn, shown, turned_raster(shown, turn))
