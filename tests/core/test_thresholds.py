"""What would change the decision: every threshold by solving the job anew just below and just above it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strategies import production_jobs
from tallwide.job import Capture, Deliverable, Extent, Job, Lens, Production, Raster, exact
from tallwide_service.core import orientation, solve
from tallwide_service.core.margin import margins
from tallwide_service.core.plans import find_plans
from tallwide_service.core.positions import Searches
from tallwide_service.core.standing import order_of, standing
from tallwide_service.core.what_would_change import grown, what_would_change
from tallwide_service.errors import CannotBeMet

THREE_TO_TWO = Capture(raster=Raster(4800, 3200), label="A")
WIDE_UHD = Deliverable(label="wide", raster=Raster(3840, 2160))
TALL_UHD = Deliverable(label="tall", raster=Raster(2160, 3840))
DAY = Production(shots=10, takes_per_shot=3, minutes_per_take=4, minutes_per_changeover=15, minutes_available=600)


def key(plan):
    """What a plan is, whatever it is worth: its passes."""
    return tuple(
        (one.position.number, one.position.roll, tuple(take.deliverable.label for take in one.takes))
        for one in plan.passes
    )


def asking(job, factor):
    """The job with all minimum oversamplings times a factor."""
    frames = tuple(
        replace(frame, minimum_oversampling=float(exact(frame.minimum_oversampling) * factor))
        for frame in job.deliverables
    )
    return replace(job, deliverables=frames)


def worths(job):
    """The plans of a job by their passes, and what they are worth; the first one first."""
    found = find_plans(job)
    return key(found.drafts[0]), {key(draft): tuple(standing(draft).values()) for draft in found.drafts}


def same(one, other, values):
    """Whether two plans are the same or worth the same."""
    return one == other or values.get(one) == values.get(other)


@settings(max_examples=60, deadline=None)
@given(job=production_jobs(arrangement="independent"))
def test_the_order_flips_at_the_factor_that_is_named_and_not_before(job):
    try:
        found = find_plans(job)
    except CannotBeMet:
        return
    first = key(found.drafts[0])
    change = what_would_change(Searches(job), found.drafts, order_of(job), listed=len(found.drafts))
    for flip, near, far in ((change.stricter, 1 - 1e-6, 1 + 1e-6), (change.looser, 1 + 1e-6, 1 - 1e-6)):
        if flip is None:
            continue
        after, values = worths(asking(job, Fraction(flip.factor) * Fraction(far)))
        assert same(after, key(found.drafts[flip.plan]), values)
        assert not same(after, first, values)
        if abs(flip.factor - 1) > 1e-5:
            before, values = worths(asking(job, Fraction(flip.factor) * Fraction(near)))
            assert same(before, first, values)


@settings(max_examples=60, deadline=None)
@given(job=production_jobs(arrangement="independent"), factor=st.sampled_from((1.05, 1.3, 2, 4, 0.95, 0.7, 0.4, 0.1)))
def test_where_no_flip_is_named_none_is_found(job, factor):
    try:
        found = find_plans(job)
    except CannotBeMet:
        return
    change = what_would_change(Searches(job), found.drafts, order_of(job), listed=len(found.drafts))
    flip = change.stricter if factor > 1 else change.looser
    if flip is not None and (flip.factor < factor if factor > 1 else flip.factor > factor):
        return
    after, values = worths(asking(job, exact(factor)))
    assert same(after, key(found.drafts[0]), values)


def test_a_flip_may_lie_where_one_plan_lacks_as_much_of_the_day_as_the_other_of_its_pixels():
    # Two passes have 1.25 of their pixels and 300 of 390 minutes; one pass has 0.8333 of its pixels and all the
    # time: it comes first, until it lacks as large a share: 0.8333 / factor = 300 / 390.
    job = Job(THREE_TO_TWO, (TALL_UHD, WIDE_UHD), production=replace(DAY, minutes_available=300))
    advice = orientation(job)
    assert advice.plans[0].cost.passes == 1
    stricter = advice.what_would_change.stricter
    assert stricter.factor == pytest.approx((3200 / 3840) / (300 / 390))
    assert advice.plans[stricter.plan].cost.passes == 2


def day_of(job, minutes):
    return replace(job, production=replace(job.production, minutes_per_changeover=float(minutes)))


@settings(max_examples=100, deadline=None)
@given(job=production_jobs(arrangement="independent"), available=st.sampled_from((6, 10, 14.5, 30)))
def test_several_passes_stop_paying_where_it_is_said(job, available):
    production = replace(
        job.production or Production(),
        minutes_per_take=2,
        minutes_per_changeover=(job.production and job.production.minutes_per_changeover) or 1,
        minutes_available=available,
    )
    job = replace(job, production=production)
    try:
        found = find_plans(job)
    except CannotBeMet:
        return
    beaten = {place for place, beater in enumerate(found.beaten_by) if beater is not None}
    change = what_would_change(Searches(job), found.drafts, order_of(job), listed=len(found.drafts), beaten=beaten)
    limit = change.changeover
    if limit is None:
        return
    plan = found.drafts[limit.plan]
    if limit.minutes >= 1e-3:
        for factor, fits in ((1 - 1e-6, True), (1 + 1e-6, False)):
            drafts = find_plans(day_of(job, limit.minutes * factor)).drafts
            taken = {key(draft): draft.cost.minutes for draft in drafts}
            assert (taken[key(plan)] <= available) == fits
    if limit.decides_minutes:
        for minutes, place in (
            (limit.decides_minutes * (1 - 1e-6), limit.quicker),
            (limit.decides_minutes * (1 + 1e-6), limit.slower),
        ):
            first, values = worths(day_of(job, minutes))
            assert same(first, key(found.drafts[place]), values)
        assert len(found.drafts[limit.slower].passes) < len(found.drafts[limit.quicker].passes)


def test_two_passes_stop_paying_where_they_miss_the_day_by_more_than_one_pass_its_pixels():
    # 120 minutes a pass, 600 a day: 36 minutes a change-over fit. Beyond, two passes have 600 / (240 + 10 c) of
    # the day; one pass has 0.8333 of its pixels: they part at c = 48.
    job = Job(THREE_TO_TWO, (TALL_UHD, WIDE_UHD), production=DAY)
    limit = orientation(job).what_would_change.changeover
    assert (limit.minutes, limit.decides_minutes) == (36, 48)
    assert orientation(day_of(job, 47.9)).plans[0].cost.passes == 2
    late = orientation(day_of(job, 48.1))
    assert late.plans[0].cost.passes == 1
    # Seen from there, two passes would pay again with quicker change-overs.
    assert late.what_would_change.changeover.decides_minutes == 48


def test_no_change_over_decides_where_one_pass_does():
    job = Job(THREE_TO_TWO, (Deliverable("tall", raster=Raster(1080, 1920)), WIDE_UHD), production=DAY)
    assert orientation(job).what_would_change.changeover.decides_minutes is None


@settings(max_examples=40, deadline=None)
@given(job=production_jobs(arrangement="independent"))
def test_a_crop_fills_its_break_even_raster_when_solved_anew_and_no_larger_one(job):
    """One raster for the exact shape, scaled: a job that asks for it is enough, one that asks for 1 % more is not."""
    advice_job = replace(job, alternatives=None, rolls=(0, 90), framing=replace(job.framing, aspect_tolerance=0.1))
    try:
        advice = orientation(advice_job)
    except CannotBeMet:
        return
    for frame, found in zip(job.deliverables, advice.break_even, strict=True):
        for roll, raster in ((0, found.upright), (90, found.turned)):
            if raster is None or frame.raster is None:
                continue
            # The crop of the asked shape, against as many pixels as named: not one more fits on both sides.
            view = replace(advice_job, capture=replace(job.capture, roll=roll), deliverables=(frame,))
            crop = solve(view).extractions[0].upright_rect
            asked = exact(frame.minimum_oversampling)
            assert raster.width * asked <= crop.width
            assert raster.height * asked <= crop.height
            assert (raster.width + 1) * asked > crop.width or (raster.height + 1) * asked > crop.height


@pytest.mark.parametrize(
    ("shape", "capture"),
    [
        ((9, 16), THREE_TO_TWO),
        ((16, 9), THREE_TO_TWO),
        ((4, 5), THREE_TO_TWO),
        ((9, 16), Capture(Raster(4096, 2304), squeeze=2)),
    ],
)
def test_a_break_even_raster_is_enough_and_one_step_larger_is_short(shape, capture):
    """Of rasters that have the shape exactly, solved anew: the last that is enough is the one named."""
    wide, high = shape
    (found,) = orientation(Job(capture, (Deliverable("f", raster=Raster(wide * 10, high * 10)),))).break_even
    for roll, raster in ((0, found.upright), (90, found.turned)):
        verdicts = []
        for times in (raster.width // wide, raster.width // wide + 1):
            frame = Deliverable("f", raster=Raster(wide * times, high * times))
            job = Job(replace(capture, roll=roll), (frame,))
            verdicts.append(margins(job, solve(job))[0].verdict)
        assert verdicts[0] != "short"
        assert verdicts[1] == "short"


def is_enough(job, capture, one):
    """Whether every frame of a pass has enough pixels on another capture, solved anew by itself."""
    frames = tuple(frame for frame in job.deliverables if frame.label in one.deliverables)
    view = replace(job, capture=replace(capture, roll=one.roll), deliverables=frames)
    return has_enough(view) or (job.framing.arrangement == "shared_point" and has_enough(holding_minimums(view)))


def has_enough(job):
    try:
        return all(margin.verdict != "short" for margin in margins(job, solve(job)))
    except CannotBeMet:
        return False


def holding_minimums(job):
    return replace(job, framing=replace(job.framing, minimums="held"))


@settings(max_examples=60, deadline=None)
@given(job=production_jobs(arrangement="independent"))
def test_the_smallest_change_of_lens_or_mode_is_enough_and_one_step_less_is_not(job):
    check_mends(job)


@settings(max_examples=10, deadline=None)
@given(job=production_jobs(arrangement="shared_point", circles=False))
def test_the_smallest_change_is_enough_on_a_shared_point_too(job):
    check_mends(job)


def check_mends(job):
    try:
        advice = orientation(job)
    except CannotBeMet:
        return
    captures = (job.capture, *(job.alternatives or ()))
    for mend in advice.what_would_change.mends:
        plan = advice.plans[mend.plan]
        assert not plan.feasible
        assert plan.dominated_by is None
        one = plan.passes[mend.pass_index]
        capture = captures[one.capture_index]
        bare = capture if capture.lens is None else replace(capture, lens=None)
        assert not is_enough(job, capture, one)
        if mend.raster is not None:
            steps = (mend.raster.height - capture.raster.height) // capture.grid.height
            assert is_enough(job, grown(bare, steps), one)
            assert not steps or not is_enough(job, grown(bare, steps - 1), one)
        elif mend.image_circle_mm is not None:
            for tenths, enough in ((0, True), (-1, False)):
                circle = round(mend.image_circle_mm * 10 + tenths) / 10
                assert is_enough(job, replace(capture, lens=Lens(image_circle_mm=circle)), one) == enough
        else:
            assert "no larger mode" in mend.text


def test_a_circle_that_takes_the_place_of_a_covered_area_is_enough_for_every_frame():
    # 24 x 16 mm; 23 x 8 mm are covered, which holds the wide frame and cuts the tall one.
    capture = Capture(
        Raster(4800, 3200), photosite_pitch_um=5, label="A", lens=Lens(covered_mm=Extent(width=23, height=8))
    )
    frames = (Deliverable("wide", raster=Raster(4400, 1200)), Deliverable("tall", raster=Raster(1080, 1920)))
    advice = orientation(Job(capture, frames, rolls=(0,), passes=1))
    (mend,) = advice.what_would_change.mends
    # A circle for the tall frame alone is 11.1 mm; the wide one needs 22 x 6 mm: 22.8 mm.
    assert mend.image_circle_mm == pytest.approx(22.9, abs=0.11)
