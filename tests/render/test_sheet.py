"""The framing sheet: how many pages, what stands on them, and that nothing lies on anything else."""

from __future__ import annotations

import subprocess
from dataclasses import replace

import pytest

from tallwide.job import (
    Align,
    Aspect,
    AxisPlace,
    Capture,
    Deliverable,
    Framing,
    Job,
    Lens,
    Protection,
    Raster,
    Rig,
    Sheet,
    Subject,
)
from tallwide_service.core import orientation, solve
from tallwide_service.render.page import Words
from tallwide_service.render.pdf import pages_pdf
from tallwide_service.render.sheet import sheet_pages

CAPTURE = Capture(
    label="Heron, full height",
    raster=Raster(4800, 3200),
    photosite_pitch_um=5.8,
    lens=Lens(label="32", focal_length_mm=32, f_number=4),
)
SHAPES = ("2.39:1", "16:9", "9:16", "4:5", "1:1", "2:3", "3:2", "4:3", "2:1", "1.85:1", "9:19", "3:4")


def job_of(count: int, **members) -> Job:
    frames = tuple(
        Deliverable(f"frame {shape}", aspect=Aspect(shape), protection=Protection(each_side=0.02), align=Align(0.5, 0))
        for shape in SHAPES[:count]
    )
    needed = replace(frames[0], aspect=None, raster=Raster(4096, 1714))
    return Job(CAPTURE, (needed, *frames[1:]), id="harbour-day-2", **members)


def sheet_of(job: Job, shown: Job | None = None):
    solution = solve(job)
    return sheet_pages(shown or job, solution, orientation(job), decision_id="d" * 64, engine_version="1.2.3")


@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6])
def test_up_to_six_frames_stand_on_one_page(paper, count):
    job = job_of(count, sheet=Sheet(paper=paper))
    with_subject = replace(job, framing=Framing(subject=Subject(2000, 900, 700, 1500)))
    assert len(sheet_of(job, with_subject)) == 1


def test_more_frames_take_more_pages_each_with_its_foot():
    pages = sheet_of(job_of(12))
    assert len(pages) > 1
    for number, page in enumerate(pages, start=1):
        words = [item.text for item in page.items if isinstance(item, Words)]
        assert f"decision {'d' * 64}" in words
        assert f"tallwide 1.2.3   {number} of {len(pages)}" in words


@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("count", [1, 6, 12])
def test_no_text_lies_on_other_text_or_leaves_the_sheet(paper, count):
    notes = "Long notes. " * 60 + "averyveryverylongwordwithoutanyplacetobreakit" * 8
    for page in sheet_of(
        job_of(count, sheet=Sheet(paper=paper, title="Наливка Χάος " * 9, date="12 March 2027", notes=notes))
    ):
        boxes = [text_box(item) for item in page.items if isinstance(item, Words) and item.text]
        for left, top, right, bottom in boxes:
            assert left >= 14
            assert top >= 10
            assert right <= page.width_mm - 14
            assert bottom <= page.height_mm - 5
        for index, one in enumerate(boxes):
            for other in boxes[index + 1 :]:
                apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
                assert apart, (one, other)


def text_box(words: Words) -> tuple[float, float, float, float]:
    width = words.width_mm
    left = words.x - {"start": 0, "middle": width / 2, "end": width}[words.anchor]
    return (left, words.y - 0.74 * words.size_mm, left + width, words.y + 0.2 * words.size_mm)


def text_of(job: Job, tmp_path, shown: Job | None = None) -> str:
    (tmp_path / "sheet.pdf").write_bytes(pages_pdf(sheet_of(job, shown)))
    return subprocess.run(
        ["pdftotext", "-layout", tmp_path / "sheet.pdf", "-"], check=True, capture_output=True, text=True
    ).stdout


def test_the_sheet_says_what_was_decided_and_why(tmp_path):
    job = job_of(3, sheet=Sheet(title="Lantern Quay", date="12 March 2027", notes="Second unit only."))
    subject = replace(job, framing=Framing(subject=Subject(2000, 900, 700, 1500)))
    text = text_of(job, tmp_path, subject)
    first = solve(job).extractions[0]
    for words in (
        "Lantern Quay",
        "12 March 2027",
        "Heron, full height",
        "4,800 × 3,200 px",
        "5.8 µm",
        "32 mm, f/4",
        f"{first.rect.width:,} × {first.rect.height:,}",
        f"{first.sensor_mm.width:.2f} × {first.sensor_mm.height:.2f}",
        f"{first.angle_of_view_deg.horizontal:.1f}°",
        "needs 4,096 × 1,714 px: enough",
        "held by the raster left, right",
        f"headroom {900 - first.upright_rect.y:,} px",
        "Common area:",
        orientation(job).recommended.text[:40],
        "Second unit only.",
        "d" * 64,
        "1.2.3",
    ):
        assert words in text, words


def test_a_plan_that_turns_the_camera_brings_the_change_over_and_the_cautions(tmp_path):
    tall = Job(CAPTURE, (Deliverable("tall", raster=Raster(2160, 3840)),))
    assert any(one.roll for one in orientation(tall).plans[orientation(tall).recommended.plan].passes)
    text = text_of(tall, tmp_path)
    assert "Change-over" in text
    assert "safety line" in text
    assert "local rules" in text
    upright = Job(CAPTURE, (Deliverable("wide", raster=Raster(3840, 2160)),))
    assert "Change-over" not in text_of(upright, tmp_path)


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_six_frames_and_a_turn_stand_on_one_page(paper):
    two = (Deliverable("wide", raster=Raster(3840, 2160)), Deliverable("tall", raster=Raster(2160, 3840)))
    more = tuple(Deliverable(f"frame {shape}", aspect=Aspect(shape)) for shape in SHAPES[:4])
    (page,) = sheet_of(Job(CAPTURE, (*two, *more), sheet=Sheet(paper=paper)))
    assert any(isinstance(item, Words) and item.text.startswith("Change-over") for item in page.items)


def test_the_change_over_is_the_plans_own_for_rig_and_mode():
    rig = Rig(rods="studio_15", axis_upright_mm=AxisPlace(130), axis_turned_mm=AxisPlace(150))
    job = Job(
        CAPTURE,
        (Deliverable("wide", raster=Raster(3840, 2160)), Deliverable("tall", raster=Raster(2160, 3840))),
        rig=rig,
    )
    advice = orientation(job)
    plan = advice.plans[advice.recommended.plan]
    words = [item.text for page in sheet_of(job) for item in page.items if isinstance(item, Words)]
    assert len(plan.changeover) > 15
    for step in plan.changeover:
        start = " ".join(step.text.split()[:3])
        assert any(text.startswith(start) for text in words), step


def test_the_paper_has_its_standard_size():
    # ISO 216 A4; ANSI/ASME Y14.1 letter.
    (a4,) = sheet_of(job_of(1))
    (letter,) = sheet_of(job_of(1, sheet=Sheet(paper="letter")))
    assert (a4.width_mm, a4.height_mm) == (210, 297)
    assert (letter.width_mm, letter.height_mm) == (215.9, 279.4)


def test_equal_jobs_give_equal_bytes():
    assert pages_pdf(sheet_of(job_of(6))) == pages_pdf(sheet_of(job_of(6)))
