"""The framing chart as it comes out of a renderer: the ruler, the frames, what is read back, and nothing in the way."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from io import BytesIO
from itertools import combinations

import numpy as np
import pytest
from PIL import Image
from skimage.transform import ProjectiveTransform, warp

from tallwide.job import (
    Aspect,
    Capture,
    Chart,
    ChartReading,
    Deliverable,
    Framing,
    Job,
    Lens,
    Protection,
    Raster,
    ReadFrame,
)
from tallwide_service.core import solve
from tallwide_service.core.chart import chart_layout, frames_on_chart
from tallwide_service.core.reading import read_chart
from tallwide_service.errors import CannotBeMet
from tallwide_service.identity import decision_id
from tallwide_service.render.chart import chart_page
from tallwide_service.render.page import Area, Words
from tallwide_service.render.page_svg import page_svg
from tallwide_service.render.pdf import pages_pdf

PER_MM = 20  # pixels a mm at 508 dots an inch
JOB = Job(
    Capture(raster=Raster(3600, 2400), photosite_pitch_um=10, lens=Lens(focal_length_mm=50)),
    (Deliverable("wide", aspect=Aspect("2:1")), Deliverable("tall", aspect=Aspect("4:5"))),
    id="harbour-day-2",
)


def page_of(job: Job = JOB):
    extractions = solve(job).extractions
    return chart_page(job, extractions, decision_id=decision_id(job.capture, extractions))


def rendered_pdf(pdf: bytes, tmp_path) -> np.ndarray:
    source = tmp_path / "chart.pdf"
    source.write_bytes(pdf)
    subprocess.run(
        ["pdftoppm", "-r", str(25.4 * PER_MM), "-gray", "-singlefile", source, tmp_path / "chart"], check=True
    )
    with Image.open(tmp_path / "chart.pgm") as image:
        return np.asarray(image)


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    """Return the chart of the job on A3, drawn by poppler, 20 px a mm."""
    return rendered_pdf(pages_pdf([page_of()]), tmp_path_factory.mktemp("chart"))


def test_the_sheet_is_a3_at_true_size(sheet):
    assert sheet.shape == pytest.approx((297 * PER_MM, 420 * PER_MM), abs=1)


def test_the_printed_ruler_is_100_mm_long(sheet):
    # The ruler's bar is 8 mm below the picture's foot line; its ends are ticks 0.2 mm wide.
    row = sheet[round((297 - 26 + 8 + 1.5) * PER_MM)]
    dark = np.flatnonzero(row[: 115 * PER_MM] < 128)
    groups = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    centres = [(group[0] + group[-1] + 1) / 2 / PER_MM for group in groups]
    assert len(centres) == 101
    assert centres[0] == pytest.approx(10, abs=1.5 / PER_MM)
    assert centres[-1] - centres[0] == pytest.approx(100, abs=1 / PER_MM)
    assert np.diff(centres) == pytest.approx(np.ones(100), abs=1.5 / PER_MM)


def test_each_frame_is_printed_where_its_extraction_lies(sheet):
    extractions = solve(JOB).extractions
    for frame in frames_on_chart(chart_layout(JOB.capture, Chart()), extractions):
        # 5 mm from the top left corner along both edges stand the bold brackets, outside the frame.
        x, y = (frame.x + 5) * PER_MM, (frame.y + 5) * PER_MM
        column = sheet[round((frame.y - 1) * PER_MM) : round((frame.y + 1) * PER_MM), round(x)]
        line = sheet[round(y), round((frame.x - 1) * PER_MM) : round((frame.x + 1) * PER_MM)]
        for profile in (column, line):
            # Where black ends going inwards, less the hairline inside the corner, 0.18 units thick.
            last_dark = np.flatnonzero(profile < 128)[-1] + 1
            hair = 0.18 * 262.67 / 250
            assert last_dark / PER_MM - 1 - hair == pytest.approx(0, abs=2 / PER_MM)


def test_the_picture_on_paper_fills_the_raster_in_the_scenes_shape():
    layout = chart_layout(JOB.capture, Chart())
    _, _, width, height = layout.picture
    assert width / height == pytest.approx(1.5)


def bracket_corner(picture: np.ndarray, near: tuple[float, float], inward: tuple[int, int]) -> tuple[float, float]:
    """Find a corner as a person does: where the bold bracket's inner edges, seen along both arms, would meet."""
    x, y = near
    reach, along = 12, 40

    def edge(profile: np.ndarray) -> float:
        # The first crossing to white beyond the darkest run, going inwards, to a part of a pixel.
        level = profile.astype(float)
        dark = int(np.argmin(level))
        beyond = next(index for index in range(dark, len(level)) if level[index] > 128)
        before = beyond - 1
        return before + (128 - level[before]) / (level[beyond] - level[before]) + 0.5

    def refined(x: float, y: float) -> tuple[float, float]:
        row, column = round(y + inward[1] * along), round(x + inward[0] * along)
        left, top = round(x) - reach, round(y) - reach
        across = picture[row, left : left + 2 * reach][:: inward[0]]
        down = picture[top : top + 2 * reach, column][:: inward[1]]
        at_x, at_y = edge(across), edge(down)
        return (
            left + (at_x if inward[0] == 1 else 2 * reach - at_x),
            top + (at_y if inward[1] == 1 else 2 * reach - at_y),
        )

    return refined(x, y)


@pytest.mark.parametrize(
    ("shift", "scale", "rotation_deg", "keystone"),
    [
        pytest.param((6.0, -4.0), 1.0, 0.0, 0.0, id="shifted"),
        pytest.param((0.0, 0.0), 0.985, 0.0, 0.0, id="too far away"),
        pytest.param((0.0, 0.0), 0.97, 0.4, 0.0, id="turned"),
        pytest.param((3.0, 2.0), 0.97, 0.0, 2.0e-6, id="keystoned"),
    ],
)
def test_a_rendered_chart_bent_by_a_known_amount_reads_as_that_amount(tmp_path, shift, scale, rotation_deg, keystone):
    job = replace(JOB, deliverables=(Deliverable("inner", aspect=Aspect("3:2"), align=JOB.deliverables[0].align),))
    # A frame away from the edges: protection holds it off by a tenth on each side.
    job = replace(job, deliverables=(replace(job.deliverables[0], protection=Protection(each_side=0.1)),))
    extractions = solve(job).extractions
    frame, layout = extractions[0].upright_rect, chart_layout(job.capture, Chart())
    page = chart_page(job, extractions, decision_id="0" * 64)
    # Hairlines inside corners and scales are left out: the bold brackets alone are measured here.
    page = replace(page, items=tuple(item for item in page.items if isinstance(item, Area) and item.kind == "bracket"))
    paper = rendered_pdf(pages_pdf([page]), tmp_path)
    left, top, width, _ = (float(length) for length in layout.picture)
    per_px = float(width) / job.capture.raster.width * PER_MM
    centre = np.array([frame.x + frame.width / 2, frame.y + frame.height / 2])
    turn = np.radians(rotation_deg)
    about = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1]])
    bend = np.array(
        [
            [scale * np.cos(turn), -scale * np.sin(turn), 0],
            [scale * np.sin(turn), scale * np.cos(turn), 0],
            [0, 0, 1],
        ]
    ) @ np.array([[1, 0, 0], [0, 1, 0], [keystone, 0, 1]])
    back = np.array([[1, 0, centre[0] + shift[0]], [0, 1, centre[1] + shift[1]], [0, 0, 1]])
    seen_from_grab = back @ bend @ about
    paper_from_grab = np.array([[per_px, 0, left * PER_MM], [0, per_px, top * PER_MM], [0, 0, 1]]) @ np.linalg.inv(
        seen_from_grab
    )
    # Sampling takes pixel centres; places are counted from pixel edges.
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    sampling = np.linalg.inv(half) @ paper_from_grab @ half
    grab = warp(paper / 255.0, ProjectiveTransform(sampling), output_shape=(2400, 3600), order=1, cval=1.0) * 255
    right, bottom = frame.x + frame.width, frame.y + frame.height
    ends = [(frame.x, frame.y), (right, frame.y), (right, bottom), (frame.x, bottom)]
    model = ProjectiveTransform(seen_from_grab)
    measured = [
        bracket_corner(grab, tuple(model(np.array([end]))[0]), inward)
        for end, inward in zip(ends, ((1, 1), (-1, 1), (-1, -1), (1, -1)), strict=True)
    ]
    (answer,) = read_chart(job, extractions, ChartReading((ReadFrame("inner", tuple(measured)),), tolerance_px=1))
    # An edge is found to a few tenths of a pixel 40 px along a turned arm, which leans by as much.
    lean = 40 * abs(np.sin(turn)) + 0.5
    assert answer.shift_px.x == pytest.approx(shift[0], abs=lean)
    assert answer.shift_px.y == pytest.approx(shift[1], abs=lean)
    assert answer.scale.x == pytest.approx(scale, abs=3e-4)
    assert answer.scale.y == pytest.approx(scale, abs=3e-4)
    assert answer.rotation_deg == pytest.approx(rotation_deg, abs=0.03)
    half_width = keystone * frame.width / 2
    expected = (1 / (1 - half_width) - 1 / (1 + half_width)) * frame.height
    assert answer.keystone_px.x == pytest.approx(expected, abs=1.0)
    assert answer.verdict == ("within" if answer.largest_error_px <= 1 else "beyond")


def test_equal_jobs_give_equal_bytes():
    assert pages_pdf([page_of()]) == pages_pdf([page_of()])
    assert page_svg(page_of()) == page_svg(page_of())


def test_svg_and_pdf_show_the_same_sheet(sheet, tmp_path):
    (tmp_path / "chart.svg").write_text(page_svg(page_of()), encoding="utf-8")
    drawn = subprocess.run(
        ["rsvg-convert", "--width", str(420 * 4), "--height", str(297 * 4), tmp_path / "chart.svg"],
        check=True,
        capture_output=True,
    ).stdout
    svg = np.asarray(Image.open(BytesIO(drawn)).convert("L")).astype(float)
    pdf = np.asarray(Image.fromarray(sheet).resize((420 * 4, 297 * 4), Image.Resampling.BOX)).astype(float)
    # Two renderers, two hintings of the same letters: few pixels may differ much.
    assert np.mean(np.abs(svg - pdf) > 64) < 0.004
    assert abs(svg.mean() - pdf.mean()) < 0.5


@pytest.mark.parametrize("chart", [Chart(), Chart(paper="A2"), Chart(width_mm=100), Chart(width_mm=3000)])
@pytest.mark.parametrize("roll", [0, 90])
def test_no_text_lies_on_other_text_or_leaves_the_sheet(chart, roll):
    job = replace(JOB, chart=chart, capture=replace(JOB.capture, roll=roll))
    page = page_of(job)
    boxes = [text_box(item) for item in page.items if isinstance(item, Words)]
    for left, top, right, bottom in boxes:
        assert left >= 0
        assert top >= 0
        assert right <= page.width_mm
        assert bottom <= page.height_mm
    for index, one in enumerate(boxes):
        for other in boxes[index + 1 :]:
            apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
            assert apart, (one, other)


def text_box(words: Words) -> tuple[float, float, float, float]:
    width = words.width_mm
    left = words.x - {"start": 0, "middle": width / 2, "end": width}[words.anchor]
    return (left, words.y - 0.75 * words.size_mm, left + width, words.y + 0.2 * words.size_mm)


def test_the_star_is_modulated_144_times_round(sheet):
    star = [item for item in page_of().items if isinstance(item, Area) and item.kind == "star"]
    points = np.array([corner for area in star for wedge in area.polygons for corner in wedge])
    centre, radius = points.mean(axis=0), np.ptp(points[:, 0]) / 2
    angles = np.linspace(0, 2 * np.pi, 144 * 40, endpoint=False)
    at = (centre[:, None] + 0.9 * radius * np.array([np.cos(angles), np.sin(angles)])) * PER_MM
    ring = sheet[at[1].astype(int), at[0].astype(int)].astype(float)
    spectrum = np.abs(np.fft.rfft(ring - ring.mean()))
    assert int(np.argmax(spectrum)) == 144


def test_the_code_on_the_sheet_is_read_as_the_decisions_identifier(sheet, tmp_path):
    Image.fromarray(sheet).reduce(2).save(tmp_path / "chart.png")
    read = subprocess.run(["zbarimg", "--quiet", "--raw", tmp_path / "chart.png"], check=True, capture_output=True)
    assert read.stdout.decode().strip() == decision_id(JOB.capture, solve(JOB).extractions)


def test_the_decisions_identifier_stands_on_the_sheet_as_text(tmp_path):
    (tmp_path / "chart.pdf").write_bytes(pages_pdf([page_of()]))
    text = subprocess.run(
        ["pdftotext", "-raw", tmp_path / "chart.pdf", "-"], check=True, capture_output=True, text=True
    ).stdout
    identifier = decision_id(JOB.capture, solve(JOB).extractions)
    assert all(identifier[place : place + 16] in text for place in range(0, 64, 16))


@pytest.mark.parametrize("chart", [Chart(), Chart(paper="A2"), Chart(width_mm=100), Chart(width_mm=5000)])
@pytest.mark.parametrize("count", [6, 32])
def test_every_size_of_chart_has_its_furniture_and_legible_text(chart, count):
    shapes = ("16:9", "9:16", "4:5", "1:1", "2.39:1", "2:3", "1.85:1", "3:4")
    frames = tuple(Deliverable(f"frame {n}", aspect=Aspect(shapes[n % len(shapes)])) for n in range(count))
    job = replace(JOB, deliverables=frames, chart=chart, framing=Framing())
    page = chart_page(job, solve(job).extractions, decision_id="d" * 64)
    kinds = {item.kind for item in page.items if isinstance(item, Area)}
    assert {"star", "grey", "code", "ruler", "scale", "corner", "bracket", "centre"} <= kinds
    names = {item.text for item in page.items if isinstance(item, Words)}
    missing = {f"frame {n}" for n in range(count)} - names
    # On 100 mm there is no room for 32 names.
    assert not missing or (chart.width_mm == 100 and count == 32)
    for item in page.items:
        if isinstance(item, Words):
            assert item.size_mm > 0.59


@pytest.mark.parametrize("chart", [Chart(), Chart(width_mm=100), Chart(width_mm=150), Chart(width_mm=5000)])
@pytest.mark.parametrize("raster", [Raster(3600, 2400), Raster(4800, 1008)])
def test_every_edge_has_a_scale_in_tenths_of_a_percent_whose_marks_stand_apart(chart, raster):
    job = replace(JOB, chart=chart, capture=replace(JOB.capture, raster=raster))
    page, layout = page_of(job), chart_layout(job.capture, chart)
    scales = [item for item in page.items if isinstance(item, Area) and item.kind == "scale"]
    for side in range(4):
        axis, picture = side % 2, [float(length) for length in layout.picture]
        edge = picture[axis] + (picture[2 + axis] if side > 1 else 0)
        tenth, sheet_mm = picture[2 + axis] / 1000, (page.width_mm, page.height_mm)[axis]
        places = [edge + step * tenth for step in range(-10, 11)]
        wanted = [place for place in places if 1 < place < sheet_mm - 1]
        assert len(wanted) >= 11
        marked = [item for item in scales if lies_across(item, axis, wanted)]
        assert marked, side
        for bars in (item.polygons for item in marked):
            for one, other in combinations(bars, 2):
                share_a_row = (
                    one[0][1 - axis] < other[2][1 - axis] - 1e-9 and other[0][1 - axis] < one[2][1 - axis] - 1e-9
                )
                assert not share_a_row or abs(middle(one, axis) - middle(other, axis)) > 0.199


def middle(bar, axis: int) -> float:
    return (bar[0][axis] + bar[2][axis]) / 2


def lies_across(item: Area, axis: int, places: list[float]) -> bool:
    """Whether a scale has a mark at each of these places, and at no other."""
    found = {round(middle(bar, axis), 6) for bar in item.polygons}
    return found == {round(place, 6) for place in places}


def test_a_chart_without_room_for_its_scales_is_refused_with_both_lengths():
    with pytest.raises(CannotBeMet, match=r"300 x 6 mm; scales in tenths of a percent take 20 mm"):
        page_of(replace(JOB, chart=Chart(width_mm=300), capture=Capture(raster=Raster(5000, 100))))


def test_every_frame_is_named_on_the_smallest_chart():
    shapes = {"cinema": "2.39:1", "broadcast": "16:9", "phone": "9:16", "feed": "4:5", "square": "1:1", "board": "2:3"}
    frames = tuple(Deliverable(name, aspect=Aspect(shape)) for name, shape in shapes.items())
    page = page_of(replace(JOB, deliverables=frames, chart=Chart(width_mm=100)))
    assert set(shapes) <= {item.text for item in page.items if isinstance(item, Words)}
