"""Tables of clips on the wire: a row a clip and deliverable, as the endpoints have it, and whatever may be wrong."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clip_archive import ROOT, WANTED, archive
from clip_streams import ARROW, Answer, read, rows_of, written
from tallwide.cli import main
from tallwide_service import create_app
from tallwide_service.api import batch_call, clip_messages, clips
from tallwide_service.api.batch_call import BatchCall
from tallwide_service.api.problems import Problem
from tallwide_service.arrow.frames import ANSWER_SCHEMA, SCHEMA
from tallwide_service.core.clip_columns import FRAME_COLUMNS
from tallwide_service.limits import LIMITS
from tallwide_service.settings import Settings

UHD = {"raster_width_px": 3840, "raster_height_px": 2160}
ONE = [{"label": "portrait", "raster": {"width": 1440, "height": 1800}}]
WANT = {"deliverables": ONE}


def sent(client, body: bytes, **options):
    return client.post("/v1/batch", data=body, content_type=ARROW, **options)


def answer(client, body: bytes, **options) -> Answer:
    response = sent(client, body, **options)
    assert (response.status_code, response.mimetype) == (200, ARROW), response.data
    return read(response.data)


def problem(client, body: bytes, **options) -> dict:
    response = sent(client, body, **options)
    assert response.mimetype == "application/problem+json"
    assert response.status_code == response.json["status"]
    return response.json


def test_there_is_a_row_for_every_clip_and_deliverable_in_order(client):
    table = archive(500).drop_columns(["mode"])
    got = answer(client, written(table, WANTED, batch_rows=130))
    assert got.rows.schema == ANSWER_SCHEMA
    labels = [deliverable["label"] for deliverable in WANTED["deliverables"]]
    assert got.rows["clip_row"].to_pylist() == [row for row in range(500) for _ in labels]
    assert got.rows["id"].to_pylist() == [name for name in table["id"].to_pylist() for _ in labels]
    assert got.rows["deliverable"].to_pylist() == labels * 500
    refused = got.rows.num_rows - got.rows["problem"].null_count
    assert 0 < refused < 500
    counts = {"clips": 500, "rows": 1500, "answers": 1500 - refused, "problems": refused}
    assert got.end == {"end": True, "complete": True, **counts}


def test_the_bytes_are_the_same_however_often_they_are_asked_for(client):
    body = written(archive(300).drop_columns(["mode"]), WANTED, batch_rows=100)
    assert sent(client, body).data == sent(client, body).data


def test_the_columns_are_those_of_an_archives_run(client, tmp_path, capsys):
    table = archive(3_000).drop_columns(["mode"])
    pq.write_table(table, tmp_path / "clips.parquet")
    (tmp_path / "wanted.json").write_text(json.dumps(WANTED), encoding="utf-8")
    wanted, out = str(tmp_path / "wanted.json"), tmp_path / "out"
    run = ["catalogue", "run", str(tmp_path / "clips.parquet"), "--deliverables", wanted, "--out", str(out)]
    assert main(run) == 0, capsys.readouterr().err
    filed = pq.ParquetFile(out / "frames" / "part-00000.parquet").read()
    got = answer(client, written(table, WANTED, batch_rows=700)).rows
    found = got.filter(pa.compute.is_null(got["problem"])).drop_columns(["problem"])
    assert found.schema.names == SCHEMA.names
    for name in SCHEMA.names:
        kind = pa.string() if pa.types.is_dictionary(found.schema.field(name).type) else found.schema.field(name).type
        ours, theirs = (each[name].cast(kind).combine_chunks() for each in (found, filed))
        assert ours.equals(theirs), name
    refused = [json.loads(line) for line in (out / "refused" / "part-00000.ndjson").read_text("utf-8").splitlines()]
    ours = [
        {**{name: row[name] for name in ("clip_row", "id", "deliverable")}, "problem": json.loads(row["problem"])}
        for row in got.filter(pa.compute.is_valid(got["problem"])).to_pylist()
    ]
    assert ours == refused


# --- the same as the endpoints --------------------------------------------------------------------------------------

SIDES = st.one_of(st.integers(1, 65_535), st.integers(1, 600), st.sampled_from([1080, 2160, 4096]))
SHARES = st.sampled_from([0, 0.05, 0.5, 1, 0.333, 1e-9])
CLIPS = st.fixed_dictionaries(
    {"raster_width_px": SIDES, "raster_height_px": SIDES},
    optional={
        "squeeze": st.sampled_from([1, 1.33, 2, 0.25, 5]),
        "squeeze_axis": st.sampled_from(["sensor_width", "sensor_height"]),
        "roll_deg": st.sampled_from([0, 90, 180, 270, 45]),
        "grid_x_px": st.sampled_from([1, 2, 8, 0]),
        "grid_height_px": st.sampled_from([1, 2, 16]),
        "photosite_pitch_um": st.sampled_from([3.45, 5.94]),
        "lens_image_circle_mm": st.sampled_from([14, 31.1, 43.3]),
        "lens_offset_y_mm": st.sampled_from([0, -1.5]),
        "align_x": SHARES,
        "align_y": SHARES,
        "protection_each_side": SHARES,
    },
)
DELIVERABLES = st.sampled_from(
    [
        {"label": "a", "raster": {"width": 1440, "height": 1800}},
        {"label": "a", "aspect": "2.39:1", "align": {"x": 0.3, "y": 0}, "protection": {"each_side": 0.1}},
        {"label": "a", "raster": {"width": 3840, "height": 2160}, "minimum_oversampling": 1.1},
    ]
)


def single_job(clip: dict, deliverable: dict) -> dict:
    """The job that a clip stands for, made without the service's own way to it."""
    capture = {"raster": {"width": clip["raster_width_px"], "height": clip["raster_height_px"]}}
    for name, member in (("squeeze", "squeeze"), ("squeeze_axis", "squeeze_axis"), ("roll_deg", "roll")):
        if name in clip:
            capture[member] = clip[name]
    grid = {side: clip[f"grid_{side}_px"] for side in ("x", "height") if f"grid_{side}_px" in clip}
    if grid:
        capture["grid"] = grid
    if "photosite_pitch_um" in clip:
        capture["photosite_pitch_um"] = clip["photosite_pitch_um"]
    if "lens_image_circle_mm" in clip:
        offset = {"x": 0, "y": clip.get("lens_offset_y_mm", 0)}
        capture["lens"] = {"image_circle_mm": clip["lens_image_circle_mm"], "offset_mm": offset}
    align = {**deliverable.get("align", {})}
    align |= {side: clip[f"align_{side}"] for side in ("x", "y") if f"align_{side}" in clip}
    own = {"align": align} if align else {}
    if "protection_each_side" in clip:
        own["protection"] = {"each_side": clip["protection_each_side"]}
    return {"capture": capture, "deliverables": [{**deliverable, **own}]}


def by_endpoints(client, job: dict) -> dict | None:
    """The row that two endpoints' answers make; nothing where they refuse the job."""
    extractions, margins = (client.post(f"/v1/{endpoint}", json=job) for endpoint in ("extractions", "margins"))
    assert extractions.status_code == margins.status_code
    if extractions.status_code != 200:
        assert extractions.status_code == 422
        return None
    (frame,), (margin,) = extractions.json["extractions"], margins.json["margins"]
    over, spare, room = margin["oversampling"], margin["spare_px"], margin["reframe_room"]
    return {
        "enough": margin["enough"],
        **{f"rect_{side}_px": frame["rect"][side] for side in ("x", "y", "width", "height")},
        "aspect_error": frame["aspect"]["error"],
        "share_of_raster": frame["share_of_raster"],
        "verdict": margin["verdict"],
        "oversampling_smaller": over and over["smaller"],
        "spare_x_px": spare and spare["x"],
        "spare_y_px": spare and spare["y"],
        "spare_pct": margin["spare_pct"],
        "reframe_room_scale": room["scale"],
        **{f"reframe_room_{side}_px": room[side] for side in ("left", "top", "right", "bottom")},
    }


def assert_equal_to_endpoints(client, some: list[dict], deliverable: dict, kinds: dict) -> None:
    body = written(rows_of(*some, **kinds), {"deliverables": [deliverable]}, batch_rows=20)
    got = answer(client, body).rows.to_pylist()
    assert len(got) == len(some)
    for clip, row in zip(some, got, strict=True):
        expected = by_endpoints(client, single_job(clip, deliverable))
        assert (row["problem"] is None) == (expected is not None), (clip, row)
        names = [*FRAME_COLUMNS, "enough"]
        assert {name: row[name] for name in names} == (expected or dict.fromkeys(names)), clip


KINDS = [
    {},
    {"raster_width_px": pa.uint32(), "squeeze": pa.float32(), "align_x": pa.float64(), "roll_deg": pa.int16()},
    {"raster_width_px": pa.float64(), "raster_height_px": pa.uint64(), "grid_x_px": pa.uint8()},
]


def test_every_row_is_what_the_endpoints_say_of_that_clip_alone(client):
    @settings(max_examples=40)
    @given(
        some=st.lists(CLIPS, min_size=1, max_size=3) | st.lists(CLIPS, min_size=30, max_size=32),
        deliverable=DELIVERABLES,
        kinds=st.sampled_from(KINDS),
    )
    def check(some, deliverable, kinds):
        assert_equal_to_endpoints(client, some, deliverable, kinds)

    check()


def test_clips_that_nobody_could_have_are_refused_and_the_others_answered(client):
    table = rows_of(
        UHD,
        {**UHD, "raster_width_px": None},
        {**UHD, "squeeze": float("nan")},
        {**UHD, "squeeze": float("inf")},
        {**UHD, "squeeze_axis": "up"},
        {**UHD, "raster_width_px": 70_000},
        {**UHD, "id": "x" * 201},
        {**UHD, "id": "é" * 200},
    )
    got = answer(client, written(table, {"deliverables": [*ONE, {"label": "b", "aspect": 1}]})).rows.to_pylist()
    said = [each["problem"] and json.loads(each["problem"]) for each in got]
    assert said[::2] == said[1::2]
    assert [each and each["detail"] for each in said[::2]] == [
        None,
        "/capture/raster/width is required",
        None,
        "/capture/squeeze must be from 0.25 to 4, not inf",
        "/capture/squeeze_axis must be sensor_width or sensor_height, not 'up'",
        "/capture/raster/width must be from 1 to 65535, not 70000",
        "/id has at most 200 characters, not 201",
        None,
    ]
    assert {each["type"] for each in said if each} == {"/problems/invalid-job"}
    assert said[2]["errors"] == [{"pointer": "/capture/raster/width", "detail": "is required"}]
    assert [each["id"] for each in got[::2]] == [None] * 7 + ["é" * 200]


def test_frames_on_a_shared_point_are_found_as_alone(client):
    job = {
        "deliverables": [*ONE, {"label": "wide", "aspect": "16:9", "align": {"y": 0}}],
        "framing": {"arrangement": "shared_point", "point": {"x": None, "y": None}},
    }
    large = pa.table({name: pa.array([40_000], pa.int32()) for name in UHD})
    table = pa.concat_tables([archive(60).select([*UHD]), large])
    got = answer(client, written(table, job)).rows
    assert clips._Solving(clips._solver(json.dumps(job).encode()), "").part_clips == clips.PART_FRAMES_TOGETHER // 2
    for row in (0, 7, 59, 60):
        raster = {side: table[f"raster_{side}_px"][row].as_py() for side in ("width", "height")}
        alone = client.post("/v1/extractions", json={**job, "capture": {"raster": raster}})
        mine = got.slice(2 * row, 2).to_pylist()
        if alone.status_code == 200:
            rects = [{side: each[f"rect_{side}_px"] for side in ("x", "y", "width", "height")} for each in mine]
            assert rects == [each["rect"] for each in alone.json["extractions"]]
        else:
            said = [json.loads(each["problem"]) for each in mine]
            assert said[0] == said[1]
            assert said[0]["errors"][0] == alone.json["errors"][0]
            assert (row == 60) == (said[0]["type"] == "/problems/invalid-job")


def test_a_table_without_rows_is_whole(client):
    empty = rows_of(UHD).slice(0, 0)
    assert answer(client, written(empty, WANT)).end["complete"]
    assert answer(client, written(rows_of({**UHD, "id": 7}), WANT)).rows["id"].to_pylist() == ["7"]


# --- what is refused before anything is answered --------------------------------------------------------------------


def changed_head(body: bytes, slot: int, to_slot: int) -> bytes:
    """Return a stream in whose schema one member is read where another lies."""
    head = body[8:]
    entries = clip_messages._Table(head, int.from_bytes(head[:4], "little")).table(2)._slots + 4
    place = head[entries + 2 * to_slot : entries + 2 * to_slot + 2]
    return body[: 8 + entries + 2 * slot] + place + body[8 + entries + 2 * slot + 2 :]


GOOD = written(rows_of(UHD), WANT)


def with_squeeze(values: pa.Array) -> bytes:
    return written(rows_of(UHD).append_column("squeeze", values), WANT)


UUIDS = pa.ExtensionArray.from_storage(pa.uuid(), pa.array([b"x" * 16], pa.binary(16)))
TWICE = pa.table([pa.array([1])] * 3, schema=pa.schema([(name, pa.int64()) for name in (*UHD, "raster_width_px")]))


@pytest.mark.parametrize(
    ("body", "status", "kind", "words"),
    [
        (b"", 400, "not-arrow", "it is empty"),
        (b"x" * 100, 413, "too-large", "a message has at most 524288 bytes"),
        (b'{"endpoint": "margins"}\n', 413, "too-large", "a message"),
        (GOOD[:60], 400, None, "the batch broke off: it ended without the stream's end"),
        (GOOD[8:], 400, "not-arrow", ""),
        (changed_head(GOOD, 0, 1), 400, "not-arrow", "its numbers are big-endian"),
        (written(rows_of(UHD)), 422, "invalid-table", "must say in its metadata, under the key tallwide"),
        (written(rows_of(UHD), "{"), 400, "not-json", "line 1"),
        (written(rows_of(UHD), b"\xff"), 400, "not-json", "byte 0 is not UTF-8"),
        (written(rows_of(UHD), "[" * 99), 400, "not-json", "nested"),
        (written(rows_of(UHD), ONE), 422, "invalid-table", "an object with deliverables"),
        (written(rows_of(UHD), {"capture": {}, **WANT}), 422, "invalid-table", "without a capture"),
        (written(rows_of(UHD), {}), 422, "invalid-job", "/deliverables"),
        (written(rows_of(UHD), {**WANT, "colour": 1}), 422, "invalid-job", "/colour"),
        (written(rows_of(UHD), {**WANT, "_own": "x" * 300_000}), 413, "too-large", "in the metadata"),
        (written(rows_of(UHD), {**WANT, "_own": "x" * 600_000}), 413, "too-large", "a message"),
        (written(rows_of({"raster_width_px": 1}), WANT), 422, "invalid-table", "/columns/raster_height_px is required"),
        (written(rows_of({**UHD, "colour": 1}), WANT), 422, "invalid-table", "/columns/colour clips have no such"),
        (written(rows_of({**UHD, "id": 1.5}), WANT), 422, "invalid-table", "must hold texts or whole numbers"),
        (written(TWICE, WANT), 422, "invalid-table", "/columns/raster_width_px stands twice"),
        (with_squeeze(pa.array(["2"])), 422, "invalid-table", "must hold numbers, not string"),
        (with_squeeze(pa.array([True])), 422, "invalid-table", "must hold numbers, not bool"),
        (with_squeeze(pa.array([[1.0]])), 422, "invalid-table", "must hold numbers, not list"),
        (with_squeeze(pa.array([1], pa.decimal128(9))), 422, "invalid-table", "must hold numbers, not decimal128"),
        (with_squeeze(pa.array([2]).dictionary_encode()), 422, "invalid-table", "must hold numbers, not dictionary"),
        (with_squeeze(UUIDS), 422, "invalid-table", "must hold numbers, not extension"),
    ],
)
def test_what_is_no_table_of_clips_is_refused_as_a_whole(client, body, status, kind, words):
    got = problem(client, body)
    assert (got["status"], got["type"]) == (status, f"/problems/{kind}" if kind else "about:blank")
    assert words in got["detail"]
    if kind == "invalid-table":
        assert got["errors"]


def test_a_schema_of_thousands_of_wrong_columns_is_answered_shortly(client):
    table = pa.table({f"column {number}": [1] for number in range(3_000)})
    got = problem(client, written(table, WANT))
    assert len(json.dumps(got)) < 20_000


@pytest.mark.parametrize(
    ("options", "status"),
    [({"headers": {"Content-Encoding": "gzip"}}, 415), ({"query_string": {"a": "b"}}, 400)],
)
def test_a_table_is_sent_as_a_batch_is(client, options, status):
    assert problem(client, GOOD, **options)["status"] == status


# --- what is refused on the way -------------------------------------------------------------------------------------


def ended(client, body: bytes, clips_answered: int, **options) -> dict:
    """The problem in the end of an answer that is not complete."""
    got = answer(client, body, **options)
    assert not got.end["complete"]
    assert got.end["clips"] == got.end["rows"] == got.rows.num_rows == clips_answered
    assert got.rows["clip_row"].to_pylist() == list(range(clips_answered))
    return got.end["problem"]


@pytest.mark.parametrize("codec", ["lz4", "zstd"])
def test_compressed_buffers_are_not_unpacked(client, codec):
    body = written(pa.table({name: [1] * 5_000 for name in UHD}), WANT, compression=codec)
    assert "compressed" in ended(client, body, 0)["detail"]


def test_a_dictionary_that_no_column_has_is_refused(client):
    table = pa.table({"raster_width_px": pa.array([1]), "x": pa.array(["a"]).dictionary_encode()})
    messages = written(table)
    schema_bytes = 8 + int.from_bytes(messages[4:8], "little")
    body = GOOD[: 8 + int.from_bytes(GOOD[4:8], "little")] + messages[schema_bytes:]
    assert "dictionaries are not read" in ended(client, body, 0)["detail"]


def test_buffers_at_odd_places_are_refused_before_they_are_looked_at():
    odd = pa.py_buffer(bytes(64)).slice(1, 16)
    batch = pa.RecordBatch.from_arrays([pa.Array.from_buffers(pa.int64(), 2, [None, odd])], names=["raster_width_px"])
    with pytest.raises(Problem, match="multiple of 8"):
        clip_messages._refuse_odd_places(batch)


TWENTY = pa.table({name: [value] * 20 for name, value in UHD.items()})


@pytest.mark.parametrize(
    ("name", "bound", "done"),
    [
        ("batch_message_rows", 9, 0),
        ("batch_message_bytes", 100, 0),
        ("batch_clips", 12, 10),
        ("batch_bytes", len(written(TWENTY, WANT, batch_rows=10)) - 100, 10),
    ],
)
def test_a_table_beyond_a_bound_ends_where_it_passes_it_and_says_which(client, monkeypatch, name, bound, done):
    for module in (clips, clip_messages):
        monkeypatch.setattr(module, "LIMITS", replace(LIMITS, **{name: bound}))
    got = ended(client, written(TWENTY, WANT, batch_rows=10), done)
    assert (got["status"], got["limit"]) == (413, bound)


def test_a_table_has_no_more_time_than_a_batch_may_have(client, monkeypatch):
    monkeypatch.setattr(batch_call, "LIMITS", replace(LIMITS, batch_s=-1))
    assert ended(client, written(TWENTY, WANT), 0)["limit"] == -1


@pytest.mark.parametrize("is_announced", [True, False], ids=["announced", "in chunks"])
def test_wherever_a_table_is_cut_every_whole_batch_before_is_answered_and_no_other(client, is_announced):
    body = written(TWENTY, WANT, batch_rows=5)
    schema, whole = 8 + int.from_bytes(body[4:8], "little"), answer(client, body)
    each = (len(body) - 8 - schema) // 4
    for kept in range(schema, len(body), 37):
        length = (
            {"CONTENT_LENGTH": str(len(body))}
            if is_announced
            else {"CONTENT_LENGTH": "", "wsgi.input_terminated": True}
        )
        got = answer(client, body[:kept], environ_overrides=length)
        done = min((kept - schema) // each, 4) * 5
        assert (got.end["complete"], got.end["clips"], got.end["problem"]["status"]) == (False, done, 400)
        assert "broke off" in got.end["problem"]["detail"]
        assert got.rows.equals(whole.rows.slice(0, done))


def test_what_follows_the_end_of_a_table_is_refused(client):
    assert "bytes follow" in ended(client, GOOD + b"x", 1)["detail"]


@pytest.mark.parametrize("slug", ["busy", "stopping"])
def test_no_place_or_no_more_welcome_ends_the_answer_where_it_is(monkeypatch, slug):
    app = create_app(Settings(log=False, metrics=False))
    monkeypatch.setattr(clips, "PART_FRAMES", 5)
    entrance = app.extensions["tallwide-entrance"]
    seen = []
    piece = type(entrance)._piece

    def limited(self, call, *arguments):
        seen.append(arguments)
        if slug == "stopping":
            entrance.stop_welcoming()
        elif len(seen) > 1:
            raise Problem(429, "busy", "t", "d")
        return piece(self, call, *arguments)

    monkeypatch.setattr(type(entrance), "_piece", limited)
    got = ended(app.test_client(), written(TWENTY, WANT), 5)
    assert got["type"] == f"/problems/{slug}"


class Slow:
    """A solver of which clips take too long when there are too many, or a certain one is among them."""

    def __init__(self, most: int) -> None:
        self.most, self.asked = most, []

    def piece(self, call, batch, first):
        self.asked.append((first, batch.num_rows))
        if batch.num_rows > self.most or (batch.num_rows and first <= 7 < first + batch.num_rows):
            raise Problem(503, "out-of-time", "t", "d", members={"limit": 10})
        return call(batch, first)


def test_clips_that_take_too_long_together_are_done_in_halves_and_one_that_does_alone_is_refused(client):
    slow = Slow(5)
    with client.application.test_request_context("/v1/batch", method="POST"):
        call = BatchCall({"tallwide.piece": slow.piece})
        source = pa.BufferReader(written(TWENTY, WANT))
        got = read(b"".join(clips.answered(clips.Table(source), call)))
    whole = answer(client, written(TWENTY, WANT)).rows
    late = json.loads(got.rows["problem"][7].as_py())
    assert (late["status"], late["type"], late["limit"]) == (503, "/problems/out-of-time", 10)
    assert got.end == {"end": True, "complete": True, "clips": 20, "rows": 20, "answers": 19, "problems": 1}
    assert got.rows.slice(0, 7).equals(whole.slice(0, 7))
    assert got.rows.slice(8).equals(whole.slice(8))
    assert slow.asked[0] == (0, 20)


def test_a_surprise_breaks_the_answer_off_and_reveals_nothing(monkeypatch):
    app = create_app()
    monkeypatch.setattr(clips._Solving, "frames", lambda *_: 1 / 0)
    got = answer(app.test_client(), GOOD)
    assert (got.end["complete"], got.end["problem"]["status"]) == (False, 500)
    assert "division" not in json.dumps(got.end)


def test_answered_clips_are_counted_for_the_journal():
    environ = {}
    list(clips.answered(clips.Table(pa.BufferReader(written(TWENTY, WANT))), BatchCall(environ)))
    assert environ["tallwide.items"] == 20


# --- without pyarrow, and hostile streams ---------------------------------------------------------------------------


def in_new_process(code: str) -> str:
    paths = [str(ROOT / "sdk"), str(ROOT / "service"), str(ROOT / "tests")]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=300, check=False, env=environment
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout


def test_pyarrow_is_loaded_by_the_first_table_and_not_by_the_start():
    code = """
import sys
from tallwide_service import create_app
app = create_app()
app.test_client().post("/v1/batch", data=b"{}", content_type="application/x-ndjson").data
print("pyarrow" in sys.modules)
"""
    assert in_new_process(code) == "False\n"


def test_a_service_within_a_program_leaves_that_programs_pyarrow_as_it_is():
    code = """
import pyarrow as pa
def told():
    return pa.cpu_count(), pa.default_memory_pool().backend_name
pa.set_cpu_count(3)
before = told()
from tallwide_service.api import clips
print(told() == before)
"""
    assert in_new_process(code) == "True\n"


def test_without_pyarrow_a_table_is_no_content_type_that_is_read():
    code = f"""
import sys
sys.modules["pyarrow"] = None
from tallwide_service import create_app
response = create_app().test_client().post("/v1/batch", data=b"", content_type={ARROW!r})
print(response.status_code, response.headers["Accept"], response.json["detail"])
"""
    got = in_new_process(code)
    assert got.startswith("415 application/x-ndjson tables need pyarrow")
    assert "pip install 'tallwide[arrow]'" in got


def test_damaged_streams_end_neither_the_process_nor_any_answer_without_saying_why():
    """In a process of its own: what goes wrong in compiled code ends it."""
    print(in_new_process("import damaged_streams; damaged_streams.main(seed=1, streams=1500)"))
