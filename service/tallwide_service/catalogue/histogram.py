"""The histogram of margins: one row of bars a deliverable, SVG, no script, no outside font; all text is escaped."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from tallwide_service.render.svg import escaped

_WIDTH, _ROW, _TOP, _BOTTOM, _LEFT, _RIGHT = 900, 96, 56, 44, 200, 24
_INK, _GRID, _SHORT, _ENOUGH = "#20262b", "#c9d0d4", "#b45309", "#0f766e"
_FONT = "font-family='Helvetica,Arial,sans-serif'"
_LONGEST_LABEL = 26
NO_RASTER = "no raster, no margins"


def histogram_svg(summary: Mapping[str, Any]) -> str:
    """Return the histograms of spare pixels, percent of what is asked, as one picture.

    Parameters
    ----------
    summary
        `deliverables` with their counts, `clips` in all, and `margins_pct`: the lower edge of each
        bar, the last of which holds everything beyond, and clips by deliverable and bar.
    """
    edges_pct: Sequence[int] = summary["margins_pct"]["from"]
    rows = summary["deliverables"]
    counts = [summary["margins_pct"]["clips"][row["deliverable"]] for row in rows]
    height = _TOP + _ROW * len(rows) + _BOTTOM
    description = "; ".join(f"{row['deliverable']}: {_of_all(row, summary['clips'])}" for row in rows)
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" '
            f'height="{height}" role="img" aria-labelledby="margins-title margins-desc">',
            '<title id="margins-title">Margins of a catalogue</title>',
            f'<desc id="margins-desc">{escaped(description)}</desc>',
            f'<rect width="{_WIDTH}" height="{height}" fill="#ffffff"/>',
            _text(
                24, 30, "Spare pixels of each clip, percent of what the deliverable asks for", size=16, weight="bold"
            ),
            *_axis(edges_pct, height),
            *(
                line
                for place, row in enumerate(rows)
                for line in (
                    *_words(row, summary["clips"], _TOP + _ROW * place),
                    *_bars(row["deliverable"], edges_pct, counts[place], _TOP + _ROW * place),
                )
            ),
            "</svg>\n",
        )
    )


def _of_all(row: Mapping[str, Any], clips: int) -> str:
    """Return how many of all clips can deliver it, as the command line has it."""
    return NO_RASTER if row["without_raster"] else f"{row['can_deliver']:,} of {clips:,} clips can deliver it"


def _place(edges_pct: Sequence[int], index: int) -> float:
    return _LEFT + (_WIDTH - _LEFT - _RIGHT) * index / len(edges_pct)


def _text(x: float, y: float, words: str, *, size: int = 12, anchor: str = "start", weight: str = "normal") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" {_FONT} fill="{_INK}" text-anchor="{anchor}" '
        f'font-weight="{weight}">{escaped(words)}</text>'
    )


def _axis(edges_pct: Sequence[int], height: int) -> Iterator[str]:
    bottom = height - _BOTTOM
    for index, edge in enumerate(edges_pct):
        if edge % 50:
            continue
        x = _place(edges_pct, index)
        colour = _INK if edge == 0 else _GRID
        yield f'<path d="M{x:.1f} {_TOP - 8}V{bottom}" stroke="{colour}" stroke-width="1"/>'
        words = f"{edge} %" if edge < edges_pct[-1] else f"≥ {edge} %"
        yield _text(x, bottom + 18, words, size=11, anchor="middle")


def _words(row: Mapping[str, Any], clips: int, top: int) -> Iterator[str]:
    """Yield what stands beside one deliverable's bars."""
    label = row["deliverable"]
    short_label = label if len(label) <= _LONGEST_LABEL else label[: _LONGEST_LABEL - 3] + "..."
    yield _text(24, top + 30, short_label, size=13, weight="bold")
    if row["without_raster"]:
        yield _text(24, top + 47, NO_RASTER)
        return
    yield _text(24, top + 47, f"{100 * row['can_deliver'] / clips:.1f} % can deliver it")
    yield _text(24, top + 63, f"{row['can_deliver']:,} of {clips:,} clips", size=11)
    if row["refused"]:
        yield _text(24, top + 77, f"{row['refused']:,} refused", size=11)


def _bars(label: str, edges_pct: Sequence[int], counts: Sequence[int], top: int) -> Iterator[str]:
    base, room, most = top + _ROW - 14, _ROW - 30, max(*counts, 1)
    for index, (edge, count) in enumerate(zip(edges_pct, counts, strict=True)):
        if not count:
            continue
        x, width = _place(edges_pct, index), _place(edges_pct, 1) - _place(edges_pct, 0) - 1
        tall = max(room * count / most, 1)
        beyond = " and more" if index == len(edges_pct) - 1 else f" to {edges_pct[index + 1]} %"
        yield (
            f'<rect class="{"enough" if edge >= 0 else "short"}" x="{x + 0.5:.1f}" y="{base - tall:.1f}" '
            f'width="{width:.1f}" height="{tall:.1f}" fill="{_ENOUGH if edge >= 0 else _SHORT}">'
            f"<title>{escaped(f'{label}, {edge}{beyond}: {count:,} clips')}</title></rect>"
        )
    yield f'<path d="M{_LEFT} {base}H{_WIDTH - _RIGHT}" stroke="{_INK}" stroke-width="1"/>'
