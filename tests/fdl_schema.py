"""The ASC Framing Decision List schema, version 2.0.1, retyped in our own words from its object tree.

An oracle apart from the project's own rules: JSON Schema 2020-12 through the jsonschema package. As in
the published schema, sizes and points carry no "type": "object".
"""

from __future__ import annotations

ID = {"type": "string", "pattern": "^[A-Za-z0-9_]{1,32}$"}
DECISION_ID = {"type": "string", "pattern": "^[A-Za-z0-9_]{1,32}-[A-Za-z0-9_]{1,32}$"}
TEXT = {"type": "string"}
SQUEEZE = {"type": "number", "exclusiveMinimum": 0}
SOURCES = [
    "framing_decision.dimensions",
    "framing_decision.protection_dimensions",
    "canvas.dimensions",
    "canvas.effective_dimensions",
]


def closed(required, **members):
    return {
        "type": "object",
        "properties": members,
        "required": required,
        "additionalProperties": False,
        "patternProperties": {"^_": {}},
    }


def untyped(names, member):
    return {
        "properties": dict.fromkeys(names, member),
        "required": list(names),
        "additionalProperties": False,
        "patternProperties": {"^_": {}},
    }


def size(kind, **bound):
    return untyped(("width", "height"), {"type": kind, **bound})


WHOLE_SIZE = size("integer", exclusiveMinimum=0)
REAL_SIZE = size("number", exclusiveMinimum=0)
POINT = untyped(("x", "y"), {"type": "number", "minimum": 0})

INTENT = closed(
    ["id", "aspect_ratio"], id=ID, label=TEXT, aspect_ratio=WHOLE_SIZE, protection={"type": "number", "minimum": 0}
)
DECISION = closed(
    ["id", "framing_intent_id", "dimensions", "anchor_point"],
    id=DECISION_ID,
    framing_intent_id=ID,
    label=TEXT,
    dimensions=REAL_SIZE,
    anchor_point=POINT,
    protection_dimensions=REAL_SIZE,
    protection_anchor_point=POINT,
) | {"dependentRequired": {"protection_dimensions": ["protection_anchor_point"]}}
CANVAS = closed(
    ["id", "source_canvas_id", "dimensions"],
    id=ID,
    source_canvas_id=ID,
    label=TEXT,
    dimensions=WHOLE_SIZE,
    effective_dimensions=WHOLE_SIZE,
    effective_anchor_point=POINT,
    photosite_dimensions=WHOLE_SIZE,
    physical_dimensions=REAL_SIZE,
    anamorphic_squeeze=SQUEEZE,
    framing_decisions={"type": "array", "items": DECISION},
) | {"dependentRequired": {"effective_dimensions": ["effective_anchor_point"]}}
CLIP = closed(
    ["clip_name"],
    clip_name=TEXT,
    file=TEXT,
    sequence=closed(
        ["value", "idx", "min", "max"],
        value=TEXT,
        idx={"type": "string", "minLength": 1, "maxLength": 1},
        min={"type": "integer", "minimum": 0},
        max={"type": "integer", "minimum": 0},
    ),
) | {"not": {"required": ["file", "sequence"]}}
TEMPLATE = closed(
    ["id", "target_dimensions", "target_anamorphic_squeeze", "fit_source", "fit_method"],
    id=ID,
    label=TEXT,
    target_dimensions=size("integer", minimum=0),
    target_anamorphic_squeeze=SQUEEZE,
    fit_source={"enum": SOURCES},
    fit_method={"enum": ["width", "height", "fit_all", "fill"]},
    alignment_method_vertical={"enum": ["top", "center", "bottom"]},
    alignment_method_horizontal={"enum": ["left", "center", "right"]},
    preserve_from_source_canvas={"enum": SOURCES},
    maximum_dimensions=WHOLE_SIZE,
    pad_to_maximum={"type": "boolean"},
    round=closed(["even", "mode"], even={"enum": ["whole", "even"]}, mode={"enum": ["up", "down", "round"]}),
)
SCHEMA = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    **closed(
        ["uuid", "version"],
        uuid={"type": "string", "format": "uuid"},
        version=closed(["major", "minor"], major={"const": 2}, minor={"const": 0}),
        fdl_creator=TEXT,
        default_framing_intent=ID,
        framing_intents={"type": "array", "items": INTENT},
        contexts={
            "type": "array",
            "items": closed(
                [], label=TEXT, context_creator=TEXT, clip_id=CLIP, canvases={"type": "array", "items": CANVAS}
            ),
        },
        canvas_templates={"type": "array", "items": TEMPLATE},
    ),
}
