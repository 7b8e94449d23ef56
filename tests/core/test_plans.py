"""Plans against brute force, and the laws that hold for every job."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchmarks.worst_joint_job import hostile_job
from plan_oracle import DEFAULT_ORDER, best_value, every_plan, unbeaten
from strategies import crowded_jobs, production_jobs
from tallwide.job import Align, Aspect, Capture, Deliverable, Framing, Grid, Job, Lens, Offset, Point, Raster, Subject
from tallwide.wire import from_wire
from tallwide_service.core import joint, orientation, plans, positions, solve
from tallwide_service.core.allowance import Allowance
from tallwide_service.core.plans import find_plans, partitions, ways_possible
from tallwide_service.core.positions import Searches
from tallwide_service.core.sharing import best_ways
from tallwide_service.core.standing import PREFER, order_of, standing, worth
from tallwide_service.errors import CannotBeMet
from tallwide_service.limits import LIMITS


def value(draft):
    return tuple(standing(draft)[name] for name in DEFAULT_ORDER)


@settings(max_examples=60, deadline=None)
@given(job=production_jobs(arrangement="independent", rates=True))
def test_frames_that_lie_alone_give_the_unbeaten_plans_of_brute_force(job):
    check_against_brute_force(job)


@settings(max_examples=12, deadline=None)
@given(job=production_jobs(arrangement="shared_point", rates=True))
def test_frames_on_a_shared_point_give_the_unbeaten_plans_of_brute_force(job):
    if check_against_brute_force(job):
        assert orientation(job).considered.complete


def check_against_brute_force(job):
    possible = every_plan(job)
    try:
        found = find_plans(job)
    except CannotBeMet:
        assert not possible
        return False
    assert found.proof == "exhausted"
    mine = {value(draft) for draft, beaten in zip(found.drafts, found.beaten_by, strict=True) if beaten is None}
    assert mine == unbeaten(possible)
    assert worth(found.drafts[0], order_of(job)) == best_value(job, possible, order_of(job))
    for draft in found.drafts:
        key = frozenset(
            (one.position.number, one.position.roll, tuple(take.deliverable.label for take in one.takes))
            for one in draft.passes
        )
        assert value(draft) == tuple(possible[key].values())
    return True


# The best plan parts these frames in a way that promises less alone than another way in the same passes.
UNSKETCHED = Job(
    Capture(Raster(21, 38), grid=Grid(1, 1, 1, 1)),
    (
        Deliverable("a", raster=Raster(22, 30), align=Align(0, 0.25)),
        Deliverable("b", raster=Raster(20, 31), align=Align(1, 0)),
        Deliverable("c", raster=Raster(47, 22), align=Align(0.5, 0.25)),
    ),
    Framing("shared_point", point=Point(None, None), aspect_tolerance=0.1),
    rolls=(0, 90),
)


@settings(max_examples=100, deadline=None)
@given(job=crowded_jobs(), work=st.sampled_from((1, 20, 60, 1_200)))
@example(job=UNSKETCHED, work=1_200)
def test_where_a_proof_is_claimed_on_one_point_no_plan_of_brute_force_comes_first(job, work):
    """With both bounds so low that only the plans that promise most are solved."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plans, "_MOST_PLANS_EXHAUSTED", 0)
        patch.setattr(plans, "LIMITS", replace(LIMITS, orientation_work=work))
        try:
            found = find_plans(job)
        except CannotBeMet:
            return
    if found.proof != "none":
        assert worth(found.drafts[0], order_of(job)) == best_value(job, every_plan(job), order_of(job))


@settings(max_examples=40, deadline=None)
@given(job=production_jobs(arrangement="independent"))
def test_a_marked_plan_is_beaten_by_the_plan_that_it_names_and_no_other_is(job):
    try:
        found = find_plans(job)
    except CannotBeMet:
        return
    values = [value(draft) for draft in found.drafts]
    for place, beaten in enumerate(found.beaten_by):
        better = [
            other
            for other in range(len(values))
            if values[other] != values[place] and all(a >= b for a, b in zip(values[other], values[place], strict=True))
        ]
        assert (beaten is None) == (not better)
        assert beaten is None or (beaten in better and beaten < place)


@settings(max_examples=40, deadline=None)
@given(job=production_jobs(arrangement="independent"), extra=st.integers(0, 2))
def test_an_alternative_more_never_makes_the_recommended_plan_worse(job, extra):
    other = Capture(raster=Raster(64 + 40 * extra, 96 - 20 * extra), grid=Grid(1, 1, 1, 1), data_rate_mb_s=90)
    more = replace(job, alternatives=(*(job.alternatives or ()), other))
    order = order_of(job)
    try:
        before = find_plans(job)
    except CannotBeMet:
        return
    assert worth(find_plans(more).drafts[0], order) >= worth(before.drafts[0], order)


@settings(max_examples=10, deadline=None)
@given(job=production_jobs(arrangement="shared_point"))
def test_an_alternative_more_never_makes_it_worse_on_a_shared_point_either(job):
    more = replace(job, alternatives=(*(job.alternatives or ()), replace(job.capture, raster=Raster(90, 60))))
    try:
        before = find_plans(job)
    except CannotBeMet:
        return
    assert worth(find_plans(more).drafts[0], order_of(job)) >= worth(before.drafts[0], order_of(job))


@settings(max_examples=60, deadline=None)
@given(
    job=production_jobs(arrangement="independent", circles=False),
    wider=st.integers(0, 40),
    higher=st.integers(0, 40),
)
def test_a_larger_sensor_never_loses_feasibility(job, wider, higher):
    raster = job.capture.raster
    larger = replace(job, capture=replace(job.capture, raster=Raster(raster.width + wider, raster.height + higher)))
    try:
        before = find_plans(job)
    except CannotBeMet:
        return
    assert find_plans(larger).drafts[0].is_feasible >= before.drafts[0].is_feasible


OBJECTIVES = ("in_order", "largest", "raise_smallest")


def on_larger_sensor(job, wider, higher):
    """The job on a sensor that has so many grid steps more on each of its sides, its subject where it was."""
    capture, framing = job.capture, job.framing
    across, down = wider * capture.grid.x * capture.grid.width, higher * capture.grid.y * capture.grid.height
    raster = Raster(capture.raster.width + 2 * across, capture.raster.height + 2 * down)
    subject = framing.subject
    if subject is not None:
        subject = replace(subject, x=subject.x + across, y=subject.y + down)
    return replace(job, capture=replace(capture, raster=raster), framing=replace(framing, subject=subject))


@settings(max_examples=40, deadline=None)
@given(
    job=production_jobs(arrangement="shared_point"),
    objective=st.sampled_from(OBJECTIVES),
    match=st.sampled_from(("none", "none", "height")),
    subject=st.booleans(),
    wider=st.integers(0, 10),
    higher=st.integers(0, 10),
)
def test_a_larger_sensor_never_loses_feasibility_on_a_free_point_whatever_the_objective(
    job, objective, match, subject, wider, higher
):
    """With whatever circle, subject and roll: both stay where they are in the scene."""
    raster = job.capture.raster
    middle = Subject(raster.width // 2 - 2, raster.height // 2 - 2, 4, 4) if subject else None
    framing = replace(job.framing, objective=objective, match=match, subject=middle)
    job = replace(job, framing=framing, alternatives=())
    try:
        before = find_plans(job)
    except CannotBeMet:
        return
    after = find_plans(on_larger_sensor(job, wider, higher))
    assert (before.proof, after.proof) == ("exhausted", "exhausted")
    assert after.drafts[0].is_feasible >= before.drafts[0].is_feasible


@settings(max_examples=30, deadline=None)
@given(
    job=production_jobs(arrangement="shared_point", circles=False),
    objective=st.sampled_from(OBJECTIVES),
    point=st.builds(Point, st.sampled_from((None, 0.5, 0.3)), st.sampled_from((0.5, 0.33, 0.2))),
    wider=st.integers(0, 10),
    higher=st.integers(0, 10),
)
def test_a_larger_sensor_never_loses_feasibility_on_a_given_point_either(job, objective, point, wider, higher):
    """The point is the same share of the larger picture: there is more room on all its sides."""
    job = replace(job, framing=replace(job.framing, objective=objective, point=point), alternatives=())
    try:
        before = find_plans(job)
    except CannotBeMet:
        return
    after = find_plans(on_larger_sensor(job, wider, higher))
    assert (before.proof, after.proof) == ("exhausted", "exhausted")
    assert after.drafts[0].is_feasible >= before.drafts[0].is_feasible


def test_in_order_the_first_frame_is_as_large_as_the_minimums_of_the_others_let_it_be():
    """The top of the wide frame at the middle of the tall one, at line t; the wide one takes all columns."""
    frames = (
        Deliverable("wide", raster=Raster(40, 22), align=Align(0.5, 0)),
        Deliverable("tall", raster=Raster(16, 20), align=Align(0.5, 0.5)),
    )
    framing = Framing("shared_point", point=Point(None, None), aspect_tolerance=0.05)
    job = Job(Capture(Raster(50, 40)), frames, framing, rolls=(0,), passes=1)
    # 50 columns are 28 lines: t is 12, and the tall frame has 24 of 20 lines.
    smaller = orientation(job).plans[0]
    assert smaller.feasible
    assert smaller.passes[0].minimums == "verdict"
    # 60 columns are 34 lines: t is 6, and the tall frame has 12. For its 20 lines t has to be 10 or more, which leaves
    # the wide one 30 lines: 56 x 30 is within 5 % of its shape; its top on line 10 is within a step of line 11.
    advice = orientation(replace(job, capture=Capture(Raster(60, 40))))
    plan = advice.plans[0]
    assert plan.feasible
    assert plan.passes[0].minimums == "held"
    assert [(frame.rect.width, frame.rect.height) for frame in plan.passes[0].extractions] == [(56, 30), (18, 22)]
    said = next(reason for reason in plan.reasons if reason.code == "minimums_held")
    assert said.deliverable == "tall"
    assert said.numbers == {"oversampling": 0.6, "asked": 1, "short": 1}
    assert '"wide" 56 x 30 px instead of 60 x 34' in said.text
    held = replace(job, capture=Capture(Raster(60, 40)), framing=replace(framing, minimums="held"))
    assert solve(held).extractions == plan.passes[0].extractions


def test_where_no_places_reach_all_minimums_the_objective_alone_decides():
    frames = (Deliverable("wide", raster=Raster(40, 22)), Deliverable("tall", raster=Raster(90, 160)))
    framing = Framing("shared_point", point=Point(None, None), aspect_tolerance=0.05)
    plan = orientation(Job(Capture(Raster(60, 40)), frames, framing, rolls=(0,), passes=1)).plans[0]
    assert plan.passes[0].minimums == "verdict"
    assert "minimums_held" not in {reason.code for reason in plan.reasons}


@settings(max_examples=60, deadline=None)
@given(job=production_jobs(arrangement="independent", circles=True))
def test_rolls_90_and_270_differ_only_where_something_on_the_sensor_does(job):
    """On a raster of whole grid steps, with the lens in its middle, both give the same upright frames."""
    grid, raster = job.capture.grid, job.capture.raster
    width, height = (-(-side // step) * step for side, step in ((raster.width, 12), (raster.height, 12)))
    even = replace(job, capture=replace(job.capture, raster=Raster(width, height), grid=grid), alternatives=None)
    by_roll = {}
    for roll in (90, 270):
        try:
            by_roll[roll] = find_plans(replace(even, rolls=(roll,), passes=1)).drafts[0]
        except CannotBeMet:
            by_roll[roll] = None
    one, other = by_roll[90], by_roll[270]
    assert (one is None) == (other is None)
    if one is not None and other is not None:
        assert value(one) == value(other)
        for mine, theirs in zip(one.passes[0].takes, other.passes[0].takes, strict=True):
            a, b = mine.extraction.upright_rect, theirs.extraction.upright_rect
            assert (a.width, a.height) == (b.width, b.height)


def test_a_lens_off_its_place_makes_rolls_90_and_270_differ():
    capture = Capture(Raster(100, 100), photosite_pitch_um=5, lens=Lens(image_circle_mm=0.5, offset_mm=Offset(0.1, 0)))
    job = Job(capture, (Deliverable("a", raster=Raster(10, 20)),), passes=1)
    rects = [find_plans(replace(job, rolls=(roll,))).drafts[0].passes[0].takes[0].extraction for roll in (90, 270)]
    assert rects[0].upright_rect != rects[1].upright_rect


HARD_FRAMES = tuple(
    Deliverable(f"frame {index}", raster=Raster(1000 + 37 * index, 4000 - 61 * index)) for index in range(32)
)


def hard_job(arrangement="independent", **members):
    captures = tuple(
        Capture(Raster(4800 - 90 * index, 3200 + 110 * index), label=f"mode {index}") for index in range(9)
    )
    framing = Framing(arrangement=arrangement, point=Point(None, None) if arrangement == "shared_point" else None)
    return Job(captures[0], HARD_FRAMES, framing, alternatives=captures[1:], **members)


def test_32_deliverables_8_alternatives_3_rolls_and_2_passes_are_weighed_whole():
    found = find_plans(hard_job())
    assert found.positions == 27
    assert found.proof == "exhausted"
    assert found.possible == 27 + 351 * (2**32 - 2)


def test_on_a_shared_point_work_is_bounded_and_what_is_left_open_is_said():
    advice = orientation(hard_job("shared_point"))
    assert not advice.considered.complete
    assert advice.considered.proof in ("bounded", "none")
    assert advice.considered.plans_weighed < 100
    assert len(advice.plans) >= 1


def test_one_pass_on_one_point_has_no_plan_that_is_not_sketched_and_is_complete(monkeypatch):
    frames = tuple(Deliverable(f"f{i}", raster=Raster(8 + 5 * i, 30 - 4 * i)) for i in range(4))
    framing = Framing("shared_point", point=Point(None, None))
    job = Job(Capture(Raster(60, 40), grid=Grid(1, 1, 1, 1)), frames, framing, passes=1)
    whole = find_plans(job)
    monkeypatch.setattr(plans, "_MOST_PLANS_EXHAUSTED", 0)
    monkeypatch.setattr(plans, "LIMITS", replace(LIMITS, orientation_work=1))
    few = find_plans(job)
    assert few.proof in ("bounded", "none")  # the work was used up, or the others promise less
    assert orientation(job).considered.complete is False
    monkeypatch.setattr(plans, "LIMITS", LIMITS)
    apart = replace(job, rolls=(0,))
    assert find_plans(apart).proof == "exhausted"
    assert orientation(apart).considered.complete
    assert [draft.passes for draft in find_plans(apart).drafts] == [
        draft.passes for draft in whole.drafts if draft.passes[0].position.roll == 0
    ]


def test_a_bounded_proof_holds_where_brute_force_can_check_it(monkeypatch):
    """The wide frame hangs from the point that the others have in their middle, so that they cost each other lines."""
    frames = tuple(
        Deliverable(f"f{i}", raster=Raster(8 + 5 * i, 30 - 4 * i), align=Align(0.5, 0 if i == 3 else 0.5))
        for i in range(4)
    )
    framing = Framing("shared_point", point=Point(None, None))
    job = Job(Capture(Raster(60, 40), grid=Grid(1, 1, 1, 1)), frames, framing)
    whole = find_plans(job)
    assert whole.proof == "exhausted"
    monkeypatch.setattr(plans, "_MOST_PLANS_EXHAUSTED", 0)
    few = find_plans(job)
    assert few.proof == "bounded"
    assert few.passes_solved < whole.passes_solved
    assert worth(few.drafts[0], PREFER) == worth(whole.drafts[0], PREFER)


def test_nothing_is_proven_of_plans_of_which_a_pass_was_not_searched_to_its_end(monkeypatch):
    frames = tuple(Deliverable(f"f{i}", aspect=Aspect("16:9"), align=Align(0.1 * i, 0.9 - 0.1 * i)) for i in range(4))
    framing = Framing("shared_point", point=Point(None, None), objective="largest")
    job = Job(Capture(Raster(4096, 2160)), frames, framing, rolls=(0,), passes=1)
    assert find_plans(job).proof == "exhausted"
    best_sizes = joint.best_sizes
    monkeypatch.setattr(joint, "best_sizes", lambda together, _: best_sizes(together, 6_000))
    assert solve(job).certificate.gap > 0
    considered = orientation(job).considered
    assert (considered.proof, considered.complete) == ("none", False)


def test_all_searches_of_one_answer_share_an_allowance():
    """A job that takes 5.6 million looks in one position, in twelve of them."""
    job = from_wire(Job, hostile_job(2885, 8))
    grids = [Grid(2, 1 + step, 2, 2) for step in range(3)]
    job = replace(job, alternatives=tuple(replace(job.capture, label=str(grid.y), grid=grid) for grid in grids))
    searches = Searches(job, allowance=Allowance(640_000))
    found = find_plans(job, searches)
    assert found.proof == "none"
    # A quarter at most at a time of what is left, then the least that every search may take.
    assert 640_000 < searches.allowance.taken <= 640_000 + 3 * 12 * 10_000


@pytest.mark.parametrize("minimums", [None, "verdict"])
def test_the_job_as_it_is_given_is_not_searched_twice(monkeypatch, minimums):
    frames = tuple(Deliverable(f"f{i}", raster=Raster(8 + 5 * i, 30 - 4 * i)) for i in range(4))
    framing = Framing("shared_point", point=Point(None, None), minimums=minimums)
    job = Job(Capture(Raster(60, 40)), frames, framing, passes=1)
    advice = orientation(job)
    searched = []

    def counted(view, *rest, **options):
        searched.append(view)
        return solve(view, *rest, **options)

    monkeypatch.setattr(positions, "solve", counted)
    assert orientation(job, Searches(job, solve(job))) == advice
    fewer = len(searched)
    searched.clear()
    orientation(job)
    assert len(searched) == fewer + 1


def test_an_alternative_whose_usable_area_is_none_is_skipped_however_many_plans_there_are():
    area = ((0, 0), (4800, 0), (2400, 100), (4800, 3200), (0, 3200))
    other = Capture(Raster(4800, 3200), label="not convex", usable_area=area)
    job = replace(hard_job("shared_point"), deliverables=HARD_FRAMES[:8], alternatives=(other,))
    advice = orientation(job)
    assert {(each.capture, len(each.deliverables)) for each in advice.considered.skipped} == {("not convex", 8)}
    assert {one.capture for plan in advice.plans for one in plan.passes} == {"mode 0"}


@settings(max_examples=30, deadline=None)
@given(job=production_jobs(arrangement="shared_point", circles=False), point=st.sampled_from((None, 0.5, 0.3)))
def test_where_partners_cost_nothing_all_plans_are_known_from_what_each_frame_has_by_itself(job, point):
    job = replace(job, framing=replace(job.framing, point=Point(None, point)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plans, "_MOST_PLANS_EXHAUSTED", 0)
        try:
            found = find_plans(job)
        except CannotBeMet:
            return
    if found.proof == "exhausted":
        possible = every_plan(job)
        mine = {value(draft) for draft, beaten in zip(found.drafts, found.beaten_by, strict=True) if beaten is None}
        assert mine == unbeaten(possible)
        assert worth(found.drafts[0], order_of(job)) == best_value(job, possible, order_of(job))
        assert all(value(draft) in {tuple(each.values()) for each in possible.values()} for draft in found.drafts)


def test_eight_frames_on_nine_modes_three_rolls_and_two_passes_are_all_weighed_where_partners_cost_nothing():
    advice = orientation(replace(hard_job("shared_point"), deliverables=HARD_FRAMES[:8]))
    assert advice.considered.proof == "exhausted"
    assert advice.considered.plans_weighed == advice.considered.plans_possible == 27 + 27 * 27 * 127
    for plan in advice.plans:
        over = min(margin.oversampling.smaller for one in plan.passes for margin in one.margins)
        assert plan.smallest_oversampling == over


def test_a_job_that_no_number_of_passes_allowed_places_is_refused_at_passes_and_framing():
    """The subject fills the corner that the second frame's align point would have to leave."""
    frames = (Deliverable("w", aspect=Aspect("16:9")), Deliverable("v", aspect=Aspect("9:16"), align=Align(0, 0)))
    framing = Framing("shared_point", subject=Subject(0, 0, 1, 1))
    job = Job(Capture(Raster(4800, 3200)), frames, framing, passes=1)
    with pytest.raises(CannotBeMet, match="no plan places every deliverable in at most one pass") as refused:
        orientation(job)
    assert [fault.pointer for fault in refused.value.faults] == ["/passes", "/framing"]
    assert all(fault.detail for fault in refused.value.faults)
    assert len(orientation(replace(job, passes=2)).plans[0].passes) == 2


def test_where_not_all_plans_were_weighed_the_refusal_says_so(monkeypatch):
    """Each of three frames in the subject's corner has its align point elsewhere: they need three passes."""
    frames = (
        Deliverable("w", aspect=Aspect("16:9")),
        Deliverable("v", aspect=Aspect("9:16"), align=Align(0, 0)),
        Deliverable("u", aspect=Aspect("1:1"), align=Align(1, 1)),
    )
    job = Job(Capture(Raster(480, 320)), frames, Framing("shared_point", subject=Subject(0, 0, 1, 1)), rolls=(0,))
    with pytest.raises(CannotBeMet, match=r"^no plan places every deliverable in at most 2 passes$"):
        find_plans(job)
    assert len(find_plans(replace(job, passes=3)).drafts[0].passes) == 3
    monkeypatch.setattr(plans, "_MOST_PLANS_EXHAUSTED", 0)
    with pytest.raises(CannotBeMet, match=r"^no plan of those that were weighed places every deliverable"):
        find_plans(job)


def test_equal_jobs_give_equal_plans():
    assert orientation(hard_job("shared_point")) == orientation(hard_job("shared_point"))


@pytest.mark.parametrize(("count", "most"), [(1, 2), (3, 2), (4, 3), (5, 2)])
def test_partitions_are_those_that_stirling_numbers_count(count, most):
    found = list(partitions(tuple(range(count)), most))
    assert len(found) == len(set(found))
    stirling = {(1, 2): 1, (3, 2): 4, (4, 3): 14, (5, 2): 16}  # S(n, 1) + ... + S(n, most), from their definition
    assert len(found) == stirling[count, most]


def test_plans_are_counted_as_brute_force_lists_them():
    frames = tuple(Deliverable(f"f{i}", raster=Raster(2, 3 + i)) for i in range(3))
    job = Job(Capture(Raster(40, 30)), frames)
    assert ways_possible(3, 3, 2, repeated=False) == len(every_plan(job))
    together = replace(job, framing=Framing("shared_point", point=Point(None, None)))
    # Two passes in one position may be taken in either order; brute force names each set once.
    assert len(every_plan(together)) == 3 + 3 * 9
    assert ways_possible(3, 3, 2, repeated=True) == 3 + 3 * 9


@given(table=st.lists(st.lists(st.tuples(*[st.integers(0, 3)] * 4), min_size=2, max_size=2), min_size=1, max_size=5))
def test_the_best_ways_are_those_of_all_ways_that_need_every_position(table):
    found = {way[0] for way in best_ways([list(enumerate(row)) for row in table], 2)}
    values = {}
    for taken in product(range(2), repeat=len(table)):
        worth_of = tuple(
            min(column) for column in zip(*(row[at] for row, at in zip(table, taken, strict=True)), strict=True)
        )
        values.setdefault(frozenset(taken), set()).add(worth_of)
    two = values.get(frozenset((0, 1)), set())
    ones = set().union(*(found_ for used, found_ in values.items() if len(used) == 1))

    def covers(one, other):
        return all(a >= b for a, b in zip(one, other, strict=True))

    assert found <= two
    for way in two:  # each is found, or as good a one needs fewer positions or is found
        assert any(covers(other, way) for other in found | ones)


def test_a_wish_puts_its_criteria_first_and_the_rest_in_the_usual_order():
    job = replace(hard_job(), prefer=("megabytes", "minutes"))
    assert order_of(job)[:3] == ("megabytes", "minutes", "enough_pixels")
    assert set(order_of(job)) == set(PREFER)
