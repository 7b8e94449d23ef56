"""The forms together: the table is complete, and every form says what it cannot carry."""

from __future__ import annotations

from typing import get_args

import pytest

from tallwide import forms, handoff
from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.handoff import csv_table, ffmpeg, framing_decision_list, iiif, image_regions, media_fragments, openexr
from tallwide.handoff import timeline_transform as timeline
from tallwide.handoff.document import LOSS_CODES, Form, unique_names
from tallwide.job import (
    Aspect,
    Capture,
    Deliverable,
    Display,
    Framing,
    Handoff,
    Job,
    Lens,
    Protection,
    Raster,
    SafeArea,
    Subject,
)

MODULES = (csv_table, ffmpeg, framing_decision_list, iiif, image_regions, media_fragments, openexr, timeline)
CAPTURE = Capture(
    Raster(4800, 3200), photosites=Raster(5000, 3200), photosite_pitch_um=5, squeeze=2, roll=90,
    usable_area=((10, 10), (4700, 10), (4700, 3100)), lens=Lens(image_circle_mm=40, focal_length_mm=32),
)  # fmt: skip
DELIVERABLE = Deliverable(
    "tall", None, Raster(1080, 1920), pixel_aspect=1.5, delivery_turn=90, minimum_oversampling=2,
    protection=Protection(left=0.1), safe_areas=(SafeArea("captions", 0.1),), display=Display(1000, 3000),
)  # fmt: skip
RECT = Rect(1000, 1000, 1000, 1000)
EVERYTHING = Decision(
    Job(
        CAPTURE,
        (DELIVERABLE, Deliverable("square", Aspect("1:1"))),
        Framing("shared_point", subject=Subject(1, 1, 2, 2)),
    ),
    (
        Frame(DELIVERABLE, RECT, Rect(1000, 900, 1000, 1100)),
        Frame(Deliverable("square", Aspect("1:1")), RECT, RECT),
    ),
    "0" * 64,
    "0.1.0",
)


def test_the_table_of_forms_is_that_of_writers_and_readers():
    assert forms.FORMS == tuple(handoff.WRITERS) == get_args(Form)
    assert tuple(handoff.READERS) == forms.READABLE_FORMS


@pytest.mark.parametrize("form", forms.FORMS)
def test_a_document_is_of_its_form_and_type(form):
    document = handoff.write(EVERYTHING, form)
    assert document.form == form
    assert document.media_type.partition(";")[0] == forms.MEDIA_TYPES[form]
    assert document.raw
    assert handoff.write(EVERYTHING, form).raw == document.raw


@pytest.mark.parametrize("form", forms.FORMS)
def test_what_is_not_carried_is_named_once_each(form):
    lost = handoff.write(EVERYTHING, form).lost
    assert len(set(lost)) == len(lost)
    carried = next(
        module for module in MODULES if module.__name__.endswith(form.replace("-", "_").replace("csv", "csv_table"))
    ).CARRIED
    codes = {loss.code for loss in lost}
    assert LOSS_CODES - carried <= codes
    assert not carried & codes
    assert all(loss.detail for loss in lost)


@pytest.mark.parametrize("module", MODULES)
def test_no_form_claims_to_carry_what_nobody_knows(module):
    assert module.CARRIED <= LOSS_CODES


def test_no_form_writes_active_format_description_codes():
    # SMPTE ST 2016-1 has no code for 9:16, 4:5, 1:1, 1.85 or 2.39; a near one would be a lie.
    for form in forms.FORMS:
        raw = handoff.write(EVERYTHING, form, Handoff(source="a.mov")).raw.lower()
        assert b"afd" not in raw
        assert b"active format" not in raw
    with pytest.raises(ValueError, match="no form"):
        handoff.write(EVERYTHING, "afd")


def test_names_stay_unique_where_files_ignore_case():
    assert unique_names(["A", "a", "A-2", "!"], fallback="x") == ("A", "a-2", "A-2-2", "x")
    long = unique_names(["y" * 40] * 12, fallback="x")
    assert len({name.lower() for name in long}) == 12
    assert max(map(len, long)) == 32


def test_a_form_that_is_not_read_back_says_so():
    with pytest.raises(ValueError, match="not read back"):
        handoff.read("", "ffmpeg")
