"""The table view: flat rows of the same answers, for dashboards that read arrays or CSV."""

from __future__ import annotations

import csv
import io
import json

import pytest

from tallwide.answers import ExtractionsAnswer, MarginsAnswer, OrientationAnswer
from tallwide.rows import to_rows
from tallwide.wire import from_wire
from tallwide_service.api.documented import packed

JOB = {
    "capture": {"raster": {"width": 4800, "height": 3200}},
    "deliverables": [
        {"label": "wide", "raster": {"width": 3840, "height": 2160}},
        {"label": "=1+1", "raster": {"width": 2160, "height": 3840}},
    ],
}
SHARED = JOB | {"framing": {"arrangement": "shared_point"}}
ANSWERS = {"extractions": ExtractionsAnswer, "margins": MarginsAnswer, "orientation": OrientationAnswer}


@pytest.mark.parametrize("job", [JOB, SHARED], ids=["alone", "shared"])
@pytest.mark.parametrize("endpoint", ANSWERS)
def test_the_table_has_the_rows_of_the_sdk(client, endpoint, job):
    answer = from_wire(ANSWERS[endpoint], client.post(f"/v1/{endpoint}", json=job).json)
    rows = client.post(f"/v1/{endpoint}?view=table", json=job).json
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


@pytest.mark.parametrize("query", ["view=chart", "view=", "view=table&view=table"])
def test_another_view_is_refused(client, query):
    response = client.post(f"/v1/margins?{query}", json=JOB)
    assert (response.status_code, response.json["type"]) == (400, "/problems/query")


def test_a_table_in_another_form_is_refused(client):
    response = client.post("/v1/margins?view=table", json=JOB, headers={"Accept": "image/png"})
    assert (response.status_code, response.json["type"]) == (406, "/problems/not-acceptable")
