"""What the service publishes, over a real broker: states at once, figures soon, all of it retained, and never anything stale."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from aiomqtt import Client, ProtocolVersion

from tests.faults.launching import ForkedService, fork_command
from tests.integration.mqtt.parts import until
from tests.servers.fixtures import migrated_url
from tests.servers.mosquitto import Mosquitto
from tests.servers.programs import free_port
from tests.servers.service import ServiceProcess
from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender

CELL, OTHER = "harbour/wing-1/cell-1", "harbour/wing-1/cell-2"
OUT = "out/v1"
STATE, LINK = f"{OUT}/{CELL}/1/state", f"{OUT}/link"


def _plant(*cells: str) -> dict[str, Any]:
    """A line that works around the clock, in two shifts."""
    shifts = [
        {"shift": name, "starts": starts, "ends": ends, "repeats": "FREQ=DAILY", "since": "2026-01-01"}
        for name, starts, ends in (("day", "06:00", "18:00"), ("night", "18:00", "06:00"))
    ]
    standards = [{"operation": "fasten", "seconds": 4.0, "since": "2026-01-01"}]
    line = {
        "line": "wing-1",
        "shifts": shifts,
        "standards": standards,
        "cells": [{"cell": cell, "zones": ["1", "2"]} for cell in cells],
    }
    return {"sites": [{"site": "harbour", "timezone": "UTC", "lines": [line]}]}


class _Heard:
    """What a subscriber has heard: the latest payload of each topic, and all topics on which anything was retained."""

    def __init__(self) -> None:
        self.latest: dict[str, Any] = {}
        self.number: dict[str, int] = {}
        self.at_us: dict[str, int] = {}

    async def listen(self, client: Client) -> None:
        async for message in client.messages:
            topic, payload = str(message.topic), message.payload
            assert isinstance(payload, bytes)
            self.number[topic] = self.number.get(topic, 0) + 1
            self.at_us[topic] = now_us()
            if payload:
                self.latest[topic] = json.loads(payload)
            else:
                self.latest.pop(topic, None)

    async def until(self, topic: str, holds: Callable[[Any], bool], what: str) -> Any:
        await until(lambda: holds(self.latest.get(topic)), f"{what} on {topic}: {self.latest.get(topic)}", 30)
        return self.latest.get(topic)

    async def until_state(self, state: str, topic: str = STATE) -> Any:
        return await self.until(topic, lambda told: told is not None and told["state"] == state, state)


@asynccontextmanager
async def _listening(url: str, topic: str = "#") -> AsyncIterator[_Heard]:
    heard = _Heard()
    async with parse_broker_url(url).client(None, ProtocolVersion.V5) as client:
        await client.subscribe(topic, qos=1)
        task = asyncio.create_task(heard.listen(client))
        try:
            yield heard
        finally:
            task.cancel()
            await asyncio.wait([task])


@pytest.fixture
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where this test's database is."""
    return migrated_url("sqlite", request, tmp_path)


@pytest.fixture
async def service(own_mosquitto: Mosquitto, url: str, tmp_path: Path) -> AsyncIterator[ServiceProcess]:
    """A service that publishes about two cells."""
    plant = tmp_path / "plant.json"
    plant.write_text(json.dumps(_plant("cell-1", "cell-2")))
    flags = ["--database", url, "--broker", own_mosquitto.url, "--plant", str(plant)]
    service = ForkedService(*flags, settings={"ZONELEDGER_PUBLISH_ROOT": OUT})
    await asyncio.to_thread(service.start)
    try:
        yield service
    finally:
        await asyncio.to_thread(service.stop)


class _Controller:
    """Sends what one cell tells: what its first zone does, and the fasteners that it makes."""

    def __init__(self, sender: MqttSender, cell: str = CELL) -> None:
        self._sender = sender
        self._cell = cell
        self._seq = 0

    async def _send(self, **fields: Any) -> None:
        message = {"v": 1, "boot": 1, "seq": self._seq, "at": rfc3339(now_us())} | fields
        await self._sender.send(self._cell, json.dumps(message).encode())

    async def begin(self, activity: str = "process") -> None:
        zones = {"1": {"activity": activity}, "2": {}}
        await self._send(type="snapshot", zones=zones, alarms=[])

    async def do(self, **fields: Any) -> None:
        self._seq += 1
        await self._send(zone="1", **fields)


@asynccontextmanager
async def _controlling(url: str, cell: str = CELL) -> AsyncIterator[_Controller]:
    async with MqttSender(parse_broker_url(url)) as sender:
        yield _Controller(sender, cell)


async def test_a_state_is_told_within_a_second_and_again_to_whoever_comes_late(
    service: ServiceProcess, own_mosquitto: Mosquitto
) -> None:
    async with _listening(own_mosquitto.url) as heard, _controlling(own_mosquitto.url) as controller:
        await heard.until(LINK, lambda told: told == {"v": 1, "link": "up"}, "up")
        assert (await heard.until_state("unknown"))["reason"] is None  # of a cell that never sent anything, too
        await controller.begin()
        await heard.until_state("running")
        took_s = []
        for phase, state in 2 * [("raise", "fault"), ("clear", "running")]:
            await until(lambda: now_us() - heard.at_us[STATE] > 1_000_000, "the pace of a topic")
            sent_us = now_us()
            await controller.do(type="alarm", phase=phase, code="clamp-force", severity="stop")
            told = await heard.until_state(state)
            took_s.append((heard.at_us[STATE] - sent_us) / 1e6)
        assert told == {"v": 1, "unit": f"{CELL}/1", "state": "running", "reason": "process", "since": told["since"]}
        assert sorted(took_s)[1] < 1.0, took_s  # half of them: others may want the same two processors
        async with _listening(own_mosquitto.url) as late:
            assert await late.until_state("running") == told
            await late.until(LINK, lambda told: told == {"v": 1, "link": "up"}, "up")
        api = service.get("/v1/units")["sites"][0]["lines"][0]["cells"][0]["zones"][0]
        assert {name: told[name] for name in ("unit", "state", "reason", "since")} == api


async def test_figures_of_the_present_shift_are_those_of_the_api(
    service: ServiceProcess, own_mosquitto: Mosquitto
) -> None:
    async with _listening(own_mosquitto.url) as heard, _controlling(own_mosquitto.url) as controller:
        await controller.begin()
        for _ in range(3):
            await controller.do(type="fastener", operation="fasten", result="good")
        for unit in ("harbour/wing-1", CELL, f"{CELL}/1"):
            topic = f"{OUT}/{unit}/shift"
            told = await heard.until(topic, lambda told: told and told["present"]["made"] == 3, "3 fasteners")
            shift = told["present"]
            asked = await asyncio.to_thread(service.get, f"/v1/kpi/{unit}", start=shift["start"], end=shift["as_of"])
            assert told["unit"] == unit
            assert shift["over"] is False
            assert (shift["good"], shift["revision"]) == (3, asked["revision"])
            same = ("oee", "availability", "performance", "quality", "known", "utilisation", "oee_bounds")
            # What was unknown at that instant is known by now.
            assert {name: asked[name] for name in same if name == "quality"} == {"quality": shift["quality"]}
            assert shift["known"] == pytest.approx(asked["known"], rel=0.01)
            assert set(same) <= shift.keys()
        assert told["last"]["over"] is True
        assert told["last"]["known"] == 0.0
        assert f"{OUT}/{CELL}/2/shift" in heard.latest


async def test_a_unit_that_leaves_the_plant_model_is_cleared_also_while_nobody_publishes(
    service: ServiceProcess, own_mosquitto: Mosquitto
) -> None:
    async with _listening(own_mosquitto.url) as heard:
        for ending in ("state", "shift"):
            await heard.until(f"{OUT}/{OTHER}/{ending}", bool, "the other cell")
        await asyncio.to_thread(httpx.put, f"{service.url}/v1/plant", json=_plant("cell-1"))
        for topic in (f"{OUT}/{OTHER}/state", f"{OUT}/{OTHER}/2/state", f"{OUT}/{OTHER}/shift"):
            await heard.until(topic, lambda told: told is None, "cleared")
        assert f"{OUT}/{CELL}/state" in heard.latest
    await asyncio.to_thread(service.stop)
    stray = {f"{OUT}/{OTHER}/state": json.dumps({"v": 1, "unit": OTHER}), f"{OUT}/lamp/state": "on"}
    async with parse_broker_url(own_mosquitto.url).client(None, ProtocolVersion.V5) as client:
        for topic, payload in stray.items():
            await client.publish(topic, payload, qos=1, retain=True)
    await asyncio.to_thread(service.start)
    async with _listening(own_mosquitto.url, f"{OUT}/+/+/+/state") as heard:
        await heard.until(f"{OUT}/{OTHER}/state", lambda told: told is None, "cleared")
    async with parse_broker_url(own_mosquitto.url).client(None, ProtocolVersion.V5) as client:
        await client.subscribe(f"{OUT}/lamp/state", qos=1)
        async with asyncio.timeout(10):
            assert (await anext(aiter(client.messages))).payload == b"on"  # another's: not ours to clear


async def test_after_a_restart_of_the_broker_all_is_told_as_it_is_now(
    service: ServiceProcess, own_mosquitto: Mosquitto
) -> None:
    async with _listening(own_mosquitto.url) as heard, _controlling(own_mosquitto.url) as controller:
        await controller.begin()
        await heard.until_state("running")
    await asyncio.to_thread(own_mosquitto.stop)
    body = {"v": 1, "boot": 1, "seq": 0, "at": rfc3339(now_us()), "type": "snapshot", "alarms": []}
    message = {"cell": CELL, "messages": [body | {"zones": {"1": {"activity": "load"}, "2": {}}}]}
    answer = await asyncio.to_thread(httpx.post, f"{service.url}/v1/messages", json=message)
    assert answer.json()["stored"] == 1  # nobody waits for the broker
    own_mosquitto.forget()
    await asyncio.to_thread(own_mosquitto.start)
    async with _listening(own_mosquitto.url) as heard:
        await heard.until(LINK, lambda told: bool(told) and told["link"] == "up", "up again")
        told = ("changeover", "unknown")  # unknown once it was silent for 30 s
        await heard.until(STATE, lambda state: bool(state) and state["state"] in told, "what was missed")
        assert len([topic for topic in heard.latest if topic.endswith("/state")]) == 6


async def test_an_end_is_told_as_down_and_so_is_a_crash(service: ServiceProcess, own_mosquitto: Mosquitto) -> None:
    async with _listening(own_mosquitto.url, LINK) as heard:
        for end in (service.stop, service.kill):
            await heard.until(LINK, lambda told: bool(told) and told["link"] == "up", "up")
            await asyncio.to_thread(end)
            await heard.until(LINK, lambda told: bool(told) and told["link"] == "down", "down")
            await asyncio.to_thread(service.start)


async def test_nothing_is_ever_published_on_a_topic_of_the_controllers(
    service: ServiceProcess, own_mosquitto: Mosquitto
) -> None:
    async with _listening(own_mosquitto.url) as heard, _controlling(own_mosquitto.url) as controller:
        await controller.begin()
        await heard.until_state("running")
        await heard.until(f"{OUT}/{CELL}/shift", bool, "figures")
        theirs = {topic: number for topic, number in heard.number.items() if not topic.startswith(f"{OUT}/")}
        assert theirs == {f"cells/v1/{CELL}/events": 1}


async def test_of_two_processes_one_publishes_and_the_other_takes_over(
    service: ServiceProcess, own_mosquitto: Mosquitto, url: str
) -> None:
    second = ForkedService("--database", url, "--broker", own_mosquitto.url, settings={"ZONELEDGER_PUBLISH_ROOT": OUT})
    await asyncio.to_thread(second.start)
    try:
        async with _listening(own_mosquitto.url) as heard, _controlling(own_mosquitto.url) as controller:
            await controller.begin()
            await heard.until_state("running")
            told = heard.number[STATE]
            await asyncio.to_thread(service.stop)
            await heard.until(LINK, lambda told: bool(told) and told["link"] == "up", "up")
            await controller.do(type="wait", phase="begin", **{"for": "operator"})
            await heard.until_state("idle")
            assert heard.number[STATE] <= told + 4  # each told it once, and the second one all of it at its begin
    finally:
        await asyncio.to_thread(second.stop)


async def test_what_an_account_may_not_publish_is_said_in_the_log_and_costs_no_message(
    service: ServiceProcess, own_mosquitto: Mosquitto
) -> None:
    await asyncio.to_thread(own_mosquitto.permit, ["topic readwrite cells/#", "topic read #"])
    await asyncio.to_thread(service.stop)
    await asyncio.to_thread(service.start)
    async with _controlling(own_mosquitto.url) as controller:
        await controller.begin()
        await until(lambda: service.received("snapshots", [CELL]) == 1, "taken in")
    await until(lambda: f"does not take what is published below {OUT}: Not authorized" in service.log(), "said so")
    metrics = (await asyncio.to_thread(httpx.get, f"{service.url}/metrics")).text
    assert "\nzoneledger_publisher_connected 0.0\n" in metrics


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"ZONELEDGER_PUBLISH_ROOT": "cells"}, "should lie apart from the controllers' root 'cells/v1'"),
        ({"ZONELEDGER_PUBLISH_ROOT": "out/#"}, "without wildcards"),
        (
            {"ZONELEDGER_PUBLISH_ROOT": OUT, "ZONELEDGER_BROKER_URL": ""},
            "goes with ZONELEDGER_BROKER_URL, which is not set",
        ),
    ],
)
def test_a_root_that_cannot_be_published_on_is_refused_at_the_start(
    settings: dict[str, str], sentence: str, tmp_path: Path
) -> None:
    environment = {"ZONELEDGER_BROKER_URL": "mqtt://127.0.0.1:1"} | settings
    command = ["serve", "--database", f"sqlite:///{tmp_path / 'out.db'}", "--port", str(free_port())]
    code = fork_command(command, environment, tmp_path / "told").wait(60)
    told = (tmp_path / "told").read_text()
    assert (code, "Traceback" in told) == (1, False)
    assert sentence in told
    assert not (tmp_path / "out.db").exists()
