"""What is asked for, and how often: a farm that frames clips, dashboards that poll, people who print.

Weights are calls in a thousand. Nobody has counted a studio's calls: they are common sense, no source. Every endpoint
is in it that computes something; rasters differ from call to call, so that no answer helps the next one.
"""

from __future__ import annotations

import base64
import json
import random
import zlib
from collections.abc import Iterator
from typing import Any, NamedTuple

from load.open_loop import Call

VARIANTS = 64
JSON, CSV, SVG, PNG, PDF = "application/json", "text/csv", "image/svg+xml", "image/png", "application/pdf"

Job = dict[str, Any]


def alone(number: int) -> Job:
    """Four frames that lie on their own, as the farm asks for them clip by clip."""
    return {
        "version": 1,
        "id": f"clip-{number}",
        "capture": {
            "label": "A",
            "raster": {"width": 4800 + 4 * number, "height": 3200},
            "photosite_pitch_um": 5.8,
            "lens": {"label": "32", "focal_length_mm": 32, "f_number": 4},
        },
        "deliverables": [
            {"label": "wide", "raster": {"width": 3840, "height": 2160}},
            {"label": "scope", "aspect": "2.39:1", "minimum_oversampling": 1.2},
            {"label": "tall", "raster": {"width": 1080, "height": 1920}, "protection": {"each_side": 0.05}},
            {"label": "feed", "raster": {"width": 1440, "height": 1800}, "align": {"x": 0.5, "y": 0}},
        ],
    }


def few(number: int) -> Job:
    """A tall and a wide frame."""
    job = alone(number)
    return {**job, "deliverables": [job["deliverables"][0], job["deliverables"][2]]}


def joint(number: int) -> Job:
    """A tall and a wide frame with their tops level, above a subject."""
    job = few(number)
    framing = {"arrangement": "shared_point", "point": {"x": None, "y": None}, "objective": "in_order"}
    for deliverable in job["deliverables"]:
        deliverable["align"] = {"x": 0.5, "y": 0}
    return {**job, "framing": {**framing, "subject": {"x": 2000, "y": 700, "width": 800, "height": 1500}}}


def decided(number: int) -> Job:
    """A day's decision: two modes, a lens to hire."""
    job = few(number)
    production = {"shots": 10, "minutes_per_take": 12, "minutes_per_changeover": 15, "minutes_available": 600}
    other = {"label": "B", "raster": {"width": 5760, "height": 3840}}
    return {**job, "alternatives": [other], "production": production}


def covered(number: int) -> Job:
    """Two lenses for hire."""
    lenses = [{"label": name, "focal_length_mm": 32, "image_circle_mm": mm} for name, mm in (("a", 29), ("b", 34.5))]
    return {**few(number), "lenses": lenses}


def beside(number: int) -> Job:
    """Another camera that is to show the same."""
    capture = {"label": "C", "raster": {"width": 4096, "height": 2304}, "photosite_pitch_um": 4.1}
    return {**few(number), "match": {"capture": capture}}


def fed(number: int) -> Job:
    """The overlay of a monitor."""
    return {**alone(number), "picture": {"monitor": {"width": 1920, "height": 1080, "fit": "whole"}}}


def mapped(number: int) -> Job:
    return {
        **few(number),
        "map": {
            "source": {"space": "delivery", "deliverable": "wide"},
            "target": {"space": "recorded"},
            "points": [[1001, 333.2]],
        },
    }


def checked(number: int) -> Job:
    return {**few(number), "file": {"width": 4800 + 4 * number, "height": 3200}}


def compared(number: int) -> Job:
    moved = few(number)
    moved["deliverables"][0]["align"] = {"x": 0.5, "y": 0.4}
    return {**few(number), "compare": {"job": moved}}


class Kind(NamedTuple):
    """Calls of one kind."""

    name: str
    weight: int
    method: str
    path: str
    job: Any = None
    accept: str = JSON

    def request(self, number: int) -> bytes:
        """Return a call as it goes over the wire."""
        body, path = b"", self.path
        if self.job is not None:
            body = json.dumps(self.job(number)).encode()
        if self.method == "GET" and body:
            path += f"&job={base64.urlsafe_b64encode(zlib.compress(body)).rstrip(b'=').decode()}"
            body = b""
        lines = [f"{self.method} {path} HTTP/1.1", "Host: 127.0.0.1", f"Accept: {self.accept}"]
        if body:
            lines += [f"Content-Type: {JSON}", f"Content-Length: {len(body)}"]
        return "\r\n".join((*lines, "", "")).encode() + body


KINDS = (
    Kind("extractions", 290, "POST", "/v1/extractions", alone),
    Kind("margins", 230, "POST", "/v1/margins", alone),
    Kind("margins, rows by GET", 80, "GET", "/v1/margins?view=table", few),
    Kind("extractions, joint", 40, "POST", "/v1/extractions", joint),
    Kind("margins, joint", 40, "POST", "/v1/margins", joint),
    Kind("orientation", 20, "POST", "/v1/orientation", decided),
    Kind("coverage", 15, "POST", "/v1/coverage", covered),
    Kind("match", 10, "POST", "/v1/match", beside),
    Kind("optics", 15, "POST", "/v1/optics", few),
    Kind("safe areas", 15, "POST", "/v1/safe-areas", few),
    Kind("dial-in", 10, "POST", "/v1/dial-in", few),
    Kind("overlay, SVG", 50, "POST", "/v1/overlay", alone, SVG),
    Kind("overlay, PNG of a monitor", 8, "POST", "/v1/overlay", fed, PNG),
    Kind("sheet, PDF", 3, "POST", "/v1/sheet", few, PDF),
    Kind("chart, PDF", 2, "POST", "/v1/chart", few, PDF),
    Kind("framing decision list", 40, "POST", "/v1/handoff/framing-decision-list", few),
    Kind("ffmpeg", 30, "POST", "/v1/handoff/ffmpeg", few),
    Kind("csv", 20, "POST", "/v1/handoff/csv", few, CSV),
    Kind("map", 15, "POST", "/v1/map", mapped),
    Kind("check", 20, "POST", "/v1/check", checked),
    Kind("compare", 10, "POST", "/v1/compare", compared),
    Kind("safe areas of standards", 15, "GET", "/v1/reference/safe-areas"),
    Kind("rasters of standards", 15, "GET", "/v1/reference/rasters"),
    Kind("limits", 7, "GET", "/v1/limits"),
)

# What answers at once however much is asked for; told from the mix by its path.
PROBES = tuple(
    Kind(path, 0, "GET", path, accept="*/*")
    for path in ("/livez", "/readyz", "/metrics", "/v1/reference/rasters", "/v1/reference/safe-areas", "/v1/limits")
)


class Mix:
    """Calls of all kinds, in an order that is the same every time."""

    def __init__(self) -> None:
        self._requests = {kind.name: [kind.request(number) for number in range(VARIANTS)] for kind in KINDS}

    def calls(self, rate: float, seconds: float) -> Iterator[Call]:
        """Yield calls at even distances, of kinds as the dice fall."""
        dice = random.Random(1)  # noqa: S311 - mixes, guards nothing
        names, weights = [kind.name for kind in KINDS], [kind.weight for kind in KINDS]
        for number in range(round(rate * seconds)):
            (name,) = dice.choices(names, weights)
            yield Call(number / rate, name, self._requests[name][number % VARIANTS])

    def one_of_each(self) -> Iterator[Call]:
        """Yield a call of each kind several times over, far apart, so that the service has seen them all."""
        for number in range(3 * len(KINDS)):
            kind = KINDS[number % len(KINDS)]
            yield Call(number / 20, kind.name, self._requests[kind.name][number % VARIANTS])


def probes(rate: float, seconds: float) -> Iterator[Call]:
    """Yield probes at even distances, one after the other."""
    for number in range(round(rate * seconds)):
        probe = PROBES[number % len(PROBES)]
        yield Call(number / rate, probe.name, probe.request(0))
