"""Brokers for the tests of the MQTT adapter: Mosquitto, and the one that the demo embeds."""

from collections.abc import AsyncIterator

import pytest

from tests.integration.mqtt.parts import RecordingIntake
from tests.servers.mosquitto import Mosquitto
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.embedded import embedded_broker
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_mqtt.topics import Topics


@pytest.fixture
def intake() -> RecordingIntake:
    return RecordingIntake()


@pytest.fixture
def root(request: pytest.FixtureRequest) -> str:
    """A topic root of this test's own: tests share brokers."""
    return "test/" + "".join(letter if letter.isalnum() else "-" for letter in request.node.name)


@pytest.fixture(params=["mosquitto", "embedded"])
async def broker_url(request: pytest.FixtureRequest) -> AsyncIterator[str]:
    """Each kind of broker, one after the other."""
    if request.param == "mosquitto":
        mosquitto: Mosquitto = request.getfixturevalue("mosquitto")
        yield mosquitto.url
    else:
        async with embedded_broker() as url:
            yield url


@pytest.fixture
async def cells(broker_url: str, root: str) -> AsyncIterator[MqttSender]:
    """What sends for cells to the broker of this test."""
    async with MqttSender(parse_broker_url(broker_url), Topics(root)) as sender:
        yield sender
