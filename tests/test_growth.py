"""Growth laws and their charts: laws of known data, and a drawing that has every point where it belongs."""

from __future__ import annotations

import math
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parent / "benchmarks"))
from growth import Chart, Curve, drawn, fitted, lines, seconds_words, short_count

SVG = "{http://www.w3.org/2000/svg}"
DECADES = tuple(10.0**power for power in range(8))
DOUBLED = tuple(2.0**power for power in range(7))


@pytest.mark.parametrize("sizes", [DECADES, DOUBLED], ids=["decades", "doubled"])
@pytest.mark.parametrize("exponent", [0.5, 1.0, 1.5, 2.0])
@pytest.mark.parametrize("fixed", [0.0, 1.0, 5.0])
def test_a_law_is_found_again_in_noise(sizes, exponent, fixed):
    noise = np.exp(np.random.default_rng(5).normal(0, 0.01, len(sizes)))
    law = fitted(sizes, [(fixed + 0.7 * size**exponent) * each for size, each in zip(sizes, noise, strict=True)])
    assert law.exponent == pytest.approx(exponent, abs=0.06)
    for size in sizes:
        assert law.at(size) == pytest.approx(fixed + 0.7 * size**exponent, rel=0.05)


def test_a_fixed_cost_that_hides_the_start_does_not_flatten_the_law():
    """Regression on the logs of all points, without a fixed cost, has 0.1 here."""
    law = fitted(DECADES, [1 + 5e-7 * size for size in DECADES])
    assert (law.fixed, law.factor, law.exponent) == pytest.approx((1, 5e-7, 1), rel=1e-3)


def test_what_hardly_varies_is_constant_and_what_shrinks_has_no_fixed_cost():
    steady = fitted(DOUBLED, [2.0, 2.1, 1.9, 2.0, 2.2, 2.0, 1.95])
    assert (steady.factor, steady.at(1e9)) == (0.0, pytest.approx(2.02, rel=0.01))
    shrinking = fitted(DOUBLED, [3 / size for size in DOUBLED])
    assert (shrinking.fixed, shrinking.exponent) == (0.0, pytest.approx(-1))


def test_two_sizes_have_the_power_between_them():
    assert fitted((1, 2), (3000.0, 6000.0)).exponent == pytest.approx(1)
    assert fitted((1, 2), (3000.0, 3100.0)).exponent == pytest.approx(math.log2(3100 / 3000))


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(3.2e-9, "3.2 ns"), (1e-6, "1 µs"), (0.000_999_9, "1 ms"), (0.0123, "12.3 ms"), (60.0, "60 s")],
)
def test_times_have_the_unit_that_suits_them(seconds, words):
    assert seconds_words(seconds) == words


CHARTS = (
    Chart(
        "Fast & <slow>",
        "clips",
        (
            Curve("straight", (1, 10, 100), (1e-3, 1e-2, 1e-1)),
            Curve("fixed first", (1, 10, 100, 1000), (1e-2, 1.01e-2, 1.1e-2, 2e-2)),
        ),
        short_count,
        seconds_words,
    ),
    Chart("Rates", "workers", (Curve("calls", (1, 2), (1000.0, 2000.0)),), short_count, short_count),
)


def test_rows_name_each_measurement_and_the_law():
    assert [*lines(CHARTS)][1] == "  straight: 1: 1 ms, 10: 10 ms, 100: 100 ms; law: 1 ms × n^1.00"


def test_each_point_of_a_chart_lies_where_its_logarithms_say():
    """Decades are as far from each other as the rules of the axis, and a point's mark has its size's mark below it."""
    root = ET.fromstring(drawn("Growth", CHARTS))
    chart = root.find(f"{SVG}g")
    rules = sorted(
        float(re.match(r"M\d+ ([\d.]+)H", each.get("d"))[1]) for each in chart if each.get("class") == "rule"
    )
    ticks = [float(match[1]) for each in chart if (match := re.match(r"M([\d.]+) \d+v4", each.get("d") or ""))]
    places = [
        tuple(map(float, re.findall(r"[\d.]+", each.get("transform")))) for each in chart if each.get("class") == "m0"
    ]
    assert len(rules) == 3  # 1, 10 and 100 ms
    assert len(ticks) == 4  # 1 to 1,000 clips
    *points, _of_the_legend = places
    expected = [*zip(ticks[:3], reversed(rules), strict=True)]
    assert np.asarray(points) == pytest.approx(np.asarray(expected), abs=0.11)


def test_a_drawing_is_whole_and_its_text_lies_inside(tmp_path):
    document = drawn("Growth", CHARTS)
    root = ET.fromstring(document)
    wide, high = float(root.get("width")), float(root.get("height"))
    texts = [*root.iter(f"{SVG}text")]
    assert {"Fast & <slow>", "calls: 1K × n1.00"} <= {"".join(each.itertext()) for each in texts}
    assert all(0 <= float(each.get("x")) <= wide and 0 < float(each.get("y")) < high for each in texts)
    assert "prefers-color-scheme:dark" in document
    (tmp_path / "growth.svg").write_text(document, encoding="utf-8")
    subprocess.run(["rsvg-convert", tmp_path / "growth.svg", "-o", tmp_path / "growth.png"], check=True)
    assert (tmp_path / "growth.png").read_bytes().startswith(b"\x89PNG")


def test_the_measured_drawing_is_the_one_that_the_command_makes():
    """It was drawn by this code: the same frame around it, four charts, a law beside each curve."""
    measured = ET.parse(Path(__file__).parent / "benchmarks" / "scaling.svg").getroot()
    anew = ET.fromstring(drawn("How cost grows", CHARTS))
    assert measured.find(f"{SVG}style").text == anew.find(f"{SVG}style").text
    assert len(measured.findall(f"{SVG}g")) == 4
    raised = [each.text for each in measured.iter(f"{SVG}tspan") if each.text]
    assert all(re.fullmatch(r"-?\d\.\d\d", each) for each in raised)
    assert len(raised) >= 10
