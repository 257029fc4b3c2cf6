"""The whole way over TLS, from controllers with certificates to the ledger, with the broker as it is shipped."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.integration.broker_security.parts import (
    DASHBOARD,
    OUT,
    address_of,
    files_of_cells,
    settings_of_broker,
    signed,
    somebody,
)
from tests.integration.mqtt.parts import CELL, OTHER_CELL, until
from tests.servers.one_cell import PLANT
from tests.servers.programs import free_port, wait_until
from tests.servers.secure_mosquitto import SecureMosquitto
from zoneledger.clock import now_us
from zoneledger.settings import Settings
from zoneledger_cli.authority import Use, Wanted
from zoneledger_cli.certificates import SERVICE, Folder
from zoneledger_cli.serving import serving
from zoneledger_cli.simulating import Target, run_simulation, write_plant
from zoneledger_cli.verifying import verify
from zoneledger_mqtt import credentials
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_sim.demo import demo_scenario

HOUR_US = 3_600_000_000
SNAPSHOT = {
    "v": 1,
    "boot": 1,
    "seq": 0,
    "at": "2026-11-25T06:00:00Z",
    "type": "snapshot",
    "zones": {"1": {}},
    "alarms": [],
}


async def test_a_controller_with_a_certificate_reaches_the_ledger_and_its_last_will_too(
    broker: SecureMosquitto, plant: Folder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in settings_of_broker(broker.url, plant).items():
        monkeypatch.setenv(name, value)
    declared = tmp_path / "plant.json"
    declared.write_text(json.dumps(PLANT))
    settings = Settings(
        database_url=f"sqlite:///{tmp_path / 'ledger.db'}", plant=declared, port=free_port(), client_id="chain"
    )
    async with serving(settings) as (address, _):

        def told(name: str) -> Any:
            return httpx.get(f"{address}/v1/units").json()["sites"][0]["lines"][0]["cells"][0][name]

        async def comes(holds: Callable[[], bool], what: str) -> None:
            await asyncio.to_thread(wait_until, holds, what)

        await comes(lambda: httpx.get(f"{address}/health/ready").status_code == 200, "ready")
        async with MqttSender(parse_broker_url(broker.cells_url, files_of_cells(plant))) as sender:
            await sender.link_up(CELL, 1)
            await sender.send(CELL, json.dumps(SNAPSHOT).encode())
            await comes(lambda: told("received")["snapshots"] == 1 and told("link") == "up", "in the ledger")
            await sender.cut(CELL)
            await comes(lambda: bool(told("link") == "down"), "the last will")
        lines = (await asyncio.to_thread(httpx.get, f"{address}/metrics")).text.splitlines()
    metrics = dict(line.split(" ") for line in lines if line.startswith("zoneledger_broker_"))
    assert metrics["zoneledger_broker_files_fit"] == "1.0"
    for name in ("certificate", "server_certificate"):
        assert 29 * 86_400 < float(metrics[f"zoneledger_broker_{name}_expires_in_seconds"]) < 30 * 86_400
    assert float(metrics["zoneledger_broker_ca_expires_in_seconds"]) > 3649 * 86_400


async def test_an_hour_of_two_cells_over_tls_is_the_truth_though_all_certificates_are_renewed_meanwhile(
    own_broker: SecureMosquitto, own_plant: Folder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(credentials, "LOOK_S", 0.05)
    for name, value in settings_of_broker(own_broker.url, own_plant).items():
        monkeypatch.setenv(name, value)
    scenario, ledger = replace(demo_scenario(cells=2, seed=8), shifts=()), tmp_path / "sent.jsonl"
    write_plant(scenario, tmp_path / "plant.json")
    url, start_us = f"sqlite:///{tmp_path / 'ledger.db'}", now_us() - 3 * HOUR_US
    files = files_of_cells(own_plant)
    target = Target(own_broker.cells_url, None, "cells/v1", files.ca, files.certificate, files.key)
    times = {"start_us": start_us, "until_us": start_us + HOUR_US}
    settings = Settings(database_url=url, plant=tmp_path / "plant.json", port=free_port(), publish_root=OUT)
    async with serving(settings) as (address, _), _screen(own_broker, own_plant) as heard:
        async with _renewing(own_plant) as renewals:
            await run_simulation(scenario, target, **times, pace=None, ledger=ledger)  # type: ignore[arg-type]
            await until(lambda: renewals[0] >= 3, "three renewals")
        found = await verify(ledger, address, 20)
        await until(lambda: f"{OUT}/{OTHER_CELL}/state" in {topic for topic, _ in heard}, "published")
    assert found.sentences == ()
    assert found.acknowledged == found.stored > 2000
    assert (found.lost, found.duplicated, found.unexpected, found.gaps_reported) == (0, 0, 0, 0)


@asynccontextmanager
async def _renewing(plant: Folder) -> AsyncIterator[list[int]]:
    """Give the service a new certificate and key again and again; yields how often."""
    times = [0]

    async def renew() -> None:
        while True:
            await asyncio.sleep(0.4)
            plant.write(SERVICE, signed(plant, Wanted(SERVICE, Use.CLIENT)))
            times[0] += 1

    task = asyncio.create_task(renew())
    try:
        yield times
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@asynccontextmanager
async def _screen(broker: SecureMosquitto, plant: Folder) -> AsyncIterator[list[tuple[str, bytes]]]:
    """Listen as a dashboard does."""
    async with somebody(address_of(broker.url, plant, DASHBOARD), f"{OUT}/#") as screen:
        yield screen.heard
