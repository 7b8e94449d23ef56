"""Short spells of load: every call answered, every refusal clean. Time is looked at by `python tests/load` alone."""

from __future__ import annotations

from collections import Counter

import pytest

from load import spells
from load.holding import highest_rate, is_clean, is_held, of_calls, of_held, of_memory, of_refusals, of_waits
from load.mix import KINDS, Mix
from load.open_loop import LOST, Answer, Spell, put
from running import running

# Of what a quiet machine of two cores does: this one may be shared, and slower.
RATE, SECONDS = 40.0, 5.0
# In so short a spell what is loaded at first counts.
SHORT_GROWTH = 0.4


def answer(status: int = 200, seconds: float = 0.01, head: bytes = b"", body: bytes = b"", name: str = "x") -> Answer:
    return Answer(name, 0.0, 0.0, seconds, status, head, body)


def test_a_worker_answers_a_mix_of_all_endpoints_and_its_memory_stays():
    mix = Mix()
    with running() as service:
        spells.warm_up(service, mix)
        held, memory_mb = spells.hold(service, mix, RATE, SECONDS)
    assert [each for each in (*of_calls(held), *of_memory(memory_mb, SHORT_GROWTH)) if not each.is_met] == []
    assert Counter(each.status for each in held.answers) == {200: RATE * SECONDS}


def test_what_is_too_much_is_refused_cleanly_while_probes_and_the_rest_are_answered():
    """A gate so narrow that the same mix is too much on any machine."""
    mix = Mix()
    with running(environment={"TALLWIDE_THREADS": "1", "TALLWIDE_WAITING": "0"}) as service:
        spells.warm_up(service, mix)
        over = spells.overload(service, mix, 4 * RATE, SECONDS)
    assert [each for each in of_refusals(over) if not each.is_met] == []


def test_every_kind_of_call_of_the_mix_is_answered():
    with running() as service:
        spell = put(service.port, Mix().one_of_each())
    assert {each.name: each.status for each in spell.answers} == {kind.name: 200 for kind in KINDS}


CLEAN = b"HTTP/1.1 429 x\r\nRetry-After: 2\r\nContent-Type: application/problem+json"
BUSY = b'{"type": "/problems/busy", "status": 429, "request_id": "r"}'


@pytest.mark.parametrize(
    ("status", "head", "body", "expected"),
    [
        (429, CLEAN, BUSY, True),
        (503, CLEAN, BUSY, False),
        (429, CLEAN.replace(b"Retry-After: 2", b"Retry-After: 0"), BUSY, False),
        (429, CLEAN.replace(b"Retry-After", b"Again"), BUSY, False),
        (429, CLEAN.replace(b"problem+", b""), BUSY, False),
        (429, CLEAN, BUSY.replace(b"busy", b"other"), False),
        (LOST, b"", b"", False),
    ],
)
def test_a_clean_refusal_says_when_to_come_again(status, head, body, expected):
    assert is_clean(answer(status, head=head, body=body)) is expected


@pytest.mark.parametrize(
    ("answers", "expected"),
    [
        ([answer()] * 200, True),
        ([answer()] * 199 + [answer(429)], False),
        ([answer()] * 199 + [answer(LOST)], False),
        ([answer()] * 190 + [answer(seconds=0.06)] * 10, False),
        ([answer()] * 190 + [answer(seconds=0.04)] * 10, True),
        # A kind that costs more is held against its own median.
        ([answer()] * 100 + [answer(seconds=0.2, name="dear")] * 100, True),
    ],
)
def test_a_rate_is_held_where_all_is_answered_and_the_slowest_are_within_five_times_their_median(answers, expected):
    assert is_held(Spell(answers)) is expected
    findings = of_held(Spell(answers), [100.0] * 20)
    assert all(each.is_met for each in findings) is expected


@pytest.mark.parametrize(
    ("calls", "probe", "expected"),
    [
        ([answer()], answer(name="/livez"), [True, True]),
        ([answer(seconds=1.0)], answer(name="/livez"), [True, True]),
        ([answer(seconds=1.1)], answer(name="/livez"), [False, True]),
        ([answer(seconds=0.5)], answer(name="/livez", seconds=0.11), [True, False]),
    ],
)
def test_waits_beyond_what_is_stated_and_slow_probes_are_seen(calls, probe, expected):
    found = of_waits(Spell([*calls, probe]), Spell([answer()]), wait_s=1.0)
    assert [each.is_met for each in found] == expected


@pytest.mark.parametrize(
    ("calls", "probes", "expected"),
    [
        ([answer(), answer(429, head=CLEAN, body=BUSY)], [answer(name="/livez")], [True, True]),
        ([answer()], [answer(name="/livez")], [False, True]),
        ([answer(429, head=CLEAN, body=BUSY)], [answer(name="/livez")], [False, True]),
        ([answer(), answer(LOST)], [answer(name="/livez")], [False, True]),
        ([answer(), answer(429, head=CLEAN, body=BUSY)], [answer(503, name="/livez")], [True, False]),
        ([answer(), answer(429, head=CLEAN, body=BUSY)], [], [True, False]),
    ],
)
def test_refusals_that_are_not_clean_and_probes_that_fail_are_seen(calls, probes, expected):
    assert [each.is_met for each in of_refusals(Spell([*calls, *probes]))] == expected


def test_memory_that_grows_is_seen():
    flat, growing = [100.0, 110.0, *[120.0] * 18], [100.0 + number for number in range(20)]
    for memory_mb, expected in ((flat, True), (growing, False)):
        assert all(each.is_met for each in of_held(Spell([answer()] * 10), memory_mb)) is expected


def test_the_highest_rate_is_found_by_halving():
    asked = []
    assert highest_rate(lambda rate: asked.append(rate) or rate <= 330, 25, 3) == 325
    assert len(asked) == 5 + 3
    with pytest.raises(RuntimeError):
        highest_rate(lambda _: False, 25, 3)


def test_calls_that_nobody_answers_in_time_count_from_when_they_were_due():
    """One call of half a second: those due meanwhile are charged for it, as nobody holds them back."""
    import http.server  # noqa: PLC0415
    import threading  # noqa: PLC0415
    import time  # noqa: PLC0415

    from load.open_loop import Call  # noqa: PLC0415

    class Slow(http.server.BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            time.sleep(0.5 if self.path == "/slow" else 0)
            self.send_response(200)
            self.send_header("Content-Length", "2")
            self.end_headers()
            self.wfile.write(b"ok")

        def log_message(self, *_: object) -> None:
            pass

    with http.server.HTTPServer(("127.0.0.1", 0), Slow) as server:  # one at a time
        threading.Thread(target=server.serve_forever, daemon=True).start()
        request = b"GET /%s HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
        calls = [Call(0.0, "slow", request % b"slow"), Call(0.1, "quick", request % b"quick")]
        answers = {each.name: each for each in put(server.server_address[1], calls).answers}
        server.shutdown()
    assert answers["quick"].status == 200
    assert 0.3 < answers["quick"].seconds < 5
