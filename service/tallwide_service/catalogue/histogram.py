"""The histogram of margins: one row of bars a deliverable, SVG, no script, no outside font; all text is escaped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tallwide_service.render.svg import escaped

_WIDTH, _ROW, _TOP, _BOTTOM, _LEFT, _RIGHT = 900, 96, 56, 44, 200, 24
_INK, _GRID, _SHORT, _ENOUGH = "#20262b", "#c9d0d4", "#b45309", "#0f766e"
_FONT = "font-family='Helvetica,Arial,sans-serif'"
_LONGEST_LABEL = 26


def histogram_svg(labels: Sequence[str], edges_pct: Sequence[int], counts: Sequence[Sequence[int]]) -> str:
    """Return the histograms of spare pixels, percent of what is asked, as one picture.

    Parameters
    ----------
    edges_pct
        The lower edge of each bar; the last bar holds everything beyond.
    counts
        Clips by deliverable and bar.
    """
    height = _TOP + _ROW * len(labels) + _BOTTOM
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" '
            f'height="{height}" role="img" aria-labelledby="margins-title margins-desc">',
            '<title id="margins-title">Margins of a catalogue</title>',
            f'<desc id="margins-desc">{escaped(_description(labels, edges_pct, counts))}</desc>',
            f'<rect width="{_WIDTH}" height="{height}" fill="#ffffff"/>',
            _text(
                24, 30, "Spare pixels of each clip, percent of what the deliverable asks for", size=16, weight="bold"
            ),
            *_axis(edges_pct, height),
            *(line for place in range(len(labels)) for line in _row(labels[place], edges_pct, counts[place], place)),
            "</svg>\n",
        )
    )


def _description(labels: Sequence[str], edges_pct: Sequence[int], counts: Sequence[Sequence[int]]) -> str:
    said = []
    for label, row in zip(labels, counts, strict=True):
        enough = sum(count for edge, count in zip(edges_pct, row, strict=True) if edge >= 0)
        said.append(f"{label}: {enough:,} of {sum(row):,} clips have enough")
    return "; ".join(said)


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
        words = f"{edge} %" if edge < edges_pct[-1] else f"{edge} % and more"
        yield _text(x, bottom + 18, words, size=11, anchor="middle" if edge < edges_pct[-1] else "end")


def _row(label: str, edges_pct: Sequence[int], counts: Sequence[int], place: int) -> Iterator[str]:
    top = _TOP + _ROW * place
    base, room = top + _ROW - 14, _ROW - 30
    total, most = sum(counts), max(*counts, 1)
    enough = sum(count for edge, count in zip(edges_pct, counts, strict=True) if edge >= 0)
    short_label = label if len(label) <= _LONGEST_LABEL else label[: _LONGEST_LABEL - 3] + "..."
    yield _text(24, top + 40, short_label, size=13, weight="bold")
    share = f"{100 * enough / total:.1f} % have enough" if total else "no margins"
    yield _text(24, top + 57, share)
    yield _text(24, top + 73, f"{enough:,} of {total:,}" if total else "", size=11)
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
