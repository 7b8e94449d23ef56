"""Every bound of `/v1/limits`: what passes it by one is refused, with the field, the bound and the value received."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from urllib3.filepost import encode_multipart_formdata

from fields_of_a_job import job_with, places, validators
from tallwide import handoff
from tallwide.handoff import UnreadableForm
from tallwide_service.api.schemas import AspectField, Between, Counted
from tallwide_service.limits import LIMITS, as_document

COMMITTED = json.loads((Path(__file__).parents[2] / "openapi" / "openapi.json").read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Breach:
    """A request that passes one bound by one, and what its problem must say: where, and the value received."""

    got: Any
    pointer: str | None = None  # a member of the job; else the bound stands in the problem itself
    path: str = "/v1/extractions"
    body: Any = None
    headers: dict[str, str] | None = None
    method: str = "POST"
    status: int = 422


def at(pointer: str, value: Any, got: Any, **others: Any) -> Breach:
    """Return the breach of a job with one member set."""
    return Breach(got, pointer, body=job_with(pointer, value), **others)


def listed(pointer: str, item: Any, most: int) -> Breach:
    """Return the breach of a list with one item too many."""
    return at(pointer, [item] * (most + 1), most + 1)


def worded(pointer: str, most: int) -> Breach:
    """Return the breach of a text with one character too many."""
    return at(pointer, "x" * (most + 1), most + 1)


def counted(pointer: str, most: int) -> Breach:
    """Return the breach of a number that is larger by one."""
    return at(pointer, most + 1, most + 1)


def job(**members: Any) -> dict[str, Any]:
    return {**job_with("/capture/squeeze", 1), **members}


def picture_job(width: int, height: int, **members: Any) -> dict[str, Any]:
    return {
        "capture": {"raster": {"width": width, "height": height}},
        "deliverables": [{"label": "wide", "aspect": "16:9"}],
        **members,
    }


def still(job: Any, picture: bytes | None = None) -> dict[str, Any]:
    """Return a multipart request, of a small grey JPEG where no still is given."""
    if picture is None:
        out = io.BytesIO()
        Image.new("RGB", (64, 48)).save(out, "JPEG")
        picture = out.getvalue()
    parts = {"job": ("job.json", json.dumps(job)), "still": ("still", picture, "application/octet-stream")}
    body, kind = encode_multipart_formdata(parts)
    return {"path": "/v1/overlay", "body": body, "headers": {"Content-Type": kind}}


def many_scans(scans: int) -> bytes:
    """Return a JPEG that begins as one does and goes on with scans that hold nothing (ITU-T T.81, B.1)."""
    out = io.BytesIO()
    Image.new("RGB", (64, 48)).save(out, "JPEG")
    whole = out.getvalue()
    scan = whole[whole.index(b"\xff\xda") : -2]
    return whole[:-2] + scan * (scans - 1) + b"\xff\xd9"


def rasters(side: int, other: int) -> dict[str, int]:
    return {"width": side, "height": other}


def a_lens(number: int) -> dict[str, Any]:
    return {"label": f"lens {number}", "image_circle_mm": 30, "focal_length_mm": 20 + number}


def frames(count: int) -> list[dict[str, Any]]:
    return [{"label": f"frame {number}", "aspect": "16:9"} for number in range(count)]


SHARED = {"arrangement": "shared_point"}
AREAS = [
    {"label": f"area {number}", "left": 0.01 * (number + 1), "top": 0.01, "right": 0.01, "bottom": 0.01}
    for number in range(LIMITS.safe_areas)
]
PITCH = {"raster": {"width": 4800, "height": 3200}, "photosite_pitch_um": 5.8}
OWN = {f"_{number:02}": 1 for number in range(LIMITS.own_members + 1)}
DEEP = '{"_n":' + "[" * LIMITS.nesting + "]" * LIMITS.nesting + "}"
LONG_NUMBER = "1" * (LIMITS.number_characters + 1)
QUERY = {"method": "GET", "status": 413}
PACKED = "A" * (LIMITS.query_job_characters + 1)


def packed_spaces(count: int) -> str:
    import base64  # noqa: PLC0415
    import zlib  # noqa: PLC0415

    return base64.urlsafe_b64encode(zlib.compress(b" " * count, 9)).rstrip(b"=").decode()


LARGE_AND_CURVED = {
    "raster": rasters(LIMITS.raster_side_px, LIMITS.raster_side_px),
    "usable_area": [[0, 0], [9, 0], [9, 9], [0, 9]],
}
THREE_CURVED = {
    "capture": LARGE_AND_CURVED,
    "alternatives": [LARGE_AND_CURVED] * 2,
    "deliverables": frames(32),
    "rolls": [0, 90, 270],
    "passes": 2,
}
JSON = {"Content-Type": "application/json"}
BREACHES: dict[str, Callable[[], Breach]] = {
    "body_bytes": lambda: Breach(LIMITS.body_bytes + 1, body=b" " * (LIMITS.body_bytes + 1), headers=JSON, status=413),
    "target_characters": lambda: Breach(
        LIMITS.target_characters + 1,
        path="/v1/limits?" + "a" * (LIMITS.target_characters + 1 - len("/v1/limits")),
        method="GET",
        status=414,
    ),
    "query_job_characters": lambda: Breach(len(PACKED), path=f"/v1/extractions?job={PACKED}", **QUERY),
    "query_job_bytes": lambda: Breach(
        f"more than {LIMITS.query_job_bytes}",
        path=f"/v1/extractions?job={packed_spaces(LIMITS.query_job_bytes + 1)}",
        **QUERY,
    ),
    "nesting": lambda: Breach(LIMITS.nesting + 1, body=DEEP.encode(), headers=JSON, status=400),
    "number_characters": lambda: Breach(len(LONG_NUMBER), body=LONG_NUMBER.encode(), headers=JSON, status=400),
    "raster_side_px": lambda: counted("/capture/raster/width", LIMITS.raster_side_px),
    "shared_point_side_px": lambda: Breach(
        LIMITS.shared_point_side_px + 1,
        "/capture/raster/width",
        body=picture_job(LIMITS.shared_point_side_px + 1, 100, framing=SHARED),
    ),
    "aspect_characters": lambda: at(
        "/deliverables/0/aspect", "1" * (LIMITS.aspect_characters - 1) + ":1", LIMITS.aspect_characters + 1
    ),
    "label_characters": lambda: worded("/deliverables/0/label", LIMITS.label_characters),
    "id_characters": lambda: worded("/id", LIMITS.id_characters),
    "deliverables": lambda: Breach(
        LIMITS.deliverables + 1, "/deliverables", body=job(deliverables=frames(LIMITS.deliverables + 1))
    ),
    "safe_areas": lambda: listed("/deliverables/0/safe_areas", {"label": "a"}, LIMITS.safe_areas),
    "usable_area_vertices": lambda: listed("/capture/usable_area", [0, 0], LIMITS.usable_area_vertices),
    "nest_pairs": lambda: listed("/framing/nest", ["wide", "tall"], LIMITS.nest_pairs),
    "position_sets": lambda: Breach(
        # Twelve captures at a roll, in one pass to three: 12 + 66 + 220.
        sum((27, 351, 2_925)),
        "/passes",
        path="/v1/orientation",
        body=job(deliverables=frames(3), alternatives=[PITCH] * 8, rolls=[0, 90, 270], passes=3),
    ),
    "curved_frames_px": lambda: Breach(
        2 * 3 * 3 * 32 * LIMITS.raster_side_px,  # twice in a usable area
        "/alternatives",
        path="/v1/orientation",
        body=THREE_CURVED,
    ),
    "rate_limits": lambda: listed(
        "/capture/rate_limits", {"frames_per_second": 50, "height": 3200}, LIMITS.rate_limits
    ),
    "captures": lambda: listed("/captures", PITCH, LIMITS.captures),
    "lenses": lambda: listed("/lenses", {"label": "a"}, LIMITS.lenses),
    "lens_settings": lambda: at(
        "/lenses/0",
        {"label": "zoom", "settings": [{"focal_length_mm": 20}] * (LIMITS.lens_settings + 1)},
        LIMITS.lens_settings + 1,
    ),
    "coverage_rows": lambda: Breach(
        33 * 32,
        "/lenses",
        path="/v1/coverage",
        body=job(
            capture=PITCH,
            deliverables=frames(32),
            lenses=[
                *map(a_lens, range(31)),
                {"label": "zoom", "image_circle_mm": 30, "settings": [{"focal_length_mm": 20}] * 2},
            ],
        ),
    ),
    "coverage_rows_together": lambda: Breach(
        8 * 29,
        "/lenses",
        path="/v1/coverage",
        body=job(capture=PITCH, deliverables=frames(29), lenses=list(map(a_lens, range(8))), framing=SHARED),
    ),
    "match_focal_lengths": lambda: Breach(
        LIMITS.match_focal_lengths + 1,
        "/match/focal_lengths_mm",
        body=job(match={"capture": PITCH, "focal_lengths_mm": [20] * (LIMITS.match_focal_lengths + 1)}),
    ),
    "rig_entries": lambda: listed("/rig/ratings", {"label": "plate", "rolls": [0]}, LIMITS.rig_entries),
    "grid_step_px": lambda: counted("/capture/grid/x", LIMITS.grid_step_px),
    "sweep_steps": lambda: at(
        "/sweep",
        {"member": "/framing/point/y", "from": 0, "to": 1, "steps": LIMITS.sweep_steps + 1},
        LIMITS.sweep_steps + 1,
    ),
    "sweep_frames": lambda: Breach(
        201 * 2,
        "/sweep/steps",
        body=job(sweep={"member": "/capture/squeeze", "from": 1, "to": 2, "steps": 201}),
    ),
    "pointer_characters": lambda: at(
        "/sweep",
        {"member": "/" + "x" * LIMITS.pointer_characters, "from": 0, "to": 1, "steps": 2},
        LIMITS.pointer_characters + 1,
    ),
    "alternatives": lambda: listed("/alternatives", PITCH, LIMITS.alternatives),
    "passes": lambda: counted("/passes", LIMITS.passes),
    "shots": lambda: counted("/production/shots", LIMITS.shots),
    "production_minutes": lambda: counted("/production/minutes_per_take", LIMITS.production_minutes),
    "own_members": lambda: Breach(LIMITS.own_members + 1, f"/_{LIMITS.own_members}", body=job(**OWN)),
    "own_bytes": lambda: Breach(
        LIMITS.own_bytes + 1, "/_note", body=job(_note="x" * (LIMITS.own_bytes + 1 - len('_note""')))
    ),
    "overlay_png_px": lambda: Breach(
        16_384 * (LIMITS.overlay_png_px // 16_384 + 1),
        "/capture/raster",
        path="/v1/overlay",
        headers={"Accept": "image/png"},
        body=picture_job(16_384, LIMITS.overlay_png_px // 16_384 + 1),
    ),
    "line_px": lambda: counted("/overlay/line_px", LIMITS.line_px),
    "overlay_safe_areas": lambda: Breach(
        LIMITS.overlay_safe_areas + 8,
        "/overlay/safe_areas",
        path="/v1/overlay",
        body=job(deliverables=[{**each, "safe_areas": AREAS} for each in frames(LIMITS.overlay_safe_areas // 8 + 1)]),
    ),
    "title_characters": lambda: worded("/sheet/title", LIMITS.title_characters),
    "date_characters": lambda: worded("/sheet/date", LIMITS.date_characters),
    "notes_characters": lambda: worded("/sheet/notes", LIMITS.notes_characters),
    "chart_width_mm": lambda: counted("/chart/width_mm", LIMITS.chart_width_mm),
    "plate_bytes": lambda: Breach(
        LIMITS.plate_bytes + 1,
        status=413,
        **still(picture_job(64, 48), b"\xff\xd8\xff" + bytes(LIMITS.plate_bytes - 2)),
    ),
    "plate_px": lambda: Breach(
        8_192 * (LIMITS.plate_px // 8_192 + 1), **still(picture_job(8_192, LIMITS.plate_px // 8_192 + 1))
    ),
    "plate_turned_px": lambda: Breach(
        6_000 * (LIMITS.plate_turned_px // 6_000 + 1),
        "/picture",
        **still(
            picture_job(
                6_000,
                LIMITS.plate_turned_px // 6_000 + 1,
                capture={"raster": rasters(6_000, LIMITS.plate_turned_px // 6_000 + 1), "roll": 90},
                picture="upright",
            ),
            grey_jpeg(6_000, LIMITS.plate_turned_px // 6_000 + 1),
        ),
    ),
    "plate_deep_px": lambda: Breach(
        2_000 * (LIMITS.plate_deep_px // 2_000 + 1),
        **still(picture_job(64, 48), transparent_png(2_000, LIMITS.plate_deep_px // 2_000 + 1)),
    ),
    # Four bytes for each pixel that is decoded, and two for each of its three coefficients.
    "plate_decoding_bytes": lambda: Breach(
        len(progressive_jpeg(6_000, 3_600)) + (4 + 3 * 2) * 6_000 * 3_600,
        **still(picture_job(6_000, 3_600), progressive_jpeg(6_000, 3_600)),
    ),
    "plate_frame_px": lambda: Breach(
        4_096 * (LIMITS.plate_frame_px // 4_096 + 1),
        "/deliverables/0/raster",
        **still(
            {
                **picture_job(640, 480, plate={"output": "frames"}, framing={"aspect_tolerance": 0.05}),
                "deliverables": [{"label": "a", "raster": rasters(4_096, LIMITS.plate_frame_px // 4_096 + 1)}],
            },
            grey_jpeg(640, 480),
        ),
    ),
    "plate_still_and_frames_px": lambda: Breach(
        4_096 * (LIMITS.plate_still_and_frames_px // 4_096 + 1),
        "/deliverables",
        **still(
            picture_job(
                4_096,
                LIMITS.plate_still_and_frames_px // 4_096 + 1 - 2 * 2_160,
                deliverables=[{"label": label, "raster": rasters(4_096, 2_160)} for label in "ab"],
                plate={"output": "frames"},
            ),
            grey_jpeg(4_096, LIMITS.plate_still_and_frames_px // 4_096 + 1 - 2 * 2_160),
        ),
    ),
    "plate_work_px": lambda: Breach(
        3 * 6_000 * 3_900 + 5 * 6_000 * 3_900 + 2 * 5 * 1_500 * 975,
        "/deliverables",
        **still(
            picture_job(
                6_000,
                3_900,
                deliverables=[{"label": str(number), "raster": rasters(1_500, 975)} for number in range(5)],
                plate={"output": "frames"},
            ),
            grey_jpeg(6_000, 3_900),
        ),
    ),
    "plate_side_px": lambda: counted("/plate/longest_side_px", LIMITS.plate_side_px),
    "jpeg_scans": lambda: Breach(
        LIMITS.jpeg_scans + 1, **still(picture_job(64, 48), many_scans(LIMITS.jpeg_scans + 1))
    ),
    "pull_multiple_px": lambda: counted("/handoff/pull/multiple", LIMITS.pull_multiple_px),
    "map_places": lambda: Breach(
        LIMITS.map_places + 1,
        "/map/points",
        body=job(
            map={
                "source": {"space": "recorded"},
                "target": {"space": "recorded"},
                "points": [[1, 1]] * (LIMITS.map_places + 1),
            }
        ),
    ),
    "coordinate_characters": lambda: Breach(
        LIMITS.coordinate_characters + 1,
        "/map/points/0/0",
        body=job(
            map={
                "source": {"space": "recorded"},
                "target": {"space": "recorded"},
                "points": [["1" * (LIMITS.coordinate_characters + 1), 1]],
            }
        ),
    ),
    "source_characters": lambda: worded("/handoff/source", LIMITS.source_characters),
    "language_characters": lambda: worded("/handoff/language", LIMITS.language_characters),
    "handoff_frames": lambda: reading("media-fragments", ["#xywh=0,0,9,9"] * (LIMITS.handoff_frames + 1), 33),
    "handoff_list_entries": lambda: reading(
        "framing-decision-list", a_list(LIMITS.handoff_list_entries + 1), 257, "/document/contexts"
    ),
    "handoff_text_characters": lambda: reading(
        "media-fragments", ["x" * (LIMITS.handoff_text_characters + 1)], 4_097, "/document/0"
    ),
    "handoff_document_nesting": lambda: reading("framing-decision-list", "[" * 65, 65),
    "handoff_document_elements": lambda: reading(
        "image-regions", f"<a>{'<b/>' * LIMITS.handoff_document_elements}</a>", 20_001
    ),
}
# What is not refused: it is cut, and the answer says so; or the server itself answers, see tests/attacks/cases.
NOT_REFUSED = {"orientation_work", "plans_listed", "faults_listed", "headers", "head_bytes"}
# A document that comes by HTTP is bounded by its body first; this is the bound of whoever reads files.
OF_FILES = {"handoff_document_bytes"}


def reading(form: str, document: Any, got: int, pointer: str = "/document") -> Breach:
    return Breach(
        got,
        pointer,
        path=f"/v1/handoff/{form}/read",
        body={"document": document, "raster": {"width": 4800, "height": 3200}},
    )


def a_list(contexts: int) -> dict[str, Any]:
    return {
        "uuid": "9b1b0d5e-6d0e-4a57-8f0d-3c1c4f6f2a10",
        "version": {"major": 1, "minor": 0},
        "fdl_creator": "a test",
        "contexts": [{}] * contexts,
    }


def grey_jpeg(width: int, height: int) -> bytes:
    out = io.BytesIO()
    Image.new("L", (width, height)).save(out, "JPEG")
    return out.getvalue()


def progressive_jpeg(width: int, height: int) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (width, height)).save(out, "JPEG", progressive=True, subsampling=0)
    return out.getvalue()


def transparent_png(width: int, height: int) -> bytes:
    out = io.BytesIO()
    Image.new("LA", (width, height)).save(out, "PNG")
    return out.getvalue()


# A body that does not come: see tests/entrance/test_front.py.
OF_SENDERS = {"body_silence_s", "body_s"}
# Batches stream: what passes their bounds is a line of the answer, see tests/api/test_batch.py.
OF_BATCHES = {name for name in as_document() if name.startswith("batch_")}


def test_every_bound_has_a_breach():
    assert set(as_document()) == BREACHES.keys() | NOT_REFUSED | OF_FILES | OF_SENDERS | OF_BATCHES


def test_the_contract_says_every_bound(client):
    document = client.get("/openapi.json").json
    answer = document["paths"]["/v1/limits"]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
    said = {name: schema["examples"][0] for name, schema in answer["properties"].items() if name != "members"}
    assert said == as_document()
    assert client.get("/v1/limits").json.items() >= said.items()


@pytest.mark.parametrize("name", BREACHES)
def test_a_breach_is_refused_with_the_field_the_bound_and_the_value(client, name):
    breach, limit = BREACHES[name](), as_document()[name]
    if breach.method == "GET":
        response = client.get(breach.path)
    elif isinstance(breach.body, bytes):
        response = client.post(breach.path, data=breach.body, headers=breach.headers)
    else:
        response = client.post(breach.path, json=breach.body, headers=breach.headers)
    problem = response.json
    assert response.status_code == problem["status"] == breach.status, problem
    if breach.pointer is None:
        assert (problem["limit"], problem["got"]) == (limit, breach.got)
        assert str(limit) in problem["detail"]
        return
    said = {
        (fault.get("limit"), fault.get("got"))
        for fault in problem["errors"]
        if fault["pointer"].startswith(breach.pointer)
    }
    assert (limit, breach.got) in said, problem["errors"]


@pytest.mark.parametrize("place", ["/alternatives/0", "/captures/0", "/match/capture"])
@pytest.mark.parametrize("side", ["width", "height"])
def test_frames_share_a_point_on_no_larger_raster_wherever_its_camera_stands(client, place, side):
    most = LIMITS.shared_point_side_px
    for got, status in ((most, 200), (most + 1, 422)):
        another = job_with(f"{place}/raster", {"width": 100, "height": 100, side: got})
        response = client.post("/v1/margins", json={**another, "framing": SHARED})
        assert response.status_code == status, response.json
    (error,) = response.json["errors"]
    assert (error["pointer"], error["limit"], error["got"]) == (f"{place}/raster/{side}", most, most + 1)


def test_a_file_that_is_too_long_is_refused_with_the_bound_and_its_length():
    for form in ("image-regions", "csv", "framing-decision-list"):
        with pytest.raises(UnreadableForm) as refused:
            handoff.read("x" * (LIMITS.handoff_document_bytes + 1), form)
        (fault,) = refused.value.faults
        assert (fault.limit, fault.got) == (LIMITS.handoff_document_bytes, LIMITS.handoff_document_bytes + 1)


def test_what_is_listed_at_most_is_cut_and_said(client):
    odd = {f"odd {number}": 1 for number in range(40)}
    many = [{**odd, "label": f"frame {number}", "aspect": "16:9"} for number in range(4)]
    faults = client.post("/v1/extractions", json=job(deliverables=many)).json["errors"]
    assert len(faults) == LIMITS.faults_listed + 1
    assert faults[-1]["limit"] == LIMITS.faults_listed


def test_limits_hold_the_bounds_of_every_member_as_the_contract_has_them(client):
    """Each bounded member stands in the answer, and its bounds in the OpenAPI document too."""
    answer = client.get("/v1/limits").json
    assert {name: answer[name] for name in as_document()} == as_document()
    members = answer["members"]
    bounded = {
        str(place).replace("/0", "/*")
        for place in places()
        if isinstance(place.field, AspectField) or any(validators(place.field, (Between, Counted)))
    }
    assert bounded <= members.keys()
    for pointer, bounds in members.items():
        schema = described(pointer)
        assert {name: schema.get(name) for name in bounds if bounds[name] or name in schema} == {
            name: value for name, value in bounds.items() if value or name in schema
        }, pointer


def described(pointer: str) -> dict[str, Any]:
    """Return what the committed OpenAPI document says of a member."""
    schema: dict[str, Any] = {"$ref": "#/components/schemas/Job"}
    for step in pointer.strip("/").split("/"):
        schema = whole(schema)
        schema = schema["items"] if step == "*" else schema["properties"][step]
    return whole(schema)


def whole(schema: dict[str, Any]) -> dict[str, Any]:
    """Return a schema with what it refers to."""
    for other in (*schema.get("allOf", ()), *schema.get("anyOf", ())):
        if "$ref" in other:
            schema = {**other, **schema}
    if "$ref" not in schema:
        return schema
    named = schema["$ref"].rpartition("/")[2]
    return {**COMMITTED["components"]["schemas"][named], **{key: schema[key] for key in schema if key != "$ref"}}
