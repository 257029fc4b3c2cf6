"""The API over a real HTTP server: bodies in chunks, callers that vanish, many at once."""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator

import httpx
import pytest

from tests.integration.api.plant import CELL, NOW_US, PLANT, morning, snapshot
from tests.integration.api.problem import problem
from tests.integration.api.server import served
from zoneledger.asgi import create_app
from zoneledger.bootstrap import build_service
from zoneledger.storage.schema import migrate


@pytest.fixture
def address(database_url: str) -> Iterator[str]:
    """The address of a server that knows the plant."""
    asyncio.run(migrate(database_url))
    with served(lambda: create_app(build_service(database_url, clock=lambda: NOW_US))) as address:
        assert httpx.put(f"{address}/v1/plant", json=PLANT).status_code == 200
        yield address


async def _chunks(size: int) -> AsyncIterator[bytes]:
    for _ in range(size // 4096):
        yield b" " * 4096


async def test_a_body_in_chunks_is_bounded(address: str) -> None:
    headers = {"content-type": "application/json"}
    async with httpx.AsyncClient(base_url=address) as client:
        answer = await client.post("/v1/messages", content=_chunks(300 * 1024), headers=headers)
        problem(answer, "body_too_large")
        answer = await client.post("/v1/messages", content=_chunks(200 * 1024), headers=headers)
        problem(answer, "body_invalid")


async def test_many_callers_at_once_lose_nothing_and_count_nothing_twice(address: str) -> None:
    messages = [*morning(), *(snapshot(121 + number / 10, "1", boot=1, seq=107) for number in range(40))]
    async with httpx.AsyncClient(base_url=address, timeout=30) as client:

        async def post(first: int) -> httpx.Response:
            body = {"cell": CELL, "messages": messages[first::10]}
            return await client.post("/v1/messages", json=body)

        answers = await asyncio.gather(*(post(number % 10) for number in range(30)))
        assert {answer.status_code for answer in answers} == {200}
        assert all(answer.json()["refused"] == [] for answer in answers)
        window = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T08:00:00Z"}
        kpi = (await client.get(f"/v1/kpi/{CELL}", params=window)).json()
    assert kpi["time_s"] == {"running": 3600, "idle": 0, "fault": 1800, "changeover": 1800, "unknown": 0}
    assert (kpi["fasteners"]["made"], kpi["fasteners"]["good"]) == (100, 95)


def test_a_caller_that_vanishes_costs_the_others_nothing(address: str) -> None:
    host, _, port = address.removeprefix("http://").partition(":")
    for _ in range(5):
        with socket.create_connection((host, int(port)), timeout=5) as caller:
            caller.sendall(b"POST /v1/messages HTTP/1.1\r\nHost: x\r\nContent-Length: 5000\r\n\r\n{")
    assert httpx.get(f"{address}/health/ready", timeout=30).status_code == 200
