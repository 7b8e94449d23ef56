"""Hand-off, mapping, media check and comparison: what post does with a decision.

All of it is computed by the SDK's own functions, which need no service; here a job is solved first.
"""

from __future__ import annotations

from typing import Any

from flask import Response, abort, request
from flask_smorest import Blueprint
from marshmallow import ValidationError

from tallwide import handoff
from tallwide.check import CheckAnswer, check_media
from tallwide.compare import CompareAnswer, KnownFrames, compare_frames, frames_read, known_frames
from tallwide.decision import Decision, decide
from tallwide.handoff import Document, FormFault, HandoffAnswer, ReadAnswer, ReadOptions, UnreadableForm
from tallwide.job import Comparand, Handoff, Job
from tallwide.mapping import MapAnswer, mapped_places
from tallwide.version import VERSION
from tallwide.wire import to_wire
from tallwide_service.api.body import (
    JSON_TYPE,
    json_document,
    posted_bytes,
    posted_job,
    queried_job,
    refuse_unknown_parameters,
)
from tallwide_service.api.computing import cacheable, is_fresh, json_response, not_modified, tagged
from tallwide_service.api.documented import EXAMPLE_JOB, IF_NONE_MATCH, job_body, job_parameter, json_answer, refusals
from tallwide_service.api.framing import named, serve
from tallwide_service.api.problems import Problem, faults_of
from tallwide_service.api.schemas import FormToRead, FormToReadSchema
from tallwide_service.core import solve
from tallwide_service.errors import Fault, FormUnreadable, MemberMissing, NoSuchPicture
from tallwide_service.identity import answer_id, decision_id

blueprint = Blueprint("handing_over", __name__, description="The same decision in every open form, and the way back.")

FORM_TO_READ = FormToReadSchema()


def decision_of(job: Job) -> Decision:
    """Return the solved job as what every hand-off is made from."""
    extractions = solve(job).extractions
    return decide(job, extractions, decision_id=decision_id(job.capture, extractions), engine_version=VERSION)


def map_answer(job: Job, identity: str) -> MapAnswer:
    """Return places of one space in another."""
    if job.map is None:
        raise MemberMissing.at("/map", "is required to map: the spaces and the places")
    decision = decision_of(job)
    try:
        mapped = mapped_places(decision, job.map)
    except (KeyError, ValueError) as error:
        detail = str(error.args[0])
        raise NoSuchPicture(detail, (Fault("/map", detail),)) from error
    return MapAnswer(**named(job, identity, decision.decision_id), mapped=mapped)


def check_answer(job: Job, identity: str) -> CheckAnswer:
    """Return whether a file holds the recording that a job was made for."""
    if job.file is None:
        raise MemberMissing.at("/file", "is required to check: the facts of the file")
    decision = decision_of(job)
    return CheckAnswer(**named(job, identity, decision.decision_id), check=check_media(decision, job.file))


def compare_answer(job: Job, identity: str) -> CompareAnswer:
    """Return what moved between a job and what it is compared with."""
    if job.compare is None:
        raise MemberMissing.at("/compare", "is required to compare: another job, or a document and its form")
    decision = decision_of(job)
    other = _other_frames(job.compare, decision)
    try:
        comparison = compare_frames(known_frames(decision), other, tolerance_px=job.compare.tolerance_px)
    except ValueError as error:
        raise NoSuchPicture(str(error), (Fault("/compare", str(error)),)) from error
    return CompareAnswer(**named(job, identity, decision.decision_id), comparison=comparison)


def _other_frames(other: Comparand, decision: Decision) -> KnownFrames:
    if other.job is not None:
        return known_frames(decision_of(other.job))
    options = ReadOptions(other.lenient, decision.capture.raster)
    try:
        return frames_read(handoff.read(other.document, str(other.form), options))
    except UnreadableForm as error:
        raise unreadable(error, "/compare") from error


def unreadable(error: UnreadableForm, prefix: str = "") -> FormUnreadable:
    """Return a reader's faults as the service's error, their pointers under a prefix."""
    return FormUnreadable(str(error), tuple(_fault(fault, prefix) for fault in error.faults))


def _fault(fault: FormFault, prefix: str) -> Fault:
    return Fault(prefix + fault.pointer, f"{fault.detail} ({fault.clause})", fault.limit, fault.got)


def document_of(job: Job, form: str) -> tuple[Decision, Document]:
    """Return a job's decision, and it as a document of a form."""
    decision = decision_of(job)
    return decision, handoff.write(decision, form, job.handoff or Handoff())


def wanted_type(form: str) -> str:
    """Return the envelope's or the form's own media type by `Accept`; the envelope where anything will do."""
    if form not in handoff.WRITERS:
        abort(404, description=f"there is no form of that name; there are {', '.join(handoff.WRITERS)}")
    own = handoff.MEDIA_TYPES[form]
    wanted = request.accept_mimetypes.best_match([JSON_TYPE, own])
    if wanted is None and request.accept_mimetypes:
        raise Problem(
            406,
            "not-acceptable",
            "No such representation",
            f"{form} exists as {JSON_TYPE}, with what it cannot carry beside it, and as {own}",
            headers={"Vary": "Accept"},
        )
    return wanted or JSON_TYPE


def document_response(job: Job, form: str, media_type: str, identity: str) -> Response:
    """Return the envelope, or the document as its own file."""
    decision, document = document_of(job, form)
    if media_type == JSON_TYPE:
        return json_response(
            to_wire(
                HandoffAnswer(
                    **named(job, identity, decision.decision_id),
                    form=document.form,
                    standard=document.standard,
                    media_type=document.media_type,
                    file_name=document.file_name,
                    document=document.content,
                    lost=document.lost,
                )
            )
        )
    response = Response(document.raw, content_type=document.media_type)
    response.headers["Content-Disposition"] = f'attachment; filename="{document.file_name}"'
    # The file has no place for it: what it does not carry, by code.
    response.headers["Tallwide-Lost"] = ", ".join(dict.fromkeys(loss.code for loss in document.lost))
    return response


def _form_parameter(names: tuple[str, ...]) -> dict[str, Any]:
    return {
        "name": "form",
        "in": "path",
        "required": True,
        "description": "Open form.",
        "schema": {"type": "string", "enum": list(names)},
        "example": names[0],
    }


def _answered() -> dict[str, Any]:
    answer = json_answer("HandoffAnswer", "The document in its envelope, or, by `Accept`, as its own file.")
    for media_type in dict.fromkeys(handoff.MEDIA_TYPES.values()):
        answer["content"][media_type] = {"schema": {"type": "string"}}
    answer["headers"]["Content-Disposition"] = {
        "description": "File name, where the document is sent as its own file.",
        "schema": {"type": "string"},
    }
    answer["headers"]["Tallwide-Lost"] = {
        "description": "Codes of what the file cannot carry, where it is sent as its own file.",
        "schema": {"type": "string"},
    }
    return {"200": answer}


@blueprint.route("/v1/handoff/<form>", methods=["POST"], endpoint="handoff")
@blueprint.doc(
    operationId="handoff",
    summary="Write the decision in an open form",
    parameters=[_form_parameter(tuple(handoff.WRITERS))],
    requestBody=job_body(),
    responses={**_answered(), **refusals(400, 404, 406, 413, 415, 422)},
)
def post_handoff(form: str) -> Response:
    """Write the job in the body."""
    media_type = wanted_type(form)
    job = posted_job(request)
    identity = answer_id(f"/v1/handoff/{form}", to_wire(job), media_type=media_type)
    return tagged(document_response(job, form, media_type, identity), identity)


@blueprint.route("/v1/handoff/<form>", methods=["GET"], endpoint="handoff_by_query")
@blueprint.doc(
    operationId="handoff_by_query",
    summary="Write the decision in an open form (short jobs, cacheable)",
    parameters=[_form_parameter(tuple(handoff.WRITERS)), job_parameter(), IF_NONE_MATCH],
    responses={
        **_answered(),
        "304": {"description": "The client has this document."},
        **refusals(400, 404, 406, 413, 422),
    },
)
def get_handoff(form: str) -> Response:
    """Write the job in the query, unless the client has the document."""
    media_type = wanted_type(form)
    job = queried_job(request)
    identity = answer_id(f"/v1/handoff/{form}", to_wire(job), media_type=media_type)
    if is_fresh(identity):
        return not_modified(identity)
    return cacheable(document_response(job, form, media_type, identity), identity)


def _form_to_read(body: Any) -> FormToRead:
    try:
        wanted: FormToRead = FORM_TO_READ.load(body)
    except ValidationError as error:
        faults = faults_of(error.messages)
        raise Problem(
            422,
            "invalid-job",
            "The request is readable but wrong",
            "; ".join(f"{fault['pointer'] or '/'}: {fault['detail']}" for fault in faults[:3]),
            faults=faults,
        ) from error
    return wanted


@blueprint.route("/v1/handoff/<form>/read", methods=["POST"], endpoint="read_handoff")
@blueprint.doc(
    operationId="read_handoff",
    summary="Read a document back: the part of a job that it carries, and what is missing",
    parameters=[_form_parameter(tuple(handoff.READERS))],
    requestBody={
        "required": True,
        "content": {
            JSON_TYPE: {
                "schema": {"$ref": "#/components/schemas/FormToRead"},
                "examples": {
                    "list": {
                        "value": {
                            "document": {
                                "uuid": "5b0f6c0e-6c1a-4a55-9a3e-6d0b4c1f2a77",
                                "version": {"major": 2, "minor": 0},
                                "framing_intents": [{"id": "V916", "aspect_ratio": {"width": 9, "height": 16}}],
                                "contexts": [
                                    {
                                        "canvases": [
                                            {
                                                "id": "C1",
                                                "source_canvas_id": "C1",
                                                "dimensions": {"width": 3840, "height": 2160},
                                                "framing_decisions": [
                                                    {
                                                        "id": "C1-V916",
                                                        "framing_intent_id": "V916",
                                                        "dimensions": {"width": 1215, "height": 2160},
                                                        "anchor_point": {"x": 1312, "y": 0},
                                                    }
                                                ],
                                            }
                                        ]
                                    }
                                ],
                            }
                        }
                    }
                },
            }
        },
    },
    responses={
        "200": json_answer("ReadAnswer", "What the document carries, and what is missing."),
        **refusals(400, 404, 413, 415, 422),
    },
)
def post_read(form: str) -> Response:
    """Read the document in the body."""
    if form not in handoff.READERS:
        abort(404, description=f"no form of that name is read back; {', '.join(handoff.READERS)} are")
    refuse_unknown_parameters(request, frozenset())
    body = json_document(posted_bytes(request))
    wanted = _form_to_read(body)
    try:
        reading = handoff.read(wanted.document, form, ReadOptions(wanted.lenient, wanted.raster))
    except UnreadableForm as error:
        raise unreadable(error) from error
    identity = answer_id(f"/v1/handoff/{form}/read", to_wire(wanted))
    return tagged(json_response(to_wire(ReadAnswer(VERSION, identity, reading))), identity)


serve(
    "/v1/map",
    map_answer,
    MapAnswer,
    "Map points, rectangles and polygons between spaces",
    group=blueprint,
    needs={
        "map": {
            "source": {"space": "delivery", "deliverable": "tall"},
            "target": {"space": "recorded"},
            "points": [[540, 960], ["1/3", 0]],
            "rects": [[0, 0, 1080, 1920]],
        }
    },
)
serve(
    "/v1/check",
    check_answer,
    CheckAnswer,
    "Say whether a file holds the recording",
    group=blueprint,
    needs={"file": {"width": 2432, "height": 1632, "crop": {"left": 16, "top": 16, "right": 16, "bottom": 16}}},
)
serve(
    "/v1/compare",
    compare_answer,
    CompareAnswer,
    "Say what moved between two decisions",
    group=blueprint,
    needs={
        "compare": {
            "job": {
                "capture": EXAMPLE_JOB["capture"],
                "deliverables": [{**EXAMPLE_JOB["deliverables"][0], "align": {"y": 0}}],
            },
            "tolerance_px": 2,
        }
    },
)
