"""Hand-off over HTTP: forms by Accept, file names, 4xx for what is wrong, and hostile documents."""

from __future__ import annotations

import json
import time

import pytest

from tallwide import handoff
from tallwide.decision import read_answer
from tallwide.handoff import MEDIA_TYPES
from tallwide_service.api.documented import EXAMPLE_JOB, packed

JOB = EXAMPLE_JOB


def pointers(response):
    assert response.mimetype == "application/problem+json"
    return {error["pointer"] for error in response.json["errors"]}


@pytest.mark.parametrize("form", handoff.FORMS)
def test_the_envelope_holds_what_the_sdk_writes_offline(client, form):
    answer = client.post("/v1/extractions", json=JOB).json
    envelope = client.post(f"/v1/handoff/{form}", json=JOB).json
    offline = handoff.write(read_answer(answer), form)
    assert envelope["document"] == json.loads(json.dumps(offline.content))
    assert envelope["file_name"] == offline.file_name
    assert envelope["decision_id"] == answer["decision_id"]
    assert [loss["code"] for loss in envelope["lost"]] == [loss.code for loss in offline.lost]
    assert envelope["standard"]


@pytest.mark.parametrize("form", handoff.FORMS)
def test_a_forms_own_media_type_gives_its_file(client, form):
    response = client.post(f"/v1/handoff/{form}", json=JOB, headers={"Accept": MEDIA_TYPES[form]})
    assert response.status_code == 200
    assert response.mimetype == MEDIA_TYPES[form]
    envelope = client.post(f"/v1/handoff/{form}", json=JOB).json
    assert response.headers["Content-Disposition"] == f'attachment; filename="{envelope["file_name"]}"'
    lost = dict.fromkeys(loss["code"] for loss in envelope["lost"])
    assert response.headers["Tallwide-Lost"] == ", ".join(lost)
    assert response.headers["ETag"].strip('"') != envelope["answer_id"]
    if form in ("framing-decision-list", "openexr", "timeline-transform"):
        assert json.loads(response.data) == envelope["document"]


@pytest.mark.parametrize(
    ("accept", "mimetype"),
    [
        (None, "application/json"), ("*/*", "application/json"), ("application/*", "application/json"),
        ("text/*", "text/csv"), ("text/csv;q=0.1, application/json;q=0.9", "application/json"),
    ],
)  # fmt: skip
def test_accept_is_weighed(client, accept, mimetype):
    headers = {} if accept is None else {"Accept": accept}
    assert client.post("/v1/handoff/csv", json=JOB, headers=headers).mimetype == mimetype


def test_what_is_not_acceptable_is_refused_with_what_there_is(client):
    response = client.post("/v1/handoff/csv", json=JOB, headers={"Accept": "image/png"})
    assert response.status_code == 406
    assert "text/csv" in response.json["detail"]


@pytest.mark.parametrize("form", ["active-format-description", "afd", "FFMPEG", "x" * 500, "%00"])
def test_there_is_no_other_form(client, form):
    for path in (f"/v1/handoff/{form}", f"/v1/handoff/{form}/read"):
        response = client.post(path, json=JOB)
        assert response.status_code == 404
        assert response.mimetype == "application/problem+json"


@pytest.mark.parametrize("form", ["ffmpeg", "openexr", "timeline-transform"])
def test_forms_that_are_not_read_back_say_so(client, form):
    response = client.post(f"/v1/handoff/{form}/read", json={"document": ""})
    assert response.status_code == 404
    assert "framing-decision-list" in response.json["detail"]


def test_options_of_a_hand_off_are_used(client):
    job = {**JOB, "handoff": {"source": "https://img.example/3/plate", "language": "nb", "pull": {"overscan_px": 64}}}
    assert "https://img.example/3/plate/" in client.post("/v1/handoff/iiif", json=job).json["document"][0]["uri"]
    assert 'xml:lang="nb"' in client.post("/v1/handoff/image-regions", json=job).json["document"]
    windows = client.post("/v1/handoff/openexr", json=job).json["document"]["windows"][1]
    assert windows["pull"]["dataWindow"]["min"] == [-64, -64]


@pytest.mark.parametrize(
    ("member", "value", "pointer"),
    [
        ("handoff", {"source": "a\nb"}, "/handoff/source"),
        ("handoff", {"source": "x" * 2000}, "/handoff/source"),
        ("handoff", {"language": '"><x'}, "/handoff/language"),
        ("handoff", {"pull": {"overscan_px": 1, "overscan_share": 0.1}}, "/handoff/pull/overscan_share"),
        ("handoff", {"pull": {"multiple": 0}}, "/handoff/pull/multiple"),
        ("handoff", {"pull": {"upright": 1}}, "/handoff/pull/upright"),
        ("handoff", {"mystery": 1}, "/handoff/mystery"),
        ("map", {"source": {"space": "recorded"}}, "/map/target"),
        ("map", {"source": {"space": "nowhere"}, "target": {"space": "scene"}}, "/map/source/space"),
        ("map", {"source": {"space": "pull"}, "target": {"space": "scene"}}, "/map/source/deliverable"),
        ("map", {"source": {"space": "media"}, "target": {"space": "scene"}}, "/map/source/media"),
        (
            "map",
            {"source": {"space": "scene"}, "target": {"space": "delivery", "deliverable": "none"}},
            "/map/target/deliverable",
        ),
        (
            "map",
            {"source": {"space": "scene"}, "target": {"space": "scene"}, "points": [[1, "1/0"]]},
            "/map/points/0/1",
        ),
        ("map", {"source": {"space": "scene"}, "target": {"space": "scene"}, "points": [[1, True]]}, "/map/points/0/1"),
        ("map", {"source": {"space": "scene"}, "target": {"space": "scene"}, "points": [[1, None]]}, "/map/points/0/1"),
        (
            "map",
            {"source": {"space": "scene"}, "target": {"space": "scene"}, "points": [[1, 10**400]]},
            "/map/points/0/1",
        ),
        ("map", {"source": {"space": "scene"}, "target": {"space": "scene"}, "points": [[0, 0]] * 5000}, "/map/points"),
        (
            "map",
            {"source": {"space": "scene"}, "target": {"space": "scene"}, "polygons": [[[0, 0]] * 1000] * 5},
            "/map",
        ),
        ("map", {"source": {"space": "scene"}, "target": {"space": "scene"}, "position": "middle"}, "/map/position"),
        ("file", {"width": 10}, "/file/height"),
        ("file", {"width": 10, "height": 10, "rotation": 45}, "/file/rotation"),
        ("file", {"width": 10, "height": 10, "crop": {"left": 10}}, "/file/crop"),
        ("file", {"width": 10, "height": 10, "content": {"x": 5, "y": 0, "width": 6, "height": 1}}, "/file/content"),
        ("file", {"width": 10, "height": 10, "sample_aspect": "x"}, "/file/sample_aspect"),
        ("compare", {}, "/compare"),
        ("compare", {"job": {}, "document": {}}, "/compare"),
        ("compare", {"document": {}}, "/compare/form"),
        ("compare", {"document": {}, "form": "ffmpeg"}, "/compare/form"),
        ("compare", {"job": {"capture": {}}}, "/compare/job/deliverables"),
        ("compare", {"job": {**JOB, "compare": {"job": JOB}}}, "/compare/job/compare"),
    ],
)
def test_wrong_members_are_refused_at_their_pointer(client, member, value, pointer):
    path = {"handoff": "/v1/handoff/csv", "file": "/v1/check"}.get(member, f"/v1/{member}")
    response = client.post(path, json={**JOB, member: value})
    assert response.status_code == 422
    assert pointer in pointers(response)


@pytest.mark.parametrize(
    ("path", "pointer"), [("/v1/map", "/map"), ("/v1/check", "/file"), ("/v1/compare", "/compare")]
)
def test_a_job_without_what_an_endpoint_is_about_is_refused(client, path, pointer):
    response = client.post(path, json=JOB)
    assert response.status_code == 422
    assert pointers(response) == {pointer}


def test_members_of_one_endpoint_do_not_disturb_another(client):
    job = {**JOB, "file": {"width": 10, "height": 10}, "handoff": {"source": "a"}}
    plain, more = (client.post("/v1/extractions", json=document).json for document in (JOB, job))
    assert more["decision_id"] == plain["decision_id"]
    assert more["extractions"] == plain["extractions"]
    assert more["job"]["file"] == {"width": 10, "height": 10, "rotation": 0, "crop": {
        "left": 0, "top": 0, "right": 0, "bottom": 0}}  # fmt: skip


def test_a_tracked_point_goes_back_to_its_recorded_pixel(client):
    spaces = {"source": {"space": "delivery", "deliverable": "wide"}, "target": {"space": "recorded"}}
    mapped = client.post("/v1/map", json={**JOB, "map": {**spaces, "points": [[1001, "1666/5"]]}}).json["mapped"]
    # 4,800 x 2,700 in the middle of 4,800 x 3,200 at 3,840 x 2,160: 5/4, and 250 px down.
    assert mapped["points"][0]["exact"] == ["5005/4", "1333/2"]
    assert mapped["matrix"]["exact"] == [["5/4", "0", "0"], ["0", "5/4", "250"], ["0", "0", "1"]]


def test_a_delivery_without_a_raster_cannot_be_mapped_to(client):
    job = {"capture": JOB["capture"], "deliverables": [{"label": "wide", "aspect": "16:9"}]}
    spaces = {"source": {"space": "recorded"}, "target": {"space": "delivery", "deliverable": "wide"}}
    response = client.post("/v1/map", json={**job, "map": spaces})
    assert response.status_code == 422
    assert response.json["type"].endswith("/no-such-picture")


def test_comparing_rolls_is_refused_in_words(client):
    other = {**JOB, "capture": {**JOB["capture"], "roll": 90}}
    response = client.post("/v1/compare", json={**JOB, "compare": {"job": other}})
    assert response.status_code == 422
    assert pointers(response) == {"/compare"}


@pytest.mark.parametrize("form", tuple(handoff.READERS))
def test_a_job_is_the_same_as_its_own_document(client, form):
    document = client.post(f"/v1/handoff/{form}", json=JOB).json["document"]
    answer = client.post("/v1/compare", json={**JOB, "compare": {"form": form, "document": document}}).json
    assert answer["comparison"]["same_picture"]
    assert not answer["comparison"]["delivered_pixels_changed"]


@pytest.mark.parametrize("form", tuple(handoff.READERS))
def test_a_document_is_read_back(client, form):
    document = client.post(f"/v1/handoff/{form}", json=JOB).json["document"]
    raster = JOB["capture"]["raster"]
    answer = client.post(f"/v1/handoff/{form}/read", json={"document": document, "raster": raster}).json
    solved = client.post("/v1/extractions", json=JOB).json["extractions"]
    assert [frame["rect"] for frame in answer["reading"]["frames"]] == [each["rect"] for each in solved]
    if answer["reading"]["is_whole_job"]:
        assert client.post("/v1/extractions", json=answer["reading"]["job"]).status_code == 200


HOSTILE = {
    "bomb": ("image-regions", "<!DOCTYPE b [<!ENTITY a 'ha'><!ENTITY b '&a;&a;&a;'>]><b>&b;</b>"),
    "outside": ("image-regions", "<!DOCTYPE b [<!ENTITY x SYSTEM 'file:///etc/passwd'>]><b>&x;</b>"),
    "deep xml": ("image-regions", "<a>" * 60_000),
    "wide xml": ("image-regions", "<a>" + "<b/>" * 50_000 + "</a>"),
    "not xml": ("image-regions", 5),
    "id with a line break": ("framing-decision-list", {"uuid": "x\n", "version": {"major": 2, "minor": 0}}),
    "list of lists": ("framing-decision-list", [[[[[[]]]]]]),
    "text": ("framing-decision-list", "[" * 50_000),
    "many": ("framing-decision-list", {"version": {"major": 2, "minor": 0}, "framing_intents": [{}] * 5000}),
    "wrong types": (
        "framing-decision-list",
        {"uuid": 1, "version": {"major": 2, "minor": 0}, "contexts": [{"canvases": [{"dimensions": "x"}]}]},
    ),
    "null": ("csv", None),
    "one line": ("csv", "," * 200_000),
    "quotes": ("csv", '"' * 100_000),
    "long line": ("iiif", "/" * 200_000),
    "long digits": ("iiif", "9" * 100_000 + ",0,1,1/max/0/default.jpg"),
    "many lines": ("media-fragments", "#xywh=1,1,1,1\n" * 15_000),
    "object": ("media-fragments", {"a": 1}),
}


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("lenient", [False, True])
def test_hostile_documents_are_refused_at_once(client, name, lenient):
    form, document = HOSTILE[name]
    start = time.process_time()  # others may hold the machine up
    response = client.post(f"/v1/handoff/{form}/read", json={"document": document, "lenient": lenient})
    assert time.process_time() - start < 1
    assert response.status_code == 422
    assert response.mimetype == "application/problem+json"
    assert b"root:" not in response.data
    assert len(response.data) < 100_000


def test_a_hundred_megabytes_are_refused_before_they_are_read(client):
    response = client.post(
        "/v1/handoff/framing-decision-list/read", data=b"[" * 1_000_000, content_type="application/json"
    )
    assert response.status_code == 413
    assert "limit" in response.json
    declared = client.post(
        "/v1/handoff/framing-decision-list/read",
        data=b"{}",
        content_type="application/json",
        environ_overrides={"CONTENT_LENGTH": "100000000"},
    )
    assert declared.status_code == 413


def test_a_short_job_is_handed_over_by_query_and_answered_304(client):
    path = f"/v1/handoff/csv?job={packed(JOB)}"
    first = client.get(path)
    assert first.status_code == 200
    again = client.get(path, headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304
    other = client.get(path, headers={"Accept": "text/csv", "If-None-Match": first.headers["ETag"]})
    assert other.status_code == 200


def test_labels_that_mean_harm_come_out_as_text(client):
    labels = ["=cmd|'/c x'!A0", "<script>&\"'", "$(id)`id`;id", "a\\b", "\u00e9\u7e26"]
    job = {**JOB, "deliverables": [{"label": label, "aspect": "1:1"} for label in labels]}
    for form in handoff.READERS:
        document = client.post(f"/v1/handoff/{form}", json=job).json["document"]
        raster = {"document": document, "raster": JOB["capture"]["raster"]}
        reading = client.post(f"/v1/handoff/{form}/read", json=raster).json["reading"]
        assert [frame["deliverable"] for frame in reading["frames"]] == labels


@pytest.mark.parametrize("label", ["\u202eevil", "two\nlines", "null\0"])
def test_a_label_that_turns_or_breaks_lines_is_taken_from_no_document(client, label):
    job = {**JOB, "deliverables": [{"label": label, "aspect": "1:1"}]}
    for form in ("framing-decision-list", "csv"):
        document = client.post(f"/v1/handoff/{form}", json=job).json["document"]
        response = client.post(f"/v1/handoff/{form}/read", json={"document": document})
        assert response.status_code == 422
        assert "printable" in response.json["detail"]


def test_the_document_of_a_job_does_not_depend_on_who_asks(client):
    one, two = (client.post("/v1/handoff/framing-decision-list", json=JOB) for _ in range(2))
    assert one.data == two.data
