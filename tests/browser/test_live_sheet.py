"""What changes at a cell is on the sheet before long, without anybody loading it again: over a real broker."""

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.browser.conftest import OpenPage
from tests.faults.launching import ForkedService
from tests.servers.mosquitto import Mosquitto
from tests.servers.service import ServiceProcess
from zoneledger.clock import now_us

CELL = "harbour/wing-1/cell-1"
PLANT = {
    "sites": [
        {
            "site": "harbour",
            "timezone": "Europe/Lisbon",
            "lines": [{"line": "wing-1", "cells": [{"cell": "cell-1", "zones": ["1", "2"]}]}],
        }
    ]
}


class Controller:
    """A cell's controller that publishes numbered messages of now."""

    def __init__(self, broker: Mosquitto, root: str) -> None:
        self._topic = f"{root}/{CELL}/events"
        self._boot, self._seq = now_us() // 1_000_000, 0
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def send(self, kind: str, **fields: object) -> None:
        """Publish a message, and return once the broker has it."""
        self._seq += kind != "snapshot"
        at = datetime.fromtimestamp(now_us() / 1e6, UTC).isoformat()
        message = {"v": 1, "boot": self._boot, "seq": self._seq, "at": at, "type": kind, **fields}
        self._client.publish(self._topic, json.dumps(message), qos=1).wait_for_publish(10)

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def listening(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[tuple[ServiceProcess, Controller]]:
    """A service that listens to a broker, and the controller of its one cell."""
    plant, root = tmp_path / "plant.json", f"sheet-{uuid4().hex}"
    plant.write_text(json.dumps(PLANT))
    flags = ("--database", f"sqlite:///{tmp_path / 'live.db'}", "--plant", str(plant), "--broker", mosquitto.url)
    settings = {"ZONELEDGER_TOPIC_ROOT": root, "ZONELEDGER_CLIENT_ID": root}
    with ForkedService(*flags, settings=settings) as service:
        controller = Controller(mosquitto, root)
        controller.send("snapshot", zones={"1": {"activity": "process"}, "2": {"activity": "load"}}, alarms=[])
        yield service, controller
        controller.close()


def test_a_fault_is_on_the_sheet_within_a_second(
    listening: tuple[ServiceProcess, Controller], open_page: OpenPage
) -> None:
    service, controller = listening
    watched = open_page(service, "/sheet/harbour/wing-1")
    page, zone = watched.page, f"[data-state='{CELL}/1']"
    page.wait_for_selector(f"{zone} .running")
    waits = []
    for code in ("clamp-force", "spindle-load", "guard-open"):
        began = time.monotonic()
        controller.send("alarm", phase="raise", code=code, severity="stop", zone="1")
        page.wait_for_selector(f"{zone}:has(.fault):has-text('{code}')", timeout=5000)
        waits.append(time.monotonic() - began)
        controller.send("alarm", phase="clear", code=code, severity="stop", zone="1")
        page.wait_for_selector(f"{zone} .running")
    assert sorted(waits)[1] < 1.0, waits
    assert watched.errors == []


def test_the_first_page_follows_too(listening: tuple[ServiceProcess, Controller], open_page: OpenPage) -> None:
    service, controller = listening
    page = open_page(service, "/").page
    page.wait_for_selector(f"[data-unit='{CELL}/1'] .running")
    controller.send("wait", phase="begin", zone="2", **{"for": "operator"})
    page.wait_for_selector(f"[data-unit='{CELL}/2']:has-text('waits for operator')", timeout=5000)


def test_figures_are_renewed_while_evidence_stays_open(
    listening: tuple[ServiceProcess, Controller], open_page: OpenPage
) -> None:
    service, controller = listening
    page = open_page(service, "/sheet/harbour/wing-1").page
    page.wait_for_selector(f"[data-state='{CELL}/1'] .running")
    page.click(".ribbon >> nth=1", position={"x": 1, "y": 5})
    page.wait_for_selector(".evidence")
    for _ in range(3):
        controller.send("fastener", zone="1", operation="fasten", result="good")
    page.wait_for_selector(".who:has-text('3 made')", timeout=10_000)
    assert page.query_selector(".evidence") is not None
