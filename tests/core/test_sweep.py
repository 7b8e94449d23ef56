"""Sweeps and what binds: each step is the job with that number, each gain is the job without that constraint."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from tallwide.client import Client
from tallwide.job import (
    Align,
    Aspect,
    Capture,
    Deliverable,
    Extent,
    Framing,
    Grid,
    Job,
    Lens,
    Point,
    Protection,
    Raster,
    Subject,
    Sweep,
)
from tallwide.wire import from_wire, to_wire
from tallwide_service.core import solve
from tallwide_service.core.allowance import MOST_LOOKS, Allowance
from tallwide_service.core.binding import freed_jobs, what_binds
from tallwide_service.core.sweep import sweep_steps, sweep_values, with_member
from tallwide_service.errors import CannotBeMet


def job_of(**framing) -> Job:
    return Job(
        capture=Capture(raster=Raster(4800, 3200), photosite_pitch_um=5.8),
        deliverables=(
            Deliverable(label="wide", aspect=Aspect("16:9"), raster=Raster(3840, 2160), align=Align(0.5, 0)),
            Deliverable(label="tall", raster=Raster(1080, 1920), align=Align(0.5, 0)),
        ),
        framing=Framing(arrangement="shared_point", **framing),
    )


def read(document) -> Job:
    return from_wire(Job, document)


def test_each_step_of_a_sweep_is_the_job_with_that_number():
    job = job_of(point=Point(None, 0.1))
    steps = sweep_steps(job, Sweep("/framing/point/y", 0, 0.3, 7), read, Allowance())
    assert [step.value for step in steps] == [0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3]
    for step in steps:
        single = solve(replace(job, framing=replace(job.framing, point=Point(None, step.value))))
        sizes = [(frame.width, frame.height) for frame in step.frames]
        assert sizes == [(each.upright_rect.width, each.upright_rect.height) for each in single.extractions]


def test_a_tall_frame_pays_for_a_lower_top_line_by_line():
    # By hand: with both tops on line y of 3,200 the tall frame has 3,200 - y lines.
    job = job_of(point=Point(None, 0))
    for step in sweep_steps(job, Sweep("/framing/point/y", 0, 0.3, 4), read, Allowance()):
        tall = step.frames[1]
        assert tall.height == 3200 - tall.y
        assert tall.y == round(3200 * step.value)


def test_values_are_exact_shares_of_the_range():
    assert sweep_values(Sweep("/x", 0.2, 0.8, 61))[1] == 0.21
    assert sweep_values(Sweep("/x", 0, 3, 4)) == [0, 1, 2, 3]
    assert sweep_values(Sweep("/x", 1, 0, 3)) == [1, 0.5, 0]


def test_a_step_that_cannot_be_met_says_why_and_keeps_its_place():
    job = job_of(subject=Subject(2000, 700, 800, 1500), point=Point(None, 0.1))
    steps = sweep_steps(job, Sweep("/framing/point/y", 0.1, 0.9, 3), read, Allowance())
    assert steps[0].frames
    assert steps[0].problem is None
    assert not steps[2].frames
    assert "subject" in steps[2].problem


@pytest.mark.parametrize(
    "pointer",
    [
        "/capture/squeeze_axis",
        "/deliverables/9/align/y",
        "/deliverables/-1/align/y",
        "/deliverables/01/align/y",
        "/deliverables/x",
        "/capture/grid",
        "/deliverables",
    ],
)
def test_a_pointer_to_no_number_is_refused(pointer):
    with pytest.raises(CannotBeMet) as refusal:
        with_member(to_wire(job_of()), pointer, 1)
    assert refusal.value.faults[0].pointer == "/sweep/member"


def test_a_member_left_out_may_be_swept():
    assert with_member(to_wire(job_of()), "/framing/point/y", 0.3)["framing"]["point"] == {"y": 0.3}
    assert with_member(to_wire(job_of()), "/capture/lens/image_circle_mm", 34)["capture"]["lens"] == {
        "image_circle_mm": 34
    }


def gains(job: Job) -> dict[tuple[str, str], list[int]]:
    found = what_binds(job, solve(job).extractions, Allowance()).bindings
    return {(each.pointer, each.let_go): [frame.height_gain for frame in each.frames] for each in found}


def test_letting_a_given_line_go_brings_what_it_costs():
    # By hand: tops on line 320 of 3,200 cost the tall frame 320 lines.
    found = gains(job_of(point=Point(None, 0.1)))
    assert found["/framing/point/y", "entirely"] == [0, 320]
    assert found["/framing/point/y", "one_step"] == [0, 2]
    assert found["/framing/arrangement", "entirely"] == [0, 320]


def test_each_gain_is_the_job_without_that_constraint():
    job = job_of(subject=Subject(2000, 1000, 800, 900), match="height", nest=(("tall", "wide"),))
    job = replace(
        job,
        capture=replace(
            job.capture, lens=Lens(image_circle_mm=30), usable_area=((100, 0), (4700, 0), (4700, 3100), (100, 3100))
        ),
        deliverables=(
            replace(job.deliverables[0], protection=Protection(each_side=0.05)),
            job.deliverables[1],
        ),
    )
    before = solve(job).extractions
    bindings = what_binds(job, before, Allowance()).bindings
    for binding in bindings:
        assert any(frame.width_gain > 0 or frame.height_gain > 0 for frame in binding.frames)
    freed = replace(job, capture=replace(job.capture, lens=None))
    after = solve(freed).extractions
    circle = next(each for each in bindings if each.let_go == "entirely" and "circle" in each.pointer)
    assert [(frame.width, frame.height) for frame in circle.frames] == [
        (each.upright_rect.width, each.upright_rect.height) for each in after
    ]


def hard_job(frames: int = 6) -> Job:
    """Return a job of frames in a circle that pay for each other, each with its protection."""
    job = job_of(point=Point(None, None), objective="largest")
    deliverables = tuple(
        Deliverable(
            label=f"frame {place}",
            aspect=Aspect(f"{9 + 2 * place}:16"),
            align=Align(0.1 + place / 9, 0.8 - place / 11),
            protection=Protection(each_side=0.01),
        )
        for place in range(frames)
    )
    lens = Lens(image_circle_mm=30)
    return replace(job, capture=replace(job.capture, lens=lens, grid=Grid(1, 1, 1, 1)), deliverables=deliverables)


@pytest.mark.parametrize("looks", [0, 60_000, 150_000, 400_000])
def test_what_an_allowance_did_not_suffice_for_is_named(looks):
    """Whatever binds is found to bind or is named; without any allowance all is named but what takes no search."""
    job = hard_job()
    before = solve(job).extractions
    whole, part = (what_binds(job, before, Allowance(each)) for each in (10 * MOST_LOOKS, looks))
    assert whole.left_out == ()
    names = [{(each.pointer, each.let_go, each.value) for each in group} for group in (part.bindings, part.left_out)]
    assert {(each.pointer, each.let_go, each.value) for each in whole.bindings} <= names[0] | names[1]
    assert not names[0] & names[1]
    if looks == 0:
        assert [each.pointer for each in part.bindings] == ["/framing/arrangement"]
        assert len(part.left_out) == len(list(freed_jobs(job))) - 1
    proven = [each for each in part.bindings if each.gap == 0]
    assert all(each in whole.bindings for each in proven)


def test_all_that_is_tried_shares_one_allowance():
    job = hard_job(12)
    before = solve(job).extractions
    allowance = Allowance(300_000)
    found = what_binds(job, before, allowance)
    assert found.left_out
    # A search stops at the first cells beyond what it was given.
    assert allowance.taken < 2 * allowance.looks
    steps = Allowance(300_000)
    swept = sweep_steps(job, Sweep("/capture/lens/image_circle_mm", 30, 34, 20), read, steps)
    assert steps.taken < 2 * steps.looks
    untold = [step for step in swept if not step.frames]
    assert untold
    assert all(step.gap is None and "work that one job may take" in step.problem for step in untold)
    assert all(step.problem is None and step.gap >= 0 for step in swept if step.frames)


def test_a_step_of_a_sweep_that_was_not_searched_to_its_end_says_by_how_much_it_could_be_better():
    job = hard_job()
    sweep = Sweep("/capture/lens/image_circle_mm", 30, 34, 5)
    proven = sweep_steps(job, sweep, read, Allowance(10 * MOST_LOOKS))
    assert all(step.gap == 0 for step in proven)
    stopped = sweep_steps(job, sweep, read, Allowance(400_000))
    assert any(step.gap for step in stopped)


def test_a_point_is_let_go_by_one_step_both_ways():
    bindings = what_binds(
        job_of(point=Point(0.45, 0.1)), solve(job_of(point=Point(0.45, 0.1))).extractions, Allowance()
    )
    moved = {(each.pointer, each.value) for each in bindings.bindings if each.let_go == "one_step"}
    # By hand: one step of 2 px is 2 / 4,800 across and 2 / 3,200 down; there is a gain towards the middle and the top.
    assert {value for pointer, value in moved if pointer == "/framing/point/x"} == {float(0.45 + 1 / 2400)}
    assert {value for pointer, value in moved if pointer == "/framing/point/y"} == {0.099375}


def test_what_a_lens_covers_is_let_go_by_one_mm_and_entirely():
    """By hand: 20 mm of 27.84 mm at 5.8 um are 3,448 px, and one more mm is 172 px."""
    job = job_of(point=Point(None, None))
    job = replace(job, capture=replace(job.capture, lens=Lens(covered_mm=Extent(20, 18.56))))
    found = {
        (each.pointer, each.let_go): [(frame.width_gain, frame.height_gain) for frame in each.frames]
        for each in what_binds(job, solve(job).extractions, Allowance()).bindings
    }
    assert found["/capture/lens/covered_mm/width", "one_mm"][0][0] in (172, 174)
    assert found["/capture/lens/covered_mm", "entirely"][0] == (4800 - 3448, 2700 - 1940)
    assert ("/capture/lens/covered_mm/height", "one_mm") not in found


def test_an_answer_names_what_was_left_out():
    documents = [job_of(), replace(job_of(), framing=Framing())]
    joint, alone = (Client().extractions(to_wire(each)) for each in documents)
    assert joint.what_binds_left_out == ()
    assert joint.what_binds is not None
    assert alone.what_binds is alone.what_binds_left_out is None


def numbers_of(place, pointer: str = "") -> Iterator[str]:
    """Yield where the numbers of a document stand."""
    if isinstance(place, dict | list):
        for key, value in place.items() if isinstance(place, dict) else enumerate(place):
            yield from numbers_of(value, f"{pointer}/{key}")
    elif isinstance(place, int | float) and not isinstance(place, bool):
        yield pointer


def test_any_number_of_a_job_may_be_swept():
    job = hard_job()
    area = ((0, 0), (4800, 0), (4800, 3200))
    job = replace(
        job, capture=replace(job.capture, usable_area=area), framing=replace(job.framing, point=Point(0.4, 0.3))
    )
    document = to_wire(job)
    pointers = list(numbers_of(document))
    assert {"/capture/usable_area/1/0", "/framing/point/x", "/deliverables/5/protection/each_side"} <= set(pointers)
    for pointer in pointers:
        changed = with_member(document, pointer, 0.123)
        different = [each for each in numbers_of(changed) if value_at(changed, each) != value_at(document, each)]
        assert different == [pointer]


def value_at(document, pointer: str):
    for step in pointer.split("/")[1:]:
        document = document[int(step)] if isinstance(document, list) else document[step]
    return document
