"""`python tests/benchmarks/scaling.py`: how cost grows with frames, rasters, clips and workers; what a farm needs.

Prints what was measured with the power law that fits it, and what ten thousand farm tasks a minute
take; draws the curves into tests/benchmarks/scaling.svg, or another file (`--svg`). 120 s on 2 cores.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from archive import WANTED, write_archive
from catalogue_alone import fresh_plan, run
from closed_loop import Connection, put_load
from growth import Chart, Curve, drawn, lines, seconds_words, short_count
from joint_alone import ASPECTS
from kernel_alone import PORTRAIT, WIDE, rasters
from measure import aligned, quantile, timed
from on_the_wire import clips_of_modes

from tallwide import Client
from tallwide.job import Capture, Job, Raster
from tallwide.wire import from_wire
from tallwide_service.catalogue.run import Engine
from tallwide_service.core import solve
from tallwide_service.core.extraction import frame_of
from tallwide_service.core.kernel import Cutter, Rects
from tallwide_service.limits import LIMITS

sys.path.append(str(Path(__file__).parents[1]))
from load.mix import JSON, KINDS, PNG, Kind
from running import Running, running

DELIVERABLES = (1, 2, 4, 8, 16, LIMITS.deliverables)
SIDES_PX = (1024, 2048, 4096, 8192, 16_384, 32_768, LIMITS.raster_side_px)
BATCHES = tuple(10**power for power in range(8))
LINES = tuple(count for count in BATCHES if count < LIMITS.batch_lines)  # a million of them would take a minute
WORKERS = (1, 2)
SIDE_PX = 12_288
CONNECTIONS = 8
TASKS_A_MINUTE = 10_000
HEADINGS = ("task", "processor time", "asked", "answered", "cores for all", "network for all")
LABELS = (f"wanted {number}" for number in itertools.count())


def framed(
    count: int, side_px: int = SIDE_PX, arrangement: str = "independent", *, in_circle: bool = False
) -> dict[str, Any]:
    """Return a job of so many frames on a raster of 64:45, tops level where they share a point.

    On the whole raster they do as large as they are alone; in a circle they have to be searched for.
    """
    framing = {"arrangement": arrangement, **({} if arrangement == "independent" else {"objective": "in_order"})}
    wanted = [
        {"label": f"frame {place}", "aspect": ASPECTS[place % len(ASPECTS)], "align": {"x": 0.5, "y": 0}}
        for place in range(count)
    ]
    # As far across as 50 mm are on 12,288 photosites of 3.9 um.
    lens = (
        {"photosite_pitch_um": 3.9, "lens": {"image_circle_mm": round(50 * side_px / 12_288, 3)}} if in_circle else {}
    )
    return {
        "capture": {"raster": {"width": side_px, "height": side_px * 45 // 64}, **lens},
        "deliverables": wanted,
        "framing": framing,
    }


def measured(name: str, sizes: Sequence[int], measure: Callable[[int], float]) -> Curve:
    """Return the curve of a measure over sizes."""
    return Curve(name, tuple(sizes), tuple(map(measure, sizes)))


def typical(measure: Callable[[], float], rounds: int) -> float:
    """Return the median of some measurements."""
    return statistics.median(measure() for _ in range(rounds))


def solving(count: int, side_px: int, arrangement: str, rounds: int = 7, *, in_circle: bool = False) -> float:
    """Return the seconds that a job takes the solver; each round has another raster, so that nothing is remembered."""
    documents = (framed(count, side_px - 2 * less, arrangement, in_circle=in_circle) for less in range(rounds + 1))
    jobs = iter([from_wire(Job, document) for document in documents])
    solve(next(jobs))
    return typical(lambda: timed(lambda: solve(next(jobs))), rounds)


def calling(port: int, path: str, job: dict[str, Any], accept: str = JSON) -> float:
    """Return the seconds that a call takes, one after the other on one connection."""
    return statistics.median(
        put_load(port, Kind("", 0, "POST", path, lambda _: job, accept).request(0), 1, 0.5).seconds
    )


def by_deliverables(port: int) -> Chart:
    """Return what a job costs by its deliverables."""
    curves = (
        measured("a call, on their own", DELIVERABLES, lambda count: calling(port, "/v1/extractions", framed(count))),
        measured("solver, on their own", DELIVERABLES, lambda count: solving(count, SIDE_PX, "independent")),
        measured("solver, on one point", DELIVERABLES, lambda count: solving(count, SIDE_PX, "shared_point")),
        measured(
            "solver, point in a circle",
            DELIVERABLES,
            lambda count: solving(count, SIDE_PX, "shared_point", in_circle=True),
        ),
    )
    return Chart("A job by its frames", "deliverables, on 12,288 × 8,640", curves, short_count, seconds_words)


def by_raster(port: int) -> Chart:
    """Return what a job of four deliverables costs by its raster, each as far as its limit allows."""
    shared_px = [*(side for side in SIDES_PX if side < LIMITS.shared_point_side_px), LIMITS.shared_point_side_px]
    drawn_px = [side for side in SIDES_PX if side * (side * 45 // 64) <= LIMITS.overlay_png_px]
    curves = (
        measured("solver, on their own", SIDES_PX, lambda side: solving(4, side, "independent")),
        measured("solver, on one point", shared_px, lambda side: solving(4, side, "shared_point")),
        measured(
            "solver, point in a circle",
            shared_px,
            lambda side: solving(4, side, "shared_point", in_circle=True),
        ),
        measured("overlay as PNG, a call", drawn_px, lambda side: calling(port, "/v1/overlay", framed(4, side), PNG)),
    )
    return Chart("A job of four frames by its raster", "columns (K = 1,024), 64:45", curves, sides, seconds_words)


def sides(side_px: float) -> str:
    """Return a side as the trade counts them."""
    return f"{math.ceil(side_px / 1024)}K"


def by_batch(client: Client) -> Chart:
    """Return what clips cost by their number: the kernel alone, the command, a table and lines over the wire."""
    curves = (
        Curve("catalogue command, 2 threads", BATCHES, tuple(catalogued(BATCHES, threads=2))),
        measured("table of Arrow over HTTP", BATCHES, lambda count: repeated(count, lambda: sent(client, count))),
        measured("lines of JSON over HTTP", LINES, lambda count: repeated(count, lambda: lined(client, count))),
        measured("kernel, rectangles alone", BATCHES, lambda count: repeated(count, lambda: cut(count))),
    )
    return Chart("Clips against one deliverable", "clips", curves, short_count, seconds_words)


def repeated(count: int, measure: Callable[[], float]) -> float:
    """Return the median of three; what is long is measured once."""
    return typical(measure, 3 if count < 100_000 else 1)


def cut(count: int) -> float:
    """Return the seconds that the kernel takes for so many rasters, in memory that it has used before."""
    widths, heights = rasters(count)
    cutter = Cutter.of(frame_of(WIDE, "", Job(capture=Capture(Raster(4096, 2160)), deliverables=(WIDE,))))
    assert cutter is not None
    rects = Rects.empty(count)
    cutter.cut(widths, heights, rects)
    return timed(lambda: cutter.cut(widths, heights, rects))


def sent(client: Client, count: int) -> float:
    """Return the seconds that a table of clips takes there and back, with a deliverable that is new to the service."""
    table, wanted = clips_of_modes(count), replace(PORTRAIT, label=next(LABELS))

    def ask() -> None:
        if sum(batch.num_rows for batch in client.clips(table, [wanted])) != count:
            raise RuntimeError("rows are missing")

    return timed(ask)


def lined(client: Client, count: int) -> float:
    """Return the seconds that lines take there and back."""
    jobs = ({"endpoint": "margins", "job": framed(1, 4096 + 2 * (number % 4096))} for number in range(count))
    return timed(lambda: deque(client.batch(jobs), maxlen=0))


def catalogued(batches: Sequence[int], threads: int) -> Iterator[float]:
    """Yield the seconds that the whole command takes for archives of so many clips."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "wanted.json").write_text(json.dumps(WANTED), encoding="utf-8")
        for count in batches:
            write_archive(folder / "clips.parquet", count)
            runs = itertools.count()

            def command() -> None:
                out = folder / f"out-{next(runs)}"  # noqa: B023
                start = [sys.executable, "-m", "tallwide", "catalogue", "run", str(folder / "clips.parquet")]
                options = ["--deliverables", str(folder / "wanted.json"), "--out", str(out), "--threads", str(threads)]
                subprocess.run([*start, *options], check=True, capture_output=True)
                shutil.rmtree(out)

            yield repeated(count, lambda: timed(command))


def kind_named(name: str) -> Kind:
    """Return a kind of call by its name."""
    return next(kind for kind in KINDS if kind.name == name)


def by_workers() -> Chart:
    """Return calls and clips a second by the number of processes or threads."""
    names = "extractions", "extractions, joint", "overlay, PNG of a monitor"
    rates: dict[str, list[float]] = {name: [] for name in names}
    for workers in WORKERS:
        with running("--workers", str(workers)) as service:
            for name in names:
                request = kind_named(name).request(0)
                put_load(service.port, request, CONNECTIONS, 0.5)
                rates[name].append(typical(lambda: put_load(service.port, request, CONNECTIONS, 1).rate, 3))  # noqa: B023
    with tempfile.TemporaryDirectory() as folder:
        archive, count = Path(folder, "clips.parquet"), 2_000_000
        write_archive(archive, count, rows_a_group=count // 8)
        clips = [
            count / typical(lambda: run(fresh_plan(archive, count // 8), Path(folder, "out"), Engine(threads)), 3)  # noqa: B023
            for threads in WORKERS
        ]
    curves = (
        *(Curve(f"calls: {name}", WORKERS, tuple(taken)) for name, taken in rates.items()),
        Curve("clips of a catalogue (threads)", WORKERS, tuple(clips)),
    )
    return Chart("Done in a second, by workers", "workers, on a machine of 2 cores", curves, short_count, short_count)


@dataclass(frozen=True)
class Cost:
    """What a call of one kind takes of a worker and of the network."""

    kind: Kind
    cpu_s: float
    asked_bytes: int
    answered_bytes: int

    def cells(self) -> tuple[str, ...]:
        """Return the cost of one, and what so many tasks of this kind need, as text."""
        each_s = TASKS_A_MINUTE / 60
        return (
            self.kind.name,
            f"{self.cpu_s * 1e3:.2g} ms",
            f"{self.asked_bytes:,} bytes",
            f"{self.answered_bytes:,} bytes",
            f"{self.cpu_s * each_s:.2g}",
            f"{(self.asked_bytes + self.answered_bytes) * each_s / 1e6:.2g} MB/s",
        )


def costs(service: Running, lasting: float = 2) -> Iterator[Cost]:
    """Yield what kinds of tasks cost, each of another clip than the one before, so that nothing is remembered."""
    for name in ("extractions", "ffmpeg", "extractions, joint", "overlay, PNG of a monitor", "orientation"):
        kind = kind_named(name)
        answer(service.port, kind.request(0))
        before_s, began = service.cpu_seconds(), time.perf_counter()
        for number in itertools.count(1):
            answered = answer(service.port, kind.request(number))
            if time.perf_counter() > began + lasting:
                break
        cpu_s = (service.cpu_seconds() - before_s) / number
        yield Cost(kind, cpu_s, len(kind.request(number)), len(answered))


def answer(port: int, request: bytes) -> bytes:
    """Return the answer to a request on a connection of its own."""
    connection = Connection(port)
    connection.send(request)
    while not connection.is_answered():
        pass
    connection.socket.close()
    return connection.received


def farm(workers: int, lasting: float = 12) -> str:
    """Return what a service does while tasks come at the rate of the farm, each with a connection of its own."""
    kind = kind_named("extractions")
    each_s = 60 / TASKS_A_MINUTE
    taken: list[float] = []
    with running("--workers", str(workers)) as service:
        put_load(service.port, kind.request(0), CONNECTIONS, 0.5)
        before_s, began = service.cpu_seconds(), time.perf_counter()
        for number in range(round(lasting / each_s)):
            due = began + number * each_s
            time.sleep(max(0.0, due - time.perf_counter()))
            answer(service.port, kind.request(number))
            taken.append(time.perf_counter() - due)
        lasted = time.perf_counter() - began
        share = (service.cpu_seconds() - before_s) / lasted
        memory_mb = service.memory_mb("VmHWM")
    return (
        f"workers {workers}: {len(taken) / lasted * 60:,.0f} tasks a minute, {share:.2f} of a core, "
        f"median {quantile(taken, 0.5) * 1e3:.1f} ms, p99 {quantile(taken, 0.99) * 1e3:.1f} ms, {memory_mb:.0f} MB each"
    )


def command_cpu_s(url: str) -> float:
    """Return the processor time of one task that starts the command, in process or with a service to ask."""
    job = json.dumps(kind_named("extractions").job(0)).encode()

    def used() -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        command = [sys.executable, "-m", "tallwide", "extractions", "-"]
        subprocess.run(command, input=job, check=True, capture_output=True, env={**os.environ, "TALLWIDE_URL": url})
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    return typical(used, 5)


def main() -> None:
    """Measure, print, draw."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--svg", type=Path, default=Path(__file__).with_suffix(".svg"))
    options = parser.parse_args()
    began = time.monotonic()
    print(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores")
    with running("--threads", "2") as service, Client(url := f"http://127.0.0.1:{service.port}") as client:
        charts = [by_deliverables(service.port), by_raster(service.port), by_batch(client), by_workers()]
        print(*lines(charts), sep="\n")
        print(f"\n{TASKS_A_MINUTE:,} farm tasks a minute\n")
        print(aligned(HEADINGS, (cost.cells() for cost in costs(service))))
        remote_s, alone_s = command_cpu_s(url), command_cpu_s("")
    print(f"\na task that starts the command: {remote_s * 1e3:.0f} ms of its node's processor with a service, ", end="")
    print(f"{alone_s * 1e3:.0f} ms without")
    print(*map(farm, WORKERS), sep="\n")
    options.svg.write_text(drawn("How cost grows", charts), encoding="utf-8")
    print(f"\n{time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
