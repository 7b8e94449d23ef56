"""Flat rows: the same columns in every row whatever a job leaves out, units in their names."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections import Counter

import pytest

from tallwide import Client, ProblemError, to_rows, to_wire

pytestmark = pytest.mark.usefixtures("clean_environment")

MONITOR = {"monitor": {"width": 1920, "height": 1080}}
CORNERS = [[100, 100], [1000, 100], [1000, 800], [100, 800]]
READING = {"reading": {"frames": [{"deliverable": "wide", "corners": CORNERS}]}}
KINDS = (
    *("extractions", "margins", "orientation", "safe_areas", "dial_in", "chart_read"),
    *("coverage", "match", "optics"),
)
OTHER = {"capture": {"raster": {"width": 4096, "height": 2304}, "photosite_pitch_um": 5}, "focal_lengths_mm": [25, 32]}


@pytest.fixture(scope="module")
def client():
    return Client()


@pytest.fixture
def whole_job(job):
    job.update(id="harbour", picture=MONITOR, chart=READING, match=OTHER)
    job["capture"].update(label="A", lens={"focal_length_mm": 32})
    job["deliverables"][0].update(
        display={"height_mm": 6000, "viewing_distance_mm": 9000}, safe_areas=[{"label": "titles", "left": 0.1}]
    )
    return job


def columns(answer):
    (names,) = {tuple(row) for row in to_rows(answer)}
    return names


@pytest.mark.parametrize("kind", KINDS)
def test_rows_are_flat_and_say_which_job_they_are_of(client, whole_job, kind):
    rows = to_rows(getattr(client, kind)(whole_job))
    assert rows
    assert all(value is None or isinstance(value, str | int | float) for row in rows for value in row.values())
    assert {(row["job_id"], row["capture"], row["roll_deg"]) for row in rows} == {("harbour", "A", 0)}
    assert len({tuple(row) for row in rows}) == 1


@pytest.mark.parametrize("kind", ["extractions", "margins", "coverage", "optics"])
def test_columns_stay_when_a_job_says_less(client, whole_job, kind):
    plain = {"capture": {"raster": {"width": 4800, "height": 3200}}, "deliverables": [{"label": "a", "aspect": 2}]}
    assert columns(getattr(client, kind)(whole_job)) == columns(getattr(client, kind)(plain))


@pytest.mark.parametrize("kind", ["extractions", "margins"])
def test_every_value_of_an_answer_is_in_its_row(client, whole_job, kind):
    def values(member):
        if isinstance(member, dict):
            return [value for each in member.values() for value in values(each)]
        return [" ".join(member)] if isinstance(member, list) else [member]

    answer = getattr(client, kind)(whole_job)
    for item, row in zip(getattr(answer, kind), to_rows(answer), strict=True):
        told = [value for value in values(to_wire(item)) if value is not None]
        assert Counter(told) <= Counter(row.values())


def test_columns_carry_their_units(client, whole_job):
    extraction = to_rows(client.extractions(whole_job))[0]
    assert extraction["rect_width_px"] == 4800
    assert extraction["sensor_width_mm"] == pytest.approx(4800 * 5.8 / 1000)
    assert 40 < extraction["angle_of_view_horizontal_deg"] < 50
    margin = to_rows(client.margins(whole_job))[0]
    assert (margin["pixels_width_px"], margin["needed_width_px"], margin["spare_x_px"]) == (4800, 3840, 960)
    assert margin["reframe_room_top_px"] == 250
    assert margin["reframe_room_scale"] == margin["oversampling_smaller"] == 1.25
    assert margin["spare_pct"] == 25
    assert 2000 < margin["eye_limit_rows"] < 2500


def test_a_plan_is_a_row_and_one_is_recommended(client, whole_job):
    answer = client.orientation(whole_job)
    rows = to_rows(answer)
    assert [row["plan"] for row in rows] == list(range(len(answer.plans)))
    assert [row["plan"] for row in rows if row["recommended"]] == [answer.recommended.plan]


def test_an_answer_without_rows_is_refused(client, whole_job):
    @dataclasses.dataclass(frozen=True)
    class Other(type(client.margins(whole_job)).__base__):
        pass

    answer = client.margins(whole_job)
    with pytest.raises(TypeError, match="Other has no rows"):
        to_rows(Other(answer.engine_version, answer.answer_id, answer.decision_id, answer.job))


@pytest.mark.parametrize("kind", [each for each in KINDS if each != "chart_read"])
def test_the_services_rows_are_those_of_the_answer(client, whole_job, kind):
    rows = to_rows(getattr(client, kind)(whole_job))
    assert client.rows(whole_job, kind.replace("_", "-")) == rows
    read = list(csv.DictReader(io.StringIO(client.rows_csv(whole_job, kind.replace("_", "-")))))
    assert [list(row) for row in read] == [list(row) for row in rows]
    assert [row["capture"] for row in read] == [row["capture"] for row in rows]


def test_an_endpoint_without_rows_is_refused(client, whole_job):
    with pytest.raises(ProblemError) as refused:
        client.rows(whole_job, "no/such")
    assert refused.value.status == 404
