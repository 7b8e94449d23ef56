"""Loading: a right job is read straight into its nouns; a wrong one goes to its schema, which says all that is wrong.

A schema collects every fault of a document, and that bookkeeping costs ten times the reading. The
readers here are made from the schema itself: its fields, their validators and the schema's own
hooks, stopping at the first fault. So there is one definition, and what is right by it is right here.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from marshmallow import Schema, ValidationError, fields
from marshmallow.decorators import POST_LOAD, PRE_LOAD, VALIDATES, VALIDATES_SCHEMA

from tallwide_service.api.schemas import (
    AspectField,
    CoordinateField,
    NounSchema,
    Number,
    Switch,
    Text,
)

Read = Callable[[Any], Any]
# Fields that look at nothing but their own value.
_LEAVES = (Number, Text, Switch, AspectField, CoordinateField)


class Loader:
    """Loads documents of one schema."""

    def __init__(self, schema: Schema) -> None:
        self._schema = schema
        self._read = _reader_of(schema)

    def load(self, document: Any) -> Any:
        """Return the noun that a JSON value describes.

        Raises
        ------
        marshmallow.ValidationError
            With all faults of the document.
        """
        try:
            return self._read(document)
        except ValidationError:
            return self._schema.load(document)


def _reader_of(schema: Schema) -> Read:
    """Return the reader of one kind of object; `schema.load` itself where a schema does more than nouns' schemas do."""
    hooks = schema._hooks  # a schema tells of its hooks nowhere else
    builders = [name for name, *_ in hooks[POST_LOAD]]
    if not isinstance(schema, NounSchema) or hooks[PRE_LOAD] or hooks[VALIDATES] or builders != ["build"]:
        return schema.load
    readers = {field.data_key or name: (name, _field_reader(field)) for name, field in schema.fields.items()}
    required = {field.data_key or name for name, field in schema.fields.items() if field.required}
    checks = [(getattr(schema, name), options["pass_original"]) for name, _, options in hooks[VALIDATES_SCHEMA]]
    # `refuse_unknown` has nothing to say of an object whose names are all known.
    checks_of_known = [check for check in checks if check[0].__name__ != "refuse_unknown"]

    def read(document: Any) -> Any:
        if type(document) is not dict or not required <= document.keys():
            raise ValidationError("is no such object")
        data: dict[str, Any] = {}
        known = True
        for name, value in document.items():
            if name in readers:
                member, read_member = readers[name]
                data[member] = read_member(value)
            else:
                data[name] = value
                known = False
        for check, wants_original in checks_of_known if known else checks:
            if wants_original:
                check(data, document)
            else:
                check(data)
        return schema.build(data)

    return read


def _field_reader(field: fields.Field[Any]) -> Read:
    """Return the reader of one member; the field's own where it does more than nouns' fields do."""
    if isinstance(field, fields.List):
        return _list_reader(field)
    if isinstance(field, fields.Nested) and not field.many:
        read = _reader_of(field.schema)
        # A picture may be a bare name, and a bare protection has a sentence of its own.
        return lambda value: read(value) if type(value) is dict else field.deserialize(value)
    if isinstance(field, _LEAVES):
        return _leaf_reader(field)
    return field.deserialize


def _leaf_reader(field: fields.Field[Any]) -> Read:
    validators = tuple(field.validators)

    def read(value: Any) -> Any:
        if value is None:
            return field.deserialize(value)
        read_value = field._deserialize(value, None, None)  # what `deserialize` itself calls
        for validate in validators:
            validate(read_value)
        return read_value

    return read


def _list_reader(field: fields.List[Any]) -> Read:
    read_item, validators = _field_reader(field.inner), tuple(field.validators)

    def read(value: Any) -> Any:
        if type(value) is not list:
            return field.deserialize(value)
        items = [read_item(item) for item in value]
        for validate in validators:
            validate(items)
        return items

    return read
