"""The quick way to read a job: a straight reader made from the marshmallow schemas, which stay the one source.

The schemas' own fields, validators and hooks decide here too; what is left out is the machinery
around them that collects faults. A reader therefore either returns just what its schema would, or
raises `Doubt`: at any fault, and at anything it was not made for. The caller then asks the schema,
which has the last word and the wording.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import orjson
from marshmallow import Schema, ValidationError, fields, missing
from marshmallow.decorators import POST_LOAD, PRE_LOAD, VALIDATES, VALIDATES_SCHEMA

from tallwide_service.limits import LIMITS

Reader = Callable[[Any], Any]

# Digits as 0: a run of 19 may be an integer that only Python's own reader keeps whole.
_DIGITS = bytes.maketrans(b"123456789", b"000000000")
_LONG_INTEGER = 19 * b"0"
# How an escaped colon begins; so do other escapes that nobody writes.
_ESCAPED_COLON = b"\\u003"


class Doubt(Exception):
    """The quick way does not lead to a result; the exact one decides."""


def quick_document(body: bytes) -> Any:
    """Return the JSON value in a body that is certainly one document, with no name twice.

    A name that stands twice is found by counting: every member has one colon, and the others stand
    in strings, none of them escaped. How deep the value is nested is left to its reader.
    """
    if _ESCAPED_COLON in body or _LONG_INTEGER in body.translate(_DIGITS):
        raise Doubt
    try:
        document = orjson.loads(body)
        colons = orjson.dumps(document).count(b":")
    except (orjson.JSONDecodeError, orjson.JSONEncodeError) as error:  # the latter where it is nested very deep
        raise Doubt from error
    if colons != body.count(b":"):
        raise Doubt
    return document


def is_deep(document: Any) -> bool:
    """Whether a JSON value is nested deeper than is read; one level after the other."""
    level = [document]
    for _ in range(LIMITS.nesting + 1):
        level = [value for value in level if type(value) in (dict, list)]
        if not level:
            return False
        level = [inner for value in level for inner in (value.values() if type(value) is dict else value)]
    return True


def reader_of(schema: Schema) -> Reader:
    """Return the quick reader of a schema; it raises `Doubt` where the schema would refuse, and where it may."""
    hooks = schema._hooks  # marshmallow names them nowhere else
    if hooks[PRE_LOAD] or hooks[VALIDATES] or schema.many or schema.partial:
        return _doubtful
    written = {field.data_key or name: (name, field) for name, field in schema.load_fields.items()}
    readers = {key: (name, _field_reader(field)) for key, (name, field) in written.items()}
    required = frozenset(key for key, (_, field) in written.items() if field.required)
    checks = [
        (getattr(schema, name), bool(options.get("pass_original"))) for name, _, options in hooks[VALIDATES_SCHEMA]
    ]
    finish = [getattr(schema, name) for name, _, _ in hooks[POST_LOAD]]

    def read(document: Any) -> Any:
        if type(document) is not dict or not required <= document.keys():
            raise Doubt
        try:
            data = {}
            for key, value in document.items():
                if key[:1] == "_":
                    data[key] = value
                else:
                    name, read_member = readers[key]
                    data[name] = read_member(value)
            for check, looks_at_original in checks:
                if looks_at_original:
                    check(data, document)
                else:
                    check(data)
            result: Any = data
            for build in finish:
                result = build(result)
        except (KeyError, ValidationError) as error:
            raise Doubt from error
        return result

    return read


def _field_reader(field: fields.Field[Any]) -> Reader:
    is_special = field.pre_load or field.post_load or field.attribute is not None
    if is_special or field.load_default is not missing:
        return _doubtful
    validators, read = field.validators, _value_reader(field)
    may_be_null = field.allow_none

    def read_field(value: Any) -> Any:
        if value is None:
            if may_be_null:
                return None
            raise Doubt
        result = read(value)
        for validate in validators:
            validate(result)
        return result

    return read_field


def _value_reader(field: fields.Field[Any]) -> Reader:
    """Return what reads a value that is not null, before its validators."""
    if isinstance(field, fields.Nested):
        return _nested_reader(field)
    if type(field) is fields.List:
        read_item = _field_reader(field.inner)

        def read_list(value: Any) -> Any:
            if type(value) is not list:
                raise Doubt
            return [read_item(item) for item in value]

        return read_list
    deserialize = field._deserialize
    return lambda value: deserialize(value, None, None)


def _nested_reader(field: Any) -> Reader:
    is_plain = type(field) is fields.Nested or getattr(field, "reads_objects_as_nested", False)
    if field.many or field.unknown is not None or not is_plain:
        return _doubtful
    made: list[Reader] = []

    def read(value: Any) -> Any:
        if type(value) is not dict:
            return field._deserialize(value, None, None)
        if not made:  # at the first value: a job may hold a job
            made.append(reader_of(field.schema))
        return made[0](value)

    return read


def _doubtful(_value: Any) -> Any:
    raise Doubt
