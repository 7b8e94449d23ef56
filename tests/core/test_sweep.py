"""Sweeps and what binds: each step is the job with that number, each gain is the job without that constraint."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tallwide.job import (
    Align,
    Aspect,
    Capture,
    Deliverable,
    Framing,
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
from tallwide_service.core.binding import what_binds
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
    steps = sweep_steps(job, Sweep("/framing/point/y", 0, 0.3, 7), read)
    assert [step.value for step in steps] == [0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3]
    for step in steps:
        single = solve(replace(job, framing=replace(job.framing, point=Point(None, step.value))))
        sizes = [(frame.width, frame.height) for frame in step.frames]
        assert sizes == [(each.upright_rect.width, each.upright_rect.height) for each in single.extractions]


def test_a_tall_frame_pays_for_a_lower_top_line_by_line():
    # By hand: with both tops on line y of 3,200 the tall frame has 3,200 - y lines.
    job = job_of(point=Point(None, 0))
    for step in sweep_steps(job, Sweep("/framing/point/y", 0, 0.3, 4), read):
        tall = step.frames[1]
        assert tall.height == 3200 - tall.y
        assert tall.y == round(3200 * step.value)


def test_values_are_exact_shares_of_the_range():
    assert sweep_values(Sweep("/x", 0.2, 0.8, 61))[1] == 0.21
    assert sweep_values(Sweep("/x", 0, 3, 4)) == [0, 1, 2, 3]
    assert sweep_values(Sweep("/x", 1, 0, 3)) == [1, 0.5, 0]


def test_a_step_that_cannot_be_met_says_why_and_keeps_its_place():
    job = job_of(subject=Subject(2000, 700, 800, 1500), point=Point(None, 0.1))
    steps = sweep_steps(job, Sweep("/framing/point/y", 0.1, 0.9, 3), read)
    assert steps[0].frames
    assert steps[0].problem is None
    assert not steps[2].frames
    assert "subject" in steps[2].problem


@pytest.mark.parametrize(
    "pointer", ["/capture/squeeze_axis", "/deliverables/9/align/y", "/deliverables/x", "/capture/grid", "/deliverables"]
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
    found = what_binds(job, solve(job).extractions)
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
    for binding in what_binds(job, before):
        assert any(frame.width_gain > 0 or frame.height_gain > 0 for frame in binding.frames)
    freed = replace(job, capture=replace(job.capture, lens=None))
    after = solve(freed).extractions
    circle = next(each for each in what_binds(job, before) if each.let_go == "entirely" and "circle" in each.pointer)
    assert [(frame.width, frame.height) for frame in circle.frames] == [
        (each.upright_rect.width, each.upright_rect.height) for each in after
    ]
