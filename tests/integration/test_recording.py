"""A second listener writes message files by the command of docs/backup.md, and they are imported as they are."""

import asyncio
import json
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.docs.pages import blocks, read
from tests.faults.launching import ForkedService, fork_command
from tests.integration.broker_security.parts import NOT_AUTHORIZED, address_of, make_plant, now, somebody
from tests.integration.mqtt.parts import CELL, numbered, until
from tests.servers.fixtures import lend
from tests.servers.programs import wait_until
from tests.servers.secure_mosquitto import SecureMosquitto
from zoneledger_cli.authority import Use, Wanted
from zoneledger_cli.certificates import Folder, make
from zoneledger_mqtt.connection import BrokerAddress
from zoneledger_mqtt.publisher import MqttSender

RECORDER = "recorder"


@pytest.fixture
def plant(tmp_path: Path) -> Folder:
    """Certificates of a plant, and of who records."""
    made = make_plant(tmp_path)
    make(made, {RECORDER: Wanted(RECORDER, Use.CLIENT)}, now(), 30, renew=False)
    return made


@pytest.fixture
def broker(plant: Folder) -> Iterator[SecureMosquitto]:
    """A broker with the shipped rules, for this test alone."""
    yield from lend(lambda: SecureMosquitto(plant.path))


def _recorder(port: int) -> list[str]:
    program = shutil.which("mosquitto_sub") or pytest.skip(
        "mosquitto_sub is not installed: apt-get install -y mosquitto-clients"
    )
    [block] = [one for one in blocks(read("docs/backup.md")) if one.words == ("sh", "record")]
    there, rest = "mosquitto_sub -h broker.example -p 8885 ", block.text
    assert rest.startswith(there)
    return ["sh", "-c", f"exec {program} -h 127.0.0.1 -p {port} {rest.removeprefix(there)}"]


async def _send(address: BrokerAddress, payloads: list[bytes]) -> None:
    async with MqttSender(address) as sender:
        for payload in payloads:
            await sender.send(CELL, payload)


async def test_who_records_reads_what_cells_send_and_writes_nothing(broker: SecureMosquitto, plant: Folder) -> None:
    cell = address_of(broker.cells_url, plant, f"cells/{CELL}")
    async with somebody(address_of(broker.url, plant, RECORDER), "#") as recorder, somebody(cell) as controller:
        for topic in (f"cells/v1/{RECORDER}/events", f"cells/v1/{CELL}/events", "zoneledger/v1/link"):
            assert await recorder.publish(topic, b"1") == [NOT_AUTHORIZED]
        assert await controller.publish(f"cells/v1/{CELL}/events", b"2") == []
        await until(lambda: recorder.payloads() == [b"2"], "the cell is heard")


def test_what_a_second_listener_writes_down_is_imported(broker: SecureMosquitto, plant: Folder, tmp_path: Path) -> None:
    cell = address_of(broker.cells_url, plant, f"cells/{CELL}")
    snapshot = {
        "v": 1,
        "boot": 1,
        "seq": 0,
        "at": "2026-11-25T06:00:00Z",
        "type": "snapshot",
        "zones": {"1": {}},
        "alarms": [],
    }
    payloads = [
        json.dumps(snapshot).encode(),
        json.dumps([snapshot | {"at": "2026-11-25T06:00:05Z"}]).encode(),
        *numbered(2),
    ]
    file = tmp_path / "record.jsonl"
    recording = subprocess.Popen(_recorder(broker.port), cwd=tmp_path)
    try:
        wait_until(lambda: _listens(cell, file), "the recorder listens")
        asyncio.run(_send(cell, payloads))
        wait_until(lambda: _payloads(file)[-len(payloads) :] == payloads, "all is written down")
    finally:
        recording.terminate()
        recording.wait(20)
    declared = {
        "sites": [
            {
                "site": "harbour",
                "timezone": "UTC",
                "lines": [{"line": "wing-1", "cells": [{"cell": "cell-1", "zones": ["1"]}]}],
            }
        ]
    }
    (tmp_path / "plant.json").write_text(json.dumps(declared))
    flags = ["--database", f"sqlite:///{tmp_path / 'zoneledger.db'}", "--plant", str(tmp_path / "plant.json")]
    with ForkedService(*flags) as service:
        command = ["import", str(file), "--against", service.url]
        assert fork_command(command, {}, tmp_path / "import.log").wait(60) == 3, "numbers are no messages, and are told"
        assert service.received("snapshots") == 2


def _listens(address: BrokerAddress, file: Path) -> bool:
    """Send what the import leaves aside until it is written down."""
    asyncio.run(_send(address, [b"0"]))
    return bool(_payloads(file))


def _payloads(file: Path) -> list[bytes]:
    """Return the payloads that are written down, each as it was sent."""
    if not file.exists():
        return []
    lines = [line for line in file.read_bytes().split(b"\n") if line]
    return [line.partition(b'"payload":')[2].removesuffix(b"}") for line in lines]
