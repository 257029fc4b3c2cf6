"""kill -9 of the service under load: nothing lost, nothing twice, figures equal to the truth."""

import asyncio
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.scenarios.truth import differences
from tests.servers.mosquitto import Mosquitto
from tests.servers.programs import wait_until
from tests.servers.service import ServiceProcess
from zoneledger.clock import now_us
from zoneledger_cli.simulating import write_plant
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.ledger_file import Ledger, LedgerFile, read_ledger
from zoneledger_sim.pace import paced
from zoneledger_sim.plan import Scenario
from zoneledger_sim.run import play
from zoneledger_sim.simulation import Simulation

KILLS = 10
CELLS = 10
#: 10 cells send about 3 messages a second of their time; this much faster it is more than 1,000 a second.
PACE = 450
PIECE_US = 600_000_000
AGO_US = 24 * 3600 * 1_000_000


def _scenario() -> Scenario:
    """An invented line that is planned around the clock, so that all of its time and fasteners count."""
    return replace(demo_scenario(cells=CELLS, seed=7), shifts=())


async def _send(simulation: Simulation, broker: str, path: Path, enough: asyncio.Event) -> None:
    """Send what the cells do, one message a payload, ten minutes at a time until it is enough."""
    start_us = simulation.truth.start_us
    due = paced(start_us, now_us(), PACE)
    with LedgerFile(path, simulation.scenario, start_us) as ledger:
        async with MqttSender(parse_broker_url(broker)) as sender:
            while not enough.is_set():
                until_us = simulation.truth.until_us + PIECE_US
                await play(simulation, until_us, sender=sender, now_us=now_us, ledger=ledger, due=due, array=1)
        ledger.truth(simulation.truth)


async def _kill_ten_times(service: ServiceProcess, seed: int) -> None:
    pauses = random.Random(seed)
    for _ in range(KILLS):
        await asyncio.sleep(pauses.uniform(0.1, 2.0))
        await asyncio.to_thread(service.kill)
        await asyncio.to_thread(service.start, "live")


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
    database_url: str, own_mosquitto: Mosquitto, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    simulation, enough = Simulation(_scenario(), now_us() - AGO_US), asyncio.Event()
    plant, sent = tmp_path / "plant.json", tmp_path / "sent.jsonl"
    write_plant(simulation.scenario, plant)
    flags = ["--database", database_url, "--broker", own_mosquitto.url, "--plant", str(plant)]
    with ServiceProcess(*flags) as service:
        began = asyncio.get_running_loop().time()
        sending = asyncio.create_task(_send(simulation, own_mosquitto.url, sent, enough))
        await _kill_ten_times(service, seed=20261125)
        enough.set()
        await sending
        took_s = asyncio.get_running_loop().time() - began
        ledger = await asyncio.to_thread(read_ledger, sent)
        wanted = _events(ledger)
        messages = sum(len(payload.messages) for payload in ledger.payloads.values())
        record_property("messages_per_s", messages / took_s)
        assert messages / took_s >= 1000
        await asyncio.to_thread(_wait_for, service, wanted)
        assert {
            cell: row["events"] for cell, row in _stored(service, ledger.cells).items()
        } == wanted  # nothing lost or twice
        assert service.get("/v1/refused")["refused"] == []
        assert service.get("/v1/gaps")["gaps"] == []
        assert ledger.truth is not None
        assert differences(service.get, ledger.truth, ledger.cells, ledger.start_us, ledger.truth.until_us) == []


def _wait_for(service: ServiceProcess, wanted: dict[str, int]) -> None:
    def all_there() -> bool:
        stored = _stored(service, list(wanted))
        return all(stored[cell]["events"] >= number for cell, number in wanted.items())

    wait_until(all_there, "the backlog in the ledger", 60)
