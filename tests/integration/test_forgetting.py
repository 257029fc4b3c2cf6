"""Retention as it is set: a service that starts forgets what is too old, says so in its figures, and serves on."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from pydantic import ValidationError

from tests.scenarios.story import Story, results
from zoneledger.settings import Settings
from zoneledger_cli.serving import build_app

BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
CELL = "bench/line-1/cell-1"
SHIFT = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T14:00:00Z"}
STANDARD = {"operation": "fasten", "seconds": 4.0, "since": "2026-01-01"}
LINE = {"line": "line-1", "standards": [STANDARD], "cells": [{"cell": "cell-1", "zones": ["1"]}]}
SECONDS_A_DAY = 86_400


@asynccontextmanager
async def _serving(database_url: str, **kept: float) -> AsyncIterator[httpx.AsyncClient]:
    app = await build_app(Settings(database_url=database_url, **kept))  # type: ignore[arg-type]
    client = httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1")
    async with app.router.lifespan_context(app), client:
        yield client


async def _get(client: httpx.AsyncClient, path: str, **query: Any) -> Any:
    answer = await client.get(path, params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def _until_fewer_events(client: httpx.AsyncClient, than: int) -> int:
    async with asyncio.timeout(30):
        while True:
            events = len((await _get(client, "/v1/events", limit=5000))["events"])
            if events < than:
                return events
            await asyncio.sleep(0.02)


async def _tell(client: httpx.AsyncClient) -> int:
    plant = {"sites": [{"site": "bench", "timezone": "UTC", "lines": [LINE]}]}
    assert (await client.put("/v1/plant", json=plant)).status_code == 200
    messages = Story(BEGIN).run(120, results(600)).fault(30).run(60, results(300)).close()
    answer = await client.post("/v1/messages", json={"cell": CELL, "messages": messages[:900]})
    assert answer.json()["refused"] == []
    answer = await client.post("/v1/messages", json={"cell": CELL, "messages": messages[900:]})
    assert answer.json()["refused"] == []
    return len((await _get(client, "/v1/events", limit=5000))["events"])


async def test_messages_are_forgotten_and_figures_stay(database_url: str) -> None:
    async with _serving(database_url) as client:
        events = await _tell(client)
        before = await _get(client, f"/v1/kpi/{CELL}", **SHIFT)
    async with _serving(database_url, keep_messages_days=30) as client:
        assert 0 < await _until_fewer_events(client, events) <= 256
        assert await _get(client, f"/v1/kpi/{CELL}", **SHIFT) == before
        assert (await client.get("/health/ready")).status_code == 200


async def test_the_ledger_is_forgotten_and_the_figures_say_so(database_url: str) -> None:
    async with _serving(database_url) as client:
        events = await _tell(client)
        before = await _get(client, f"/v1/kpi/{CELL}", **SHIFT)
        assert "not_kept" not in before["reasons_s"]["unknown"]
    async with _serving(database_url, keep_messages_days=30, keep_ledger_days=60) as client:
        await _until_fewer_events(client, events)
        async with asyncio.timeout(30):
            while "not_kept" not in [one["code"] for one in before["warnings"]]:
                before = await _get(client, f"/v1/kpi/{CELL}", **SHIFT)
        assert before["reasons_s"]["unknown"]["not_kept"] > 3600
        assert sum(before["time_s"].values()) == before["planned_s"] == 8 * 3600
        spans = (await _get(client, f"/v1/timeline/{CELL}/1", **SHIFT))["units"][0]["spans"]
        assert (spans[0]["state"], spans[0]["reason"]) == ("unknown", "not_kept")


def test_a_ledger_is_not_kept_for_less_time_than_its_messages() -> None:
    for kept in ({"keep_ledger_days": 5.0}, {"keep_messages_days": 9.0, "keep_ledger_days": 5.0}):
        with pytest.raises(
            ValidationError, match="ZONELEDGER_KEEP_LEDGER_DAYS should not be less than ZONELEDGER_KEEP_MESSAGES_DAYS"
        ):
            Settings(**kept)  # type: ignore[arg-type]
    assert Settings(keep_messages_days=5, keep_ledger_days=5).keep_ledger_days == 5
