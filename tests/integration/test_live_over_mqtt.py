"""The live streams of two processes on one database: a message over a real broker is told by the one that listens and by the other."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.faults.launching import ForkedService
from tests.integration.api.listening import listening
from tests.servers.mosquitto import Mosquitto
from tests.servers.one_cell import CELL, PLANT
from tests.servers.service import ServiceProcess
from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender


@pytest.fixture
async def services(database_url: str, own_mosquitto: Mosquitto, tmp_path: Path) -> AsyncIterator[list[ServiceProcess]]:
    """Two processes that share a client id: one of them listens to the broker."""
    plant = tmp_path / "plant.json"
    plant.write_text(json.dumps(PLANT))
    flags = ["--database", database_url, "--broker", own_mosquitto.url, "--plant", str(plant)]
    services: list[ServiceProcess] = [ForkedService(*flags) for _ in range(2)]
    try:
        for service in services:
            await asyncio.to_thread(service.start)
        yield services
    finally:
        for service in services:
            await asyncio.to_thread(service.stop)


def _message(seq: int, **fields: Any) -> bytes:
    return json.dumps({"v": 1, "boot": 1, "seq": seq, "at": rfc3339(now_us())} | fields).encode()


async def test_what_comes_over_the_broker_is_told_by_both_processes_and_their_stop_ends_it(
    services: list[ServiceProcess], own_mosquitto: Mosquitto
) -> None:
    async with AsyncExitStack() as stack:
        streams = [await stack.enter_async_context(listening(service.url, unit=f"{CELL}/1")) for service in services]
        sender = await stack.enter_async_context(MqttSender(parse_broker_url(own_mosquitto.url)))
        await sender.send(CELL, _message(0, type="snapshot", zones={"1": {"activity": "process"}}, alarms=[]))
        for stream in streams:
            await stream.until("state", state="running", reason="process")
        await sender.send(CELL, _message(1, type="alarm", phase="raise", code="clamp-force", severity="stop", zone="1"))
        for stream in streams:
            await stream.until("state", state="fault", reason="clamp-force")
        for service in services:
            await asyncio.to_thread(service.stop)
        assert [(await stream.rest())[-1].name for stream in streams] == ["end", "end"]
    assert all("Traceback" not in service.log() for service in services)
