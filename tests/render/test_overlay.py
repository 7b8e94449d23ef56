"""Overlays: no delivered pixel under its own line, the same picture as SVG and PNG, safe text."""

from __future__ import annotations

import io
import shutil
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import replace
from importlib import resources
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from PIL import Image
from reportlab.pdfbase.ttfonts import TTFontFile

from strategies import jobs
from tallwide.answers import Rect
from tallwide.job import (
    Align,
    Aspect,
    Capture,
    Deliverable,
    Grid,
    Job,
    Overlay,
    Picture,
    Protection,
    Raster,
    Subject,
)
from tallwide_service.core import solve
from tallwide_service.errors import CannotBeMet
from tallwide_service.render import overlay_scene, png, svg
from tallwide_service.render.palette import frame_colour, frame_dashes
from tallwide_service.render.scene import TextLine
from tallwide_service.render.type_setting import EAST_ASIAN, runs, text_mask, text_width

SVG_NS = "{http://www.w3.org/2000/svg}"


def job_of(*frames: Deliverable, width: int = 480, height: int = 320, roll=0) -> Job:
    return Job(capture=Capture(raster=Raster(width, height), roll=roll), deliverables=frames)


def scene_of(job: Job, picture: Picture | None = None, **options):
    return overlay_scene(job, solve(job).extractions, overlay=Overlay(**options), picture=picture)


def pixels(picture: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(picture)).convert("RGBA"))


WIDE = Deliverable(label="wide", aspect=Aspect("16:9"))
TALL = Deliverable(label="tall", aspect=Aspect("9:16"), align=Align(0.3, 0.5))
SQUARE = Deliverable(label="square", aspect=Aspect("1:1"), align=Align(0.7, 0.5))


@settings(max_examples=80)
@given(job=jobs(smallest=12, largest=160, most=1))
def test_no_pixel_of_an_extraction_is_under_its_own_line(job):
    try:
        extractions = solve(job).extractions
    except CannotBeMet:
        assume(False)
    scene = overlay_scene(job, extractions, overlay=Overlay(labels="none", centre_marks=False))
    # Ticks are inside by rule, where a frame meets the edge.
    scene = replace(scene, bands=tuple(band for band in scene.bands if band.kind != "tick"))
    drawn = pixels(png(scene))
    rect = extractions[0].rect
    assert not drawn[rect.y : rect.bottom, rect.x : rect.right].any()


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
def test_a_line_lies_directly_on_the_extractions_edge(roll):
    job = job_of(replace(SQUARE, align=Align(0.5, 0.5)), width=480, height=320, roll=roll)
    drawn = pixels(png(scene_of(job, labels="none", centre_marks=False, line_px=3)))
    (extraction,) = solve(job).extractions
    rect = extraction.rect
    colour = (*frame_colour(0), 255)
    middle = rect.y + rect.height // 2
    assert [tuple(drawn[middle, rect.x - step]) == colour for step in range(5)] == [False, True, True, True, False]
    assert [tuple(drawn[middle, rect.right + step]) == colour for step in range(4)] == [True, True, True, False]


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
def test_where_a_frame_meets_the_edge_there_are_inward_ticks_and_the_label_says_so(roll):
    scene = scene_of(job_of(WIDE, roll=roll))
    (extraction,) = solve(job_of(WIDE, roll=roll)).extractions
    ticks = [band.rect for band in scene.bands if band.kind == "tick"]
    assert ticks
    assert all(extraction.rect.holds(tick) for tick in ticks)
    assert "at the edge: left, right" in [line.text for line in scene.plates[0].lines]


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
def test_labels_stay_inside_and_apart(roll):
    frames = [
        Deliverable(label=f"frame {index}", aspect=Aspect(aspect), align=Align(index / 6, 0.5))
        for index, aspect in enumerate(("16:9", "9:16", "1:1", "4:5", "2.39:1", "2:3"))
    ]
    scene = scene_of(job_of(*frames, width=4800, height=3200, roll=roll))
    assert len(scene.plates) == len(frames)
    picture = Rect(0, 0, scene.width, scene.height)
    assert all(picture.holds(plate.rect) for plate in scene.plates)
    for one, other in combinations((plate.rect for plate in scene.plates), 2):
        assert one.right <= other.x or other.right <= one.x or one.bottom <= other.y or other.bottom <= one.y


def test_thirty_two_frames_have_dashes_of_their_own():
    patterns = [frame_dashes(index) for index in range(32)]
    assert len(set(patterns)) == 32


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
def test_svg_and_png_show_the_same_picture(roll, tmp_path):
    renderer = shutil.which("rsvg-convert")
    assert renderer, "rsvg-convert (Debian librsvg2-bin) is needed"
    scene = scene_of(job_of(WIDE, TALL, SQUARE, width=480, height=320, roll=roll), line_px=3)
    document = tmp_path / "overlay.svg"
    document.write_text(svg(scene), encoding="utf-8")
    rendered = subprocess.run([renderer, str(document)], check=True, capture_output=True).stdout
    ours, theirs = pixels(png(scene)).astype(int), pixels(rendered).astype(int)
    assert ours.shape == theirs.shape
    outside_text = np.ones(ours.shape[:2], dtype=bool)
    for plate in scene.plates:
        # Another rasteriser's glyphs may reach over the plate by a fraction of their size.
        rect, reach = plate.rect, plate.lines[0].size // 2
        outside_text[max(rect.y - reach, 0) : rect.bottom + reach, max(rect.x - reach, 0) : rect.right + reach] = False
    assert np.array_equal(ours[outside_text], theirs[outside_text])
    # Text is rastered by two renderers: plates agree on average within a tenth of the range.
    assert np.abs(ours - theirs)[~outside_text].mean() < 25


def test_the_svg_describes_itself_and_refers_to_nothing_outside():
    document = svg(scene_of(job_of(WIDE, TALL)))
    root = ET.fromstring(document)
    assert root.get("viewBox") == "0 0 480 320"
    assert root.find(f"{SVG_NS}title").text
    assert "wide: 480 x 270 px at x 0, y 24" in root.find(f"{SVG_NS}desc").text
    assert {element.get("data-deliverable") for element in root.iter() if element.get("data-deliverable")} == {
        "wide",
        "tall",
    }
    assert "<script" not in document
    assert "href" not in document
    assert document.count("http") == 1


@pytest.mark.parametrize(
    "label",
    [
        "</text><script>alert(1)</script>",
        '"><image href="x"/>',
        "a & b < c > d ' \"",
        "control \x00\x01\x0b\x1f\ufffe",
        "]]>",
        "&amp;lt;",
        "\u202eright to left",
        "数字 отдых Ελλάδα",
        "x" * 200,
        " ",
    ],
)
def test_a_hostile_label_is_text_and_nothing_else(label):
    document = svg(scene_of(job_of(Deliverable(label=label, aspect=Aspect("16:9")))))
    root = ET.fromstring(document)
    assert {element.tag for element in root.iter()} <= {
        SVG_NS + name for name in ("svg", "title", "desc", "path", "g", "text")
    }
    assert pixels(png(scene_of(job_of(Deliverable(label=label, aspect=Aspect("16:9")))))).any()


def test_equal_jobs_give_equal_bytes():
    job = job_of(WIDE, TALL)
    assert svg(scene_of(job)) == svg(scene_of(job))
    assert png(scene_of(job)) == png(scene_of(job))


@pytest.mark.parametrize(("width", "height"), [(1, 1), (1, 40), (3, 2), (7, 9), (33, 17), (481, 321)])
def test_small_and_odd_rasters_are_drawn_in_their_own_size(width, height):
    shape = f"{width}:{height}" if 20 * width >= height else "1:20"
    capture = Capture(raster=Raster(width, height), grid=Grid(1, 1, 1, 1))
    scene = scene_of(Job(capture=capture, deliverables=(Deliverable(label="all", aspect=Aspect(shape)),)))
    assert Image.open(io.BytesIO(png(scene))).size == (width, height)
    ET.fromstring(svg(scene))


def test_a_label_stands_in_its_own_frame_also_where_lines_cross_it():
    shapes = ("16:9", "2.39:1", "9:16", "4:5", "1:1", "2:3")
    places = (0.5, 0.5, 0.3, 0.6, 0.45, 0.75)
    frames = [
        Deliverable(label=f"frame {aspect}", aspect=Aspect(aspect), align=Align(x, 0.5))
        for aspect, x in zip(shapes, places, strict=True)
    ]
    # Away from the subject there is room in every frame; without one the middle of the picture is kept free first.
    job = job_of(*frames, width=4800, height=3200)
    job = replace(job, framing=replace(job.framing, subject=Subject(2460, 1500, 60, 60)))
    extractions = solve(job).extractions
    plates = [plate for plate in scene_of(job).plates if plate.kind == "label"]
    assert len(plates) == len(frames)
    assert all(extractions[plate.frame].rect.holds(plate.rect) for plate in plates)


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
def test_every_light_mark_has_a_dark_edge_beside_it_so_that_it_reads_on_snow(roll):
    frame = Deliverable(label="tall", aspect=Aspect("9:16"), protection=Protection(each_side=0.1))
    scene = scene_of(job_of(frame, roll=roll), labels="none", line_px=4)
    dark = [band.rect for band in scene.bands if band.kind in ("edge", "centre-edge")]
    marks = [band.rect for band in scene.bands if band.kind in ("line", "protection", "centre")]
    # At the edge of the picture there is no room beside a mark.
    room = Rect(1, 1, scene.width - 2, scene.height - 2)
    marks = [mark for mark in marks if room.holds(mark)]
    assert {"line", "protection", "centre"} <= {band.kind for band in scene.bands}
    assert len(marks) > 10
    for mark in marks:
        beside = Rect(mark.x - 1, mark.y - 1, mark.width + 2, mark.height + 2)
        assert any(
            edge.x < beside.right and beside.x < edge.right and edge.y < beside.bottom and beside.y < edge.bottom
            for edge in dark
        )


def test_a_protection_line_is_dashed_with_its_dark_edge():
    frame = Deliverable(label="tall", aspect=Aspect("9:16"), protection=Protection(each_side=0.1))
    drawn = pixels(png(scene_of(job_of(frame, width=960, height=640), labels="none", line_px=4)))
    (extraction,) = solve(job_of(frame, width=960, height=640)).extractions
    guarded = extraction.protection_rect
    outside = drawn[guarded.y : guarded.bottom, guarded.right : guarded.right + 4, 3]
    inked = outside.any(axis=1)
    assert inked.any()
    assert not inked.all()


@settings(max_examples=60, deadline=None)
@given(
    job=jobs(smallest=40, largest=4000, most=4),
    names=st.lists(st.text(min_size=1, max_size=200), min_size=4, max_size=4),
)
def test_labels_of_any_text_stay_inside_and_apart_on_any_raster(job, names):
    assume(len(set(names)) == 4)
    frames = [replace(frame, label=name) for frame, name in zip(job.deliverables, names, strict=False)]
    job = replace(job, deliverables=tuple(frames))
    try:
        scene = scene_of(job)
    except CannotBeMet:
        assume(False)
    picture = Rect(0, 0, scene.width, scene.height)
    assert all(picture.holds(plate.rect) for plate in scene.plates)
    for one, other in combinations((plate.rect for plate in scene.plates), 2):
        assert one.right <= other.x or other.right <= one.x or one.bottom <= other.y or other.bottom <= one.y
    ET.fromstring(svg(scene))


def test_the_font_draws_every_letter_of_latin_greek_and_cyrillic():
    # Unicode blocks: Basic Latin, Latin-1, Latin Extended-A; Greek and Coptic; Cyrillic.
    blocks = ((0x21, 0x17F), (0x370, 0x3FF), (0x400, 0x4FF))
    letters = [chr(code) for first, last in blocks for code in range(first, last + 1) if chr(code).isalpha()]

    def drawn(text):
        return text_mask((TextLine(text, 4, 30, 0, 24),), 48, 48).tobytes()

    box = drawn("\U0010fffd")
    assert len(letters) > 600
    assert [letter for letter in letters if drawn(letter) == box] == []


def test_every_letter_of_chinese_japanese_and_korean_is_set_in_a_font_that_has_it():
    # Unicode blocks: Hiragana, Katakana; CJK Unified Ideographs as of Unicode 1.1; Hangul Syllables; full-width forms.
    blocks = ((0x3041, 0x3094), (0x30A1, 0x30F6), (0x4E00, 0x9FA5), (0xAC00, 0xD7A3), (0xFF01, 0xFF5E))
    file = resources.files("tallwide_service.render") / "fonts" / f"{EAST_ASIAN}.ttf"
    with resources.as_file(file) as path:
        has = TTFontFile(str(path)).charToGlyph  # read by the PDF library
    letters = "".join(chr(code) for first, last in blocks for code in range(first, last + 1))
    assert [font for font, _ in runs(letters)] == [EAST_ASIAN]
    assert [letter for letter in letters if not has.get(ord(letter))] == []


def test_a_line_in_two_fonts_is_set_without_gap_or_overlap():
    mixed, size = "A広告16:9", 40
    ink = np.asarray(text_mask((TextLine(mixed, 0, 50, 0, size),), 400, 70))
    width, first, last = text_width(mixed, size), text_width("A", size), text_width("16:9", size)
    assert ink[:, width:].max() == 0
    parts = [ink[:, :first], ink[:, first : width - last], ink[:, width - last :]]
    alone = [np.asarray(text_mask((TextLine(text, 0, 50, 0, size),), 400, 70)) for text in ("A", "広告", "16:9")]
    for part, whole in zip(parts, alone, strict=True):
        # Fractions of a pixel at the seams.
        assert part.astype(float).sum() == pytest.approx(whole.astype(float).sum(), rel=0.02)


GOLDEN = Path(__file__).parent.parent / "golden"


@pytest.mark.parametrize("roll", [0, 90])
def test_the_lines_of_a_known_job_are_the_committed_ones(roll):
    # Text is left out: its widths are the font renderer's. To accept a new drawing, write `drawn` to the file.
    frames = (WIDE, replace(TALL, protection=Protection(each_side=0.05)), SQUARE)
    job = job_of(*frames, width=960, height=640, roll=roll)
    drawn = svg(scene_of(job, labels="none"))
    assert drawn == (GOLDEN / f"overlay-lines-roll-{roll}.svg").read_text(encoding="utf-8")


def test_an_svg_shown_at_a_fifth_of_its_size_still_shows_every_line_and_its_dark_edge(tmp_path):
    job = job_of(replace(SQUARE, align=Align(0.37, 0.5)), width=4800, height=3200)
    scene = scene_of(job, labels="none", centre_marks=False)
    document = tmp_path / "overlay.svg"
    document.write_text(svg(scene), encoding="utf-8")
    small = subprocess.run(
        ["rsvg-convert", "-w", "960", "-b", "#808080", str(document)], check=True, capture_output=True
    ).stdout
    (extraction,) = solve(job).extractions
    row = pixels(small)[320].astype(int)
    for edge in (extraction.rect.x, extraction.rect.right):
        near = row[edge // 5 - 4 : edge // 5 + 5]
        assert near[:, 0].max() > 160  # orange is lighter than the grey ground in red
        assert near[:, :3].max(axis=1).min() < 110  # and the edge is darker than it
