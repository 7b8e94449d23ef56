"""Progress on a terminal: how much is done, how fast, how long it will still take."""

from __future__ import annotations

import time
from typing import TextIO

_BAR = 28


class Progress:
    """Draws one line over and over; where no terminal listens it says nothing."""

    def __init__(self, stream: TextIO, *, is_shown: bool | None = None) -> None:
        self._stream = stream
        self._is_shown = stream.isatty() if is_shown is None else is_shown
        self._began = time.monotonic()
        self._ready: int | None = None
        self._is_open = False

    def __call__(self, done: int, whole: int) -> None:
        """Show that so many clips of all are done."""
        if self._ready is None:
            self._ready = done
        if self._is_shown:
            self._stream.write("\r" + line(done, whole, done - self._ready, time.monotonic() - self._began))
            self._stream.flush()
            self._is_open = True

    def close(self) -> None:
        """End the line."""
        if self._is_open:
            self._stream.write("\n")
            self._is_open = False


def line(done: int, whole: int, since: int, seconds: float) -> str:
    """Return the line for so many clips done of all, `since` of them in so many seconds.

    Examples
    --------
    >>> line(1_000_000, 4_000_000, 1_000_000, 10)
    '[#######---------------------]  25 %  1,000,000 of 4,000,000 clips  100,000 a second  0:30 left  '
    """
    share = done / whole if whole else 1.0
    bar = "#" * int(share * _BAR)
    words = f"[{bar:-<{_BAR}}] {share:4.0%}".replace("%", " %") + f"  {done:,} of {whole:,} clips"
    if since and seconds > 0:
        rate = since / seconds
        minutes, rest = divmod(round((whole - done) / rate), 60)
        words += f"  {rate:,.0f} a second  {minutes}:{rest:02d} left  "
    return words
