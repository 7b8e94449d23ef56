"""Overlays on every kind of picture: what is drawn, where, in which colours, and the same by every writer."""

from __future__ import annotations

import io
import re
import subprocess
from dataclasses import replace
from itertools import combinations
from xml.dom import minidom

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from PIL import Image

from strategies import jobs
from tallwide.answers import Rect
from tallwide.job import (
    Align,
    Aspect,
    Capture,
    Deliverable,
    Framing,
    Job,
    Lens,
    MonitorFeed,
    Offset,
    Overlay,
    Picture,
    Protection,
    Raster,
    SafeArea,
    Subject,
)
from tallwide_service.core import solve
from tallwide_service.core.view import view_of
from tallwide_service.errors import CannotBeMet
from tallwide_service.render import overlay_scene, png, svg
from tallwide_service.render.labels import Label, TextSizes, placed_labels, text_sizes
from tallwide_service.render.palette import OKABE_ITO, TOL_BRIGHT, TOL_HIGH_CONTRAST, plate_colours
from tallwide_service.render.pdf import pages_pdf
from tallwide_service.render.scene_page import scene_page

HARBOUR = Job(
    Capture(raster=Raster(1200, 800)),
    (
        Deliverable("wide", raster=Raster(1920, 1080), safe_area_sets=("ebu_r95",)),
        Deliverable("tall", aspect=Aspect("9:16"), protection=Protection(each_side=0.05)),
        Deliverable("square", aspect=Aspect("1:1"), align=Align(0.2, 0.5), safe_areas=(SafeArea("captions", top=0.2),)),
    ),
)
PICTURES = [
    pytest.param(Picture(view="recorded"), id="recorded"),
    pytest.param(Picture(view="upright"), id="upright"),
    pytest.param(Picture(deliverable="wide"), id="deliverable"),
    pytest.param(Picture(monitor=MonitorFeed(1920, 1080)), id="monitor"),
    pytest.param(Picture(monitor=MonitorFeed(960, 540, fit="fill", turned=True)), id="monitor filled and turned"),
]


def turned(job: Job, roll) -> Job:
    return replace(job, capture=replace(job.capture, roll=roll))


def scene_of(job: Job, picture: Picture | None = None, **options):
    extractions = solve(replace(job, framing=Framing(), capture=plain(job.capture))).extractions
    return overlay_scene(job, extractions, overlay=Overlay(**options), picture=picture)


def plain(capture: Capture) -> Capture:
    """Return a capture without what only surrounds the frames."""
    return replace(capture, usable_area=None, lens=None)


def pixels(picture: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(picture)) as image:
        return np.asarray(image.convert("RGBA"))


def by_rsvg(document: str, tmp_path) -> np.ndarray:
    (tmp_path / "scene.svg").write_text(document, encoding="utf-8")
    drawn = subprocess.run(["rsvg-convert", tmp_path / "scene.svg"], check=True, capture_output=True).stdout
    return pixels(drawn)


def without_plates(scene):
    return replace(scene, plates=())


@settings(max_examples=80)
@given(
    job=jobs(smallest=12, largest=400, most=3),
    feed=st.builds(
        MonitorFeed,
        st.integers(20, 300),
        st.integers(20, 300),
        fit=st.sampled_from(("whole", "fill")),
        turned=st.booleans(),
        desqueezed=st.booleans(),
    ),
    kind=st.sampled_from(("recorded", "upright", "monitor")),
)
def test_no_line_touches_even_a_part_of_a_pixel_of_its_own_extraction_on_any_picture(job, feed, kind):
    try:
        extractions = solve(job).extractions
    except CannotBeMet:
        assume(False)
    picture = Picture(monitor=feed) if kind == "monitor" else Picture(view=kind)
    scene = overlay_scene(job, extractions, overlay=Overlay(labels="none"), picture=picture)
    view = view_of(job, extractions, picture)
    for band in scene.bands:
        if band.kind not in ("line", "edge", "protection"):
            continue
        box = view.box(extractions[band.frame].rect)
        rect = band.rect
        assert rect.right <= box.left or rect.x >= box.right or rect.bottom <= box.top or rect.y >= box.bottom


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
@pytest.mark.parametrize("picture", PICTURES)
def test_svg_and_png_agree_to_the_pixel_outside_text(roll, picture, tmp_path):
    scene = without_plates(scene_of(turned(HARBOUR, roll), picture, shade="combined_area", common_area=True))
    assert np.array_equal(pixels(png(scene)), by_rsvg(svg(scene), tmp_path))


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
def test_circle_and_usable_area_are_drawn_alike_by_svg_and_png(roll, tmp_path):
    capture = replace(
        HARBOUR.capture,
        roll=roll,
        photosite_pitch_um=10,
        lens=Lens(image_circle_mm=11.5, offset_mm=Offset(0.3, -0.2)),
        usable_area=((40, 30), (1150, 60), (1180, 700), (600, 790), (20, 500)),
    )
    scene = without_plates(scene_of(replace(HARBOUR, capture=capture), Picture(view="upright")))
    assert {ring.kind for ring in scene.rings} == {"edge", "image-circle", "usable-area"}
    ours, theirs = pixels(png(scene)), by_rsvg(svg(scene), tmp_path)
    # Renderers flatten arcs and round slanted edges in their own ways: single pixels at an edge may differ.
    assert (ours != theirs).any(axis=2).mean() < 0.003


def test_the_image_circle_is_where_the_pitch_puts_it():
    capture = replace(HARBOUR.capture, photosite_pitch_um=10, lens=Lens(image_circle_mm=7, offset_mm=Offset(1, 0)))
    scene = scene_of(replace(HARBOUR, capture=capture), labels="none")
    drawn = pixels(png(replace(scene, bands=())))
    # 7 mm are 700 px about 600 + 100; the line lies outside.
    middle = np.flatnonzero(drawn[400, :, 0] == 245)
    assert (middle.min(), middle.max()) == (349, 1050)


def test_a_safe_area_on_its_own_raster_is_free_to_its_first_and_last_pixel():
    scene = scene_of(HARBOUR, Picture(deliverable="wide"), labels="none", centre_marks=False)
    drawn = pixels(png(scene))[:, :, 3] > 0
    # EBU R 95 v1.1 (2017), graphics at 1080 lines: pixels 96 to 1823, lines 54 to 1025.
    assert not drawn[54:1026, 96:1824].any()
    assert drawn[53, 96:1824].any()
    assert drawn[1026, 96:1824].any()
    assert drawn[54:1026, 95].any()
    assert drawn[54:1026, 1824].any()


@pytest.mark.parametrize("roll", [0, 90, 180, 270])
@pytest.mark.parametrize("picture", PICTURES)
def test_labels_are_apart_inside_and_no_smaller_than_15_lines_of_1080(roll, picture):
    scene = scene_of(turned(HARBOUR, roll), picture)
    whole = Rect(0, 0, scene.width, scene.height)
    assert {plate.frame for plate in scene.plates if plate.kind == "label"}
    for plate in scene.plates:
        assert whole.holds(plate.rect)
        upright_height = scene.width if plate.turn in (90, 270) else scene.height
        assert plate.lines[0].size >= max(7, round(upright_height * 15 / 1080))
    for one, other in combinations((plate.rect for plate in scene.plates), 2):
        assert one.right <= other.x or other.right <= one.x or one.bottom <= other.y or other.bottom <= one.y


def test_labels_keep_off_the_subject_where_there_is_room():
    subject = Subject(450, 120, 300, 560)
    scene = scene_of(replace(HARBOUR, framing=Framing(subject=subject)))
    box = Rect(450, 120, 300, 560)
    for plate in (plate for plate in scene.plates if plate.kind == "label"):
        rect = plate.rect
        assert rect.right <= box.x or rect.x >= box.right or rect.bottom <= box.y or rect.y >= box.bottom


def test_text_can_be_turned_off_and_shortened():
    assert not scene_of(HARBOUR, labels="none").plates
    names = [plate for plate in scene_of(HARBOUR, labels="short").plates if plate.kind == "label"]
    assert [plate.lines[0].text for plate in names] == ["wide", "tall", "square"]
    full = next(plate for plate in scene_of(HARBOUR, safe_areas=False).plates if plate.frame == 0)
    assert [line.text for line in full.lines][1:3] == [
        "1,200 × 676 px   1.775",
        "84.5 % of the raster, short by 37.5 %",
    ]


@pytest.mark.parametrize(
    ("palette", "colours"),
    [("okabe_ito", OKABE_ITO), ("tol_bright", TOL_BRIGHT), ("tol_high_contrast", TOL_HIGH_CONTRAST)],
)
def test_frames_take_the_published_colours_in_turn(palette, colours):
    lines = [band for band in scene_of(HARBOUR, palette=palette).bands if band.kind == "line"]
    assert {(band.frame, band.colour) for band in lines} == set(enumerate(colours[:3]))


def test_the_users_colours_go_before_the_palettes():
    lines = [band for band in scene_of(HARBOUR, colours=("#010203", "#Ff0000")).bands if band.kind == "line"]
    assert {(band.frame, band.colour) for band in lines} == {(0, (1, 2, 3)), (1, (255, 0, 0)), (2, OKABE_ITO[0])}


def test_thirty_two_own_colours_still_make_an_indexed_png():
    colours = tuple(f"#{index:02x}40{255 - index:02x}" for index in range(32))
    frames = tuple(Deliverable(f"f{index}", aspect=Aspect(1 + index / 40)) for index in range(32))
    picture = png(scene_of(Job(Capture(raster=Raster(640, 480)), frames), colours=colours))
    with Image.open(io.BytesIO(picture)) as image:
        assert image.mode == "P"
        image.load()


def test_each_frame_is_drawn_up_to_its_corners_whatever_its_dashes():
    scene = scene_of(HARBOUR, labels="none")
    tall = next(extraction for extraction in solve(HARBOUR).extractions if extraction.deliverable == "tall").rect
    drawn = pixels(png(scene))
    for x in (tall.x - 1, tall.right):
        for y in (tall.y, tall.bottom - 1):
            assert tuple(drawn[y, x]) == (*OKABE_ITO[1], 255)


@pytest.mark.parametrize(
    ("options", "clear"),
    [({"shade": "frame", "shade_frame": "tall"}, ("tall",)), ({"shade": "combined_area"}, ("tall", "square"))],
)
def test_shade_darkens_exactly_what_is_outside(options, clear):
    job = replace(HARBOUR, deliverables=HARBOUR.deliverables[1:])
    scene = scene_of(job, labels="none", centre_marks=False, **options)
    shaded = pixels(png(replace(scene, bands=tuple(band for band in scene.bands if band.kind == "shade"))))
    rects = [extraction.rect for extraction in solve(job).extractions if extraction.deliverable in clear]
    expected = np.full((800, 1200), 150)
    left, top = min(rect.x for rect in rects), min(rect.y for rect in rects)
    expected[top : max(rect.bottom for rect in rects), left : max(rect.right for rect in rects)] = 0
    assert (expected == 150).any()
    assert np.array_equal(shaded[:, :, 3], expected)


@pytest.mark.parametrize(("options", "thick"), [({"line_px": 3}, 3), ({"line_share": 0.01}, 11), ({}, 2)])
def test_lines_are_as_thick_as_asked_in_the_pixels_of_the_picture_that_is_drawn(options, thick):
    """On a monitor of 1,080 lines, whatever the recording has."""
    job = replace(HARBOUR, capture=Capture(raster=Raster(6000, 4000)))
    scene = scene_of(job, Picture(monitor=MonitorFeed(1920, 1080)), labels="none", **options)
    lines = [band.rect for band in scene.bands if band.kind == "line"]
    assert {min(rect.width, rect.height) for rect in lines if max(rect.width, rect.height) > 4 * thick} == {thick}


def test_marks_that_are_turned_off_are_not_drawn():
    full = scene_of(HARBOUR, common_area=True)
    assert {"centre", "protection", "common-area", "safe-area"} <= {band.kind for band in full.bands}
    bare = scene_of(HARBOUR, centre_marks=False, protection=False, safe_areas=False, contrast_lines=False)
    assert {band.kind for band in bare.bands} <= {"line", "tick"}


@pytest.mark.parametrize("theme", ["light", "dark", "auto", "variables"])
def test_every_theme_is_well_formed_and_draws_without_style_sheets(theme, tmp_path):
    document = svg(scene_of(HARBOUR, theme=theme, id_prefix="day-2"))
    parsed = minidom.parseString(document)
    assert parsed.documentElement.getAttribute("id") == "day-2"
    assert ("<style>" in document) == (theme in ("auto", "variables"))
    assert "var(" not in re.sub(r"<style>.*?</style>", "", document)
    assert len(re.findall(r'id="(?!day-2)', document)) == 0
    assert pixels(png(scene_of(HARBOUR, theme=theme))).any()
    plate = scene_of(HARBOUR, theme=theme).plates[0].rect
    corner = tuple(by_rsvg(document, tmp_path)[plate.y + 1, plate.x + 1][:3])
    # A renderer that knows no colour scheme takes the plain attributes.
    assert corner == ((245, 245, 245) if theme == "light" else (24, 24, 24))


@pytest.mark.parametrize(
    "usable",
    [
        None,
        ((100, 50), (1100, 50), (1100, 750), (100, 750)),
        ((50, 30), (1150, 30), (1175, 770), (25, 770)),
        ((25, 770), (1175, 770), (1150, 30), (50, 30)),
    ],
)
def test_a_page_shows_the_overlay_as_the_png_does(tmp_path, usable):
    job = replace(HARBOUR, capture=replace(HARBOUR.capture, usable_area=usable))
    scene = scene_of(job, shade="combined_area")
    (tmp_path / "overlay.pdf").write_bytes(pages_pdf([scene_page(scene)]))
    subprocess.run(
        [
            "pdftoppm",
            *("-png", "-singlefile", "-scale-to-x", "1200", "-scale-to-y", "800"),
            tmp_path / "overlay.pdf",
            tmp_path / "overlay",
        ],
        check=True,
    )
    with Image.open(tmp_path / "overlay.png") as image:
        printed = np.asarray(image.convert("RGB")).astype(int)
    with Image.open(io.BytesIO(png(scene))) as image:
        on_white = Image.new("RGBA", image.size, (255, 255, 255, 255))
        on_white.alpha_composite(image.convert("RGBA"))
    ours = np.asarray(on_white.convert("RGB")).astype(int)
    # Poppler smooths edges and letters.
    assert (np.abs(printed - ours).max(axis=2) > 100).mean() < 0.01


@settings(max_examples=25)
@given(job=jobs(smallest=1, largest=3000, most=4))
def test_any_job_is_drawn_in_its_own_size(job):
    try:
        scene = overlay_scene(job, solve(job).extractions)
    except CannotBeMet:
        assume(False)
    with Image.open(io.BytesIO(png(scene))) as image:
        assert image.size == (job.capture.raster.width, job.capture.raster.height)
        image.load()
    minidom.parseString(svg(scene))


@pytest.mark.parametrize(
    "label",
    [
        "W" * 200,
        "Наружная реклама у причала, вечер " * 5,  # noqa: RUF001 - a Cyrillic word of one letter
        "Προβολή στο λιμάνι " * 9,
        "صورة عريضة",
        "広告",
        "\u202eabc",
        "a\nb",
    ],
)
def test_long_and_foreign_labels_are_fitted_into_the_picture(label):
    frames = (replace(HARBOUR.deliverables[0], label=label), *HARBOUR.deliverables[1:])
    scene = scene_of(replace(HARBOUR, deliverables=frames), safe_areas=False)
    whole = Rect(0, 0, scene.width, scene.height)
    plate = next(plate for plate in scene.plates if plate.frame == 0)
    assert whole.holds(plate.rect)
    for line in plate.lines:
        assert line.left + line.width <= plate.size[0]
    assert plate.lines[0].text == label or plate.lines[0].text.endswith("…")
    assert pixels(png(scene)).any()


@pytest.mark.parametrize("theme", ["light", "dark", "auto", "variables"])
def test_samples_of_neutral_lines_stand_out_from_their_plates(theme):
    scene = scene_of(HARBOUR, theme=theme, common_area=True)
    paper, ink = plate_colours(theme)
    tags = [plate for plate in scene.plates if plate.frame is None]
    assert tags
    assert {plate.colour for plate in tags} == {ink} != {paper}
    # Where the viewer's scheme turns the ink, the sample turns with it.
    swatches = minidom.parseString(svg(scene)).getElementsByTagName("path")
    marked = [path for path in swatches if path.getAttribute("class") == "tallwide-swatch tallwide-ink"]
    assert len(marked) == len(tags)


def test_labels_are_set_smaller_where_they_then_stay_in_their_frames():
    """At full size the label of a narrow frame reaches into its neighbour."""
    frame, picture = Rect(800, 0, 270, 1080), Rect(0, 0, 1920, 1080)
    label = Label("label", 0, frame, (255, 0, 0), (), ("a name", "1,000 × 2,000 px   0.5", "40.0 % of the raster"))
    (plate,) = placed_labels([label], picture, text_sizes(picture), lines=[], subject=None)
    assert frame.holds(plate.rect)
    (large,) = placed_labels([label], picture, TextSizes(24, 24), lines=[], subject=None)
    assert not frame.holds(large.rect)


def test_labels_of_nested_frames_stand_in_their_own_and_a_large_one_outside_the_small_ones():
    """Placed in the job's order, the wide frame's label would take the room of the tall one inside it."""
    picture = Rect(0, 0, 1920, 1080)
    boxes = [Rect(0, 0, 1920, 1080), Rect(420, 0, 1080, 1080), Rect(800, 20, 320, 1040), Rect(860, 40, 200, 1000)]
    labels = [Label("label", place, box, (255, 0, 0), (), ("a name", "40.0 %")) for place, box in enumerate(boxes)]
    lines = [side for box in boxes for side in (Rect(box.x - 2, box.y, 2, box.height), Rect(box.right, box.y, 2, 1080))]
    plates = placed_labels(labels, picture, text_sizes(picture), lines=lines, subject=None)
    assert [plate.frame for plate in plates] == [0, 1, 2, 3]
    for place, (box, plate) in enumerate(zip(boxes, plates, strict=True)):
        assert box.holds(plate.rect)
        assert not any(smaller.holds(plate.rect) for smaller in boxes[place + 1 :])


def test_a_label_without_room_in_its_frame_still_touches_it():
    frame, picture = Rect(900, 0, 60, 1080), Rect(0, 0, 1920, 1080)
    label = Label("label", 0, frame, (255, 0, 0), (), ("a name that is wider than its frame",))
    (plate,) = placed_labels([label], picture, text_sizes(picture), lines=[], subject=None)
    assert frame.x - plate.rect.width < plate.rect.x < frame.right


def test_a_label_leaves_its_frame_for_a_subject_that_is_given_and_not_for_one_that_is_guessed():
    frame, picture = Rect(0, 400, 1000, 300), Rect(0, 0, 1000, 1080)
    label = Label("label", 0, frame, (255, 0, 0), (), ("a name that is rather long for it",))
    for subject, stays in ((None, True), (Rect(0, 380, 1000, 340), False)):
        (plate,) = placed_labels([label], picture, text_sizes(picture), lines=[], subject=subject)
        assert frame.holds(plate.rect) is stays


def test_safe_areas_of_several_frames_say_whose_they_are():
    def tags(job):
        return [
            plate.lines[0].text for plate in scene_of(job).plates if plate.kind == "tag" and plate.frame is not None
        ]

    assert tags(HARBOUR) == ["wide: action safe", "wide: graphics safe", "square: captions"]
    assert tags(replace(HARBOUR, deliverables=HARBOUR.deliverables[:2])) == ["action safe", "graphics safe"]


def test_an_image_circle_around_the_picture_has_no_tag():
    for circle_mm, is_seen in ((200, False), (12, True)):
        capture = replace(HARBOUR.capture, photosite_pitch_um=10, lens=Lens(image_circle_mm=circle_mm))
        scene = scene_of(replace(HARBOUR, capture=capture))
        assert any(line.text == "image circle" for plate in scene.plates for line in plate.lines) is is_seen


def test_latin_greek_and_cyrillic_letters_are_in_the_font():
    from tallwide_service.render.type_setting import font_of  # noqa: PLC0415

    font = font_of(24)
    missing = font.getmask("\U0010fffd").getbbox(), bytes(font.getmask("\U0010fffd"))
    for letter in "AzÄßŁő" + "ΑωΆϊ" + "АяЁўђ" + "×–−°µ…":
        assert (font.getmask(letter).getbbox(), bytes(font.getmask(letter))) != missing, letter
