"""JSON Schemas of the answers, made from the answers' own dataclasses, so that they cannot drift apart."""

from __future__ import annotations

import dataclasses
import inspect
import types
from collections.abc import Mapping
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from tallwide.job import Noun

_PLAIN: dict[Any, dict[str, Any]] = {
    int: {"type": "integer"},
    float: {"type": "number"},
    str: {"type": "string"},
    bool: {"type": "boolean"},
    Any: {},
}


def answer_schemas(*answers: type) -> dict[str, dict[str, Any]]:
    """Return the component schemas of answers and of every noun inside them, by name."""
    schemas: dict[str, dict[str, Any]] = {}
    for answer in answers:
        _describe(answer, schemas)
    return schemas


def _describe(noun: type, schemas: dict[str, dict[str, Any]]) -> dict[str, Any]:
    if Noun in noun.__mro__:  # described by its own schema, as a part of jobs
        return {"$ref": f"#/components/schemas/{noun.__name__}"}
    if noun.__name__ not in schemas:
        schema: dict[str, Any] = {"type": "object", "description": inspect.getdoc(noun) or ""}
        schemas[noun.__name__] = schema
        hints = get_type_hints(noun)
        names = [field.name for field in dataclasses.fields(noun)]
        schema["properties"] = {name: _schema_of(hints[name], schemas) for name in names}
        schema["required"] = names
    return {"$ref": f"#/components/schemas/{noun.__name__}"}


def _schema_of(hint: Any, schemas: dict[str, dict[str, Any]]) -> dict[str, Any]:
    if hint in _PLAIN:
        return dict(_PLAIN[hint])
    if isinstance(hint, type) and dataclasses.is_dataclass(hint):
        return _describe(hint, schemas)
    origin, arguments = get_origin(hint), get_args(hint)
    if origin is Literal:
        return {"enum": list(arguments)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [_schema_of(choice, schemas) for choice in arguments]}
    if origin is tuple:
        items = [item for item in arguments if item is not Ellipsis]
        if len(items) == 1:
            return {"type": "array", "items": _schema_of(items[0], schemas)}
        return {
            "type": "array",
            "prefixItems": [_schema_of(item, schemas) for item in items],
            "minItems": len(items),
            "maxItems": len(items),
        }
    if origin in (Mapping, dict):
        return {"type": "object", "additionalProperties": _schema_of(arguments[1], schemas)}
    if hint is type(None):
        return {"type": "null"}
    raise TypeError(f"no JSON Schema is known for {hint!r}")
