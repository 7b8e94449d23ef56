"""Tables of clips of the SDK: whatever holds them, in blocks, on where they broke off, and never a clip twice."""

from __future__ import annotations

import json
import pickle
import re
import socket
import sys

import pyarrow as pa
import pytest

from clip_archive import WANTED, archive
from clip_streams import read, rows_of, written
from running import running
from tallwide import BatchCut, Client, ConnectionFailed, ProtocolError, RefusedInput, UnwritableJob
from tallwide import clips as sdk
from tallwide.job import Deliverable, Framing, Raster
from tallwide.transport import Transport
from tallwide_service import create_app
from tallwide_service.core.clip_columns import CLIP_COLUMNS
from tallwide_service.settings import Settings

pytestmark = pytest.mark.usefixtures("clean_environment")
TABLE = archive(50)
ASKED = WANTED["deliverables"], WANTED["framing"]
ARROW = {"Content-Type": sdk.ARROW_TYPE}
APP = create_app(Settings(log=False, metrics=False))


@pytest.fixture(autouse=True)
def no_waits(monkeypatch):
    monkeypatch.setattr(Transport, "_dice", lambda _: 0.0)


@pytest.fixture
def small_blocks(monkeypatch):
    monkeypatch.setattr(sdk, "BLOCK_CLIPS", 8)


def answer(body: bytes) -> bytes:
    """What a service says to a block."""
    return APP.test_client().post("/v1/batch", data=body, content_type=sdk.ARROW_TYPE).data


WHOLE = read(answer(written(TABLE.drop_columns(["mode"]), WANTED))).rows


def test_the_columns_that_are_sent_are_those_that_the_service_knows():
    assert ("id", *CLIP_COLUMNS) == sdk.COLUMNS


@pytest.mark.usefixtures("small_blocks")
@pytest.mark.parametrize(
    "held",
    [
        TABLE,
        TABLE.to_batches()[0],
        TABLE.to_reader(max_chunksize=7),
        TABLE.to_pandas(),
        TABLE.set_column(0, "id", TABLE["id"].dictionary_encode()),
        TABLE.set_column(0, "id", TABLE["id"].cast(pa.string_view())),
        TABLE.set_column(4, "squeeze", TABLE["squeeze"].cast(pa.decimal128(9, 2))),
    ],
    ids=["table", "batch", "reader", "pandas", "dictionary", "views", "decimals"],
)
def test_clips_are_answered_whatever_holds_them(held):
    got = Client().clips(held, *ASKED).read_all()
    assert got.equals(WHOLE)


def test_deliverables_may_be_deliverables():
    typed = Deliverable("portrait", raster=Raster(1440, 1800))
    got = Client().clips(TABLE, [typed], Framing(aspect_tolerance=0.01)).read_all()
    plain = Client().clips(TABLE, [WANTED["deliverables"][0]], {"aspect_tolerance": 0.01}).read_all()
    assert got.equals(plain)


def test_columns_of_other_names_are_named():
    names = {"raster_width_px": "W", "raster_height_px": "H", "id": "Clip"}
    table = pa.table({"W": [3840], "H": [2160], "Clip": ["x"], "raster_width_px": [1], "note": ["n"]})
    ours = rows_of({"raster_width_px": 3840, "raster_height_px": 2160, "id": "x"})
    got = Client().clips(table, *ASKED, columns=names).read_all()
    assert got.equals(Client().clips(ours, *ASKED).read_all())
    for wrong in ({"colour": "W"}, {"squeeze": "S"}):
        with pytest.raises(ValueError, match="there is no column"):
            Client().clips(table, *ASKED, columns=wrong)


@pytest.mark.usefixtures("small_blocks")
def test_clips_are_numbered_on_from_those_that_came_before():
    rest = Client().clips(TABLE.slice(20), *ASKED, answered=20).read_all()
    assert rest.equals(WHOLE.slice(20 * 3))


def test_without_pyarrow_the_client_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(ImportError, match=re.escape("pip install 'tallwide[arrow]'")):
        Client().clips({"raster_width_px": [3840], "raster_height_px": [2160]}, *ASKED)


def test_an_empty_table_has_an_empty_answer():
    got = Client().clips(TABLE.slice(0, 0), *ASKED).read_all()
    assert (got.num_rows, got.schema) == (0, WHOLE.schema)


@pytest.mark.usefixtures("small_blocks")
def test_no_more_than_a_block_is_taken_before_its_answers_come():
    taken = []
    batches = (taken.append(batch) or batch for batch in TABLE.to_batches(max_chunksize=8))
    answers = Client().clips(pa.RecordBatchReader.from_batches(TABLE.schema, batches), *ASKED)
    answers.read_next_batch()
    assert len(taken) == 1


def test_blocks_are_smaller_than_what_a_service_reads_ahead():
    limits = Client().limits()
    long = pa.table({**{name: [1] * 9_000 for name in sdk.COLUMNS[1:3]}, "id": ["x" * 200] * 9_000})
    blocks = list(sdk._small(long.to_batches()[0]))
    assert sum(block.num_rows for block in blocks) == 9_000
    assert max(block.nbytes for block in blocks) <= sdk.BLOCK_BYTES
    assert limits["batch_message_rows"] >= sdk.BLOCK_CLIPS
    # The schema holds a job's document, and the head of a message is small.
    assert sdk.BLOCK_BYTES + limits["body_bytes"] + 65_536 < limits["batch_read_ahead_bytes"]


@pytest.mark.parametrize(
    ("deliverables", "kind"), [([{"label": "a"}], RefusedInput), ([{"label": float("nan")}], UnwritableJob)]
)
def test_what_is_refused_as_a_whole_is_that_error(deliverables, kind):
    with pytest.raises(kind):
        Client().clips(TABLE, deliverables)


# --- what breaks off ------------------------------------------------------------------------------------------------


def streaming(*, batches: int | None = None, end: bytes = b"", change=None):
    """Return a step of a misbehaving server: its answer, or its schema and so many batches and perhaps another end."""

    def step(handler):
        said = (change or in_parts)(handler.server.seen[-1]["body"])
        if batches is not None:
            said = said[: place(said, batches)] + end
        handler.send_response(200)
        handler.send_header("Content-Type", sdk.ARROW_TYPE)
        handler.send_header("Transfer-Encoding", "chunked")
        handler.end_headers()
        handler.wfile.write(b"%x\r\n%s\r\n" % (len(said), said))
        if batches is not None and not end:
            handler.wfile.flush()
            handler.connection.shutdown(socket.SHUT_RDWR)
            handler.close_connection = True
        else:
            handler.wfile.write(b"0\r\n\r\n")

    return step


def place(stream: bytes, batches: int) -> int:
    """Return where an answer's batch of this number begins; its schema and dictionaries come before the first."""
    reader, source = None, pa.BufferReader(stream)
    reader = pa.ipc.MessageReader.open_stream(source)
    seen = at = 0
    while True:
        message = reader.read_next_message()
        if message.type == "record batch":
            if seen == batches:
                return at
            seen += 1
        at = source.tell()


def ended(batches: list[pa.RecordBatch], said: str) -> bytes:
    """Return an answer of such batches, with what its end says."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, WHOLE.schema) as writer:
        for batch in batches:
            writer.write_batch(batch)
        writer.write_batch(pa.RecordBatch.from_pylist([], schema=WHOLE.schema), custom_metadata={"tallwide": said})
    return sink.getvalue().to_pybytes()


def in_parts(body: bytes) -> bytes:
    """What a service says to a block, five clips a batch."""
    rows, end = read(answer(body))
    return ended(rows.combine_chunks().to_batches(max_chunksize=15), json.dumps(end))


def asked(server) -> list[list[str]]:
    """Return the names of the clips of every call."""
    return [pa.ipc.open_stream(each["body"]).read_all()["id"].to_pylist() for each in server.seen]


def ending(**problem) -> bytes:
    """Return the end of an answer that is not complete."""
    stream = ended([], json.dumps({"end": True, "complete": False, "problem": problem}))
    return stream[place(stream, 0) :]


STOPPING = ending(type="/problems/stopping", status=503, title="t")
BUSY = ending(type="/problems/busy", status=429, title="t")
BROKE_OFF = ending(type="about:blank", status=400, title="t", detail="the batch broke off")
CUTS = {
    "cut behind 10": (streaming(batches=2), 10),
    "cut at once": (streaming(batches=0), 0),
    "ended within a batch": (streaming(change=lambda body: in_parts(body)[: place(in_parts(body), 3) - 50]), 10),
    "ended without an end": (streaming(change=lambda body: in_parts(body)[: place(in_parts(body), 10)]), 50),
    "stopping": (streaming(batches=1, end=STOPPING), 5),
    "busy": (streaming(batches=3, end=BUSY), 15),
    "broke off on the way": (streaming(batches=3, end=BROKE_OFF), 15),
    "a proxy's": ((503, {"Content-Type": "text/html"}, b"no"), 0),
}


@pytest.mark.parametrize("name", CUTS)
def test_what_broke_off_goes_on_with_the_first_clip_that_has_no_answer(misbehaving, name):
    step, answered = CUTS[name]
    server = misbehaving(step, streaming())
    got = Client(server.url, retries=1).clips(TABLE, *ASKED).read_all()
    assert got.equals(WHOLE)
    names = TABLE["id"].to_pylist()
    assert asked(server) == [names, names[answered:]][: 1 if answered == 50 else 2]


@pytest.mark.parametrize("retries", [0, 2])
def test_a_table_that_stays_broken_says_how_many_clips_are_answered_and_has_given_those(misbehaving, retries):
    server = misbehaving(streaming(batches=2), streaming(batches=0))
    answers, got = Client(server.url, retries=retries).clips(TABLE, *ASKED), []
    with pytest.raises(BatchCut) as cut:
        got.extend(answers)
    assert cut.value.answered == 10
    assert cut.value.retryable
    assert isinstance(cut.value.__cause__, ConnectionFailed)
    assert pa.Table.from_batches(got).equals(WHOLE.slice(0, 30))
    rest = Client().clips(TABLE.slice(10), *ASKED, answered=10).read_all()
    assert rest.equals(WHOLE.slice(30))
    again = pickle.loads(pickle.dumps(cut.value))  # noqa: S301 - its own
    assert again.answered == 10


@pytest.mark.usefixtures("small_blocks")
def test_what_a_block_of_the_middle_is_refused_for_is_said_with_what_is_answered():
    table = pa.concat_tables([TABLE.slice(0, 8).select(["id", "raster_width_px", "raster_height_px"])] * 2)
    large = pa.table({"id": ["x" * 9_000_000], **{name: pa.array([9], pa.int32()) for name in table.schema.names[1:]}})
    with pytest.raises(BatchCut) as cut:
        Client().clips(pa.concat_tables([table, large]), *ASKED).read_all()
    assert (cut.value.answered, cut.value.__cause__.status, cut.value.retryable) == (16, 413, False)


def far(body: bytes) -> bytes:
    """What a service says that counts from 7."""
    rows, end = read(answer(body))
    numbers = pa.array([row + 7 for row in rows["clip_row"].to_pylist()])
    return ended(rows.set_column(0, rows.schema.field(0), numbers).to_batches(), json.dumps(end))


def wrong_end(said: str):
    return lambda _: ended([], said)


@pytest.mark.parametrize(
    "change",
    [
        far,
        lambda _: b"x" * 100_000,
        lambda _: b"\xff\xff\xff\xff\x10\x00\x00\x00" + b"\x07" * 100_000,
        lambda body: answer(body)[:1_000] + b"\x99" * 5_000 + answer(body)[6_000:],
        wrong_end("{"),
        wrong_end("[]"),
        wrong_end("{}"),
        wrong_end('{"complete": false, "problem": 7}'),
    ],
)
def test_an_answer_that_is_none_is_no_answer(misbehaving, change):
    server = misbehaving(streaming(change=change))
    with pytest.raises(ProtocolError):
        Client(server.url, retries=0).clips(TABLE, *ASKED).read_all()


# --- a real service -------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("small_blocks")
def test_over_http_the_rows_are_those_in_process():
    with running() as service, Client(f"http://127.0.0.1:{service.port}") as client:
        table = archive(300)
        assert client.clips(table, *ASKED).read_all().equals(Client().clips(table, *ASKED).read_all())
