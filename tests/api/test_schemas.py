"""One schema a noun, member for member: neither can have what the other lacks."""

from __future__ import annotations

import dataclasses
import inspect

import pytest

from tallwide_service.api import schemas

SCHEMAS = [
    schema
    for _, schema in inspect.getmembers(schemas, inspect.isclass)
    if issubclass(schema, schemas.NounSchema) and schema is not schemas.NounSchema
]


@pytest.mark.parametrize("schema", SCHEMAS, ids=lambda schema: schema.__name__)
def test_a_schema_has_the_members_of_its_noun(schema):
    members = {field.name for field in dataclasses.fields(schema.noun) if field.init and field.name != "own"}
    if schema is schemas.PictureSchema:
        members.remove("view")  # a view is written as its bare name
    assert set(schema().fields) == members


@pytest.mark.parametrize("schema", SCHEMAS, ids=lambda schema: schema.__name__)
def test_what_a_schema_requires_is_what_its_noun_requires(schema):
    required = {
        field.name
        for field in dataclasses.fields(schema.noun)
        if field.init and field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
    }
    assert {name for name, field in schema().fields.items() if field.required} == required
