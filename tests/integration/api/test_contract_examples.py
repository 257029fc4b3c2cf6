"""The examples of the message contract, and its documents, on a real service: what is taken, what is refused and what is served."""

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.docs.contract_examples import CELL, CONTRACT, INVALID, NOW, VALID, ZONES, Refused
from tests.integration.api.server import served
from zoneledger.api.contract_documents import SCHEMA_FILE, asyncapi_document
from zoneledger.asgi import create_app
from zoneledger.bootstrap import build_service
from zoneledger.core.validation import parse_instant
from zoneledger.storage.schema import migrate

#: What HTTP answers where the body as a whole cannot be read: nothing of it is kept.
PROBLEMS = {"not_json": "body_invalid", "not_utf8": "body_invalid", "too_many": "request_invalid"}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a service that knows the cell of the examples, at noon of their day."""
    url = f"sqlite:///{Path(tmp_path_factory.mktemp('examples')) / 'zoneledger.db'}"
    asyncio.run(migrate(url))
    site, line, cell = CELL.split("/")
    cells = [{"cell": cell, "zones": sorted(ZONES)}]
    plant = {"sites": [{"site": site, "timezone": "UTC", "lines": [{"line": line, "cells": cells}]}]}
    with served(lambda: create_app(build_service(url, clock=lambda: parse_instant("now", NOW)))) as address:
        assert httpx.put(f"{address}/v1/plant", json=plant).status_code == 200
        yield address


def _post(address: str, payload: bytes, cell: str = CELL) -> httpx.Response:
    """Send a payload as it is, its one message in an array."""
    array = payload if payload.strip().startswith(b"[") else b"[" + payload + b"]"
    body = b'{"cell": ' + json.dumps(cell).encode() + b', "messages": ' + array + b"}"
    return httpx.post(f"{address}/v1/messages", content=body, headers={"content-type": "application/json"})


@pytest.mark.parametrize("path", VALID, ids=lambda path: path.stem)
def test_an_example_that_is_valid_is_stored(server: str, path: Path) -> None:
    answer = _post(server, path.read_bytes())
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert told["refused"] == []
    assert told["stored"] + told["duplicate"] > 0


@pytest.mark.parametrize("example", INVALID, ids=lambda example: example.path.stem)
def test_an_example_that_is_not_is_refused_for_its_reason(server: str, example: Refused) -> None:
    answer = _post(server, example.path.read_bytes(), example.cell)
    if example.reason in PROBLEMS:
        assert answer.json()["code"] == PROBLEMS[example.reason], answer.text
        return
    reasons = {example.reason} - {"empty"}  # an array of no message is nothing, and no fault
    assert {one["reason"] for one in answer.json()["refused"]} == reasons


def test_the_documents_that_are_served_are_those_that_are_kept(server: str) -> None:
    schema = httpx.get(f"{server}/contract/{SCHEMA_FILE}")
    assert schema.headers["content-type"] == "application/schema+json"
    assert schema.text == (CONTRACT / SCHEMA_FILE).read_text(encoding="utf-8")
    assert httpx.get(f"{server}/contract/asyncapi.json").json() == asyncapi_document()
