"""Requests that are too much: bodies that come too slowly, and queries with thousands of faults."""

import asyncio

import httpx
import pytest

from tests.integration.api.guarding.conftest import MakeKey
from tests.integration.api.problem import problem
from tests.integration.api.server import served_here
from zoneledger.api import bodies
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service
from zoneledger.core.errors import PlantInvalid
from zoneledger.plant_document import read_json


@pytest.mark.parametrize(("method", "path"), [("POST", "/v1/messages"), ("PUT", "/v1/plant"), ("POST", "/v1/session")])
async def test_a_body_that_comes_too_slowly_is_not_waited_for(
    service: Service, make_key: MakeKey, monkeypatch: pytest.MonkeyPatch, method: str, path: str
) -> None:
    monkeypatch.setattr(bodies, "SLOWEST_S", 0.2)
    key = await make_key("admin")
    async with served_here(create_app(service)) as address:
        host, _, port = address.removeprefix("http://").partition(":")
        reader, writer = await asyncio.open_connection(host, int(port))
        head = f"{method} {path} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {key}\r\nContent-Length: 100\r\n\r\n{{"
        writer.write(head.encode())
        answer = await asyncio.wait_for(reader.read(), 20)
        writer.close()
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert b'"code": "body_too_slow"' in answer


async def test_a_stranger_is_not_waited_for_at_all(service: Service) -> None:
    async with served_here(create_app(service)) as address:
        host, _, port = address.removeprefix("http://").partition(":")
        reader, writer = await asyncio.open_connection(host, int(port))
        writer.write(b"POST /v1/messages HTTP/1.1\r\nHost: x\r\nContent-Length: 100000\r\n\r\n{")
        status = await asyncio.wait_for(reader.readline(), 20)
        writer.close()
    assert status.startswith(b"HTTP/1.1 401 ")


async def test_of_thousands_of_faults_some_are_told(api: httpx.AsyncClient) -> None:
    query = "&".join(f"n{number}=1" for number in range(3000))
    found = problem(await api.get(f"/v1/gaps?{query}"), "request_invalid")
    assert 0 < len(found["errors"]) <= 20


def test_a_document_with_many_fields_that_stand_twice_is_read_in_no_time() -> None:
    fields = ",".join(f'"n{number % 40_000}":1' for number in range(80_000))
    with pytest.raises(PlantInvalid):
        read_json(f"{{{fields}}}")
