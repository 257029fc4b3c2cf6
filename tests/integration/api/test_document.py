"""The OpenAPI document is current and says what each field and parameter means; the page on the API names what there is."""

import json
import re
from typing import Any

import httpx
import pytest

from tests.docs.pages import ROOT, codes, read, rows, section
from zoneledger.api.openapi import build_api, document_of, text_of
from zoneledger.api.problems import MEDIA_TYPE, TABLE

DOCUMENT = document_of(build_api())
OPERATIONS = [
    pytest.param(path, method, operation, id=f"{method} {path}")
    for path, item in DOCUMENT["paths"].items()
    for method, operation in item.items()
]
PAGE = read("docs/rest-api.md")
#: What describes the service itself is in no document.
OUTSIDE = ("/openapi.json", "/contract/message.schema.json", "/contract/asyncapi.json")


def test_the_document_that_is_kept_is_current() -> None:
    kept = (ROOT / "docs" / "openapi.json").read_text(encoding="utf-8")
    assert text_of(DOCUMENT) == kept, "run: .venv/bin/python -m zoneledger.api.openapi > docs/openapi.json"


async def test_the_document_that_is_served_is_the_one_that_is_kept(api: httpx.AsyncClient) -> None:
    assert (await api.get("/openapi.json")).json() == json.loads(read("docs/openapi.json"))


@pytest.mark.parametrize(("path", "method", "operation"), OPERATIONS)
def test_a_call_says_what_it_does_and_how_it_fails(path: str, method: str, operation: dict[str, Any]) -> None:
    assert operation["description"]
    for status, response in operation["responses"].items():
        assert response["description"], status
        if status >= "400":
            assert list(response["content"]) == [MEDIA_TYPE]
    assert {"500", "503"} <= operation["responses"].keys()
    for parameter in operation.get("parameters", []):
        assert parameter["description"], parameter["name"]
        assert "examples" in parameter["schema"], parameter["name"]
    if "requestBody" in operation:
        assert all("example" in content for content in operation["requestBody"]["content"].values())


def _fields() -> dict[str, dict[str, Any]]:
    schemas = DOCUMENT["components"]["schemas"]
    return {f"{name}.{field}": rule for name in schemas for field, rule in schemas[name].get("properties", {}).items()}


def _refers(rule: dict[str, Any]) -> bool:
    within = (rule.get("items"), rule.get("additionalProperties"))
    return "$ref" in rule or any(_refers(each) for each in within if isinstance(each, dict))


def _has_example(rule: dict[str, Any]) -> bool:
    return any(word in rule for word in ("examples", "enum", "default")) or any(
        map(_has_example, rule.get("anyOf", []))
    )


def test_each_field_says_what_it_is() -> None:
    """One whose value is another schema is described there."""
    fields = _fields()
    assert len(fields) > 500
    assert [name for name, rule in fields.items() if not (_refers(rule) or rule.get("description"))] == []


def test_each_field_of_an_answer_has_an_example() -> None:
    """The plant's document has one example as a whole."""
    told = {name: rule for name, rule in _fields().items() if "Document." not in name}
    assert [name for name, rule in told.items() if not (_refers(rule) or _has_example(rule))] == []


def test_no_two_schemas_are_told_apart_by_a_path_of_the_program() -> None:
    assert [name for name in DOCUMENT["components"]["schemas"] if "__" in name] == []


def test_the_page_lists_exactly_the_problems_that_there_are() -> None:
    listed = {codes(row[0])[0]: (int(row[1]), row[2]) for row in rows(section(PAGE, "Problems"))}
    assert listed == TABLE


def test_the_page_lists_exactly_the_calls_that_there_are() -> None:
    listed = {tuple(code.split(" ", 1)) for row in rows(section(PAGE, "Calls")) for code in codes(row[0])}
    there = {(method.upper(), path) for path, item in DOCUMENT["paths"].items() for method in item}
    assert listed == there | {("GET", path) for path in OUTSIDE}


def test_the_page_names_every_parameter() -> None:
    named = set(codes(PAGE))
    for item in DOCUMENT["paths"].values():
        for operation in item.values():
            for parameter in operation.get("parameters", []):
                name = parameter["name"]
                assert name in named or (parameter["in"] == "path" and f"/{{{name}}}" in PAGE), name


@pytest.mark.parametrize("block", re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL))
def test_an_answer_on_the_page_has_fields_that_there_are(block: str) -> None:
    fields = {name for schema in DOCUMENT["components"]["schemas"].values() for name in schema.get("properties", {})}
    assert set(json.loads(block)) <= fields
