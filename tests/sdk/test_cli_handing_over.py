"""The commands of hand-off, against the service in-process: the same answers, exit codes, words on stderr."""

from __future__ import annotations

import json

import pytest
from PIL import Image

from tallwide import Client, handoff, to_wire
from tallwide.cli import main
from tallwide.job import Comparand, FileFacts, Places, Raster, Space

pytestmark = pytest.mark.usefixtures("clean_environment")


@pytest.fixture
def job_file(tmp_path, job):
    path = tmp_path / "job.json"
    path.write_text(json.dumps(job), encoding="utf-8")
    return str(path)


def plain(noun):
    return json.loads(json.dumps(to_wire(noun)))


@pytest.mark.parametrize("form", handoff.FORMS)
def test_a_form_is_written_with_what_it_cannot_carry_on_stderr(capsysbinary, job, job_file, form):
    assert main(["handoff", form, job_file]) == 0
    printed = capsysbinary.readouterr()
    assert printed.out == Client().handoff_file(job, form)
    for loss in Client().handoff(job, form).lost:
        assert f"not carried: {loss.detail}".encode() in printed.err


def test_an_envelope_and_a_folder(capsys, job_file, tmp_path):
    assert main(["handoff", "csv", job_file, "--envelope"]) == 0
    assert json.loads(capsys.readouterr().out)["file_name"] == "framing.csv"
    assert main(["handoff", "iiif", job_file, "--source", "plate 1", "--out", str(tmp_path)]) == 0
    assert "/plate%201/" in (tmp_path / "framing.iiif.uri").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--language", "<x>"], "BCP 47"),
        (["--overscan-px", "4", "--overscan-share", "0.1"], "not both"),
        (["--multiple", "0"], "multiple"),
    ],
)
def test_wrong_options_exit_2(capsys, job_file, arguments, words):
    assert main(["handoff", "image-regions", job_file, *arguments]) == 2
    assert words in capsys.readouterr().err


def test_the_client_maps_checks_and_compares(job):
    client = Client()
    places = Places(Space("recorded"), Space("delivery", "wide"), rects=((0, 250, 4800, 2700),))
    assert client.map(job, places).mapped.rects[0].exact == ("0", "0", "3840", "2160")
    assert client.map({**job, "map": to_wire(places)}).mapped == client.map(job, places).mapped
    assert client.check(job, FileFacts(2400, 1600)).check.verdict == "fits_after"
    assert client.compare(job, Comparand(document="#xywh=0,250,4800,2700", form="media-fragments")).comparison
    document = client.handoff(job, "framing-decision-list").document
    assert client.read_handoff("framing-decision-list", document).reading.is_whole_job
    regions = client.handoff(job, "iiif").document
    assert client.read_handoff("iiif", regions, raster=Raster(4800, 3200), lenient=True).reading.is_whole_job


def test_a_map_takes_the_jobs_own_places_or_those_of_the_command_line(capsys, tmp_path, job, job_file):
    spaces = ["--source", "recorded", "--target", "delivery:wide"]
    assert main(["map", job_file, *spaces, "--point", "1,2", "--rect", "0,0,1/3,2", "--centres"]) == 0
    given = json.loads(capsys.readouterr().out)
    assert given["position"] == "centres"
    assert len(given["points"]) == len(given["rects"]) == 1
    own = tmp_path / "own.json"
    own.write_text(json.dumps({**job, "map": {"source": {"space": "scene"}, "target": {"space": "upright"}}}))
    assert main(["map", str(own)]) == 0
    assert json.loads(capsys.readouterr().out)["source"] == "scene"
    media = tmp_path / "media.json"
    media.write_text(json.dumps({"raster": {"width": 2400, "height": 1600}}))
    assert (
        main(["map", job_file, "--source", "media", "--media", str(media), "--target", "recorded", "--point", "1,1"])
        == 0
    )
    assert json.loads(capsys.readouterr().out)["points"][0]["exact"] == ["2", "2"]
    pull = [
        "--source",
        "pull:tall",
        "--target",
        "recorded",
        "--overscan-px",
        "16",
        "--multiple",
        "16",
        "--point",
        "0,0",
    ]
    assert main(["map", job_file, *pull]) == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--source", "recorded"], "--target"),
        (["--source", "nowhere", "--target", "recorded"], "nowhere"),
        (["--source", "delivery:none", "--target", "recorded"], "none"),
        (["--source", "delivery", "--target", "recorded"], "deliverable"),
        (["--source", "recorded", "--target", "scene", "--point", "1"], "1 numbers"),
        (["--source", "recorded", "--target", "scene", "--point", "a,b"], "coordinate"),
    ],
)
def test_a_map_that_makes_no_sense_exits_2(capsys, job_file, arguments, words):
    assert main(["map", job_file, *arguments]) == 2
    assert words in capsys.readouterr().err


def test_a_check_exits_by_its_verdict(capsys, tmp_path, job_file):
    for name, size, code in (("half.png", (2400, 1600), 0), ("other.png", (1000, 1000), 1)):
        Image.new("L", size).save(tmp_path / name)
        assert main(["check", str(tmp_path / name), job_file]) == code
        assert json.loads(capsys.readouterr().out)["file"]["width"] == size[0]
    assert main(["check", str(tmp_path / "gone.png"), job_file]) == 2


def test_reading_and_comparing_exit_by_what_they_find(capsys, tmp_path, job, job_file):
    document = tmp_path / "list.fdl"
    document.write_bytes(Client().handoff_file(job, "framing-decision-list"))
    assert main(["read", "framing-decision-list", str(document)]) == 0
    assert json.loads(capsys.readouterr().out)["edition"] == "2.0.1"
    form = ["--form", "framing-decision-list"]
    assert main(["compare", job_file, "--with", str(document), *form]) == 0
    spoilt = json.loads(document.read_text())
    spoilt["contexts"][0]["canvases"][0]["framing_decisions"][0]["anchor_point"]["y"] += 2
    document.write_text(json.dumps(spoilt))
    assert main(["compare", job_file, "--with", str(document), *form]) == 1
    assert main(["compare", job_file, "--with", str(document), *form, "--tolerance-px", "2"]) == 0
    document.write_text("{}")
    assert main(["read", "framing-decision-list", str(document)]) == 1
    assert "/document/version" in capsys.readouterr().err
    assert main(["compare", job_file, "--with", str(document), *form]) == 1
    document.write_bytes(b"\xff")
    assert main(["read", "framing-decision-list", str(document)]) == 2
    assert main(["read", "iiif", str(tmp_path / "gone"), "--raster", "10x10"]) == 2
    other = tmp_path / "other.json"
    other.write_text(json.dumps({**job, "deliverables": job["deliverables"][:1]}))
    assert main(["compare", job_file, "--with", str(other)]) == 1


def test_a_raster_is_written_with_an_x(capsys, tmp_path):
    path = tmp_path / "requests"
    path.write_text("pct:0,0,50,50/max/0/default.jpg")
    assert main(["read", "iiif", str(path), "--raster", "100x100"]) == 0
    assert json.loads(capsys.readouterr().out)["frames"][0]["rect"]["width"] == 50
    assert main(["read", "iiif", str(path), "--raster", "wide"]) == 2
