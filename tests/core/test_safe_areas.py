"""Safe areas on the recorded raster, and what is safe in two deliverables at once."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strategies import captures
from tallwide.answers import Rect
from tallwide.geometry import recorded_to_upright
from tallwide.job import Aspect, Capture, Deliverable, Job, Raster, SafeArea
from tallwide_service.core import solve
from tallwide_service.core.safe_areas import safe_areas, shared_safe_areas
from tallwide_service.errors import CannotBeMet

CAPTIONS = SafeArea("captions", left=0.06, top=0.12, right=0.06, bottom=0.3)


def placed(job: Job):
    extractions = solve(job).extractions
    places = safe_areas(job, extractions)
    return extractions, places, shared_safe_areas(job, extractions, places)


def wide_and_tall(**capture) -> Job:
    return Job(
        Capture(raster=Raster(4800, 3200), **capture),
        (
            Deliverable("wide", raster=Raster(3840, 2160), safe_area_sets=("ebu_r95",)),
            Deliverable("tall", raster=Raster(1080, 1920), safe_areas=(CAPTIONS,)),
        ),
    )


def test_published_sets_and_own_insets_are_placed_on_the_recorded_raster():
    extractions, places, _ = placed(wide_and_tall())
    wide, tall = (extraction.rect for extraction in extractions)
    assert (wide, tall) == (Rect(0, 250, 4800, 2700), Rect(1500, 0, 1800, 3200))
    action, graphics, captions = places
    assert action.delivered_rect == Rect(134, 76, 3572, 2008)
    # 134 x 1.25 = 167.5 and 3706 x 1.25 = 4632.5: only whole pixels inside count.
    assert action.rect == Rect(168, 250 + 95, 4632 - 168, 2510)
    assert graphics.document == "EBU R 95 v1.1 (2017)"
    assert (captions.document, captions.delivered_rect) == (None, Rect(65, 230, 950, 1114))
    assert captions.rect == Rect(1500 + 109, 384, 1691 - 109, 2240 - 384)


def test_a_16_to_9_document_is_out_of_scope_for_a_tall_picture():
    job = Job(
        Capture(raster=Raster(4800, 3200)),
        (Deliverable("tall", aspect=Aspect("9:16"), safe_area_sets=("ebu_r95",)),),
    )
    _, places, _ = placed(job)
    assert not any(place.in_scope for place in places)


def test_what_is_safe_in_both_is_the_overlap_of_all_their_areas():
    _, (action, graphics, captions), (shared,) = placed(wide_and_tall())
    assert shared.deliverables == ("wide", "tall")
    assert shared.rect == Rect(
        captions.rect.x,
        max(captions.rect.y, graphics.rect.y),
        captions.rect.width,
        min(captions.rect.bottom, graphics.rect.bottom) - max(captions.rect.y, graphics.rect.y),
    )
    assert action.rect.holds(graphics.rect)


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
def test_what_is_safe_in_both_is_so_pixel_by_pixel(roll):
    """Each upright pixel by itself, in doubles, against the published and own shares of both delivered rasters."""
    job = wide_and_tall(roll=roll)
    extractions, _, (shared,) = placed(job)
    upright = job.capture.upright_raster
    is_safe = np.ones((upright.height, upright.width), dtype=bool)
    # EBU R 95: graphics 5 % from each edge; the action area of 3.5 % lies around it.
    insets = {"wide": (0.05, 0.05, 0.05, 0.05), "tall": (0.06, 0.12, 0.06, 0.3)}
    for deliverable, extraction in zip(job.deliverables, extractions, strict=True):
        frame, raster = extraction.upright_rect, deliverable.raster
        left, top, right, bottom = insets[deliverable.label]
        for axis, (start, side, size, before, after) in enumerate(
            (
                (frame.y, frame.height, raster.height, top, bottom),
                (frame.x, frame.width, raster.width, left, right),
            )
        ):
            # Half a pixel of inset goes inwards.
            first, last = np.floor(before * size + 0.5), size - np.floor(after * size + 0.5)
            edges = (np.arange(is_safe.shape[axis] + 1) - start) * size / side
            inside = (edges[:-1] >= first - 1e-9) & (edges[1:] <= last + 1e-9)
            is_safe &= inside[:, None] if axis == 0 else inside[None, :]
    found = np.zeros_like(is_safe)
    box = shared.upright_rect
    found[box.y : box.bottom, box.x : box.right] = True
    assert is_safe.any()
    assert np.array_equal(found, is_safe)
    assert recorded_to_upright(shared.rect, job.capture) == box


def test_three_deliverables_give_every_pair_and_all_together():
    job = Job(
        Capture(raster=Raster(4800, 3200)),
        tuple(Deliverable(name, aspect=Aspect(name)) for name in ("16:9", "9:16", "1:1")),
    )
    _, _, shared = placed(job)
    assert [area.deliverables for area in shared] == [
        ("16:9", "9:16"),
        ("16:9", "1:1"),
        ("9:16", "1:1"),
        ("16:9", "9:16", "1:1"),
    ]


def test_insets_that_leave_nothing_are_refused_by_name():
    job = Job(
        Capture(raster=Raster(480, 320)),
        (Deliverable("a", aspect=Aspect("1:1"), safe_areas=(SafeArea("x", left=0.5, right=0.5),)),),
    )
    with pytest.raises(CannotBeMet) as refused:
        placed(job)
    assert refused.value.faults[0].pointer == "/deliverables/0/safe_areas/0"


@settings(max_examples=60)
@given(capture=captures(200, 6000), side=st.integers(50, 3000))
def test_a_safe_area_lies_inside_its_frame_under_every_roll(capture, side):
    job = Job(
        capture,
        (Deliverable("a", raster=Raster(side, side), safe_area_sets=("smpte_st2046_1",), safe_areas=(CAPTIONS,)),),
    )
    try:
        (extraction,), places, _ = placed(job)
    except CannotBeMet:
        return
    for place in places:
        assert extraction.rect.holds(place.rect)
        assert recorded_to_upright(place.rect, capture) == place.upright_rect
