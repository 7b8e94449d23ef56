"""The layer in front of every endpoint, with an application behind it that does as it is told."""

from __future__ import annotations

import io
import json
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace

import pytest

from entrance.conftest import ask
from tallwide_service import create_app
from tallwide_service.api.entrance import layer, tokens
from tallwide_service.api.entrance.names import Routes, trace_id
from tallwide_service.api.entrance.usual import MOST_KINDS, SLOW_S, kind_of
from tallwide_service.api.problems import Problem
from tallwide_service.limits import LIMITS
from tallwide_service.settings import Settings

SECURITY = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def endless(_) -> bytes:
    while True:
        pass


def endless_if_asked(environ) -> bytes:
    return endless(environ) if "HTTP_ENDLESS" in environ else b"done"


def failing(_) -> bytes:
    raise RuntimeError("harbour-crane")


@pytest.mark.parametrize("path", ["/v1/extractions", "/livez", "/nowhere", "/v1/limits"])
@pytest.mark.parametrize("answer", [lambda _: b"done", failing], ids=["answered", "broken"])
def test_every_answer_has_the_security_headers_and_its_id(entrance, path, answer):
    got = ask(entrance(answer), path, HTTP_X_REQUEST_ID="farm-8")
    assert {name: got.header(name) for name in SECURITY} == SECURITY
    assert got.header("X-Request-ID") == "farm-8"
    assert "harbour-crane" not in got.body.decode()


def test_an_answer_keeps_the_policies_that_it_brings():
    def inner(_, start_response):
        own = [("Content-Security-Policy", "default-src 'self'"), ("Cross-Origin-Resource-Policy", "cross-origin")]
        start_response("200 OK", own)
        return [b""]

    got = ask(layer.Entrance(inner, Settings(log=False), Routes([]), is_bounded=True))
    assert got.header("Content-Security-Policy") == "default-src 'self'"
    assert got.header("Cross-Origin-Resource-Policy") == "cross-origin"


@pytest.mark.parametrize("given", ["a b", "x" * 65, "", "ä", "a\r\nb"])
def test_a_strange_request_id_is_replaced(entrance, given):
    made = ask(entrance(), HTTP_X_REQUEST_ID=given).header("X-Request-ID")
    assert len(made) == 16
    assert int(made, 16) >= 0


@pytest.mark.parametrize(
    ("given", "is_kept"),
    [
        # W3C Trace Context, 3.2: its own example, then a later version with more behind, then what is not valid.
        pytest.param("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", True, id="valid"),
        pytest.param("01-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more", True, id="later version"),
        pytest.param("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more", False, id="too long"),
        pytest.param("ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", False, id="version ff"),
        pytest.param("00-" + "0" * 32 + "-00f067aa0ba902b7-01", False, id="no trace"),
        pytest.param("00-4bf92f3577b34da6a3ce929d0e0e4736-" + "0" * 16 + "-01", False, id="no parent"),
        pytest.param("00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01", False, id="capitals"),
        pytest.param("", False, id="empty"),
    ],
)
def test_a_trace_is_carried_on_where_it_is_valid(given, is_kept):
    made = trace_id(given)
    assert (made == "4bf92f3577b34da6a3ce929d0e0e4736") is is_kept
    assert len(made) == 32
    assert int(made, 16) > 0


@pytest.mark.parametrize(
    ("environ", "status"),
    [
        ({"HTTP_TRANSFER_ENCODING": "chunked"}, 200),
        ({"HTTP_TRANSFER_ENCODING": "Chunked"}, 200),
        ({"HTTP_TRANSFER_ENCODING": "gzip, chunked"}, 501),
        ({"HTTP_TRANSFER_ENCODING": "identity"}, 501),
        ({"HTTP_TRANSFER_ENCODING": ""}, 501),
        ({"SERVER_PROTOCOL": "HTTP/1.1"}, 400),
        ({"SERVER_PROTOCOL": "HTTP/1.1", "HTTP_HOST": "framing.example"}, 200),
        ({"SERVER_PROTOCOL": "HTTP/1.0"}, 200),
    ],
)
def test_what_two_servers_might_read_in_two_ways_is_refused(entrance, environ, status):
    got = ask(entrance(), **environ)
    assert got.status == status
    assert status == 200 or got.problem["status"] == status


@pytest.mark.parametrize("path", ["//v1/orientation", "///v1/orientation", "//livez", "//", "v1/orientation", "*"])
def test_a_path_that_others_would_take_for_another_one_leads_nowhere(entrance, path):
    """What is behind takes off leading strokes, so that work would be done outside of places and deadlines."""
    reached = []
    app = entrance(lambda environ: reached.append(environ) or b"done")
    got = ask(app, path)
    assert (got.status, got.problem["instance"]) == (404, path)
    assert reached == []
    assert app.places.taken == 0


@pytest.mark.parametrize("path", ["/v1//limits", "//v1/limits", "/v1/limits/", "/page//main.js", "/docs//", "/page"])
def test_no_path_is_redirected_to_a_host_of_the_caller_s(path):
    got = ask(create_app(Settings(log=False)), path, "GET", b"", HTTP_HOST="evil.example")
    assert (got.status, got.problem["instance"]) == (404, path)
    assert got.header("Location") is None
    assert b"evil" not in got.body


def test_no_route_redirects_to_an_address_with_a_host():
    app = create_app(Settings(log=False))
    for rule in sorted({str(rule) for rule in app.url_map.iter_rules()}):
        for path in (rule, rule.rstrip("/") or "/", rule + "/", rule.replace("/", "//")):
            moved = ask(app, path, "GET", b"", HTTP_HOST="evil.example").header("Location")
            assert moved is None or "/" not in moved.rstrip("/"), path


# --- places ---------------------------------------------------------------------------------------------------------


class Held:
    """Work that goes on until it is let go."""

    def __init__(self) -> None:
        self.go, self.begun = threading.Event(), threading.Semaphore(0)

    def __call__(self, environ) -> bytes:
        if environ["PATH_INFO"].startswith("/v1/extractions"):
            self.begun.release()
            assert self.go.wait(20)
        return b"done"


@pytest.mark.parametrize("path", ["/livez", "/readyz", "/v1/limits", "/v1/reference/rasters", "/", "/nowhere"])
def test_while_every_place_is_taken_more_work_is_refused_at_once_and_the_rest_is_answered(entrance, path):
    held = Held()
    app = entrance(held, threads=2, waiting=3, wait_s=20)
    with ThreadPoolExecutor(5) as callers:
        under_way = [callers.submit(ask, app) for _ in range(5)]
        assert held.begun.acquire(timeout=10)
        assert held.begun.acquire(timeout=10)
        while app.places.waited_for < 3:
            time.sleep(0.01)
        began = time.perf_counter()
        refused = ask(app)
        answered = ask(app, path, "GET", b"")
        assert time.perf_counter() - began < 1
        held.go.set()
        assert [each.result().status for each in under_way] == [200] * 5
    assert (refused.status, refused.problem["type"]) == (429, "/problems/busy")
    assert int(refused.header("Retry-After")) >= 1
    assert answered.status == 200
    assert app.places.taken == app.places.waited_for == 0


def test_slow_calls_leave_a_place_to_quick_ones_and_wait_in_places_of_their_own(entrance):
    """What was slow once is known as slow, by its endpoint, its length and the words that make a job dear."""
    held = Held()
    app = entrance(held, threads=2, waiting=1, wait_s=20)
    slow, quick = b'{"framing": "shared_point"}', b'{"framing": "independent!"}'
    assert len(slow) == len(quick)
    for body in (slow, quick):
        app.usual.learn(kind_of("/v1/extractions", body), 0.5 if body is slow else 0.001)
    with ThreadPoolExecutor(4) as callers:
        under_way = [callers.submit(ask, app, body=slow) for _ in range(2)]
        assert held.begun.acquire(timeout=10)
        while app.places.waited_for < 1:
            time.sleep(0.01)
        assert ask(app, body=slow).status == 429, "one computes, one waits"
        under_way += [callers.submit(ask, app, body=quick) for _ in range(2)]
        assert held.begun.acquire(timeout=10), "a quick call finds a place beside a slow one"
        while app.places.waited_for < 2:
            time.sleep(0.01)
        assert ask(app, body=quick).status == 429
        held.go.set()
        assert [each.result().status for each in under_way] == [200] * 4
    assert app.places.taken == app.places.waited_for == 0


def test_a_slow_call_that_has_waited_in_vain_leaves_nothing_taken(entrance):
    held = Held()
    app = entrance(held, threads=1, waiting=1, wait_s=0.1)
    app.usual.learn(kind_of("/v1/margins", b"{}"), 0.5)
    with ThreadPoolExecutor(1) as callers:
        first = callers.submit(ask, app)
        assert held.begun.acquire(timeout=10)
        assert ask(app, "/v1/margins").status == 429
        held.go.set()
        assert first.result().status == 200
    assert ask(app, "/v1/margins").status == 200
    assert app.places.taken == app.places.waited_for == 0


def test_what_calls_have_cost_is_learned_from_the_time_of_their_own_thread(entrance):
    def work(environ) -> bytes:
        until = time.thread_time() + (2 * SLOW_S if "HTTP_SLOW" in environ else 0.0)
        while time.thread_time() < until:
            pass
        return b"done"

    app = entrance(work)
    kind = kind_of("/v1/extractions", b"{}")
    assert not app.usual.is_slow(kind)
    ask(app, HTTP_SLOW="yes")
    assert app.usual.is_slow(kind)
    for _ in range(60):
        ask(app)
    assert not app.usual.is_slow(kind)
    for number in range(MOST_KINDS + 10):
        app.usual.learn(kind_of(str(number), b""), 1.0)
    assert len(app.usual) <= MOST_KINDS


def test_nobody_waits_longer_than_said(entrance):
    held = Held()
    app = entrance(held, threads=1, waiting=1, wait_s=0.1)
    with ThreadPoolExecutor(1) as callers:
        first = callers.submit(ask, app)
        assert held.begun.acquire(timeout=10)
        began = time.perf_counter()
        refused = ask(app)
        assert 0.09 <= time.perf_counter() - began < 5
        held.go.set()
        assert (first.result().status, refused.status) == (200, 429)
    assert ask(app).status == 200


def test_retry_after_grows_with_the_work_ahead_and_is_bounded(entrance):
    app = entrance(threads=2)
    assert app.places.retry_after_s == 1
    for _ in range(100):
        app.places.take_or_wait(is_slow=False)
        app.places.leave(8.0, is_slow=False)
    app.places.take_or_wait(is_slow=False)
    assert app.places.retry_after_s == 4  # one ahead, two places, 8 s each
    for _ in range(100):
        app.places.take_or_wait(is_slow=False)
        app.places.leave(10_000.0, is_slow=False)
    assert app.places.retry_after_s == 30


class Dripping(io.RawIOBase):
    """A body that does not come before it is let go, and then at once."""

    def __init__(self) -> None:
        super().__init__()
        self.go, self.is_over = threading.Event(), False

    def read(self, _=-1) -> bytes:
        assert self.go.wait(20)
        rest, self.is_over = b"" if self.is_over else b"{}", True
        return rest


@pytest.mark.parametrize(
    ("content_type", "kind", "most"),
    [
        ("application/json", "_bodies", layer.BODIES),
        ("multipart/form-data; boundary=x", "_uploads", layer.UPLOADS),
        # Types are told apart regardless of case: RFC 9110, 8.3.1.
        ("Multipart/form-data; boundary=x", "_uploads", layer.UPLOADS),
        ("MULTIPART/FORM-DATA; boundary=x", "_uploads", layer.UPLOADS),
    ],
)
def test_senders_that_dawdle_hold_no_place_to_compute_in(entrance, content_type, kind, most):
    app = entrance(threads=1)
    bodies = [Dripping() for _ in range(most)]
    sent = {"CONTENT_TYPE": content_type, "CONTENT_LENGTH": str(LIMITS.body_bytes + 1 if kind == "_uploads" else 2)}
    with ThreadPoolExecutor(most) as callers:
        slow = [callers.submit(ask, app, **sent, **{"wsgi.input": body}) for body in bodies]
        until = time.monotonic() + 10
        while getattr(app._reading, kind).taken < most:
            assert time.monotonic() < until
            time.sleep(0.01)
        assert app.places.taken == 0
        assert ask(app, "/v1/extractions", "GET", b"").status == 200
        refused = ask(app, CONTENT_TYPE=content_type)
        assert refused.status == 429
        assert "bodies" in refused.problem["detail"]
        for body in bodies:
            body.go.set()
        assert [each.result().status for each in slow] == [200] * most
    assert ask(app).status == 200


@pytest.mark.parametrize(
    ("length", "is_read"),
    [(2, True), (LIMITS.body_bytes, True), (LIMITS.body_bytes + 1, False)],
)
def test_a_body_that_says_it_is_too_large_is_not_read(entrance, length, is_read):
    sent = io.BytesIO(b" " * length)
    app = entrance(lambda environ: str(environ["wsgi.input"] is not sent).encode())
    got = ask(app, **{"wsgi.input": sent, "CONTENT_LENGTH": str(length)})
    assert got.body == str(is_read).encode()
    assert sent.tell() == (length if is_read else 0)


def test_a_body_sent_in_pieces_is_read_to_one_byte_beyond_the_bound(entrance):
    app = entrance(lambda environ: str(len(environ["wsgi.input"].read())).encode())
    endless_body = io.BytesIO(b" " * (LIMITS.body_bytes * 2))
    got = ask(app, **{"wsgi.input": endless_body, "CONTENT_LENGTH": "", "wsgi.input_terminated": True})
    assert got.body == str(LIMITS.body_bytes + 1).encode()


def test_an_upload_is_read_ahead_and_comes_out_as_it_went_in(entrance):
    sent = bytes(range(256)) * 5_000
    app = entrance(lambda environ: environ["wsgi.input"].read())
    assert ask(app, body=sent, CONTENT_TYPE="multipart/form-data; boundary=x").body == sent


# --- deadlines ------------------------------------------------------------------------------------------------------


def test_work_past_its_deadline_is_a_503_and_the_place_is_free(entrance):
    app = entrance(endless_if_asked, threads=1, deadline_s=0.1)
    got = ask(app, HTTP_ENDLESS="yes")
    assert (got.status, got.problem["type"], got.problem["limit"]) == (503, "/problems/out-of-time", 0.1)
    assert app.places.taken == 0
    assert ask(app).body == b"done"


def test_hundreds_of_deadlines_leave_every_thread_and_every_place_as_they_were(entrance):
    app = entrance(endless_if_asked, threads=8, deadline_s=0.1)

    def one(number: int) -> tuple[int, int]:
        late = ask(app, HTTP_ENDLESS="yes") if number % 2 else ask(app)
        return late.status, ask(app).status

    with ThreadPoolExecutor(8) as callers:
        answers = list(callers.map(one, range(300)))
    assert {(503, 200), (200, 200)} == set(answers)
    assert app.places.taken == app.places.waited_for == 0


# --- streams --------------------------------------------------------------------------------------------------------


def streaming(parts, **settings):
    """Return an entrance in front of a stream whose parts are what these calls give, each within `piece`."""

    def inner(environ, start_response):
        start_response("200 OK", [("Content-Type", "application/x-ndjson")])
        piece = environ["tallwide.piece"]

        def lines():
            for part in parts:
                try:
                    yield piece(part)
                except Problem as problem:
                    yield f"{problem.status}\n".encode()

        return lines()

    return layer.Entrance(inner, Settings(**{"log": False, **settings}), Routes(["/v1/batch"]), is_bounded=True)


def test_a_late_line_of_a_stream_is_a_problem_and_the_next_one_is_right():
    app = streaming([lambda: b"one\n", lambda: endless(None), lambda: b"three\n"] * 3, deadline_s=0.1, threads=1)
    assert ask(app, "/v1/batch").body == b"one\n503\nthree\n" * 3
    assert app.places.taken == app._streams.taken == 0


def test_streams_are_as_many_as_there_are_places_for_them_and_give_them_back():
    app = streaming([lambda: b"one\n", lambda: b"two\n"])

    def begun():
        parts = app({"REQUEST_METHOD": "POST", "PATH_INFO": "/v1/batch", "wsgi.input": io.BytesIO()}, lambda *_: None)
        assert next(iter(parts)) == b"one\n"
        return parts

    under_way = [begun() for _ in range(layer.STREAMS)]
    refused = ask(app, "/v1/batch")
    assert refused.status == 429
    assert "streams" in refused.problem["detail"]
    assert app.places.taken == 0, "a stream that nobody reads holds no place to compute in"
    under_way.pop().close()
    assert ask(app, "/v1/batch").status == 200
    under_way.clear()  # forgotten rather than closed
    assert app._streams.taken == 0


# --- access ---------------------------------------------------------------------------------------------------------

TOKENS = ("harbour-crane-0123456789", "lighthouse-lamp-987654321")


@pytest.mark.parametrize("token", TOKENS)
@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER"])
def test_any_of_the_tokens_opens(entrance, token, scheme):
    assert ask(entrance(tokens=TOKENS), HTTP_AUTHORIZATION=f"{scheme} {token}").status == 200


@pytest.mark.parametrize(
    "shown",
    [
        None,
        "",
        "Bearer",
        "Bearer ",
        f"Basic {TOKENS[0]}",
        TOKENS[0],
        f"Bearer {TOKENS[0]}x",
        f"Bearer {TOKENS[0][:-1]}",
    ],
)
def test_nothing_else_does(entrance, shown):
    got = ask(entrance(tokens=TOKENS), **({} if shown is None else {"HTTP_AUTHORIZATION": shown}))
    assert (got.status, got.problem["type"]) == (401, "/problems/no-token")
    assert got.header("WWW-Authenticate").startswith('Bearer realm="tallwide"')
    assert not any(token in got.body.decode() for token in TOKENS)


@pytest.mark.parametrize("shown", [TOKENS[0], TOKENS[1], "", "x", TOKENS[0][:-1], "x" * 5_000, "\u00e9"])
def test_every_token_is_compared_whatever_is_shown_as_digests_of_one_length(entrance, monkeypatch, shown):
    compared = []

    def compare_digest(one: bytes, other: bytes) -> bool:
        compared.append((len(one), len(other)))
        return one == other

    app = entrance(tokens=TOKENS)
    monkeypatch.setattr(tokens, "hmac", SimpleNamespace(compare_digest=compare_digest))
    assert (ask(app, HTTP_AUTHORIZATION=f"Bearer {shown}").status == 200) is (shown in TOKENS)
    assert compared == [(32, 32)] * len(TOKENS)


@pytest.mark.parametrize("shown", [*TOKENS, "a-token-with-a-slip-of-a-key"])
def test_a_token_is_never_logged_counted_or_told_right_or_wrong(entrance, capfd, caplog, shown):
    caplog.set_level(0)
    app = entrance(failing if shown in TOKENS else lambda _: b"done", log=True, tokens=TOKENS)
    answer = ask(app, HTTP_AUTHORIZATION=f"Bearer {shown}")
    app.journal.count()
    app.journal.write()
    written = capfd.readouterr()
    told = [
        written.out,
        written.err,
        caplog.text,
        app.metrics.text().decode(),
        answer.body.decode(),
        str(answer.headers),
    ]
    assert '"status":' in written.err
    assert not any(token in text for token in (shown, *TOKENS) for text in told)


@pytest.mark.parametrize(
    ("path", "status"), [("/livez", 200), ("/readyz", 200), ("/v1/limits", 401), ("/metrics", 401)]
)
def test_probes_need_no_token_and_everything_that_tells_something_does(entrance, path, status):
    assert ask(entrance(tokens=TOKENS), path, "GET", b"").status == status


def test_tokens_change_with_their_file_and_a_wrong_file_changes_nothing(entrance, tmp_path, monkeypatch, caplog):
    monkeypatch.setattr("tallwide_service.api.entrance.tokens.LOOK_AGAIN_S", 0.0)
    file = tmp_path / "tokens"
    file.write_text(f"# the farm's\n{TOKENS[0]}\n\n")
    app = entrance(tokens_file=str(file))

    def opened() -> list[bool]:
        return [ask(app, HTTP_AUTHORIZATION=f"Bearer {token}").status == 200 for token in TOKENS]

    assert opened() == [True, False]
    file.write_text("\n".join(TOKENS) + "\n")
    assert opened() == [True, True]
    file.write_text("short\n")
    assert opened() == [True, True]
    file.unlink()
    assert opened() == [True, True]
    (tmp_path / "new").write_text(TOKENS[1])
    (tmp_path / "new").rename(file)
    assert opened() == [False, True]
    assert not any(token in caplog.text for token in TOKENS)


def test_what_a_proxy_says_of_its_path_counts_where_it_is_trusted_and_is_a_path(entrance):
    trusting, wary = entrance(failing, trust_proxy=True), entrance(failing)
    assert ask(trusting, HTTP_X_FORWARDED_PREFIX="/framing/v2").problem["instance"] == "/framing/v2/v1/extractions"
    for strange in ("//evil.example", "framing", "/a/", "/a b", "/ä", "/../..//x", "/a" * 9, ""):
        assert ask(trusting, HTTP_X_FORWARDED_PREFIX=strange).problem["instance"] == "/v1/extractions", strange
    assert ask(wary, HTTP_X_FORWARDED_PREFIX="/framing").problem["instance"] == "/v1/extractions"


# --- other origins --------------------------------------------------------------------------------------------------

HERE, THERE = "https://panels.example", "https://elsewhere.example"
PREFLIGHT = {"HTTP_ACCESS_CONTROL_REQUEST_METHOD": "POST", "HTTP_ORIGIN": HERE}


def allowed(got) -> str | None:
    return got.header("Access-Control-Allow-Origin")


def test_without_a_setting_no_other_origin_may_ask(entrance):
    app = entrance()
    assert allowed(ask(app, HTTP_ORIGIN=HERE)) is None
    preflight = ask(app, method="OPTIONS", **PREFLIGHT)
    assert (preflight.status, allowed(preflight), preflight.header("Access-Control-Allow-Methods")) == (204, None, None)


@pytest.mark.parametrize("answer", [lambda _: b"done", failing], ids=["answered", "broken"])
def test_a_named_origin_may_and_on_errors_too(entrance, answer):
    app = entrance(answer, allowed_origins=(HERE,), tokens=TOKENS)
    for got in (ask(app, HTTP_ORIGIN=HERE), ask(app, HTTP_ORIGIN=HERE, HTTP_AUTHORIZATION=f"Bearer {TOKENS[0]}")):
        assert allowed(got) == HERE
        assert "ETag" in got.header("Access-Control-Expose-Headers")
        assert "Origin" in got.header("Vary")
    stranger = ask(app, HTTP_ORIGIN=THERE)
    assert (allowed(stranger), stranger.header("Vary")) == (None, "Origin")


def test_a_preflight_needs_no_token_and_names_what_may_be_asked(entrance):
    got = ask(entrance(allowed_origins=(HERE,), tokens=TOKENS), method="OPTIONS", **PREFLIGHT)
    assert (got.status, allowed(got), got.body) == (204, HERE, b"")
    assert "POST" in got.header("Access-Control-Allow-Methods")
    for header in ("Authorization", "Content-Type", "If-None-Match"):
        assert header in got.header("Access-Control-Allow-Headers")


def test_all_origins_may_where_the_setting_says_so(entrance):
    assert allowed(ask(entrance(allowed_origins=("*",)), HTTP_ORIGIN=THERE)) == "*"


def test_who_is_leaving_is_not_ready_and_still_answers(entrance):
    app = entrance()
    app.stop_welcoming()
    got = ask(app, "/readyz", "GET", b"")
    assert (got.status, got.problem["type"]) == (503, "/problems/stopping")
    assert ask(app, "/livez", "GET", b"").status == ask(app).status == 200


# --- the journal and the numbers --------------------------------------------------------------------------------------


def lines_of(capsys, app) -> list[dict]:
    app.journal.count()
    app.journal.write()
    return [json.loads(line) for line in capsys.readouterr().err.splitlines() if line.startswith("{")]


def test_each_request_is_one_line_of_json_without_query_or_token(capsys, entrance):
    app = entrance(failing, log=True, tokens=TOKENS)
    trace = "4bf92f3577b34da6a3ce929d0e0e4736"
    ask(
        app,
        path='/v1/handoff/c"sv\n',
        QUERY_STRING="job=abc",
        HTTP_AUTHORIZATION=f"Bearer {TOKENS[0]}",
        HTTP_X_REQUEST_ID="farm-8",
        HTTP_TRACEPARENT=f"00-{trace}-00f067aa0ba902b7-01",
        REMOTE_ADDR="10.0.0.7",
    )
    ask(app, path="/v1/limits", method="GET", body=b"")
    first, second = lines_of(capsys, app)
    assert (first["request_id"], first["trace_id"], first["status"]) == ("farm-8", trace, 500)
    assert (first["path"], first["route"]) == ('/v1/handoff/c"sv\n', "/v1/handoff/{form}")
    assert first["caller"] == "10.0.0.7"
    assert second["problem"] == "no-token"
    written = json.dumps([first, second])
    assert "job=abc" not in written
    assert TOKENS[0] not in written


def numbers(app) -> dict[str, float]:
    app.journal.count()
    lines = app.metrics.text().decode().splitlines()
    return {line.rpartition(" ")[0]: float(line.rpartition(" ")[2]) for line in lines if not line.startswith("#")}


def test_requests_are_counted_under_routes_and_nothing_that_callers_invent(entrance):
    def answer(environ) -> bytes:
        environ["tallwide.items"] = 3
        return b"12345"

    app = entrance(answer)
    for number in range(50):
        ask(app, f"/v1/handoff/form-{number}", f"M{number}")
        ask(app, f"/nowhere/{number}", "GET", b"")
    found = numbers(app)
    assert found['tallwide_requests_total{method="other",route="/v1/handoff/{form}",status="200"}'] == 50
    assert found['tallwide_requests_total{method="GET",route="other",status="200"}'] == 50
    assert found['tallwide_computed_items_total{route="/v1/handoff/{form}"}'] == 150
    assert found['tallwide_answer_bytes_total{route="other"}'] == 250
    assert found['tallwide_request_seconds_count{route="other"}'] == 50
    assert not any("form-7" in name or "M7" in name for name in found)


def test_refusals_deadlines_and_waits_have_numbers_of_their_own(entrance):
    app = entrance(endless_if_asked, threads=1, waiting=0, deadline_s=0.1)
    with ThreadPoolExecutor(1) as callers:
        late = callers.submit(ask, app, HTTP_ENDLESS="yes")
        while not app.places.taken:
            time.sleep(0.001)
        assert ask(app).status == 429
        assert late.result().status == 503
    found = numbers(app)
    assert found['tallwide_gate_refusals_total{reason="computing"}'] == 1
    assert found['tallwide_deadlines_total{route="/v1/extractions"}'] == 1
    assert found["tallwide_computing"] == 0


def test_a_reader_of_the_log_that_stands_still_holds_nobody_up(entrance, monkeypatch):
    monkeypatch.setattr("tallwide_service.api.entrance.journal.MOST_LINES", 10)
    stuck = threading.Event()

    class Stuck(io.StringIO):
        def write(self, _) -> int:
            stuck.wait(20)
            return 0

    monkeypatch.setattr("sys.stderr", Stuck())
    app = entrance(log=True)
    try:
        for _ in range(200):
            assert ask(app).status == 200
        for _ in range(100):
            if numbers(app).get("tallwide_log_lines_dropped_total", 0) > 100:
                break
            time.sleep(0.05)
        assert numbers(app)["tallwide_log_lines_dropped_total"] > 100
    finally:
        stuck.set()
