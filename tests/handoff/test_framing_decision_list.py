"""Framing decision lists: valid by the published schema, read by its text, and never off by a pixel.

Source throughout: ASC Framing Decision List, specification and schema 2.0.1 (28 February 2026).
"""

from __future__ import annotations

import copy
import json
import uuid
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from jsonschema import Draft202012Validator

from fdl_schema import SCHEMA
from strategies import decisions
from tallwide import handoff
from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.handoff import ReadOptions, UnreadableForm
from tallwide.handoff.framing_decision_list import inward_share
from tallwide.job import Aspect, Capture, Deliverable, Handoff, Job, Lens, Protection, Raster, exact

FORM = "framing-decision-list"
VALID = Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER)
# The example of our own that ran against the published schema.
EXAMPLE = {
    "uuid": "5b0f6c0e-6c1a-4a55-9a3e-6d0b4c1f2a77",
    "version": {"major": 2, "minor": 0},
    "default_framing_intent": "V916",
    "framing_intents": [{"id": "V916", "label": "vertical", "aspect_ratio": {"width": 9, "height": 16}}],
    "contexts": [
        {
            "canvases": [
                {
                    "id": "C1",
                    "source_canvas_id": "C1",
                    "dimensions": {"width": 3840, "height": 2160},
                    "framing_decisions": [
                        {
                            "id": "C1-V916",
                            "framing_intent_id": "V916",
                            "dimensions": {"width": 1215.0, "height": 2160.0},
                            "anchor_point": {"x": 1312.0, "y": 0.0},
                        }
                    ],
                }
            ]
        }
    ],
}
TEMPLATE = {
    "id": "T",
    "target_dimensions": {"width": 1080, "height": 1920},
    "target_anamorphic_squeeze": 1,
    "fit_source": "framing_decision.dimensions",
    "fit_method": "fill",
}


def changed(*path, to, base=EXAMPLE):
    """Return the example with one member set; `to=...` removes it."""
    document = copy.deepcopy(base)
    place = document
    for step in path[:-1]:
        place = place[step]
    if to is ...:
        del place[path[-1]]
    else:
        place[path[-1]] = to
    return document


CANVAS = ("contexts", 0, "canvases", 0)
DECISION = (*CANVAS, "framing_decisions", 0)


@given(decisions())
@settings(max_examples=150, deadline=None)
def test_every_list_is_valid_by_the_retyped_schema_and_by_our_own_stricter_rules(decision):
    document = handoff.write(decision, FORM).content
    VALID.validate(json.loads(json.dumps(document)))
    assert handoff.read(document, FORM).edition == "2.0.1"
    uuid.UUID(document["uuid"])


@given(decisions())
@settings(max_examples=50, deadline=None)
def test_the_same_decision_always_gets_the_same_bytes(decision):
    assert handoff.write(decision, FORM).raw == handoff.write(decision, FORM).raw


def test_the_retyped_schema_accepts_the_example_and_is_a_schema():
    Draft202012Validator.check_schema(SCHEMA)
    VALID.validate(EXAMPLE)


@pytest.mark.parametrize(
    ("protected", "share", "frame"),
    [
        # Specification, protection 0.1, 2:1 in 4448x3096: protected 4448x2224 at (0,436), decision 4003.2x2001.6
        pytest.param((0, 436, 4448, 2224), "0.1", ("4003.2", "2001.6"), id="4448x3096"),
        # Effective 4004x2786 at (222,155), protection 0.05: protected 4004x2002 at (222,547), decision 3803.8x1901.9
        pytest.param((222, 547, 4004, 2002), "0.05", ("3803.8", "1901.9"), id="effective 4004x2786"),
    ],
)
def test_inward_protection_is_the_specifications_arithmetic(protected, share, frame):
    protection = Protection(inward=float(share))
    grown = 1 + 2 * protection.shares()[0]
    width, height = Fraction(frame[0]), Fraction(frame[1])
    assert (width * grown, height * grown) == protected[2:]
    assert inward_share(protection) == float(share)


@pytest.mark.parametrize(
    ("outward", "inward"), [(0.05, Fraction(1, 11)), (0.5, Fraction(1, 2)), (0.125, Fraction(1, 5))]
)
def test_outward_protection_is_converted_never_copied(outward, inward):
    written = inward_share(Protection(each_side=outward))
    assert written != outward or outward == 0.5
    assert written == float(inward)


def test_a_rolled_squeezed_capture_has_recorded_upright_and_scene_canvases():
    capture = Capture(Raster(4448, 3096), roll=90, squeeze=2, photosite_pitch_um=5)
    frame = Frame(Deliverable("tall", Aspect("9:16")), Rect(100, 200, 1000, 888), Rect(100, 200, 1000, 888))
    list_ = handoff.write(_decision(capture, frame), FORM).content
    recorded, upright, scene = list_["contexts"][0]["canvases"]
    assert [canvas["source_canvas_id"] for canvas in (recorded, upright, scene)] == ["RECORDED", "RECORDED", "UPRIGHT"]
    assert recorded["anamorphic_squeeze"] == 2
    assert recorded["physical_dimensions"] == {"width": 22.24, "height": 15.48}
    assert upright["dimensions"] == {"width": 3096, "height": 4448}
    assert upright["anamorphic_squeeze"] == 0.5
    assert scene["dimensions"] == {"width": 3096, "height": 8896}
    assert scene["anamorphic_squeeze"] == 1
    # Roll 90: upright x = raster height - recorded y, upright y = recorded x; then the squeezed axis doubled.
    assert upright["framing_decisions"][0]["anchor_point"] == {"x": 3096 - 200 - 888, "y": 100}
    assert scene["framing_decisions"][0]["dimensions"] == {"width": 888, "height": 2000}


def test_the_effective_area_is_the_whole_pixels_in_the_box_of_circle_and_usable_area():
    lens = Lens(image_circle_mm=15.0004)
    capture = Capture(
        Raster(4000, 3000),
        photosite_pitch_um=5,
        lens=lens,
        usable_area=((600.5, 0), (4000, 0), (4000, 3000), (600.5, 3000)),
    )
    frame = Frame(Deliverable("f", Aspect("1:1")), Rect(1000, 1000, 100, 100), Rect(1000, 1000, 100, 100))
    document = handoff.write(_decision(capture, frame), FORM)
    canvas = document.content["contexts"][0]["canvases"][0]
    # Radius 15.0004 / 2 / 0.005 = 1500.04 px around (2000, 1500): x 499.96 to 3500.04, cut at 600.5.
    assert canvas["effective_anchor_point"] == {"x": 601, "y": 0}
    assert canvas["effective_dimensions"] == {"width": 2899, "height": 3000}
    assert {"region_shape", "image_circle"} <= {loss.code for loss in document.lost}


def test_labels_that_are_no_ids_get_unique_ids_and_stay_labels():
    frames = [
        Frame(Deliverable(label, Aspect("1:1")), Rect(0, 0, 10, 10), Rect(0, 0, 10, 10))
        for label in ("tall 9:16", "TALL-9-16", "縦", "横", "x" * 60, "x" * 61)
    ]
    list_ = handoff.write(_decision(Capture(Raster(100, 100)), *frames), FORM).content
    ids = [intent["id"] for intent in list_["framing_intents"]]
    assert ids == ["tall_9_16", "TALL_9_16_2", "FRAME", "FRAME_2", "x" * 32, "x" * 30 + "_2"]
    assert [frame.deliverable for frame in handoff.read(list_, FORM).frames] == [frame.label for frame in frames]


def test_a_template_forces_the_delivery_raster():
    frame = Frame(Deliverable("t", None, Raster(1081, 1920)), Rect(0, 0, 1081, 1920), Rect(0, 0, 1081, 1920))
    (template,) = handoff.write(_decision(Capture(Raster(4000, 3000)), frame), FORM).content["canvas_templates"]
    assert template["maximum_dimensions"] == template["target_dimensions"] == {"width": 1081, "height": 1920}
    assert template["pad_to_maximum"] is True
    assert template["round"] == {"even": "whole", "mode": "round"}


def test_a_source_becomes_the_clip():
    frame = Frame(Deliverable("t", Aspect("1:1")), Rect(0, 0, 10, 10), Rect(0, 0, 10, 10))
    list_ = handoff.write(_decision(Capture(Raster(40, 30)), frame), FORM, Handoff(source="A001.mov")).content
    assert list_["contexts"][0]["clip_id"] == {"clip_name": "A001.mov", "file": "A001.mov"}
    VALID.validate(list_)


# fmt: off
# ruff: noqa: E501 - a table has one case a line
ODDITIES = [
    # What the published schema accepts or refuses, and what the text says: strict, and the edition or the lenient way.
    pytest.param(changed(*CANVAS, "anamorphic_squeeze", to=0), None, True, id="1 squeeze 0 fails the schema"),
    pytest.param(changed("framing_intents", 0, "protection", to=1.5), None, False, id="2 protection above 1"),
    pytest.param(
        changed("canvas_templates", to=[TEMPLATE | {"preserve_from_source_canvas": "none"}]), "2.0", True, id="3 none"
    ),
    pytest.param(
        changed("canvas_templates", to=[TEMPLATE | {"target_dimensions": {"width": 1080, "height": 0}}]),
        "2.0.1", True, id="4 target 0",
    ),
    pytest.param(
        changed("canvas_templates", to=[TEMPLATE | {
            "target_dimensions": {"width": 1080, "height": 0}, "preserve_from_source_canvas": "none"}]),
        None, True, id="3 and 4 together are valid in no edition",
    ),
    pytest.param(changed("canvas_templates", to=[TEMPLATE | {"fit_method": "all"}]), None, False, id="5 all"),
    pytest.param(changed(*CANVAS, "source_canvas_id", to=...), None, True, id="8 no source"),
    pytest.param(changed(*DECISION, "id", to="V916"), None, True, id="8 decision id"),
    pytest.param(changed("canvas_templates", to=[TEMPLATE | {"round": {"even": "even"}}]), None, True, id="10 half a round"),
    pytest.param(changed(*CANVAS, "dimensions", to="3840x2160"), None, False, id="11 text for a size"),
    pytest.param(changed(*DECISION, "anchor_point", to=7), None, False, id="11 number for a point"),
    pytest.param(changed(*DECISION, "framing_intent_id", to="OTHER"), None, True, id="12 intent unknown"),
    pytest.param(changed(*CANVAS, "source_canvas_id", to="GONE"), None, True, id="12 source unknown"),
    pytest.param(changed(*DECISION, "id", to="X-V916"), None, True, id="12 decision id of another canvas"),
    pytest.param(changed("framing_intents", to=EXAMPLE["framing_intents"] * 2), None, False, id="12 intent twice"),
    pytest.param(
        changed("canvas_templates", to=[TEMPLATE | {"maximum_dimensions": {"width": 10, "height": 10}}]),
        None, True, id="12 maximum below target",
    ),
    pytest.param(
        changed("framing_intents", 0, "aspect_ratio", to={"width": 2.0, "height": 1.0}), "2.0.1", True, id="13 2.0 is whole"
    ),
    pytest.param(changed("framing_intents", 0, "aspect_ratio", to={"width": 2.39, "height": 1}), None, False, id="2.39"),
    pytest.param(changed(*DECISION, "anchor_point", to={"x": -10, "y": 0}), None, True, id="14 a frame off its raster"),
    pytest.param(changed(*CANVAS, "id", to="C1\n"), None, False, id="15 a line break passes the pattern in Python"),
    pytest.param(changed("unheard_of", to=1), None, True, id="unknown member"),
    pytest.param(changed("_private", to={"a": 1}), "2.0.1", True, id="private member"),
    pytest.param(changed("uuid", to="{5b0f6c0e}"), None, True, id="uuid"),
    pytest.param(changed("uuid", to=...), None, False, id="no uuid"),
    pytest.param(changed("version", to={"major": 3, "minor": 0}), None, False, id="version 3"),
    pytest.param(changed("version", to={"major": 2, "minor": 7}), None, True, id="version 2.7"),
    pytest.param(changed("version", to={"major": True, "minor": 0}), None, False, id="version true"),
    pytest.param(changed("version", to={"major": 1, "minor": 1}), "1.1", True, id="1.1"),
    pytest.param(changed("_private", to=1, base=changed("version", to={"major": 1, "minor": 1})), None, True, id="1.1 private"),
    pytest.param(changed("contexts", 0, "clip_id", to={"clip_name": "a", "file": "a", "sequence": {
        "value": "a", "idx": "#", "min": 0, "max": 1}}), None, True, id="file and sequence"),
    pytest.param(changed("contexts", 0, "clip_id", to={"clip_name": "a", "sequence": {
        "value": "a.#.exr", "idx": "#", "min": 0, "max": 100}}), "2.0.1", True, id="sequence"),
    pytest.param(changed("contexts", 0, "clip_id", to={"clip_name": "a"},
                         base=changed("version", to={"major": 1, "minor": 1})), None, True, id="1.1 clip"),
    pytest.param(changed(*CANVAS, "effective_dimensions", to={"width": 100, "height": 100}), None, False, id="no anchor"),
    pytest.param(changed(*DECISION, "dimensions", to={"width": 4000, "height": 2160}), None, True, id="beyond the canvas"),
    pytest.param(changed(*DECISION, "dimensions", to={"width": float("inf"), "height": 1}), None, False, id="infinite"),
    pytest.param(changed(*DECISION, "dimensions", to={"width": True, "height": 1}), None, False, id="true for a number"),
    pytest.param(changed(*DECISION, "dimensions", to={"width": 10, "height": 10, "depth": 1}), None, True, id="depth"),
    pytest.param(changed(*CANVAS, "framing_decisions", to=[]), None, False, id="no decision"),
    pytest.param(changed("contexts", to={}), None, False, id="contexts is no array"),
    pytest.param(changed("contexts", 0, to=[]), None, False, id="context is no object"),
]
# fmt: on


@pytest.mark.parametrize(("document", "edition", "is_read_leniently"), ODDITIES)
def test_oddities_are_refused_strictly_and_read_leniently_with_every_liberty_listed(
    document, edition, is_read_leniently
):
    if edition is None:
        with pytest.raises(UnreadableForm) as refused:
            handoff.read(document, FORM)
        assert all(fault.pointer.startswith("/document") and fault.clause for fault in refused.value.faults)
    else:
        assert handoff.read(document, FORM).edition == edition
    if is_read_leniently:
        reading = handoff.read(document, FORM, ReadOptions(lenient=True))
        assert reading.frames[0].deliverable in ("vertical", "OTHER")
        assert reading.liberties or edition is not None
    else:
        with pytest.raises(UnreadableForm):
            handoff.read(document, FORM, ReadOptions(lenient=True))


def test_all_faults_are_reported_at_once():
    document = changed(
        "uuid", to="x", base=changed(*DECISION, "id", to="x", base=changed("framing_intents", 0, "label", to=7))
    )
    with pytest.raises(UnreadableForm) as refused:
        handoff.read(document, FORM)
    assert {fault.pointer for fault in refused.value.faults} == {
        "/document/uuid", "/document/framing_intents/0/label", "/document/contexts/0/canvases/0/framing_decisions/0/id",
    }  # fmt: skip


@pytest.mark.parametrize(
    "text",
    ["", "[", "[" * 100_000, '{"uuid": 1, "uuid": 2}', '{"a": NaN}', "9" * 5000, "null", "[]", '"x"', " " * 1_100_000],
)
def test_what_is_no_list_is_refused_in_words(text):
    with pytest.raises(UnreadableForm):
        handoff.read(text, FORM)


def test_decisions_between_pixels_are_read_as_the_nearest_and_it_is_said():
    document = changed(*DECISION, "anchor_point", to={"x": 1312.5, "y": 0.0})
    reading = handoff.read(document, FORM)
    assert reading.frames[0].rect == Rect(1313, 0, 1215, 2160)
    assert "nearest" in reading.liberties[0].detail


def test_edition_1_0_counted_protection_outward():
    document = changed("framing_intents", 0, "protection", to=0.1, base=changed("version", to={"major": 1, "minor": 0}))
    reading = handoff.read(document, FORM)
    assert reading.job["deliverables"][0]["protection"] == {"each_side": 0.05}
    document["version"]["minor"] = 1
    assert handoff.read(document, FORM).job["deliverables"][0]["protection"] == {"inward": 0.1}


def test_an_anchor_below_zero_was_legal_in_2_0_and_is_not_in_2_0_1():
    derived = copy.deepcopy(EXAMPLE["contexts"][0]["canvases"][0])
    derived |= {"id": "C2", "source_canvas_id": "C1"}
    derived["framing_decisions"][0] |= {"id": "C2-V916", "anchor_point": {"x": -10, "y": 0}}
    document = changed("contexts", 0, "canvases", to=[EXAMPLE["contexts"][0]["canvases"][0], derived])
    assert handoff.read(document, FORM).edition == "2.0"
    assert not VALID.is_valid(document)


def test_what_a_list_does_not_say_is_named():
    missing = {remark.pointer for remark in handoff.read(EXAMPLE, FORM).missing}
    assert {"/capture/roll", "/framing", "/capture/grid"} <= missing


def test_a_second_recording_is_named_because_a_job_has_one_capture():
    second = copy.deepcopy(EXAMPLE["contexts"][0])
    second["canvases"][0] |= {"id": "C2", "source_canvas_id": "C2"}
    second["canvases"][0]["framing_decisions"][0]["id"] = "C2-V916"
    reading = handoff.read(changed("contexts", to=[EXAMPLE["contexts"][0], second]), FORM)
    assert "another recording" in " ".join(remark.detail for remark in reading.missing)


@given(decisions(turns=(0,)))
@settings(max_examples=150, deadline=None)
def test_what_a_list_carries_comes_back_unchanged(decision):
    reading = handoff.read(handoff.write(decision, FORM).content, FORM)
    capture, back = decision.capture, reading.job["capture"]
    assert reading.job.get("id") == decision.job.id
    assert back["raster"] == {"width": capture.raster.width, "height": capture.raster.height}
    assert back.get("roll", 0) == capture.roll
    assert back.get("photosite_pitch_um") == capture.photosite_pitch_um
    assert back.get("squeeze", 1) == capture.squeeze
    assert reading.is_whole_job
    for frame, read, entry in zip(decision.frames, reading.frames, reading.job["deliverables"], strict=True):
        deliverable = frame.deliverable
        assert (read.deliverable, read.rect, read.protection_rect or read.rect) == (
            frame.label, frame.rect, frame.protection_rect,
        )  # fmt: skip
        assert ("raster" in entry) == (deliverable.raster is not None)
        if deliverable.raster is None:
            assert Aspect(entry["aspect"]).ratio == deliverable.ratio
        else:
            raster = Raster(entry["raster"]["width"], entry["raster"]["height"])
            assert raster == replace(deliverable.raster)
            assert entry.get("pixel_aspect", 1) == deliverable.pixel_aspect
        if deliverable.protection.inward:
            assert entry["protection"] == {"inward": deliverable.protection.inward}
        elif deliverable.protection.each_side:
            back_share = exact(entry["protection"]["inward"])
            outward = back_share / (1 - back_share) / 2
            assert abs(outward - exact(deliverable.protection.each_side)) < Fraction(1, 10**12)


def _decision(capture: Capture, *frames: Frame) -> Decision:
    return Decision(Job(capture, tuple(frame.deliverable for frame in frames)), frames, "0" * 64, "0.1.0")
