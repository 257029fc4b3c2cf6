"""kill -9 of the service under load: nothing lost, nothing twice, figures equal to the truth."""

import asyncio
import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from tests.scenarios.truth import differences
from tests.servers.mosquitto import Mosquitto
from tests.servers.programs import wait_until
from tests.servers.service import ServiceProcess
from zoneledger.clock import now_us
from zoneledger_cli.simulating import write_plant
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.ledger_file import Ledger, read_ledger
from zoneledger_sim.pace import paced
from zoneledger_sim.plan import Scenario
from zoneledger_sim.run import simulate

KILLS = 10
CELLS = 10
SHIFT_S = 8 * 3600
#: 10 cells send about 4 messages a second of their time, so a shift in 100 s is more than 1,000 messages a second.
RUN_S = 100.0


def _scenario() -> Scenario:
    """An invented line that is planned around the clock, so that all of its time and fasteners count."""
    return replace(demo_scenario(cells=CELLS, seed=7), shifts=())


async def _send_shift(broker: str, path: Any, start_us: int) -> None:
    scenario = _scenario()
    due = paced(start_us, now_us(), SHIFT_S / RUN_S)
    async with MqttSender(parse_broker_url(broker)) as sender:
        await simulate(
            scenario,
            start_us=start_us,
            until_us=start_us + SHIFT_S * 1_000_000,
            sender=sender,
            now_us=now_us,
            due=due,
            ledger_path=path,
            array=1,
        )


async def _kill_ten_times(service: ServiceProcess, sending: "asyncio.Task[None]", seed: int) -> list[float]:
    pauses = random.Random(seed)
    kills = []
    for _ in range(KILLS):
        await asyncio.sleep(pauses.uniform(0.2, 4.0))
        assert not sending.done(), "the load ended before the tenth kill"
        await asyncio.to_thread(service.kill)
        kills.append(asyncio.get_running_loop().time())
        await asyncio.to_thread(service.start)
    return kills


def _stored(service: ServiceProcess, cells: list[str]) -> dict[str, dict[str, int]]:
    found = cells_of(service.get("/v1/units"))
    return {cell: found[cell]["received"] for cell in cells}


def cells_of(units: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the cells of an answer of /v1/units by path."""
    lines = [line for site in units["sites"] for line in site["lines"]]
    return {cell["unit"]: cell for line in lines for cell in line["cells"]}


def _events(ledger: Ledger) -> dict[str, int]:
    """Return how many different events were acknowledged, by cell."""
    seen: dict[str, set[tuple[int, int]]] = {cell: set() for cell in ledger.cells}
    for cell, message in ledger.messages():
        if message["type"] != "snapshot":
            seen[cell].add((message["boot"], message["seq"]))
    return {cell: len(keys) for cell, keys in seen.items()}


async def test_ten_kills_under_a_thousand_messages_a_second(
    database_url: str, own_mosquitto: Mosquitto, tmp_path: Any, record_property: Callable[[str, object], None]
) -> None:
    start_us = now_us() - (SHIFT_S + 60) * 1_000_000
    plant, sent = tmp_path / "plant.json", tmp_path / "sent.jsonl"
    write_plant(_scenario(), plant)
    flags = ["--database", database_url, "--broker", own_mosquitto.url, "--plant", str(plant)]
    with ServiceProcess(*flags) as service:
        began = asyncio.get_running_loop().time()
        sending = asyncio.create_task(_send_shift(own_mosquitto.url, sent, start_us))
        await _kill_ten_times(service, sending, seed=20261125)
        await sending
        took_s = asyncio.get_running_loop().time() - began
        ledger = await asyncio.to_thread(read_ledger, sent)
        wanted = _events(ledger)
        messages = sum(len(payload.messages) for payload in ledger.payloads.values())
        record_property("messages_per_s", messages / took_s)
        assert messages / took_s >= 1000
        await asyncio.to_thread(_wait_for, service, wanted)
        assert {cell: row["events"] for cell, row in _stored(service, ledger.cells).items()} == wanted  # nothing lost or twice
        assert service.get("/v1/refused")["refused"] == []
        assert service.get("/v1/gaps")["gaps"] == []
        assert ledger.truth is not None
        assert differences(service.get, ledger.truth, ledger.cells, start_us, ledger.truth.until_us) == []


def _wait_for(service: ServiceProcess, wanted: dict[str, int]) -> None:
    def all_there() -> bool:
        stored = _stored(service, list(wanted))
        return all(stored[cell]["events"] >= number for cell, number in wanted.items())

    wait_until(all_there, "the backlog in the ledger", 60)


