"""The contract: what is committed is what the app makes, what it describes is what the app does."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from openapi_spec_validator import validate

from tallwide_service.api import openapi

COMMITTED = Path(__file__).parents[2] / "openapi" / "openapi.json"
DOCUMENT = json.loads(COMMITTED.read_text(encoding="utf-8"))
OPERATIONS = [
    (method, path, operation)
    for path, methods in DOCUMENT["paths"].items()
    for method, operation in methods.items()
    if method in ("get", "post", "put", "delete")
]


def test_the_committed_document_is_the_apps_to_the_byte():
    assert COMMITTED.read_text(encoding="utf-8") == openapi.document()


def test_the_document_is_valid():
    validate(DOCUMENT)
    assert DOCUMENT["openapi"].startswith("3.1")


def test_the_document_lists_exactly_the_apps_routes(app):
    served = {
        (method.lower(), str(rule).replace("<", "{").replace(">", "}"))
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"HEAD", "OPTIONS"}
        if not str(rule).startswith(("/docs", "/page/")) and str(rule) not in ("/", "/openapi.json")
    }
    assert {(method, path) for method, path, _ in OPERATIONS} == served


def test_operation_ids_are_unique_and_every_operation_has_a_summary():
    names = [operation["operationId"] for _, _, operation in OPERATIONS]
    assert len(set(names)) == len(names)
    assert all(operation["summary"] for _, _, operation in OPERATIONS)


def resolved(schema: dict) -> dict:
    return {**schema, "components": DOCUMENT["components"]}


@pytest.mark.parametrize(("method", "path", "operation"), OPERATIONS, ids=[f"{m} {p}" for m, p, _ in OPERATIONS])
def test_every_example_runs_and_its_answer_is_as_described(client, method, path, operation):
    request = {"method": method.upper(), "path": path}
    for parameter in operation.get("parameters", []):
        example = parameter.get("example", (parameter["schema"].get("examples") or [None])[0])
        if parameter["in"] == "path":
            request["path"] = request["path"].replace("{" + parameter["name"] + "}", str(example))
        elif parameter["in"] == "query" and parameter.get("required"):
            assert example, f"{path} has no example for {parameter['name']}"
            request["query_string"] = {**request.get("query_string", {}), parameter["name"]: example}
    contents = operation.get("requestBody", {}).get("content", {})
    examples = [
        (media_type, named["value"])
        for media_type, content in contents.items()
        for named in content.get("examples", {}).values()
    ]
    if "application/json" in contents:
        assert examples, f"{path} has no example body"
    is_text = {"application/json": False, "application/x-ndjson": True}
    for media_type, example in [case for case in examples if case[0] in is_text] or [(None, None)]:
        written = example if media_type and is_text[media_type] else json.dumps(example)
        body = {} if media_type is None else {"data": written, "content_type": media_type}
        response = client.open(**request, **body)
        assert response.status_code == 200, response.data
        described = operation["responses"]["200"]["content"]
        assert response.mimetype in described
        schema = described[response.mimetype].get("schema")
        if response.is_json and schema:
            jsonschema.Draft202012Validator(resolved(schema)).validate(response.json)
        if media_type == "application/json" and "$ref" in contents[media_type]["schema"]:
            jsonschema.Draft202012Validator(resolved(contents[media_type]["schema"])).validate(example)


def test_a_refusal_is_as_described(client):
    response = client.post("/v1/extractions", json={"capture": {}})
    jsonschema.Draft202012Validator(resolved({"$ref": "#/components/schemas/Problem"})).validate(response.json)


def test_every_computing_operation_has_a_client_method():
    from tallwide import Client  # noqa: PLC0415 - the namespace under test

    for _, path, operation in OPERATIONS:
        name = operation["operationId"]
        if path.startswith("/v1/") and not name.endswith("_by_query"):
            assert hasattr(Client, name), f"Client has no method {name}"
