"""Numbers for Prometheus: what the journal noted, and how full the places are.

Labels are bounded: routes are rules of the app, methods and kinds of problems come from short lists. With several
workers the numbers of all of them come together in files of a folder, as prometheus-client does it; the folder is
named by PROMETHEUS_MULTIPROC_DIR before this module loads.
"""

from __future__ import annotations

import os
from collections import Counter as Tally
from collections.abc import Sequence
from pathlib import Path

from prometheus_client import (
    CONTENT_TYPE_LATEST,
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    PlatformCollector,
    ProcessCollector,
    disable_created_metrics,
    generate_latest,
)
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead

from tallwide.version import VERSION
from tallwide_service.api.entrance.journal import Note
from tallwide_service.api.entrance.places import ComputingPlaces

disable_created_metrics()  # type: ignore[no-untyped-call] # a series more for each, which nobody reads
FOLDER = "PROMETHEUS_MULTIPROC_DIR"
METHODS = frozenset({"GET", "HEAD", "POST", "OPTIONS"})
SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)


class Metrics:
    """The numbers of one process, or of all workers where they share a folder.

    Parameters
    ----------
    places
        Whose fullness is told.
    """

    content_type = CONTENT_TYPE_LATEST

    def __init__(self, places: ComputingPlaces) -> None:
        self._places = places
        self._shared = FOLDER in os.environ
        self._registry = registry = CollectorRegistry()
        if not self._shared:
            ProcessCollector(registry=registry)
            PlatformCollector(registry=registry)
        self._requests = Counter(
            "tallwide_requests", "Requests answered.", ["route", "method", "status"], registry=registry
        )
        self._seconds = Histogram(
            "tallwide_request_seconds",
            "From a request's start to its answer.",
            ["route"],
            buckets=SECONDS,
            registry=registry,
        )
        self._items = Counter("tallwide_computed_items", "Frames computed.", ["route"], registry=registry)
        self._wait = Histogram(
            "tallwide_gate_wait_seconds",
            "Waits for a place to compute in, of those that waited.",
            buckets=SECONDS,
            registry=registry,
        )
        self._turned_away = Counter(
            "tallwide_gate_refusals", "Requests answered by 429.", ["reason"], registry=registry
        )
        self._deadlines = Counter(
            "tallwide_deadlines", "Requests ended by their deadline.", ["route"], registry=registry
        )
        self._refused = Counter(
            "tallwide_refused_input",
            "Requests refused as wrong, by kind of problem.",
            ["route", "kind"],
            registry=registry,
        )
        self._bytes_in = Counter("tallwide_request_bytes", "Bytes of bodies read.", ["route"], registry=registry)
        self._bytes_out = Counter("tallwide_answer_bytes", "Bytes of bodies answered.", ["route"], registry=registry)
        self._dropped = Counter(
            "tallwide_log_lines_dropped", "Lines of the log that nobody took in time.", registry=registry
        )
        self._computing = Gauge(
            "tallwide_computing", "Requests computed now.", registry=registry, multiprocess_mode="livesum"
        )
        self._waiting = Gauge(
            "tallwide_waiting",
            "Requests that wait for a place to compute in.",
            registry=registry,
            multiprocess_mode="livesum",
        )
        Gauge(
            "tallwide_build_info", "The version that runs.", ["version"], registry=registry, multiprocess_mode="max"
        ).labels(VERSION).set(1)

    def count(self, notes: Sequence[Note], dropped: int) -> None:
        """Count what became of some requests."""
        by_route: dict[str, list[Note]] = {}
        for note in notes:
            by_route.setdefault(note.route, []).append(note)
            if note.waited_s:
                self._wait.observe(note.waited_s)
        for route, those in by_route.items():
            self._count_route(route, those)
        if dropped:
            self._dropped.inc(dropped)
        self._look()

    def _count_route(self, route: str, notes: Sequence[Note]) -> None:
        took = self._seconds.labels(route)
        ended: Tally[tuple[str, int, str, str]] = Tally()
        for note in notes:
            took.observe(note.seconds)
            ended[note.method, note.status, note.problem, note.gate] += 1
        for (method, status, problem, gate), number in ended.items():
            self._requests.labels(route, method if method in METHODS else "other", str(status)).inc(number)
            if gate:
                self._turned_away.labels(gate).inc(number)
            elif problem == "out-of-time":
                self._deadlines.labels(route).inc(number)
            elif 400 <= status < 500:
                self._refused.labels(route, problem or f"http-{status}").inc(number)
        for numbers, total in (
            (self._items, sum(note.items for note in notes)),
            (self._bytes_in, sum(note.bytes_in for note in notes)),
            (self._bytes_out, sum(note.bytes_out for note in notes)),
        ):
            if total:
                numbers.labels(route).inc(total)

    def _look(self) -> None:
        self._computing.set(self._places.taken)
        self._waiting.set(self._places.waited_for)

    def text(self) -> bytes:
        """Return all numbers in Prometheus' text form."""
        self._look()
        if not self._shared:
            return generate_latest(self._registry)
        _forget_the_dead(Path(os.environ[FOLDER]))
        together = CollectorRegistry()
        MultiProcessCollector(together)  # type: ignore[no-untyped-call]
        return generate_latest(together)


def _forget_the_dead(folder: Path) -> None:
    """Take out what workers that are no more said of now; what they counted stays."""
    for file in folder.glob("gauge_live*_*.db"):
        process = file.stem.rpartition("_")[2]
        if process.isdigit() and not Path("/proc", process).exists():
            mark_process_dead(process, str(folder))  # type: ignore[no-untyped-call]
