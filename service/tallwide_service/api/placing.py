"""Safe areas, numbers to type by hand, and the reading of a photographed chart; published reference values."""

from __future__ import annotations

from typing import Any

from flask import Response
from flask_smorest import Blueprint

from tallwide.answers import ChartReadingAnswer, DialInAnswer, Rect, SafeAreasAnswer
from tallwide.job import Job, Raster
from tallwide_service.api.computing import json_response
from tallwide_service.api.framing import serve, solved
from tallwide_service.core import solve
from tallwide_service.core.dial_in import dial_in
from tallwide_service.core.reading import read_chart
from tallwide_service.core.safe_areas import safe_areas, shared_safe_areas
from tallwide_service.core.standards import RASTERS, SAFE_AREA_SETS, PublishedArea, PublishedSet, safe_rect
from tallwide_service.errors import MemberMissing

blueprint = Blueprint("placing", __name__, description="Where things lie: safe areas, typed numbers, charts.")

ROUNDING = "each inset is the nearest whole pixel; half a pixel goes inwards"


def safe_areas_answer(job: Job, identity: str) -> SafeAreasAnswer:
    """Return every safe area, and what is safe in several deliverables at once."""
    solution = solve(job)
    places = safe_areas(job, solution.extractions)
    shared = shared_safe_areas(job, solution.extractions, places)
    return SafeAreasAnswer(**solved(job, identity, solution), safe_areas=places, shared=shared)


def dial_in_answer(job: Job, identity: str) -> DialInAnswer:
    """Return each frame as numbers to type."""
    solution = solve(job)
    feed, frames = dial_in(job, solution.extractions)
    return DialInAnswer(**solved(job, identity, solution), feed=feed, frames=frames)


def chart_reading_answer(job: Job, identity: str) -> ChartReadingAnswer:
    """Return what the measured corners of a photographed chart say."""
    reading = None if job.chart is None else job.chart.reading
    if reading is None:
        raise MemberMissing.at("/chart/reading", "is required to read a chart")
    solution = solve(job)
    frames = read_chart(job, solution.extractions, reading)
    return ChartReadingAnswer(**solved(job, identity, solution), frames=frames)


serve(
    "/v1/safe-areas",
    safe_areas_answer,
    SafeAreasAnswer,
    "Place safe areas on the recorded raster",
    group=blueprint,
    table=safe_areas_answer,
)
serve(
    "/v1/dial-in",
    dial_in_answer,
    DialInAnswer,
    "Give every frame as numbers to type by hand",
    group=blueprint,
    table=dial_in_answer,
)
serve(
    "/v1/chart/read",
    chart_reading_answer,
    ChartReadingAnswer,
    "Read a photographed chart",
    group=blueprint,
    needs={
        "chart": {
            "reading": {
                "frames": [{"deliverable": "wide", "corners": [[3, 252], [4802, 251], [4803, 2953], [2, 2952]]}],
                "tolerance_px": 4,
            }
        }
    },
)


def reference(description: str, name: str) -> dict[str, Any]:
    """Return the 200 response of a list of published values."""
    schema = {
        "type": "object",
        "required": [name],
        "properties": {name: {"type": "array", "items": {"type": "object"}}},
    }
    return {"200": {"description": description, "content": {"application/json": {"schema": schema}}}}


@blueprint.route("/v1/reference/safe-areas", methods=["GET"])
@blueprint.doc(
    operationId="reference_safe_areas",
    summary="Published sets of safe areas, with their documents",
    responses=reference("Sets by name.", "sets"),
)
def reference_safe_areas() -> Response:
    """Return every set, its shares, and its pixels on the rasters of the television standards."""
    return json_response({"rounding": ROUNDING, "sets": [_set(published) for published in SAFE_AREA_SETS]})


@blueprint.route("/v1/reference/rasters", methods=["GET"])
@blueprint.doc(
    operationId="reference_rasters",
    summary="Published rasters, with their documents",
    responses=reference("Rasters by name.", "rasters"),
)
def reference_rasters() -> Response:
    """Return every raster with the shape of its pixels."""
    rasters = [
        {
            "name": published.name,
            "label": published.label,
            "raster": {"width": published.raster.width, "height": published.raster.height},
            "pixel_aspect": f"{published.pixel_aspect.numerator}:{published.pixel_aspect.denominator}",
            "document": published.document,
        }
        for published in RASTERS
    ]
    return json_response({"rasters": rasters})


def _set(published: PublishedSet) -> dict[str, Any]:
    return {
        "name": published.name,
        "document": published.document,
        "title": published.title,
        "written_for": f"{published.written_for.numerator}:{published.written_for.denominator}",
        "superseded": published.superseded,
        "areas": [_area(area) for area in published.areas],
    }


def _area(area: PublishedArea) -> dict[str, Any]:
    # The percentages are published; the pixels follow from them by the rounding that is stated.
    left, top, right, bottom = (float(share) for share in area.insets)
    rasters = [each.raster for each in RASTERS if each.raster.width * 9 == each.raster.height * 16]
    return {
        "label": area.label,
        "insets": {"left": left, "top": top, "right": right, "bottom": bottom},
        "computed": [
            _pixels(raster, rect) for raster in rasters if (rect := safe_rect(raster, area.insets)) is not None
        ],
    }


def _pixels(raster: Raster, rect: Rect) -> dict[str, Any]:
    """Return an area's pixels counted from 0, both ends inside."""
    return {
        "raster": {"width": raster.width, "height": raster.height},
        "first_pixel": rect.x,
        "last_pixel": rect.right - 1,
        "first_line": rect.y,
        "last_line": rect.bottom - 1,
        "width": rect.width,
        "height": rect.height,
    }
