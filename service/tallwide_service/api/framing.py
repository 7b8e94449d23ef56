"""Extractions, margins and orientation of a job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from flask_smorest import Blueprint

from tallwide.answers import (
    CoverageAnswer,
    ExtractionsAnswer,
    MarginsAnswer,
    MatchAnswer,
    OpticsAnswer,
    OrientationAnswer,
    Size,
)
from tallwide.job import Job
from tallwide.version import VERSION
from tallwide_service.api.body import job_of
from tallwide_service.api.computing import Compute, json_endpoint
from tallwide_service.api.documented import (
    EXAMPLE_JOB,
    EXAMPLE_QUERY_JOB,
    IF_NONE_MATCH,
    job_body,
    job_parameter,
    json_answer,
    refusals,
)
from tallwide_service.api.problems import Problem
from tallwide_service.api.tables import VIEW_PARAMETER, or_table, with_table
from tallwide_service.core import coverage, margins, match_cameras, orientation, solve
from tallwide_service.core.allowance import Allowance
from tallwide_service.core.extraction import Solution
from tallwide_service.core.frame_optics import frame_optics, frame_pairs
from tallwide_service.core.positions import Searches
from tallwide_service.errors import CannotBeMet, Fault, SweepLeavesBounds
from tallwide_service.identity import decision_id
from tallwide_service.limits import LIMITS

blueprint = Blueprint("framing", __name__, description="Where each frame lies, what it has to spare, and what to do.")


def extractions_answer(job: Job, identity: str) -> ExtractionsAnswer:
    """Return where each frame of a job lies, what binds a joint solution, and the sweep that the job asks for."""
    refuse_wide_sweep(job)
    allowance = Allowance.of(job)
    solution = solve(job, allowance)
    beside = allowance.beside()
    answer = placed_answer(job, identity, solution)
    if job.framing.arrangement == "shared_point":
        from tallwide_service.core.binding import what_binds  # noqa: PLC0415 - loads the search of joint frames

        share = Allowance(beside.left // (2 if job.sweep is None else 4))
        found = what_binds(job, solution.extractions, share)
        beside.taken += share.taken
        answer = replace(answer, what_binds=found.bindings, what_binds_left_out=found.left_out)
    if job.sweep is not None:
        from tallwide_service.core.sweep import sweep_steps  # noqa: PLC0415

        answer = replace(answer, sweep=sweep_steps(job, job.sweep, job_of_step, beside))
    return answer


def placed_answer(job: Job, identity: str, solution: Solution | None = None) -> ExtractionsAnswer:
    """Return where each frame of a job lies and nothing more, which is all that a table holds."""
    solution = solution or solve(job)
    return ExtractionsAnswer(
        **solved(job, identity, solution),
        extractions=solution.extractions,
        common_area=solution.common_area,
        combined_area=solution.combined_area,
        certificate=solution.certificate,
    )


def refuse_wide_sweep(job: Job) -> None:
    """Refuse a sweep that asks for more frames than one answer holds."""
    if job.sweep is None:
        return
    asked = job.sweep.steps * len(job.deliverables)
    if asked > LIMITS.sweep_frames:
        detail = f"steps times deliverables is at most {LIMITS.sweep_frames}, not {asked}"
        raise CannotBeMet(detail, (Fault("/sweep/steps", detail, LIMITS.sweep_frames, asked),))


def job_of_step(document: Mapping[str, Any]) -> Job:
    """Return the job of one step of a sweep; a value that no job may hold refuses the whole sweep."""
    try:
        return job_of(document)
    except Problem as error:
        fault = (error.faults or [{"pointer": "", "detail": error.detail}])[0]
        detail = f"the sweep leaves what {fault['pointer'] or 'the job'} may be: {fault['detail']}"
        raise SweepLeavesBounds(detail, (Fault("/sweep", detail),)) from error


def margins_answer(job: Job, identity: str) -> MarginsAnswer:
    """Return what each frame of a job has to spare."""
    solution = solve(job)
    return MarginsAnswer(**solved(job, identity, solution), margins=margins(job, solution))


def orientation_answer(job: Job, identity: str) -> OrientationAnswer:
    """Return the plans for a job; its decision is that of the job as given, where it has one."""
    searches = Searches.beside(job)
    advice = orientation(job, searches)
    return OrientationAnswer(
        **named(job, identity, decision_as_given(searches)),
        plans=advice.plans,
        recommended=advice.recommended,
        break_even=advice.break_even,
        what_would_change=advice.what_would_change,
        considered=advice.considered,
        cautions=advice.cautions,
        rig=advice.rig,
    )


def coverage_answer(job: Job, identity: str) -> CoverageAnswer:
    """Return captures by lenses by deliverables; the decision is that of the job as given, where it has one."""
    searches = Searches.beside(job)
    return CoverageAnswer(**named(job, identity, decision_as_given(searches)), rows=coverage(job, searches))


def match_answer(job: Job, identity: str) -> MatchAnswer:
    """Return the focal lengths of another camera that give this one's frames."""
    solution = solve(job)
    rows, other = match_cameras(job, solution)
    raster = other.capture.raster
    return MatchAnswer(
        **solved(job, identity, solution),
        rows=rows,
        extractions=other.extractions,
        recorded=Size(raster.width, raster.height),
    )


def optics_answer(job: Job, identity: str) -> OpticsAnswer:
    """Return what the lens does in every frame, and frames against each other."""
    solution = solve(job)
    return OpticsAnswer(
        **solved(job, identity, solution),
        frames=frame_optics(job, solution.extractions),
        pairs=tuple(frame_pairs(job, solution.extractions)),
    )


def solved(job: Job, identity: str, solution: Solution) -> dict[str, Any]:
    """Return the members that every answer to a solved job carries."""
    return named(job, identity, decision_id(job.capture, solution.extractions))


def decision_as_given(searches: Searches) -> str | None:
    """Return the identifier of a job's decision; `None` where what it asks for cannot be met as it is given."""
    given = searches.given
    return None if given is None else decision_id(searches.job.capture, given.extractions)


def named(job: Job, identity: str, decision: str | None) -> dict[str, Any]:
    """Return the members that every answer carries."""
    return {"engine_version": VERSION, "answer_id": identity, "decision_id": decision, "job": job}


def serve(
    path: str,
    compute: Compute,
    answer: type,
    summary: str,
    *,
    group: Blueprint = blueprint,
    needs: Mapping[str, Any] | None = None,
    table: Compute | None = None,
) -> None:
    """Register a computing endpoint for POST and GET in a group of the document.

    `needs` are the members that the examples have because the endpoint cannot do without them;
    `table` makes the answer whose rows are the table view.
    """
    name = path.removeprefix("/v1/").replace("/", "_").replace("-", "_")
    post, get = json_endpoint(path, compute)
    answered = {"200": json_answer(answer.__name__, (answer.__doc__ or "").split("\n", maxsplit=1)[0])}
    view: list[dict[str, Any]] = []
    if table is not None:
        post, get = with_table(path, table, post, get)
        answered = {"200": or_table(answered["200"]), **refusals(406)}
        view = [VIEW_PARAMETER]
    document_post = group.doc(
        operationId=name,
        summary=summary,
        parameters=view,
        requestBody=job_body({**EXAMPLE_JOB, **(needs or {})}),
        responses={**answered, **refusals(400, 413, 415, 422)},
    )
    document_get = group.doc(
        operationId=f"{name}_by_query",
        summary=f"{summary} (short jobs, cacheable)",
        parameters=[job_parameter({**EXAMPLE_QUERY_JOB, **(needs or {})}), IF_NONE_MATCH, *view],
        responses={
            **answered,
            "304": {"description": "The client has this answer."},
            **refusals(400, 413, 422),
        },
    )
    group.route(path, methods=["POST"], endpoint=name)(document_post(post))
    group.route(path, methods=["GET"], endpoint=f"{name}_by_query")(document_get(get))


serve("/v1/extractions", extractions_answer, ExtractionsAnswer, "Place every deliverable's frame", table=placed_answer)
serve(
    "/v1/margins",
    margins_answer,
    MarginsAnswer,
    "Weigh every frame's pixels against what is needed",
    table=margins_answer,
)
serve(
    "/v1/orientation",
    orientation_answer,
    OrientationAnswer,
    "Crop, turn the camera, take another mode, or shoot twice",
    needs={
        "alternatives": [{"label": "B, 3:2 large", "raster": {"width": 6000, "height": 4000}}],
        "production": {"shots": 12, "minutes_per_take": 2, "minutes_per_changeover": 15, "minutes_available": 480},
    },
    table=orientation_answer,
)
serve(
    "/v1/coverage",
    coverage_answer,
    CoverageAnswer,
    "Say which lens covers which deliverable on which mode",
    needs={
        "captures": [
            {"label": "A", "raster": {"width": 4800, "height": 3200}, "photosite_pitch_um": 5.8},
            {"label": "B", "raster": {"width": 4096, "height": 2304}, "photosite_pitch_um": 5.8},
        ],
        "lenses": [
            {"label": "32", "focal_length_mm": 32, "image_circle_mm": 31.5},
            {"label": "28-70", "settings": [{"focal_length_mm": 28, "image_circle_mm": 29}, {"focal_length_mm": 70}]},
        ],
    },
    table=coverage_answer,
)
MATCH_EXAMPLE = {
    "capture": {
        "raster": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "lens": {"focal_length_mm": 32},
    },
    "match": {
        "capture": {"label": "B", "raster": {"width": 4096, "height": 2304}, "photosite_pitch_um": 6.4},
        "focal_lengths_mm": [25, 29, 35, 40],
    },
}
OPTICS_EXAMPLE = {
    "capture": {
        "raster": {"width": 4800, "height": 3200},
        "photosite_pitch_um": 5.8,
        "lens": {"focal_length_mm": 32, "f_number": 4, "focus_distance_mm": 3000, "exit_pupil_mm": 85},
        "readout_ms": 9,
    },
    "movement": {"pan_deg_s": 15},
}
serve(
    "/v1/match",
    match_answer,
    MatchAnswer,
    "Give the focal length that matches another camera",
    needs=MATCH_EXAMPLE,
    table=match_answer,
)
serve(
    "/v1/optics",
    optics_answer,
    OpticsAnswer,
    "Say what lens and read-out do in every frame",
    needs=OPTICS_EXAMPLE,
    table=optics_answer,
)
