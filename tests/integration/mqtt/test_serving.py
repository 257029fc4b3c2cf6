"""A process that is served with a broker knows that it has one, whoever asks it."""

import json
from pathlib import Path
from typing import Any

import httpx

from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us
from zoneledger.settings import Settings
from zoneledger_cli.serving import build_app

CELL = "harbour/wing-1/cell-1"
PLANT: dict[str, Any] = {"line": "wing-1", "cells": [{"cell": "cell-1", "zones": ["1"]}]}


async def test_a_controller_that_never_told_its_link_to_a_broker_is_told_so(tmp_path: Path) -> None:
    url, broker_url = f"sqlite:///{tmp_path / 'served.db'}", "mqtt://127.0.0.1:1"
    app = await build_app(Settings(database_url=url, broker_url=broker_url))
    api = httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1")
    async with app.router.lifespan_context(app), api:
        plant = {"sites": [{"site": "harbour", "timezone": "UTC", "lines": [PLANT]}]}
        assert (await api.put("/v1/plant", json=plant)).status_code == 200
        message = {"v": 1, "boot": 1, "seq": 0, "at": rfc3339(now_us()), "type": "snapshot", "alarms": []}
        body = json.dumps({"cell": CELL, "messages": [message | {"zones": {"1": {}}}]})
        assert (await api.post("/v1/messages", content=body)).json()["stored"] == 1
        found = (await api.get(f"/v1/commissioning/{CELL}")).json()["findings"]
        assert "link_never_told" in {one["code"] for one in found}
