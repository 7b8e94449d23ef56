"""Our canvas templates, applied by the standard's own steps, give exactly the delivery raster.

Source: ASC Framing Decision List 2.0.1, 7.4 (order of operations, rounding table and printed examples). The
steps are applied here by the test itself, and hold against the printed figures first.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings

from strategies import decisions
from tallwide import handoff
from tallwide.geometry import shown_ratio


def rounded(value: Fraction, *, even: str, mode: str) -> int:
    """Round one side of the output canvas."""
    step = 2 if even == "even" else 1
    steps = value / step
    whole = {"up": math.ceil(steps), "down": math.floor(steps), "round": math.floor(steps + Fraction(1, 2))}[mode]
    return whole * step


def applied(template, fit, preserve, squeeze=Fraction(1)):
    """Return scale and output canvas of a template for a fit source and what is preserved around it."""
    target = template["target_dimensions"]["width"], template["target_dimensions"]["height"]
    unsqueeze = squeeze / Fraction(template["target_anamorphic_squeeze"])
    fit = (fit[0] * unsqueeze, Fraction(fit[1]))
    preserve = (preserve[0] * unsqueeze, Fraction(preserve[1]))
    across, down = target[0] / fit[0], target[1] / fit[1]
    scale = {"width": across, "height": down, "fit_all": min(across, down), "fill": max(across, down)}[
        template["fit_method"]
    ]
    kept = [max(side, whole) * scale for side, whole in zip(fit, preserve, strict=True)]
    most = template.get("maximum_dimensions")
    if most and template.get("pad_to_maximum"):
        return scale, (most["width"], most["height"])
    rounding = template.get("round", {"even": "even", "mode": "up"})
    size = [rounded(side, **rounding) for side in kept]
    if most:
        size = [min(size[0], most["width"]), min(size[1], most["height"])]
    return scale, tuple(size)


@pytest.mark.parametrize(
    ("even", "mode", "result"),
    [
        ("even", "round", 1608), ("even", "up", 1610), ("even", "down", 1608),
        ("whole", "round", 1609), ("whole", "up", 1609), ("whole", "down", 1608),
    ],
)  # fmt: skip
def test_the_printed_rounding_table_for_1608_75(even, mode, result):
    assert rounded(Fraction("1608.75"), even=even, mode=mode) == result


@pytest.mark.parametrize(
    ("most", "pad", "canvas"),
    [
        (None, False, (4266, 2970)),
        ((4096, 2160), False, (4096, 2160)),
        ((5000, 3496), False, (4266, 2970)),
        ((5000, 3496), True, (5000, 3496)),
    ],
)
def test_the_printed_example_of_a_template(most, pad, canvas):
    # A decision of 4004 x 2252 fitted by width to 3840 x 2160, canvas.dimensions 4448 x 3096 preserved, even, up.
    template = {
        "target_dimensions": {"width": 3840, "height": 2160},
        "target_anamorphic_squeeze": 1,
        "fit_method": "width",
        "round": {"even": "even", "mode": "up"},
        "pad_to_maximum": pad,
    }
    if most:
        template["maximum_dimensions"] = {"width": most[0], "height": most[1]}
    scale, size = applied(template, (4004, 2252), (4448, 3096))
    assert scale == Fraction(3840, 4004)
    assert size == canvas


@given(decisions(largest=8192))
@settings(max_examples=100, deadline=None)
def test_our_templates_fill_the_delivery_raster_and_cut_no_more_than_the_aspect_error(decision):
    document = handoff.write(decision, "framing-decision-list").content
    templates = {template["id"]: template for template in document["canvas_templates"]}
    canvas = document["contexts"][0]["canvases"][-1]  # the upright or desqueezed one, where there is one
    for frame, entry in zip(decision.frames, canvas["framing_decisions"], strict=True):
        raster = frame.deliverable.raster
        if raster is None:
            assert entry["framing_intent_id"] not in templates
            continue
        fit = Fraction(entry["dimensions"]["width"]), Fraction(entry["dimensions"]["height"])
        squeeze = Fraction(canvas["anamorphic_squeeze"])
        scale, size = applied(templates[entry["framing_intent_id"]], fit, (0, 0), squeeze)
        assert size == (raster.width, raster.height)
        unsqueezed = fit[0] * squeeze / Fraction(frame.deliverable.pixel_aspect)
        covered = (unsqueezed * scale, fit[1] * scale)
        assert covered[0] >= raster.width * (1 - Fraction(1, 10**9))
        assert covered[1] >= raster.height * (1 - Fraction(1, 10**9))
        shown = shown_ratio(frame.rect.width, frame.rect.height, decision.capture)
        error = max(shown / frame.deliverable.ratio, frame.deliverable.ratio / shown)
        assume(error < 2)
        assert covered[0] * covered[1] <= raster.width * raster.height * error * (1 + Fraction(1, 10**6))
