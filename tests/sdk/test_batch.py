"""Batches of the SDK and of the command line: in order, in blocks, on where they broke off, and never a line twice."""

from __future__ import annotations

import json
import os
import pickle
import re
import socket
import subprocess
import sys

import pytest

from running import running
from tallwide import BatchCut, Client, ConnectionFailed, RateLimited, RefusedInput, UnwritableJob, from_wire
from tallwide import batch as sdk
from tallwide.answers import MarginsAnswer
from tallwide.cli import main
from tallwide.job import Capture, Deliverable, Job, Raster
from tallwide.transport import Transport

pytestmark = pytest.mark.usefixtures("clean_environment")
NDJSON = {"Content-Type": "application/x-ndjson"}


@pytest.fixture(autouse=True)
def no_waits(monkeypatch):
    monkeypatch.setattr(Transport, "_dice", lambda _: 0.0)


def lines(job, number):
    return ({"id": f"clip {count}", "endpoint": "margins", "job": job} for count in range(1, number + 1))


def test_answers_are_those_of_the_endpoint_and_in_order(job, monkeypatch):
    monkeypatch.setattr(sdk, "BLOCK_LINES", 3)
    client = Client()
    got = list(client.batch(lines(job, 10)))
    assert [(answer.line, answer.id) for answer in got] == [(n, f"clip {n}") for n in range(1, 11)]
    assert {from_wire(MarginsAnswer, answer.answer) == client.margins(job) for answer in got} == {True}
    assert got[9].written.startswith(b'{"line":10,"id":"clip 10","status":200,"answer":{')


def test_jobs_may_be_jobs_and_lines_may_be_bytes():
    job = Job(Capture(raster=Raster(4800, 3200)), (Deliverable("a", aspect=1),))
    typed, plain = Client().batch([{"endpoint": "margins", "job": job}, b'{"endpoint": "margins", "job": 1}\r\n'])
    assert typed.answer["margins"][0]["deliverable"] == "a"
    assert isinstance(plain.error, RefusedInput)
    assert plain.error.errors[0]["pointer"] == ""


def test_pictures_come_as_bytes(job):
    (answer,) = Client().batch([{"endpoint": "overlay", "job": job, "media_type": "image/png"}])
    assert (answer.media_type, answer.document) == ("image/png", Client().overlay(job, media_type="image/png"))


def test_no_more_than_a_block_is_taken_before_its_answers_come(job, monkeypatch):
    monkeypatch.setattr(sdk, "BLOCK_LINES", 4)
    taken = []
    answers = Client().batch(taken.append(each["id"]) or each for each in lines(job, 100))
    next(answers)
    assert len(taken) == 5  # a block is known to be full when the next line is there


@pytest.mark.parametrize("line", [{"job": object()}, {"job": float("nan")}, b"", b"\n", b"1\n2"])
def test_what_cannot_be_written_is_said_with_its_number(job, line):
    with pytest.raises(UnwritableJob, match="line 2"):
        list(Client().batch([{"endpoint": "margins", "job": job}, line]))


def replies(body: bytes, *, upto: int | None = None, last: bytes | None = None) -> tuple[bytes, bool]:
    """Return what a service says to a block: all of it, or the first lines, and perhaps another last line."""
    asked = body.splitlines()
    shown = asked if upto is None else asked[:upto]
    said = b"".join(
        b'{"line":%d,"id":%s,"status":200,"answer":{}}\n' % (number, json.dumps(json.loads(each).get("id")).encode())
        for number, each in enumerate(shown, start=1)
    )
    whole = b'{"end":true,"complete":true,"lines":%d,"answers":%d,"problems":0}\n' % (len(asked), len(asked))
    if last is None and upto is None:
        last = whole
    return said + (last or b""), last is not None


def streaming(**how):
    """Return a step of a misbehaving server: chunked, and cut without an end where there is no last line."""

    def step(handler):
        body = handler.server.seen[-1]["body"]
        said, is_whole = replies(body, **how)
        handler.send_response(200)
        handler.send_header("Content-Type", "application/x-ndjson")
        handler.send_header("Transfer-Encoding", "chunked")
        handler.end_headers()
        if said:
            handler.wfile.write(b"%x\r\n%s\r\n" % (len(said), said))
        if is_whole:
            handler.wfile.write(b"0\r\n\r\n")
        else:
            handler.wfile.flush()
            handler.connection.shutdown(socket.SHUT_RDWR)
            handler.close_connection = True

    return step


def busy(line: int) -> bytes:
    return b'{"line":%d,"id":null,"status":429,"problem":{"status":429,"title":"busy"}}\n' % line


STOPPING = b'{"end":true,"complete":false,"lines":2,"problem":{"status":503,"type":"/problems/stopping"}}\n'
CUTS = [
    streaming(upto=3),
    streaming(upto=0),
    streaming(upto=2, last=STOPPING),
    streaming(upto=2, last=busy(3)),
    streaming(upto=2, last=b'{"line":3,"id":"clip 3","sta'),
    (503, {"Content-Type": "text/html"}, b"no"),
]


@pytest.mark.parametrize("cut", CUTS)
def test_what_broke_off_goes_on_with_the_first_line_that_has_no_answer(job, misbehaving, cut):
    server = misbehaving(cut, streaming())
    got = list(Client(server.url, retries=1).batch(lines(job, 5)))
    assert [(answer.line, answer.id) for answer in got] == [(n, f"clip {n}") for n in range(1, 6)]
    first, second = ([json.loads(each)["id"] for each in seen["body"].splitlines()] for seen in server.seen)
    assert second == first[len(first) - len(second) :]


def test_a_batch_that_makes_headway_is_never_given_up(job, misbehaving):
    server = misbehaving(*[streaming(upto=1)] * 5, streaming())
    assert len(list(Client(server.url, retries=1).batch(lines(job, 6)))) == 6


@pytest.mark.parametrize("retries", [0, 2])
def test_a_batch_that_stays_broken_says_how_many_lines_are_answered(job, misbehaving, retries):
    server = misbehaving(streaming(upto=3), streaming(upto=0))
    got = []
    with pytest.raises(BatchCut) as cut:
        got.extend(Client(server.url, retries=retries).batch(lines(job, 5)))
    answers = Client(server.url, retries=retries).batch(lines(job, 5))
    with pytest.raises(BatchCut):
        list(answers)
    assert cut.value.answered == 3
    assert isinstance(cut.value.__cause__, ConnectionFailed)
    assert cut.value.retryable
    again = pickle.loads(pickle.dumps(cut.value))  # noqa: S301 - its own
    assert (again.answered, str(again)) == (3, str(cut.value))


def test_while_a_busy_line_is_waited_for_nothing_more_is_computed(job, misbehaving, monkeypatch):
    server = misbehaving(streaming(upto=2, last=busy(3) + b" " * 100_000), streaming())
    seen = []
    stream, wait = Transport.stream, Transport.has_waited

    def watched(*arguments, **options):
        try:
            yield from stream(*arguments, **options)
        finally:
            seen.append("ended")

    monkeypatch.setattr(Transport, "stream", watched)
    monkeypatch.setattr(Transport, "has_waited", lambda *arguments: seen.append("waits") or wait(*arguments))
    assert len(list(Client(server.url, retries=1).batch(lines(job, 5)))) == 5
    assert seen == ["ended", "waits", "ended"]


def test_a_line_that_stays_busy_has_that_problem_and_the_others_are_answered(job, misbehaving):
    def step(handler):
        body = handler.server.seen[-1]["body"]
        asked = [json.loads(each)["id"] for each in body.splitlines()]
        said = b"".join(
            busy(n) if name == "clip 2" else b'{"line":%d,"id":"%s","status":200,"answer":{}}\n' % (n, name.encode())
            for n, name in enumerate(asked, start=1)
        )
        said += b'{"end":true,"complete":true}\n'
        handler.send_response(200)
        handler.send_header("Content-Type", "application/x-ndjson")
        handler.send_header("Content-Length", str(len(said)))
        handler.end_headers()
        handler.wfile.write(said)

    server = misbehaving(step)
    got = list(Client(server.url, retries=2).batch(lines(job, 4)))
    assert [answer.status for answer in got] == [200, 429, 200, 200]
    assert isinstance(got[1].error, RateLimited)
    assert len(server.seen) == 3


@pytest.mark.parametrize("said", [b"[]\n", b"7\n", b"{}\n", b'{"line":2,"id":1,"status":200}\n', b'{"line":"x"}\n'])
def test_an_answer_that_is_none_is_no_answer(job, misbehaving, said):
    server = misbehaving((200, NDJSON, said))
    with pytest.raises(BatchCut) as cut:
        list(Client(server.url).batch(lines(job, 2)))
    assert cut.value.answered == 0
    assert not cut.value.retryable


# --- a real service -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def service():
    with running() as service:
        yield service


def test_over_http_the_bytes_are_those_in_process(service, job):
    def made():
        return ({"id": n, "endpoint": "extractions" if n % 2 else "orientation", "job": job} for n in range(300))

    with Client(f"http://127.0.0.1:{service.port}") as client:
        assert [each.written for each in client.batch(made())] == [each.written for each in Client().batch(made())]


# --- the command ----------------------------------------------------------------------------------------------------


@pytest.fixture
def jobs_file(tmp_path, job):
    path = tmp_path / "jobs.ndjson"
    path.write_text("".join(json.dumps(each) + "\n" for each in lines(job, 6)), encoding="utf-8")
    return path


def test_the_command_writes_answers_and_counts(jobs_file, tmp_path, capfdbinary):
    assert main(["batch", str(jobs_file)]) == 0
    shown = capfdbinary.readouterr().out
    out = tmp_path / "answers.ndjson"
    assert main(["batch", str(jobs_file), "--out", str(out)]) == 0
    assert out.read_bytes() == shown
    end = json.loads(shown.splitlines()[-1])
    assert end == {"end": True, "complete": True, "lines": 6, "answers": 6, "problems": 0}


def test_the_command_reads_standard_input_and_ends_with_1_where_a_line_was_refused(jobs_file):
    text = jobs_file.read_bytes() + b"\nnot json\n"
    done = subprocess.run(
        [sys.executable, "-m", "tallwide", "batch"], input=text, capture_output=True, check=False, env={**os.environ}
    )
    assert done.returncode == 1
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    assert [answer.get("status") for answer in answers] == [200] * 6 + [400, None]
    assert answers[-1]["problems"] == 1


@pytest.mark.parametrize("kept", [0, 0.5, 1, 3, 3.5, 6, 7])
def test_the_command_goes_on_where_it_broke_off(jobs_file, tmp_path, kept, monkeypatch):
    out = tmp_path / "answers.ndjson"
    assert main(["batch", str(jobs_file), "--out", str(out)]) == 0
    whole = out.read_bytes()
    written = whole.splitlines(keepends=True)
    cut = written[int(kept)][:100] if kept % 1 else b""
    out.write_bytes(b"".join(written[: int(kept)]) + cut)
    asked = []
    batch = Client.batch

    def watched(self, given, **options):
        return batch(self, (asked.append(each) or each for each in given), **options)

    monkeypatch.setattr(Client, "batch", watched)
    assert main(["batch", str(jobs_file), "--out", str(out)]) == 0
    assert json.loads(out.read_bytes().splitlines()[-1])["lines"] == 6
    assert len(asked) == 6 - min(int(kept), 6)
    numbers = [json.loads(line).get("line") for line in out.read_bytes().splitlines()]
    assert numbers == [1, 2, 3, 4, 5, 6, None]


def test_lines_are_numbered_on_where_the_command_goes_on(jobs_file, tmp_path):
    out = tmp_path / "answers.ndjson"
    main(["batch", str(jobs_file), "--out", str(out)])
    whole = out.read_bytes()
    out.write_bytes(b"".join(whole.splitlines(keepends=True)[:2]))
    main(["batch", str(jobs_file), "--out", str(out)])
    assert out.read_bytes() == whole


@pytest.mark.parametrize(
    "wrong",
    [
        b'{"id": "a", "endpoint": "no-such", "job": 1}',
        b'{"id": "a", "job": 1}',
        b'{"id": ["a"], "endpoint": "margins", "job": 1}',
        b'{"id": "a", "id": "b"}',
        b'{"id": "a", ',
    ],
)
def test_the_command_goes_on_behind_a_line_that_was_refused(jobs_file, tmp_path, wrong):
    jobs_file.write_bytes(wrong + b"\n" + jobs_file.read_bytes())
    out = tmp_path / "answers.ndjson"
    assert main(["batch", str(jobs_file), "--out", str(out)]) == 1
    whole = out.read_bytes()
    out.write_bytes(b"".join(whole.splitlines(keepends=True)[:3]))
    assert main(["batch", str(jobs_file), "--out", str(out)]) == 1
    without_request_ids = [re.sub(rb'"request_id":"[^"]*"', b"", each) for each in (whole, out.read_bytes())]
    assert without_request_ids[0] == without_request_ids[1]


def test_an_empty_batch_may_be_asked_again(tmp_path):
    jobs, out = tmp_path / "jobs.ndjson", tmp_path / "answers.ndjson"
    jobs.write_bytes(b"\n")
    for _ in range(2):
        assert main(["batch", str(jobs), "--out", str(out)]) == 0
    assert json.loads(out.read_bytes())["lines"] == 0


@pytest.mark.parametrize(
    "there", [b"notes\n", b'{"line":1,"id":"other","status":200}\n', b'{"line":2,"id":"clip 1","status":200}\n', b"x"]
)
def test_the_command_writes_over_nothing_that_is_not_its_own(jobs_file, tmp_path, there, capsys):
    out = tmp_path / "answers.ndjson"
    out.write_bytes(there)
    assert main(["batch", str(jobs_file), "--out", str(out)]) == 2
    assert out.read_bytes() == there
    assert "answers.ndjson" in capsys.readouterr().err


def test_the_command_ends_with_3_where_it_was_cut_and_keeps_what_came(jobs_file, tmp_path, misbehaving, capsys):
    server = misbehaving(streaming(upto=4), streaming(upto=0))
    out = tmp_path / "answers.ndjson"
    assert main(["batch", str(jobs_file), "--out", str(out), "--url", server.url]) == 3
    assert "after 4 answered" in capsys.readouterr().err
    assert [json.loads(line)["line"] for line in out.read_bytes().splitlines()] == [1, 2, 3, 4]
    assert main(["batch", str(jobs_file), "--out", str(out)]) == 0


def test_a_file_of_lines_that_is_not_there_is_wrong_usage(tmp_path, capsys):
    assert main(["batch", str(tmp_path / "none.ndjson")]) == 2
    assert "none.ndjson" in capsys.readouterr().err
