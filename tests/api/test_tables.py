"""The table view: flat rows of the same answers, for dashboards that read arrays or CSV."""

from __future__ import annotations

import csv
import io
import json

import pytest

from tallwide.answers import (
    CoverageAnswer,
    DialInAnswer,
    ExtractionsAnswer,
    MarginsAnswer,
    MatchAnswer,
    OpticsAnswer,
    OrientationAnswer,
    SafeAreasAnswer,
)
from tallwide.rows import to_rows
from tallwide.wire import from_wire
from tallwide_service.api.documented import packed

JOB = {
    "capture": {
        "raster": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "lens": {"focal_length_mm": 32, "f_number": 4, "image_circle_mm": 40},
    },
    "deliverables": [
        {"label": "wide", "raster": {"width": 3840, "height": 2160}, "safe_area_sets": ["ebu_r95"]},
        {"label": "=1+1", "raster": {"width": 2160, "height": 3840}},
    ],
}
OTHER = {"raster": {"width": 4096, "height": 2304}, "photosite_pitch_um": 5}
JOB |= {"match": {"capture": OTHER, "focal_lengths_mm": [25, 32]}}
SHARED = JOB | {"framing": {"arrangement": "shared_point"}}
ANSWERS = {
    "extractions": ExtractionsAnswer,
    "margins": MarginsAnswer,
    "orientation": OrientationAnswer,
    "coverage": CoverageAnswer,
    "match": MatchAnswer,
    "optics": OpticsAnswer,
    "safe-areas": SafeAreasAnswer,
    "dial-in": DialInAnswer,
}


@pytest.mark.parametrize("job", [JOB, SHARED], ids=["alone", "shared"])
@pytest.mark.parametrize("endpoint", ANSWERS)
def test_the_table_has_the_rows_of_the_sdk(client, endpoint, job):
    answer = from_wire(ANSWERS[endpoint], client.post(f"/v1/{endpoint}", json=job).json)
    rows = client.post(f"/v1/{endpoint}?view=table", json=job).json
    assert rows
    assert rows == json.loads(json.dumps(to_rows(answer)))
    assert client.get(f"/v1/{endpoint}?view=table&job={packed(job)}").json == rows


def test_the_csv_has_the_same_cells_and_none_that_a_spreadsheet_runs(client):
    rows = client.post("/v1/margins?view=table", json=JOB).json
    response = client.post("/v1/margins?view=table", json=JOB, headers={"Accept": "text/csv"})
    assert response.mimetype == "text/csv"
    read = list(csv.DictReader(io.StringIO(response.text)))
    assert list(read[0]) == list(rows[0])
    assert [row["deliverable"] for row in read] == ["wide", "'=1+1"]
    assert read[1]["spare_x_px"] == str(rows[1]["spare_x_px"]) == "-360"
    assert read[1]["verdict"] == "short"
    assert read[1]["enough"] == "false"
    assert read[0]["photosite_verdict"] == (rows[0]["photosite_verdict"] or "")


def test_the_table_is_another_representation_with_an_etag_of_its_own(client):
    plain = client.get(f"/v1/margins?job={packed(JOB)}")
    table = client.get(f"/v1/margins?view=table&job={packed(JOB)}")
    as_csv = client.get(f"/v1/margins?view=table&job={packed(JOB)}", headers={"Accept": "text/csv"})
    assert len({plain.headers["ETag"], table.headers["ETag"], as_csv.headers["ETag"]}) == 3
    again = client.get(f"/v1/margins?view=table&job={packed(JOB)}", headers={"If-None-Match": table.headers["ETag"]})
    assert again.status_code == 304


UNITS = ("px", "mm", "deg", "pct", "minutes", "megabytes", "stops", "lp_mm")
# Numbers without a unit: counts and places in lists, ratios, and what the column `unit` beside them says the unit of.
COUNTS = {"plan", "passes", "changeovers", "turned_passes", "dominated_by", "capture_index", "lens_index", "photosites"}
RATIOS = {"oversampling", "aspect", "share", "reach", "factor", "scale", "illuminance", "pixels_per_inch"}
DIALLED = {"x", "y", "width", "height", "step"}


@pytest.mark.parametrize("endpoint", ANSWERS)
def test_a_number_of_a_row_has_its_unit_at_the_end_of_its_name(client, endpoint):
    for row in client.post(f"/v1/{endpoint}?view=table", json=JOB).json:
        for name, cell in row.items():
            if isinstance(cell, int | float) and not isinstance(cell, bool):
                is_bare = any(word in name for word in COUNTS | RATIOS) or (name in DIALLED and "unit" in row)
                assert is_bare or name in UNITS or name.endswith(tuple(f"_{unit}" for unit in UNITS)), (name, cell)


@pytest.mark.parametrize("query", ["view=chart", "view=", "view=table&view=table"])
def test_another_view_is_refused(client, query):
    response = client.post(f"/v1/margins?{query}", json=JOB)
    assert (response.status_code, response.json["type"]) == (400, "/problems/query")


def test_a_table_in_another_form_is_refused(client):
    response = client.post("/v1/margins?view=table", json=JOB, headers={"Accept": "image/png"})
    assert (response.status_code, response.json["type"]) == (406, "/problems/not-acceptable")
