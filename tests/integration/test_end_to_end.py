"""The main job, whole: simulated cells work a shift over a real broker, and the service is asked for it over REST."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from tests.scenarios.truth import differences_of
from tests.servers.programs import wait_until
from tests.servers.service import ServiceProcess
from zoneledger.clock import now_us
from zoneledger.core.shifts import ShiftInstance
from zoneledger_cli.demo import last_shift
from zoneledger_cli.simulating import write_plant
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.embedded import embedded_broker
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.run import simulate
from zoneledger_sim.truth import Account, Truth

CELLS = ["harbour/wing-1/cell-1", "harbour/wing-1/cell-2"]


@dataclass(frozen=True)
class Stack:
    """What the service rests on: a database, and a broker (None: the embedded one)."""

    database_url: str
    broker_url: str | None

    @asynccontextmanager
    async def broker(self) -> AsyncIterator[str]:
        """Yield the broker's URL."""
        if self.broker_url is not None:
            yield self.broker_url
            return
        async with embedded_broker() as url:
            yield url


@pytest.fixture(params=["mosquitto+postgresql", "embedded+sqlite"])
def stack(request: pytest.FixtureRequest, tmp_path: Path) -> Stack:
    """The plant's stack, and the one that needs nothing installed."""
    if request.param == "embedded+sqlite":
        return Stack(f"sqlite:///{tmp_path / 'e2e.db'}", None)
    return Stack(request.getfixturevalue("postgres_url"), request.getfixturevalue("own_mosquitto").url)


def _planned(truth: Truth, unit: str, shift: ShiftInstance) -> Account:
    """Return a unit's account over the planned time of a shift."""
    first, *rest = (truth.window(unit, *interval) for interval in shift.planned())
    return sum(rest, first)


def _events(service: ServiceProcess) -> int:
    cells = service.get("/v1/units")["sites"][0]["lines"][0]["cells"]
    return sum(int(cell["received"]["events"]) for cell in cells)


async def test_a_shift_over_the_bus_is_the_simulators_truth(stack: Stack, tmp_path: Path) -> None:
    scenario, plant = demo_scenario(seed=3), tmp_path / "plant.json"
    write_plant(scenario, plant)
    shift = last_shift(scenario, now_us())
    async with stack.broker() as url:
        flags = ["--database", stack.database_url, "--broker", url, "--plant", str(plant)]
        service = ServiceProcess(*flags)
        await asyncio.to_thread(service.start)
        try:
            async with MqttSender(parse_broker_url(url)) as sender:
                for cell in CELLS:
                    await sender.link_up(cell, 1)
                times = {"start_us": shift.start_us, "until_us": shift.end_us, "now_us": now_us}
                truth = await simulate(scenario, sender=sender, **times)  # type: ignore[arg-type]
                events = sum(len(record.made) for record in truth.records.values())
                await asyncio.to_thread(wait_until, lambda: _events(service) > events, "the fasteners' events")
                await asyncio.to_thread(_check_shift, service, truth, shift)
                await sender.send(CELLS[0], b'{"v":1,"boot":1,"seq":999999,"at":"2026-01-01T00:00:00Z","type":"wait"}')
            await asyncio.to_thread(_check_same_verdict_over_http, service)
            await asyncio.to_thread(wait_until, lambda: _links(service) == {"down"}, "the links' going down")
        finally:
            await asyncio.to_thread(service.stop)


def _check_shift(service: ServiceProcess, truth: Truth, shift: ShiftInstance) -> None:
    def booked() -> bool:
        kpi = service.get(f"/v1/kpi/{CELLS[1]}", shift=shift.id)
        return bool(kpi["time_s"]["unknown"] == 0 and kpi["fasteners"]["made"] == _planned(truth, CELLS[1], shift).made)

    wait_until(booked, "the whole shift in the ledger", 60)
    for cell in CELLS:
        for unit in (cell, f"{cell}/1", f"{cell}/2"):
            assert differences_of(service.get(f"/v1/kpi/{unit}", shift=shift.id), _planned(truth, unit, shift)) == []
        kpi = service.get(f"/v1/kpi/{cell}", shift=shift.id)
        assert 0 < kpi["oee"] < 1
        assert kpi["oee"] == pytest.approx(kpi["availability"] * kpi["performance"] * kpi["quality"])
        assert kpi["zones"].keys() == {"1", "2"}
    line = service.get("/v1/kpi/harbour/wing-1", shift=shift.id)
    assert line["time_s"]["running"] == pytest.approx(
        sum(service.get(f"/v1/kpi/{cell}", shift=shift.id)["time_s"]["running"] for cell in CELLS)
    )
    assert service.get("/v1/gaps")["gaps"] == []
    assert service.get("/v1/discrepancies")["discrepancies"] == []
    assert _links(service) == {"up"}


def _links(service: ServiceProcess) -> set[str]:
    return {cell["link"] for cell in service.get("/v1/units")["sites"][0]["lines"][0]["cells"]}


def _check_same_verdict_over_http(service: ServiceProcess) -> None:
    wait_until(lambda: len(service.get("/v1/refused")["refused"]) == 1, "the refused message")
    over_mqtt = service.get("/v1/refused")["refused"][0]
    body = {"cell": CELLS[0], "messages": [json.loads(over_mqtt["text"])]}
    answer = httpx.post(f"{service.url}/v1/messages", json=body)
    assert answer.json()["refused"] == [{"index": 0, "reason": over_mqtt["reason"], "detail": over_mqtt["detail"]}]
    assert over_mqtt["reason"] == "field_missing"
