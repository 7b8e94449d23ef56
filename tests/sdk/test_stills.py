"""Stills through the client and the command line: the same bytes as over HTTP."""

from __future__ import annotations

import io
import json
import zipfile

import pytest
from PIL import Image
from skimage import data

from tallwide import Client
from tallwide.cli import main
from tallwide.errors import RefusedInput

JOB = {
    "capture": {"raster": {"width": 600, "height": 400}},
    "deliverables": [{"label": "wide", "aspect": "16:9"}, {"label": "tall", "aspect": "9:16"}],
}


@pytest.fixture(scope="module")
def still() -> bytes:
    out = io.BytesIO()
    Image.fromarray(data.coffee()).save(out, "PNG")
    return out.getvalue()


def test_the_client_sends_a_still_and_gets_what_the_job_asks_for(still):
    client = Client()
    assert client.overlay(JOB, still=still).startswith(b"\x89PNG")
    assert client.overlay(JOB, still=still, media_type="image/jpeg").startswith(b"\xff\xd8")
    assert client.sheet(JOB, still=still).startswith(b"%PDF-")
    frames = client.overlay({**JOB, "plate": {"output": "frames"}}, still=still, media_type="application/zip")
    with zipfile.ZipFile(io.BytesIO(frames)) as archive:
        assert archive.namelist() == ["01_wide.png", "02_tall.png"]


def test_a_refused_still_is_refused_input():
    with pytest.raises(RefusedInput) as refused:
        Client().overlay(JOB, still=b"GIF89a")
    assert "none of PNG, JPEG and TIFF" in str(refused.value)


def test_the_commands_write_the_same_bytes(still, tmp_path):
    (tmp_path / "job.json").write_text(json.dumps(JOB), encoding="utf-8")
    (tmp_path / "still.png").write_bytes(still)
    job, picture = str(tmp_path / "job.json"), str(tmp_path / "still.png")
    assert main(["overlay", job, "--still", picture, "--out", str(tmp_path / "burned.png")]) == 0
    assert main(["sheet", job, "--still", picture, "--out", str(tmp_path / "sheet.pdf")]) == 0
    assert main(["chart", job, "--out", str(tmp_path / "chart.pdf")]) == 0
    client = Client()
    assert (tmp_path / "burned.png").read_bytes() == client.overlay(JOB, still=still)
    assert (tmp_path / "sheet.pdf").read_bytes() == client.sheet(JOB, still=still)
    assert (tmp_path / "chart.pdf").read_bytes() == client.chart(JOB)


def test_a_still_that_is_not_there_is_wrong_usage(tmp_path):
    (tmp_path / "job.json").write_text(json.dumps(JOB), encoding="utf-8")
    assert main(["overlay", str(tmp_path / "job.json"), "--still", str(tmp_path / "none.png")]) == 2
