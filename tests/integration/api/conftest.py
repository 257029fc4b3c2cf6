"""The application on an empty database, and clients that ask it."""

from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.plant import CELL, NOW_US, PLANT, morning
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service, build_service

Get = Callable[..., Awaitable[Any]]
Send = Callable[..., Awaitable[dict[str, Any]]]


@pytest.fixture
async def service(database_url: str) -> Service:
    """The service on an empty database; its clock stands at 18:00."""
    return build_service(database_url, clock=lambda: NOW_US)


@pytest.fixture
async def app(service: Service) -> AsyncIterator[FastAPI]:
    """The application while it runs."""
    app = create_app(service)
    async with app.router.lifespan_context(app):
        yield app


@pytest.fixture
async def api(app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    """A client of the application; an error inside is an answer of 500, as it is over a network."""
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
        yield client


@pytest.fixture
async def told(api: httpx.AsyncClient) -> httpx.AsyncClient:
    """A client of the application that knows the plant and the morning of its first cell."""
    assert (await api.put("/v1/plant", json=PLANT)).status_code == 200
    answer = await api.post("/v1/messages", json={"cell": CELL, "messages": morning()})
    assert answer.json()["refused"] == []
    return api


@pytest.fixture
def get(told: httpx.AsyncClient) -> Get:
    """Get the JSON of a path of the application that knows the morning."""

    async def ask(path: str, **query: Any) -> Any:
        answer = await told.get(path, params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    return ask


@pytest.fixture
def send(told: httpx.AsyncClient) -> Send:
    """Send messages of a cell to the application that knows the morning."""

    async def post(*messages: Any, cell: str = CELL) -> dict[str, Any]:
        answer = await told.post("/v1/messages", json={"cell": cell, "messages": messages})
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = answer.json()
        return found

    return post
