"""The API of a service on a fresh database, a plant of one cell, and what a story makes of it."""

from collections.abc import AsyncIterator, Awaitable, Callable
from datetime import timedelta
from typing import Any

import httpx
import pytest

from tests.scenarios.story import Story
from zoneledger.asgi import create_app, open_service
from zoneledger.settings import Settings

CELL = "bench/line-1/cell-1"
Get = Callable[..., Awaitable[dict[str, Any]]]
Declare = Callable[..., Awaitable[None]]


@pytest.fixture
async def api(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A client of the whole application, its lifespan included."""
    app = create_app(await open_service(Settings(database_url=database_url)))
    transport = httpx.ASGITransport(app)
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=transport, base_url="http://test") as client,
    ):
        yield client


@pytest.fixture
def get(api: httpx.AsyncClient) -> Get:
    """Get a path's JSON; anything but 200 fails the test."""

    async def ask(path: str, **query: Any) -> dict[str, Any]:
        answer = await api.get(path, params=query)
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = answer.json()
        return found

    return ask


@pytest.fixture
def declare(api: httpx.AsyncClient) -> Declare:
    """Declare a plant of one cell with one zone."""

    async def put(timezone: str = "UTC", **line: Any) -> None:
        cells = {"line": "line-1", "cells": [{"cell": "cell-1", "zones": ["1"]}]}
        answer = await api.put(
            "/v1/plant", json={"sites": [{"site": "bench", "timezone": timezone, "lines": [cells | line]}]}
        )
        assert answer.status_code == 200, answer.text

    return put


@pytest.fixture
def tell(api: httpx.AsyncClient, get: Get, declare: Declare) -> Callable[..., Awaitable[dict[str, Any]]]:
    """Declare a plant with a standard, post a story, and ask for its figures: over `minutes` from its begin, or a shift or day."""

    async def told(
        story: Story, *, seconds: float = 0, standards: Any = None, shifts: Any = (), minutes: float = 0, **window: str
    ) -> dict[str, Any]:
        standard = [{"operation": "fasten", "seconds": seconds, "since": "2026-01-01"}]
        await declare(shifts=list(shifts), standards=standards or standard)
        messages = story.close()
        for first in range(0, len(messages), 900):
            answer = await api.post("/v1/messages", json={"cell": CELL, "messages": messages[first : first + 900]})
            assert answer.json() == {"stored": len(messages[first : first + 900]), "duplicate": 0, "refused": []}
        if minutes:
            end = story.begin + timedelta(minutes=minutes)
            window = {"start": story.begin.isoformat(), "end": end.isoformat()}
        return await get(f"/v1/kpi/{CELL}", **window)

    return told
