"""A broker is tried by publishing and counting: what it is set to shows, and nobody's session or messages are touched."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from aiomqtt import MqttError, ProtocolVersion

from tests.integration.mqtt.parts import CELL, RecordingIntake, numbered, running, subscriber, until
from tests.servers.fixtures import programs
from tests.servers.mosquitto import Mosquitto
from zoneledger_mqtt import probing
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.probing import MESSAGES, NotOurSession, Probed, probe
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_mqtt.topics import Topics


class _Mosquitto(Mosquitto):
    """A broker with the shipped configuration but for some settings; None leaves one out."""

    def __init__(self, settings: dict[str, str | None]) -> None:
        super().__init__()
        self._settings = settings

    def _configuration(self) -> str:
        lines = super()._configuration().splitlines()
        kept = [line for line in lines if line.split(" ")[0] not in self._settings]
        return "\n".join([*kept, *(f"{name} {value}" for name, value in self._settings.items() if value), ""])


@contextmanager
def _broker(**settings: str | None) -> Iterator[Mosquitto]:
    with programs():
        broker = _Mosquitto(settings)
    broker.start()
    try:
        yield broker
    finally:
        broker.close()


async def _probe(broker: Mosquitto, root: str, url: str | None = None) -> Probed:
    async with asyncio.timeout(60):
        return await probe(parse_broker_url(url or broker.url), "service", root)


async def _left_behind(broker: Mosquitto, root: str) -> list[str]:
    """Return the topics below a root on which the broker keeps a retained message."""
    async with parse_broker_url(broker.url).client(None, ProtocolVersion.V5) as client:
        await client.subscribe(f"{root}/#")
        await client.publish(f"{root}/end", b"")
        topics: list[str] = []
        async for message in client.messages:
            if str(message.topic) == f"{root}/end":
                return topics
            topics.append(str(message.topic))
    raise AssertionError


async def test_the_shipped_configuration_brings_all_back_and_nothing_is_left_behind(
    mosquitto: Mosquitto, root: str
) -> None:
    found = await _probe(mosquitto, root)
    assert found.version is not None
    assert found.version.startswith("mosquitto version 2.")
    assert found.protocol == "5"
    assert (found.heard, found.retained, found.large, found.refusal) == (True, True, True, None)
    assert (found.acknowledged, found.kept) == (MESSAGES, MESSAGES)
    assert await _left_behind(mosquitto, root) == []


async def test_a_queue_that_is_too_short_shows_though_every_message_was_acknowledged(root: str) -> None:
    with _broker(max_queued_messages=None, max_inflight_messages=None) as broker:
        found = await _probe(broker, root)
    assert found.acknowledged == MESSAGES
    assert 900 < found.kept < MESSAGES  # Mosquitto's default of 1,000, and those on their way


async def test_a_broker_that_takes_only_small_packets_shows(root: str) -> None:
    with _broker(max_packet_size="100000") as broker:
        found = await _probe(broker, root)
    assert (found.large, found.kept) == (False, MESSAGES)


async def test_a_broker_that_keeps_nothing_retained_shows(root: str) -> None:
    with _broker(retain_available="false") as broker:
        found = await _probe(broker, root)
    assert (found.retained, found.kept) == (False, MESSAGES)


async def test_an_account_that_may_not_publish_is_told_so_and_nothing_is_counted(
    own_mosquitto: Mosquitto, root: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(probing, "WAIT_S", 0.5)
    own_mosquitto.permit([f"topic read {root}/#"])
    found = await _probe(own_mosquitto, root)
    assert (found.heard, found.kept, found.acknowledged) == (False, 0, 0)
    assert found.refusal == "Not authorized"


async def test_a_login_that_is_refused_is_an_error_in_words(own_mosquitto: Mosquitto, root: str) -> None:
    own_mosquitto.admit({"service": "right"})
    url = own_mosquitto.url.replace("//", "//service:wrong@")
    with pytest.raises(MqttError, match=r"(?i)not authori[sz]ed|bad user"):
        await _probe(own_mosquitto, root, url)
    url = own_mosquitto.url.replace("//", "//service:right@")
    assert (await _probe(own_mosquitto, root, url)).kept == MESSAGES


async def test_a_broker_that_is_not_there_is_an_error(root: str) -> None:
    with pytest.raises(MqttError):
        await probe(parse_broker_url("mqtt://127.0.0.1:9"), "service", root)


async def test_where_the_broker_chooses_the_client_id_the_services_messages_stay_its_own(
    root: str, intake: RecordingIntake
) -> None:
    """Mosquitto can take the account for the client id: the try would then be given the service's session, with what waits in it."""
    with _broker() as broker:
        broker.admit({"service": "secret", "cell": "secret"})
        service_url, cell_url = (broker.url.replace("//", f"//{name}:secret@") for name in ("service", "cell"))
        broker.stop()
        broker._settings["use_username_as_clientid"] = "true"  # type: ignore[attr-defined]
        broker.start()
        async with running(subscriber(service_url, intake, root)):
            pass
        async with MqttSender(parse_broker_url(cell_url), Topics(root)) as sender:
            for payload in numbered(50):
                await sender.send(CELL, payload)
        with pytest.raises(NotOurSession):
            await _probe(broker, root, service_url)
        async with running(subscriber(service_url, intake, root)):
            await until(lambda: len(intake.payloads()) == 50, "all that waited comes to the service")
    assert intake.payloads() == numbered(50)
