"""Kits: what a label in a job stands for, and what is said where it stands for nothing."""

from __future__ import annotations

import json

import pytest

from tallwide import Client, Kit, KitError
from tallwide.cli import main

pytestmark = pytest.mark.usefixtures("clean_environment")

KIT = {
    "_note": "harbour day",
    "captures": {
        "A": {"raster": {"width": 4800, "height": 3200}, "photosite_pitch_um": 5.8, "lens": "32"},
        "B": {"raster": {"width": 4096, "height": 2304}, "photosite_pitch_um": 6},
    },
    "lenses": {
        "32": {"focal_length_mm": 32, "image_circle_mm": 34.5},
        "squeezed": {"focal_length_mm": 50, "squeeze": 2},
        "28-70": {"settings": [{"focal_length_mm": 28, "image_circle_mm": 29}, {"focal_length_mm": 70}]},
    },
    "rigs": {"bridge": {"rods": "studio_19"}},
}
WIDE = {"label": "wide", "raster": {"width": 1920, "height": 1080}}


@pytest.fixture
def kit():
    return Kit.of(KIT)


def test_labels_stand_for_what_the_kit_has(kit):
    job = kit.merged(
        {
            "capture": "A",
            "deliverables": [WIDE],
            "alternatives": ["B"],
            "captures": ["A", {"raster": {"width": 1, "height": 1}}],
            "lenses": ["32", "28-70"],
            "match": {"capture": "B"},
            "rig": "bridge",
        }
    )
    assert job["capture"]["label"] == "A"
    assert job["capture"]["lens"] == {"label": "32", "focal_length_mm": 32, "image_circle_mm": 34.5}
    assert job["alternatives"] == [{"label": "B", **KIT["captures"]["B"]}]
    assert job["captures"][1] == {"raster": {"width": 1, "height": 1}}
    assert [lens["label"] for lens in job["lenses"]] == ["32", "28-70"]
    assert job["match"]["capture"]["label"] == "B"
    assert job["rig"] == {"rods": "studio_19"}


def test_a_merged_job_is_served_by_every_endpoint_that_reads_it(kit):
    job = kit.merged(
        {"capture": "A", "deliverables": [WIDE], "alternatives": ["B"], "lenses": ["32", "28-70"], "rig": "bridge"}
    )
    client = Client()
    assert len(client.coverage(job).rows) == 3
    assert client.orientation(job).rig
    assert client.extractions(job).extractions[0].rect.width == 4800


def test_a_lens_brings_its_squeeze_in_place_of_the_captures_as_one_to_choose_does(kit):
    bare = {"raster": {"width": 4000, "height": 3000}, "lens": "squeezed"}
    assert kit.merged({"capture": bare})["capture"]["squeeze"] == 2
    assert kit.merged({"capture": {**bare, "squeeze": 1.8}})["capture"]["squeeze"] == 2
    own = {**bare, "squeeze": 1.8, "squeeze_axis": "sensor_height", "lens": "32"}
    assert kit.merged({"capture": own})["capture"]["squeeze"] == 1.8  # the lens names none
    job = {"capture": {**bare, "squeeze": 1.8, "photosite_pitch_um": 6}, "deliverables": [WIDE]}
    chosen = kit.merged({**job, "capture": {**job["capture"], "lens": "32"}, "lenses": ["squeezed"]})
    client = Client()
    assert client.coverage(kit.merged(job)).rows[0].extraction == client.coverage(chosen).rows[0].extraction
    assert "squeeze" not in kit.merged({"capture": bare})["capture"]["lens"]


def test_a_zoom_is_mounted_at_one_of_its_settings(kit):
    def mounted(label):
        return kit.merged({"capture": {"raster": {"width": 2, "height": 2}, "lens": label}})["capture"]["lens"]

    assert mounted("28-70 @ 28") == {"label": "28-70 @ 28", "focal_length_mm": 28, "image_circle_mm": 29}
    with pytest.raises(KitError, match="is a zoom: say at which focal length"):
        mounted("28-70")
    with pytest.raises(KitError, match="no setting at 35 mm"):
        mounted("28-70 @ 35")


def test_a_job_without_labels_is_left_as_it_is(kit, job):
    assert kit.merged(job) == job


@pytest.mark.parametrize(
    ("document", "words"),
    [
        ([], "a kit is a JSON object"),
        ({"cameras": {}}, "not 'cameras'"),
        ({"lenses": []}, "lenses of a kit"),
        ({"rigs": {"a": 1}}, "rigs of a kit"),
    ],
)
def test_what_is_no_kit_is_refused(document, words):
    with pytest.raises(KitError, match=words):
        Kit.of(document)


def test_a_label_that_the_kit_lacks_is_named(kit):
    with pytest.raises(KitError, match="captures of the kit have no 'C'; there is A, B"):
        kit.merged({"capture": "C"})


def test_the_command_line_merges_a_kit(tmp_path, capsys):
    (tmp_path / "kit.json").write_text(json.dumps(KIT), encoding="utf-8")
    (tmp_path / "job.json").write_text(json.dumps({"capture": "A", "deliverables": [WIDE]}), encoding="utf-8")
    assert main(["extractions", str(tmp_path / "job.json"), "--kit", str(tmp_path / "kit.json")]) == 0
    assert json.loads(capsys.readouterr().out)["job"]["capture"]["lens"]["label"] == "32"
    (tmp_path / "job.json").write_text(json.dumps({"capture": "C", "deliverables": [WIDE]}), encoding="utf-8")
    assert main(["extractions", str(tmp_path / "job.json"), "--kit", str(tmp_path / "kit.json")]) == 2
    assert "have no 'C'" in capsys.readouterr().err


def test_a_kit_is_read_from_a_file(tmp_path):
    path = tmp_path / "kit.json"
    path.write_text(json.dumps(KIT), encoding="utf-8")
    assert Kit.read(path).rigs == KIT["rigs"]
    path.write_text("{", encoding="utf-8")
    with pytest.raises(KitError, match="is not JSON"):
        Kit.read(path)


def test_a_lens_of_the_kit_serves_mounted_and_to_choose_whatever_it_says():
    kit = Kit.of(
        {"lenses": {"32": {"focal_length_mm": 32, "f_number": 2, "exit_pupil_mm": 80, "focus_distance_mm": 900}}}
    )
    capture = {"raster": {"width": 4800, "height": 3200}, "photosite_pitch_um": 5, "lens": "32"}
    job = kit.merged({"capture": capture, "lenses": ["32"], "deliverables": [WIDE]})
    client = Client()
    assert client.coverage(job).rows[0].focal_length_mm == 32
    assert client.optics(job).frames[0].fall_off is not None


def test_a_job_that_is_compared_with_is_merged_too(kit):
    job = kit.merged(
        {"capture": "A", "deliverables": [WIDE], "compare": {"job": {"capture": "B", "deliverables": [WIDE]}}}
    )
    assert job["compare"]["job"]["capture"]["label"] == "B"
