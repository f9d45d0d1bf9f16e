"""The OpenAPI document says what the interface does: real answers are held to its schemas."""

from __future__ import annotations

import json
from typing import Any

import pytest

KNOWN = {
    "$ref",
    "anyOf",
    "const",
    "default",
    "description",
    "enum",
    "examples",
    "format",
    "items",
    "maximum",
    "minimum",
}
KNOWN |= {"additionalProperties", "properties", "required", "title", "type"}
TYPES: dict[str, tuple[type, ...]] = {
    "object": (dict,),
    "array": (list,),
    "string": (str,),
    "integer": (int,),
    "number": (int, float),
    "boolean": (bool,),
    "null": (type(None),),
}


def conforms(value: Any, schema: dict[str, Any], document: dict[str, Any], at: str = "answer") -> None:
    """Hold a value to a JSON Schema (2020-12), as much of it as our document uses; an unknown keyword fails."""
    assert schema.keys() <= KNOWN, f"{at}: {schema.keys() - KNOWN}"
    if "$ref" in schema:
        conforms(value, document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]], document, at)
        return
    if "anyOf" in schema:
        assert any(fits(value, one, document, at) for one in schema["anyOf"]), f"{at}: {value!r}"
        return
    if "type" in schema:
        assert isinstance(value, TYPES[schema["type"]]), f"{at}: {value!r} is no {schema['type']}"
        assert isinstance(value, bool) == (schema["type"] == "boolean"), at
    assert value in schema.get("enum", [value]), f"{at}: {value!r}"
    assert value == schema.get("const", value), at
    if isinstance(value, int | float) and not isinstance(value, bool):
        assert schema.get("minimum", value) <= value <= schema.get("maximum", value), at
    if isinstance(value, list):
        for index, item in enumerate(value):
            conforms(item, schema["items"], document, f"{at}[{index}]")
    if isinstance(value, dict):
        assert set(schema.get("required", [])) <= value.keys(), (
            f"{at}: {set(schema['required']) - value.keys()} missing"
        )
        extra = schema.get("additionalProperties", True)
        for name, item in value.items():
            own = schema.get("properties", {}).get(name, extra)
            assert own is not False, f"{at}.{name} is not documented"
            if isinstance(own, dict):
                conforms(item, own, document, f"{at}.{name}")


def fits(value: Any, schema: dict[str, Any], document: dict[str, Any], at: str) -> bool:
    """Say whether a value conforms."""
    try:
        conforms(value, schema, document, at)
    except AssertionError:
        return False
    return True


@pytest.fixture
def document(client) -> dict[str, Any]:
    """The OpenAPI document."""
    return client.get("/api/openapi.json").json()


def schema_of(document: dict[str, Any], path: str, method: str, status: int) -> dict[str, Any]:
    """Give the documented schema of an answer: of its status, else of its class of statuses."""
    answers = document["paths"][path][method]["responses"]
    answer = answers.get(str(status)) or answers[f"{status // 100}XX"]
    ((media_type, content),) = answer["content"].items()
    is_problem = status >= 400 and path != "/health"
    assert media_type == ("application/problem+json" if is_problem else "application/json")
    return content["schema"]


QUESTIONS = [
    ("/api/v1/rooms", "/api/v1/rooms", 200),
    ("/api/v1/rooms/loft/latest", "/api/v1/rooms/{room}/latest", 200),
    ("/api/v1/rooms/cellar/latest", "/api/v1/rooms/{room}/latest", 200),
    ("/api/v1/rooms/nowhere/latest", "/api/v1/rooms/{room}/latest", 404),
    ("/api/v1/rooms/loft/series?quantity=emc_percent&points=9", "/api/v1/rooms/{room}/series", 200),
    ("/api/v1/rooms/loft/series?quantity=emc_percent&points=720&from=2026-01-05", "/api/v1/rooms/{room}/series", 200),
    ("/api/v1/rooms/loft/series?quantity=wetness", "/api/v1/rooms/{room}/series", 400),
    ("/api/v1/incidents", "/api/v1/incidents", 200),
    ("/api/v1/incidents?limit=x", "/api/v1/incidents", 400),
    ("/api/v1/incidents?limit=1", "/api/v1/incidents", 200),
    ("/api/v1/incidents/i1", "/api/v1/incidents/{incident}", 200),
    ("/api/v1/incidents/nothing", "/api/v1/incidents/{incident}", 404),
    ("/health", "/health", 200),
]


@pytest.mark.parametrize(("address", "path", "status"), QUESTIONS)
def test_answers_conform_to_the_document(client, services, bench, document, address, path, status):
    """What is answered is what is documented, field by field, errors included."""
    bench.put(services, bench.incident(1, is_open=True), bench.incident(9, is_open=False))
    answer = client.get(address)
    assert answer.status_code == status
    conforms(answer.json(), schema_of(document, path, "get", status), document)


def test_trouble_conforms_too(client, services, document):
    """A failing daemon's health is documented under 503, a troubled one's under 200."""
    services.troubles.append("the disk is full")
    conforms(client.get("/health").json(), schema_of(document, "/health", "get", 200), document)
    services.failing = True
    conforms(client.get("/health").json(), schema_of(document, "/health", "get", 503), document)


def test_readings_in_is_documented_with_body_token_and_answers(client, bench, document):
    """The one way in names its media type, its token, and answers as documented."""
    operation = document["paths"]["/api/v1/readings"]["post"]
    assert list(operation["requestBody"]["content"]) == ["application/senml+json", "application/senml+cbor"]
    assert operation["security"] == [{"pushToken": []}]
    assert document["components"]["securitySchemes"]["pushToken"] == {"type": "http", "scheme": "bearer"}
    headers = {"Authorization": f"Bearer {bench.token}", "Content-Type": "application/senml+json"}
    good = {"n": "hall-air/humidity", "u": "%RH", "v": 44.0}
    bad = good | {"v": -4.0}
    body = json.dumps([good, bad])
    answer = client.post("/api/v1/readings", content=body, headers=headers)
    assert answer.status_code == 207
    conforms(answer.json(), schema_of(document, "/api/v1/readings", "post", 207), document)
    for sent, status in (([good], 202), ({}, 400), ([bad], 422)):
        one = client.post("/api/v1/readings", content=json.dumps(sent), headers=headers)
        assert one.status_code == status
        conforms(one.json(), schema_of(document, "/api/v1/readings", "post", status), document)
    refused = client.post("/api/v1/readings", content=body)
    conforms(refused.json(), schema_of(document, "/api/v1/readings", "post", 401), document)


def test_only_the_interface_for_programs_is_documented(document):
    """The document lists what programs may use, once each, and no page."""
    others = {"/api/v1/readings", "/api/v1/site", "/api/v1/incidents/{incident}/actions", "/live", "/metrics"}
    assert set(document["paths"]) == {path for _, path, _ in QUESTIONS} | others
    identifiers = [one["operationId"] for path in document["paths"].values() for one in path.values()]
    assert len(identifiers) == len(set(identifiers))


def test_no_page_loads_documentation_from_elsewhere(client):
    """There are no interactive docs that would fetch scripts from a stranger."""
    for path in ("/docs", "/redoc", "/api/docs"):
        assert client.get(path).status_code == 404
