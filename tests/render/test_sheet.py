"""The framing sheet: how many pages, what stands on them, and that nothing lies on anything else."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace

import pytest

from tallwide.answers import ChangeoverStep
from tallwide.job import (
    Align,
    Aspect,
    AxisPlace,
    Capture,
    Deliverable,
    Display,
    Framing,
    Job,
    Lens,
    Protection,
    Raster,
    Rating,
    Rig,
    RoomNeed,
    Sheet,
    Span,
    Subject,
)
from tallwide_service.core import orientation, solve
from tallwide_service.core.rig import rig_check
from tallwide_service.render.column import Column, Type
from tallwide_service.render.page import Area, Page, Words
from tallwide_service.render.pdf import pages_pdf, upright_box
from tallwide_service.render.sheet import sheet_pages, write_changeover
from tallwide_service.render.sheet_drawings import draw_pictures, shown_pictures
from tallwide_service.render.sheet_words import rig_words, typeset

CAPTURE = Capture(
    label="Heron, full height",
    raster=Raster(4800, 3200),
    photosite_pitch_um=5.8,
    lens=Lens(label="32", focal_length_mm=32, f_number=4),
)
SHAPES = ("2.39:1", "16:9", "9:16", "4:5", "1:1", "2:3", "3:2", "4:3", "2:1", "1.85:1", "9:19", "3:4")

# Rods of a studio, the turned camera higher on them, cables on the side that it comes to stand on.
RIG = Rig(
    rods="studio_15",
    axis_upright_mm=AxisPlace(118, -17.25),
    axis_turned_mm=AxisPlace(131),
    support_mm=Span(100, 125),
    carrying_faces=("bottom", "right"),
    room=(
        RoomNeed("right", "cables", 40, upright_mm=60, roll_90_mm=0, roll_270_mm=60),
        RoomNeed("left", "battery", 60, upright_mm=80, roll_90_mm=80, roll_270_mm=0),
    ),
    ratings=(Rating("tilt plate", (0,)),),
)


def job_of(count: int, **members) -> Job:
    frames = tuple(
        Deliverable(f"frame {shape}", aspect=Aspect(shape), protection=Protection(each_side=0.02), align=Align(0.5, 0))
        for shape in SHAPES[:count]
    )
    needed = replace(frames[0], aspect=None, raster=Raster(4096, 1714))
    return Job(CAPTURE, (needed, *frames[1:]), id="harbour-day-2", **members)


def full_job(count: int, **members) -> Job:
    """A job that states everything: screens, viewers, a subject, a rig, and a frame that only a turned camera has."""
    shown = tuple(
        replace(each, display=Display(height_mm=1720, viewing_distance_mm=4000, screen=Raster(1920, 3840)))
        for each in (
            Deliverable("wide", raster=Raster(3840, 2160), protection=Protection(each_side=0.02)),
            Deliverable("tall, for the billboard at the station", raster=Raster(2160, 3840)),
            *(Deliverable(f"frame {shape}", aspect=Aspect(shape), align=Align(0.5, 0)) for shape in SHAPES[3:7]),
        )
    )
    return Job(
        replace(CAPTURE, lens=replace(CAPTURE.lens, image_circle_mm=34)),
        shown[:count],
        Framing(subject=Subject(2000, 900, 700, 1500)),
        rig=RIG,
        id="harbour-day-2",
        **members,
    )


MANY = Job(CAPTURE, tuple(Deliverable(f"frame {n}", aspect=Aspect("9:16")) for n in range(32)))


def sheet_of(job: Job):
    return sheet_pages(job, solve(job), orientation(job), decision_id="d" * 64, engine_version="1.2.3")


def words_of(pages) -> list[str]:
    return [item.text for page in pages for item in page.items if isinstance(item, Words)]


@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6])
def test_up_to_six_frames_stand_on_one_page(paper, count):
    sheet = Sheet(paper=paper, title="Lantern Quay", date="12 March 2027", notes="Second unit: the same frames. " * 6)
    (page,) = sheet_of(full_job(count, sheet=sheet))
    # 4.5 pt, less than which nobody reads off a sheet.
    assert min(item.size_mm for item in page.items if isinstance(item, Words)) > 1.58
    if count > 1:
        assert any(text.startswith("Change-over") for text in words_of([page]))


def test_more_frames_take_more_pages_each_with_its_foot():
    pages = sheet_of(MANY)
    assert len(pages) > 1
    for number, page in enumerate(pages, start=1):
        words = words_of([page])
        assert f"decision {'d' * 64}" in words
        assert f"tallwide 1.2.3   {number} of {len(pages)}" in words


@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("make", [job_of, full_job])
@pytest.mark.parametrize("count", [1, 6, 12])
def test_no_text_lies_on_other_text_or_leaves_the_sheet(paper, make, count):
    notes = "Long notes. " * 60 + "averyveryverylongwordwithoutanyplacetobreakit" * 8
    sheet = Sheet(paper=paper, title="Наливка Χάος " * 9, date="12 March 2027", notes=notes)
    for page in sheet_of(make(count, sheet=sheet)):
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


def text_of(job: Job, tmp_path) -> str:
    (tmp_path / "sheet.pdf").write_bytes(pages_pdf(sheet_of(job)))
    return subprocess.run(
        ["pdftotext", "-layout", tmp_path / "sheet.pdf", "-"], check=True, capture_output=True, text=True
    ).stdout


def test_the_sheet_says_what_was_decided_and_why(tmp_path):
    job = job_of(
        3,
        framing=Framing(subject=Subject(2000, 900, 700, 1500)),
        sheet=Sheet(title="Lantern Quay", date="12 March 2027", notes="Second unit only."),
    )
    text = " ".join(text_of(job, tmp_path).split())
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
        f"{first.rect.x:,}, {first.rect.y:,}",
        f"{first.aspect.achieved:.4f}",
        f"{100 * first.aspect.error:+.3f} %".replace("-", "−"),
        f"{100 * first.share_of_raster:.1f} %",
        "needs 4,096 × 1,714 px: enough",
        "held by the raster's left and right",
        f"headroom {900 - first.upright_rect.y:,} px",
        "Common area:",
        typeset(orientation(job).recommended.text)[:40],
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


def test_the_change_over_is_the_plans_own_for_rig_and_mode():
    job = full_job(2)
    advice = orientation(job)
    plan = advice.plans[advice.recommended.plan]
    words = words_of(sheet_of(job))
    assert len(plan.changeover) > 15
    for step in plan.changeover:
        start = " ".join(step.text.split()[:3])
        assert any(text.startswith(start) for text in words), step


def changeover_words(*passes: tuple[tuple[str, str], ...]) -> list[str]:
    """The words of a list of change-overs, into the second pass and those after it."""
    steps = tuple(ChangeoverStep(code, text, into) for into, each in enumerate(passes, start=1) for code, text in each)
    column = Column(210, 297, Type())
    column.turn()
    write_changeover(column, steps, passes=len(passes) + 1)
    return words_of([Page(210, 297, "", "", tuple(column.pages[0]))])


def test_a_later_change_over_lists_what_differs_from_an_earlier_one():
    """The camera is turned one way for one frame, then the other: most of the list would be said twice."""
    first, second = (
        (("hold", "still"), ("mount", turned), ("cards", "checked")) for turned in ("to roll 90", "to roll 270")
    )
    words = changeover_words(first, second)
    assert [text for text in words if "roll" in text] == ["to roll 90", "to roll 270"]
    assert words.count("still") == 1
    assert any(text.startswith("Change-over into pass 3 of 3: as into pass 2, with these") for text in words)
    assert "Change-over into pass 3 of 3: as into pass 2" in changeover_words(first, first)


def test_a_change_over_of_other_steps_stands_whole():
    """Nobody goes over to a mode because the list before it did, and nobody leaves blocked what stands in both."""
    turn, mode = (("hold", "still"), ("mount", "upright")), (("mode", "Go over to B."),)
    words = changeover_words(turn + mode, turn)
    assert words.count("upright") == 2
    assert "Change-over into pass 3 of 3" in words
    cables, fans, cards = (("blocked", text) for text in ("cables", "fans", "cards"))
    words = changeover_words((*turn, cables, fans), (*turn, fans, cards))
    assert (words.count("cables"), words.count("fans"), words.count("cards")) == (1, 2, 1)
    assert words.count("still") == 1


@pytest.mark.parametrize("protection", [Protection(each_side=0), Protection(each_side=0.02)])
def test_the_sheet_explains_only_lines_that_are_drawn(protection):
    (page,) = sheet_of(Job(CAPTURE, (Deliverable("tall", aspect=Aspect("9:16"), protection=protection),)))
    is_drawn = any(isinstance(item, Area) and item.kind == "protection" for item in page.items)
    assert any("protection" in text for text in words_of([page]) if "dashes" in text) is is_drawn


def test_a_squeezed_picture_has_a_scale_across_and_one_down():
    squeezed = Job(replace(CAPTURE, squeeze=2), (Deliverable("wide", raster=Raster(3840, 1600)),))
    (caption,) = (text for text in words_of(sheet_of(squeezed)) if text.startswith("As decided"))
    across, down = map(float, re.search(r"1 mm is ([\d.]+) × ([\d.]+) px", caption).groups())
    assert down == pytest.approx(2 * across, rel=0.01)


def test_the_rig_stands_on_the_sheet_with_all_cautions(tmp_path):
    job = full_job(3)
    text = " ".join(text_of(job, tmp_path).split())
    (upright, turned) = (rig_check(RIG, roll) for roll in (0, 90))
    assert (upright.rods_centred, turned.rods_centred) == (False, True)
    for words in (
        "Upright the optical axis does not lie over the middle of the rods.",
        "At roll 90 the optical axis lies over the middle of the rods.",
        f"the support's post is {turned.post_mm:g} mm longer",
        "the lens support misses the axis by 6 mm",
        "cables have 0 of 40 mm at the right face",
        "tilt plate is not said to be rated for roll 90",
        "Upright nothing whose room is stated is blocked.",
    ):
        assert words in text, words
    said = set(words_of(sheet_of(job)))
    for caution in orientation(job).cautions:
        assert any(caution.startswith(line) for line in said if len(line) > 20), caution


def test_what_nobody_says_of_a_rig_is_not_called_free():
    said = list(rig_words(replace(RIG, room=()), rig_check(replace(RIG, room=()), 90)))
    assert "At roll 90 whether anything is blocked is not said." in said
    assert not any("nothing" in text for text in said)


def test_the_viewers_verdict_stands_below_its_frame(tmp_path):
    text = " ".join(text_of(full_job(2), tmp_path).split())
    # An eye of one arc minute, by hand: 1,720 mm / (2 x 4,000 mm x tan(1/120 degree)) = 1,478.2 rows.
    assert "the eye resolves 1,478, the screen has" in text
    assert "delivered 3,840, extracted 3,200; the eye limits, enough" in text


def test_frames_are_named_in_the_drawing_and_numbered_where_names_find_no_room():
    words = words_of(sheet_of(full_job(2)))
    assert "1 wide" in words
    assert any(text.startswith("2 tall") for text in words)
    plan = orientation(MANY).plans[0]
    for height, is_name in ((84, True), (34, False)):
        column = Column(210, 297, Type())
        column.turn()
        draw_pictures(column, shown_pictures(MANY, solve(MANY), plan, None), most_mm=height)
        words = words_of([Page(210, 297, "", "", tuple(column.pages[0]))])
        for number in range(1, 33):
            assert (f"{number} frame {number - 1}" if is_name else str(number)) in words


def test_a_plan_that_turns_the_camera_is_drawn_turned():
    """Drawings stand beside each other: the job's, then a pass each, of which the turned one is upright in shape."""
    job = full_job(2)
    (page,) = sheet_of(job)
    grounds = [item for item in page.items if isinstance(item, Area) and item.kind == "ground"]
    shapes = [upright_box(ground.polygons[0]) for ground in grounds]
    ratios = [(right - left) / (bottom - top) for left, top, right, bottom in shapes]
    assert ratios == pytest.approx([1.5, 1.5, 2 / 3], abs=0.01)
    (mark,) = (item for item in page.items if isinstance(item, Area) and item.kind == "body-top")
    # Turned clockwise, seen from behind, the body's top is at the right of the upright picture.
    assert min(x for x, _ in mark.polygons[0]) > shapes[2][2]
    captions = [text.split(",")[0] for text in words_of([page]) if text.startswith(("As the job is decided", "Pass "))]
    assert captions == ["As the job is decided", "Pass 1 of 2", "Pass 2 of 2"]
    upright = Job(CAPTURE, (Deliverable("wide", raster=Raster(3840, 2160)),))
    (page,) = sheet_of(upright)
    assert sum(isinstance(item, Area) and item.kind == "ground" for item in page.items) == 1
    assert any(text.startswith("As decided and as recommended") for text in words_of([page]))


def test_sentences_have_a_times_sign_and_leave_names_alone():
    assert typeset('"5 x 7" has 1,080 x 1,512 px, 3 x -4') == '"5 x 7" has 1,080 × 1,512 px, 3 × -4'
    assert not any(" x " in text for text in words_of(sheet_of(full_job(6))))


def test_the_paper_has_its_standard_size():
    # ISO 216 A4; ANSI/ASME Y14.1 letter.
    (a4,) = sheet_of(job_of(1))
    (letter,) = sheet_of(job_of(1, sheet=Sheet(paper="letter")))
    assert (a4.width_mm, a4.height_mm) == (210, 297)
    assert (letter.width_mm, letter.height_mm) == (215.9, 279.4)


def test_equal_jobs_give_equal_bytes():
    assert pages_pdf(sheet_of(job_of(6))) == pages_pdf(sheet_of(job_of(6)))


def test_east_asian_text_is_read_back_from_the_sheet(tmp_path):
    """By poppler, which looks letters up in the fonts that are embedded."""
    frames = (Deliverable("広告 ワイド", aspect=Aspect("16:9")), Deliverable("세로 화면", aspect=Aspect("9:16")))
    job = replace(job_of(2), deliverables=frames, sheet=Sheet(title="春季广告 spring"))
    text = text_of(job, tmp_path)
    assert all(words in text for words in ("広告 ワイド", "세로 화면", "春季广告 spring"))
