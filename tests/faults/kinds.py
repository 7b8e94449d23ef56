"""Each kind of fault: what is done to a site while SDK calls go on, and what must be seen."""

from __future__ import annotations

import io
import itertools
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import requests
from PIL import Image

from faults import hostile
from faults.calls import ENDPOINTS, ask, in_process, job, many
from faults.site import CLOCK, LATE_S, Site
from findings import Finding
from tallwide import Client, from_wire
from tallwide.answers import ExtractionsAnswer, MarginsAnswer
from worst_jobs import LONG_SWEEP

DRIPPING_ENDS_S = 12.0  # both the proxy and the service bear with a header for 10 s

DAY_S = 86_400


def killed(site: Site, number: int) -> Iterator[Finding]:
    """`kill -9` of one in the middle of many calls; it is back some time later, as a container is."""
    events = {number // 3: lambda: site.kill(0), 2 * number // 3: lambda: site.start_again(0)}
    yield many(site.url, number, events).finding("kill -9 of one: answers of single calls")


def killed_in_a_batch(site: Site, number: int) -> Iterator[Finding]:
    """`kill -9` of one replica after the other, so that the one that answers the batch is among them."""
    due = {(at + 1) * number // 5: at for at in range(len(site.replicas))}
    right = answered = 0
    kinds = {"extractions": ExtractionsAnswer, "margins": MarginsAnswer}
    lines = ({"id": at, "endpoint": ENDPOINTS[at % 2], "job": job(at)} for at in range(number))
    with Client(site.url) as client:
        for at, line in enumerate(client.batch(lines)):
            if at in due:
                site.kill(due[at])
            if at - number // 10 in due:
                site.start_again(due[at - number // 10])
            answered += 1
            is_its_own = (line.line, line.id, line.status) == (at + 1, at, 200)
            right += is_its_own and from_wire(kinds[ENDPOINTS[at % 2]], line.answer) == ask(in_process(), at)
    yield Finding(
        "kill -9 of each in turn: answers of a batch",
        f"{right:,} of {number:,}; {answered:,} came",
        "all, each right and once",
        right == answered == number,
    )


def hanging(site: Site, number: int) -> Iterator[Finding]:
    """One stands still in the middle of many calls, and goes on after them."""
    before = site.given_again()
    outcome = many(site.url, number, {number // 3: lambda: site.hang(1)})
    again = site.given_again() - before
    site.wake(1)
    yield outcome.finding("one hangs: answers of single calls", f", {again} given to another by the proxy")
    yield Finding("one hangs: calls that hit it", f"{again}", "some, or nothing was proven", again > 0)


def stopped_in_turn(site: Site, number: int) -> Iterator[Finding]:
    """A rolling restart: SIGTERM of each, one after the other, each started again before the next is stopped."""
    ended: list[int] = []

    def roll() -> None:
        for replica in range(len(site.replicas)):
            ended.append(site.stop(replica))
            site.start_again(replica)

    rolling = threading.Thread(target=roll)
    outcomes = [many(site.url, number, {number // 3: rolling.start}, retries=0)]
    while rolling.is_alive():
        outcomes.append(many(site.url, number // 3, retries=0))
    for outcome in outcomes[:1]:
        outcome.number += sum(each.number for each in outcomes[1:])
        outcome.wrong += sum(each.wrong for each in outcomes[1:])
        outcome.errors += [error for each in outcomes[1:] for error in each.errors]
        outcome.longest_s = max(each.longest_s for each in outcomes)
    yield outcomes[0].finding("SIGTERM of each in turn: answers of calls that are never tried again")
    yield Finding("SIGTERM of each in turn: what each ended with", f"{ended}", "0 each", ended == [0] * len(ended))


def slow_readers(site: Site, number: int) -> Iterator[Finding]:
    """More callers than there are places, who read half a kilobyte of a large answer every fifth of a second."""
    body, path, accept = hostile.encoded(job(1)), "/v1/chart", "image/svg+xml"
    chart = in_process().chart(job(1), media_type=accept)
    ports = [site.proxy.port] * 30 + [replica.port for replica in site.replicas] * 10
    with hostile.SlowReaders(ports, hostile.post(path, body, accept)) as readers:
        time.sleep(2)
        outcome = many(site.url, number)
    whole = sum(received == chart for received in readers.rest())
    yield outcome.finding(f"{len(ports)} slow readers: answers of the others")
    busy = [answer for answer in readers.received if answer.startswith(b"HTTP/1.1 429")]
    seen = f"{whole} whole, {len(busy)} refused as too many at once, of {len(ports)}"
    yield Finding("slow readers: their own answers", seen, "all, some whole", 0 < whole == len(ports) - len(busy))


def dripping_headers(site: Site, number: int) -> Iterator[Finding]:
    """Callers that send a byte of a header a second, to the proxy and to a replica itself."""
    ports = [site.proxy.port] * 150 + [site.replicas[0].port] * 100
    with hostile.Dripping(ports) as dripping:
        outcome = many(site.url, number)
        until_s = time.monotonic() + DRIPPING_ENDS_S + 5
        while len(dripping.borne_s) < len(ports) and time.monotonic() < until_s:
            time.sleep(0.1)
    longest_s = max(dripping.borne_s, default=0.0)
    yield outcome.finding(f"{len(ports)} dripping headers: answers of the others")
    yield Finding(
        "dripping headers: cut off",
        f"{len(dripping.borne_s)} of {len(ports)}, the last after {longest_s:.1f} s",
        f"all, within {DRIPPING_ENDS_S:g} s",
        len(dripping.borne_s) == len(ports) and longest_s <= DRIPPING_ENDS_S,
    )


def cut_bodies(site: Site, number: int) -> Iterator[Finding]:
    """Connections cut in the middle of a body, by an end and by a reset, at the proxy and at a replica."""
    body, over = hostile.encoded({**job(1), "_padding": "x" * 20_000}), threading.Event()

    def cut_on() -> None:
        while not over.is_set():
            for port in (site.proxy.port, site.replicas[0].port):
                hostile.cut_in_the_middle(port, 20, body)

    cutting = threading.Thread(target=cut_on)
    cutting.start()
    outcome = many(site.url, number)
    over.set()
    cutting.join()
    yield outcome.finding("bodies cut in the middle: answers of the others")
    time.sleep(0.5)
    seen = [hostile.numbers(replica.port) for replica in site.replicas]
    broken = sum(value for each in seen for name, value in each.items() if 'status="5' in name and "requests" in name)
    left = sum(each["tallwide_computing"] + each["tallwide_waiting"] for each in seen)
    yield Finding(
        "bodies cut in the middle: 5xx, places still taken", f"{broken:g}, {left:g}", "0, 0", broken == left == 0
    )


def full_disk(site: Site, number: int) -> Iterator[Finding]:
    """No room in /tmp of the proxy, nor of any replica; then room again."""
    processes = [site.proxy.process, *(replica.process for replica in site.replicas)]
    fillings = [Path(f"/proc/{process.pid}/root/{site.tmp}/filling") for process in processes]
    for filling in fillings:
        fill(filling)
    yield many(site.url, number).finding("no room for files: answers of single calls")
    still = a_still()
    status, media_type, is_problem = upload(site.url, still)
    yield Finding(
        f"no room for files: a still of {len(still) / 1e6:.1f} MB, for which the proxy needs room",
        f"{status}, {media_type}",
        "503, a problem",
        status == 503 and is_problem,
    )
    status, media_type, _ = upload(f"http://127.0.0.1:{site.replicas[0].port}", still)
    yield Finding("no room for files: the same still at a replica, which needs none", f"{status}", "200", status == 200)
    for filling in fillings:
        filling.unlink()
    status, media_type, _ = upload(site.url, still)
    yield Finding("room again: the same still", f"{status}, {media_type}", "200", status == 200)


def fill(filling: Path) -> None:
    """Take all the room that there is."""
    with filling.open("wb", buffering=0) as file:
        try:
            while file.write(b"\0" * 4096):
                pass
        except OSError:
            return


def a_still() -> bytes:
    """Return a still that the proxy does not keep in memory."""
    noise = random.Random(1).randbytes(400 * 320 * 3)  # noqa: S311 - a picture
    kept = io.BytesIO()
    Image.frombytes("RGB", (400, 320), noise).save(kept, "PNG")
    return kept.getvalue()


def upload(url: str, still: bytes) -> tuple[int, str, bool]:
    """Send a still; return the status, the media type, and whether it is a problem that says its status."""
    small = {**job(1), "capture": {"raster": {"width": 400, "height": 320}}}
    files = {
        "job": ("job.json", hostile.encoded(small), "application/json"),
        "still": ("still.png", still, "image/png"),
    }
    answer = requests.post(url + "/v1/overlay", files=files, headers={"Accept": "image/png"}, timeout=30)
    media_type = answer.headers.get("Content-Type", "")
    is_problem = media_type == "application/problem+json" and answer.json()["status"] == answer.status_code
    return answer.status_code, media_type, is_problem


def jumping_clock(site: Site, number: int) -> Iterator[Finding]:
    """The clocks of the replicas and of the SDK jump by days, to and fro, all the time."""
    file, over = Path(site.environment[CLOCK]), threading.Event()

    def jump() -> None:
        for days in itertools.cycle((0, 1, -2)):
            aside = file.with_suffix(".new")
            aside.write_text(str(days * DAY_S), encoding="ascii")
            aside.replace(file)
            if over.wait(0.5):
                return

    jumping = threading.Thread(target=jump)
    jumping.start()
    moment_s = time.time
    days = itertools.cycle((0, DAY_S, -2 * DAY_S))
    try:
        with mock.patch("time.time", side_effect=lambda: moment_s() + next(days)):
            outcome = many(site.url, number)
            began_s = time.monotonic()
            late = requests.post(f"{site.url}/v1/extractions", json=LONG_SWEEP, timeout=60)
            took_s = time.monotonic() - began_s
    finally:
        over.set()
        jumping.join()
    moments = {line["time"][:10] for line in site.noted()}
    yield outcome.finding("clocks jump by days: answers of single calls")
    yield Finding("clocks jump by days: dates in the replicas' logs", f"{len(moments)}", "3", len(moments) == 3)
    yield Finding(
        f"clocks jump by days: work past a deadline of {LATE_S:g} s",
        f"{late.status_code} after {took_s:.1f} s",
        "503 within a second more",
        late.status_code == 503 and LATE_S <= took_s < LATE_S + 1,
    )
