"""CSV: flat rows with units in the names, no cell that a spreadsheet runs, and the way back. Source: RFC 4180."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strategies import decisions
from tallwide import handoff
from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.handoff import ReadOptions, UnreadableForm
from tallwide.handoff.csv_table import COLUMNS, plain_cell, safe_cell
from tallwide.job import Aspect, Capture, Deliverable, Job, Raster
from tallwide.wire import from_wire, to_wire

FORM = "csv"
FORMULAE = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =cmd|'/c x'!A0", "'=1", "'", "\uff1d1", "''=1", "\n=1"]


@pytest.mark.parametrize("text", FORMULAE)
def test_no_text_begins_like_a_formula(text):
    cell = safe_cell(text)
    assert cell.startswith("'")
    assert plain_cell(cell) == text


@given(st.text(st.characters(codec="utf-8"), max_size=20))
def test_a_safe_cell_gives_its_text_back(text):
    assert plain_cell(safe_cell(text)) == text
    assert not safe_cell(text).lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r"))


@given(decisions())
@settings(max_examples=100, deadline=None)
def test_what_a_table_carries_comes_back_unchanged(decision):
    document = handoff.write(decision, FORM)
    reading = handoff.read(document.raw.decode(), FORM)
    assert reading.is_whole_job
    assert reading.decision_id == decision.decision_id
    job = from_wire(Job, reading.job)
    assert job.id == decision.job.id
    mine = to_wire(decision.capture)
    back = to_wire(job.capture)
    assert job.capture.imager == decision.capture.imager
    for name in ("photosites", "own"):
        mine.pop(name, None)
        back.pop(name, None)
    assert back == mine
    for frame, found, deliverable in zip(decision.frames, reading.frames, job.deliverables, strict=True):
        assert (found.deliverable, found.rect, found.protection_rect) == (
            frame.label,
            frame.rect,
            frame.protection_rect,
        )
        assert deliverable.ratio == frame.deliverable.ratio
        assert deliverable.protection.shares() == frame.deliverable.protection.shares()
        assert (deliverable.raster, deliverable.delivery_turn) == (
            frame.deliverable.raster,
            frame.deliverable.delivery_turn,
        )


def _text(**changed: str) -> str:
    deliverable = Deliverable("tall", Aspect("9:16"), Raster(1080, 1920))
    frame = Frame(deliverable, Rect(1312, 0, 1216, 2160), Rect(1312, 0, 1216, 2160))
    decision = Decision(Job(Capture(Raster(3840, 2160)), (deliverable,)), (frame,), "0" * 64, "0.1.0")
    rows = list(csv.reader(io.StringIO(handoff.write(decision, FORM).content)))
    row = dict(zip(rows[0], rows[1], strict=True)) | changed
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerows([list(row), list(row.values())])
    return text.getvalue()


def test_lines_end_as_rfc_4180_has_it_and_units_stand_in_the_names():
    text = handoff.write(_decision_of_two(), FORM).raw.decode()
    assert text.count("\r\n") == 3
    assert "\n" not in text.replace("\r\n", "")
    lengths = [name for name in COLUMNS if name.startswith(("x", "y", "width", "height", "upright", "delivery_width"))]
    assert lengths
    assert all(name.endswith("_px") for name in lengths)


def _decision_of_two() -> Decision:
    frames = tuple(
        Frame(Deliverable(label, Aspect("1:1")), Rect(0, 0, 10, 10), Rect(0, 0, 10, 10)) for label in ('a "b", c', "=d")
    )
    return Decision(Job(Capture(Raster(40, 30)), tuple(f.deliverable for f in frames)), frames, None, "0.1.0")


@pytest.mark.parametrize(
    ("column", "value", "is_read_leniently"),
    [
        ("x_px", "1.5", False), ("x_px", "", False), ("x_px", "-1", False), ("x_px", "9" * 20, False),
        ("x_px", "3839", True), ("width_px", "0", False), ("raster_width_px", "70000", False),
        ("roll_deg", "45", False),
        ("squeeze", "NaN", False), ("squeeze", "9", False), ("deliverable", "", False), ("deliverable", "a\nb", False),
        ("delivery_turn_deg", "x", False), ("aspect_requested", "0:0", False), ("aspect_requested", "x", False),
        ("squeeze_axis", "sideways", False), ("photosite_pitch_um", "0x1", False), ("mystery", "1", True),
    ],
)  # fmt: skip
def test_wrong_cells_are_named_by_row_and_column(column, value, is_read_leniently):
    text = _text(**{column: value})
    with pytest.raises(UnreadableForm) as refused:
        handoff.read(text, FORM)
    assert refused.value.faults[0].pointer.startswith("/document")
    if is_read_leniently:
        assert handoff.read(text, FORM, ReadOptions(lenient=True)).liberties
    else:
        with pytest.raises(UnreadableForm):
            handoff.read(text, FORM, ReadOptions(lenient=True))


WIDE = "," * 100_000 + "\n1"


@pytest.mark.parametrize(
    "text",
    ["", "a", "x_px\n1", 'a\n"b', "\x00", 5, None, _text() + _text(), WIDE, _text() * 40, "x" * 2_000_000],
    ids=lambda text: repr(text)[:12],
)
def test_what_is_no_table_is_refused(text):
    with pytest.raises(UnreadableForm):
        handoff.read(text, FORM)


def test_rows_of_different_captures_are_refused():
    other = _text(raster_width_px="4096").splitlines()[1]
    with pytest.raises(UnreadableForm, match="different captures"):
        handoff.read(_text() + other.replace(",tall,", ",other,") + "\r\n", FORM)
