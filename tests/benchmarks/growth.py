"""How cost grows: what was measured at several sizes, the law that fits it, and charts of both as one SVG.

A law is a fixed cost and a power of the size. It is fitted on the logs, so that every size counts
alike; both axes of a chart are logarithmic too, and a power law alone is a straight line there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from scipy.optimize import least_squares

# What varies by less than this factor over all sizes is called constant; a part below this share is left out.
STEADY, NEGLIGIBLE = 1.5, 0.01
FIRST_GUESSES = (0.5, 1.0, 1.5, 2.0)


@dataclass(frozen=True)
class Law:
    """`fixed` + `factor` × n ^ `exponent`."""

    fixed: float
    factor: float
    exponent: float

    def at(self, size: float) -> float:
        """Return the value that the law has for a size."""
        return self.fixed + self.factor * size**self.exponent


def fitted(sizes: Sequence[float], values: Sequence[float]) -> Law:
    """Return the law whose logs are nearest to those of the values, which are greater than zero.

    Two sizes, and what shrinks, get a power law without a fixed cost.
    """
    logs_n, logs = np.log(sizes), np.log(values)
    if max(values) < STEADY * min(values) and len(values) > 2:
        return Law(float(np.exp(logs.mean())), 0.0, 0.0)
    slope, at_one = np.polyfit(logs_n, logs, 1)
    if len(values) <= 2 or slope <= 0:
        return Law(0.0, float(np.exp(at_one)), float(slope))

    def missed(parameters: np.ndarray) -> np.ndarray:
        log_fixed, log_factor, exponent = parameters
        return np.logaddexp(log_fixed, log_factor + exponent * logs_n) - logs

    found = min(
        (
            least_squares(missed, (logs[0], logs[-1] - guess * logs_n[-1], guess), x_scale=(1, 1, 0.1))
            for guess in FIRST_GUESSES
        ),
        key=lambda each: float(each.cost),
    )
    log_fixed, log_factor, exponent = found.x
    fixed = float(np.exp(log_fixed))
    return Law(fixed if fixed > NEGLIGIBLE * min(values) else 0.0, float(np.exp(log_factor)), float(exponent))


@dataclass(frozen=True)
class Curve:
    """One thing measured at several sizes, which ascend."""

    name: str
    sizes: tuple[float, ...]
    values: tuple[float, ...]

    @property
    def law(self) -> Law:
        """The law of its growth."""
        return fitted(self.sizes, self.values)


@dataclass(frozen=True)
class Chart:
    """Curves over one axis; how sizes and values are written is the chart's."""

    title: str
    counted: str
    curves: tuple[Curve, ...]
    size_words: Callable[[float], str]
    value_words: Callable[[float], str]

    def law_words(self, law: Law) -> str:
        """Return a law as it stands beside its curve."""
        if not law.factor:
            return f"constant, {self.value_words(law.fixed)}"
        fixed = f"{self.value_words(law.fixed)} + " if law.fixed else ""
        return f"{fixed}{self.value_words(law.factor)} × n^{law.exponent:.2f}"


def lines(charts: Sequence[Chart]) -> Iterator[str]:
    """Yield what was measured as text: a row a curve, a column a size."""
    for chart in charts:
        yield f"\n{chart.title}"
        for curve in chart.curves:
            cells = (
                f"{chart.size_words(size)}: {chart.value_words(value)}"
                for size, value in zip(curve.sizes, curve.values, strict=True)
            )
            yield f"  {curve.name}: {', '.join(cells)}; law: {chart.law_words(curve.law)}"


def seconds_words(seconds: float) -> str:
    """Return a time with two digits or three and its unit."""
    for least, unit in ((1, "s"), (1e-3, "ms"), (1e-6, "µs")):
        if seconds >= least * 0.9995:
            return f"{seconds / least:.3g} {unit}"
    return f"{seconds * 1e9:.3g} ns"


def short_count(number: float) -> str:
    """Return a count as an axis has it: 1, 10K, 5M."""
    for least, letter in ((1e6, "M"), (1e3, "K")):
        if number >= least * 0.9995:
            return f"{number / least:.3g}{letter}"
    return f"{number:.3g}"


# Width of a chart with what stands around it, of the drawing, and heights.
CHART, PLOT, LEFT, TOP = 450, 360, 64, 44
HIGH, LEGEND, ROW = 220, 36, 17
MARGIN, HEAD = 16, 50
STEPS = 60  # places at which a law is drawn
DASHES = ("", "6 3", "2 3", "9 3 2 3")
FONT = "Helvetica,Arial,sans-serif"
STYLE = (
    "text{fill:#20262b;font-size:12px}.name{font-weight:bold;font-size:13px}.head{font-weight:bold;font-size:16px}"
    ".small{font-size:11px}.raised{font-size:9px}.paper{fill:#ffffff}.rule{stroke:#d9dee1}.line{fill:none;stroke-width:2}.edge{stroke:#20262b}"
    ".s0{stroke:#0f766e}.s1{stroke:#b45309}.s2{stroke:#4f46a5}.s3{stroke:#55616b}"
    ".m0{fill:#0f766e}.m1{fill:#b45309}.m2{fill:#4f46a5}.m3{fill:#55616b}"
    "@media (prefers-color-scheme:dark){text{fill:#e6eaed}.paper{fill:#14181b}.rule{stroke:#343c42}"
    ".edge{stroke:#e6eaed}.s0{stroke:#4cc9b6}.s1{stroke:#f0a860}.s2{stroke:#aaa5f2}.s3{stroke:#a3b1bd}"
    ".m0{fill:#4cc9b6}.m1{fill:#f0a860}.m2{fill:#aaa5f2}.m3{fill:#a3b1bd}}"
)


def drawn(title: str, charts: Sequence[Chart]) -> str:
    """Return the charts, two beside each other, as an SVG document that follows a light or a dark page."""
    high = TOP + HIGH + LEGEND + ROW * max(len(chart.curves) for chart in charts) + 22
    width, height = 2 * (CHART + MARGIN), HEAD + high * math.ceil(len(charts) / 2)
    words = "; ".join(
        f"{chart.title}: {curve.name} {chart.law_words(curve.law)}" for chart in charts for curve in chart.curves
    )
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
            f'font-family="{FONT}" role="img" aria-labelledby="growth-title growth-desc">',
            f'<title id="growth-title">{escape(title)}</title>',
            f'<desc id="growth-desc">{escape(words)}</desc>',
            f"<style>{STYLE}</style>",
            f'<rect class="paper" width="{width}" height="{height}"/>',
            f'<text class="head" x="{MARGIN}" y="30">{escape(title)}</text>',
            *(
                line
                for place, chart in enumerate(charts)
                for line in _chart(chart, MARGIN + (CHART + MARGIN) * (place % 2), HEAD + high * (place // 2))
            ),
            "</svg>\n",
        )
    )


@dataclass(frozen=True)
class Scale:
    """A logarithmic axis: `low` lies at `begin`, `high` at `end`, px."""

    low: float
    high: float
    begin: float
    end: float

    def at(self, value: float) -> float:
        """Return where a value lies, px."""
        return self.begin + (self.end - self.begin) * math.log(value / self.low) / math.log(self.high / self.low)


def _chart(chart: Chart, left: float, top: float) -> Iterator[str]:
    sizes = [size for curve in chart.curves for size in curve.sizes]
    values = [value for curve in chart.curves for value in curve.values]
    first, last = math.floor(math.log10(min(values))), math.ceil(math.log10(max(values)))
    floor, begin = top + TOP + HIGH, left + LEFT
    across = Scale(min(sizes), max(sizes), begin + 8, begin + PLOT - 8)
    up = Scale(10.0**first, 10.0 ** max(last, first + 1), floor, top + TOP)
    yield f'<g><text class="name" x="{left}" y="{top + 22}">{escape(chart.title)}</text>'
    for power in range(first, max(last, first + 1) + 1):
        y = up.at(10.0**power)
        yield f'<path class="rule" d="M{begin} {y:.1f}H{begin + PLOT}"/>'
        yield _small(begin - 6, y + 4, chart.value_words(10.0**power), "end")
    for size in max((curve.sizes for curve in chart.curves), key=len):
        x = across.at(size)
        yield f'<path class="edge" d="M{x:.1f} {floor}v4"/>'
        yield _small(x, floor + 17, chart.size_words(size), "middle")
    yield f'<path class="edge" d="M{begin} {floor}H{begin + PLOT}"/>'
    yield _small(begin + PLOT / 2, floor + 32, f"n = {chart.counted}", "middle")
    for number, curve in enumerate(chart.curves):
        law = curve.law
        smooth = np.geomspace(curve.sizes[0], curve.sizes[-1], STEPS)
        yield _line(number, "M" + "L".join(f"{across.at(size):.1f} {up.at(law.at(size)):.1f}" for size in smooth))
        for size, value in zip(curve.sizes, curve.values, strict=True):
            yield _mark(number, across.at(size), up.at(value))
        y = floor + LEGEND + ROW * (number + 1)
        yield _line(number, f"M{begin} {y - 4}h34")
        yield _mark(number, begin + 17, y - 4)
        words, _, exponent = escape(f"{curve.name}: {chart.law_words(law)}").partition("^")
        raised = f'<tspan class="raised" dy="-5">{exponent}</tspan>' if exponent else ""
        yield f'<text x="{begin + 42}" y="{y}">{words}{raised}</text>'
    yield "</g>"


def _small(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text class="small" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def _line(number: int, path: str) -> str:
    return f'<path class="line s{number}" stroke-dasharray="{DASHES[number] or "none"}" d="{path}"/>'


def _mark(number: int, x: float, y: float) -> str:
    """Return the mark of a curve: each has a shape of its own."""
    shape = ("M-4 0a4 4 0 1 0 8 0a4 4 0 1 0 -8 0Z", "M-3.5 -3.5h7v7h-7Z", "M0 -5L5 4H-5Z", "M0 -5L5 0L0 5L-5 0Z")[
        number
    ]
    return f'<path class="m{number}" transform="translate({x:.1f} {y:.1f})" d="{shape}"/>'
