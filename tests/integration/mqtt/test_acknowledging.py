"""Nothing is told to be safe before it is: the contract of manual acknowledgement, on every kind of broker."""

import asyncio
from typing import Any

import pytest
from aiomqtt import Client, MqttError, ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.integration.mqtt.parts import CELL, RecordingIntake, numbered, running, session_of, subscriber, until
from zoneledger.application.intake import Delivery, Receipt
from zoneledger_mqtt import subscriber as subscriber_module
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.inner_client import Acknowledging, cut
from zoneledger_mqtt.plain_publish import Received
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_mqtt.topics import Topics


@pytest.fixture
def short_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    """A service that does not wait for an intake that never answers."""
    monkeypatch.setattr(subscriber_module, "STOP_S", 0.05)


async def _send(cells: MqttSender, payloads: list[bytes], cell: str = CELL) -> None:
    await asyncio.gather(*(cells.send(cell, payload) for payload in payloads))


async def test_what_the_intake_did_not_answer_comes_again(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake, short_stop: None
) -> None:
    intake.answering.clear()
    async with running(subscriber(broker_url, intake, root)) as listener:
        await _send(cells, numbered(20))
        await until(lambda: len(intake.asked) == 20, "handed in")
        assert listener.counts.acknowledged == 0
        assert listener.in_flight == 20
    assert intake.kept == []

    after = RecordingIntake()
    async with running(subscriber(broker_url, after, root)) as listener:
        await until(lambda: listener.counts.acknowledged == 20, "acknowledged")
        assert after.payloads() == numbered(20)


async def test_what_was_acknowledged_does_not_come_again(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    async with running(subscriber(broker_url, intake, root)) as listener:
        await _send(cells, numbered(20))
        await until(lambda: listener.counts.acknowledged == 20, "acknowledged")

    await _send(cells, [b"last"])
    after = RecordingIntake()
    async with running(subscriber(broker_url, after, root)):
        await until(lambda: bool(after.kept), "the message sent in between")
        assert after.payloads() == [b"last"]


async def test_a_stop_lets_the_intake_finish_and_acknowledges_what_it_kept(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    intake.answering.clear()
    listener = subscriber(broker_url, intake, root)
    async with running(listener):
        await _send(cells, numbered(5))
        await until(lambda: len(intake.asked) == 5, "handed in")
        asyncio.get_running_loop().call_later(0.05, intake.answering.set)
    assert listener.counts.acknowledged == 5
    assert intake.payloads() == numbered(5)


async def test_messages_are_acknowledged_in_the_order_of_receipt_however_the_intake_answers(
    broker_url: str, root: str, cells: MqttSender
) -> None:
    answers: dict[bytes, asyncio.Event] = {payload: asyncio.Event() for payload in numbered(3)}

    class Choosing(RecordingIntake):
        async def record(self, delivery: Delivery) -> Receipt:
            await answers[delivery.payload].wait()
            return await super().record(delivery)

    intake = Choosing()
    async with running(subscriber(broker_url, intake, root)) as listener:
        await _send(cells, numbered(3))
        await until(lambda: listener.counts.received == 3, "received")
        answers[b"2"].set()
        answers[b"1"].set()
        await until(lambda: len(intake.kept) == 2, "kept")
        assert listener.counts.acknowledged == 0
        answers[b"0"].set()
        await until(lambda: listener.counts.acknowledged == 3, "acknowledged")


async def test_an_old_connection_acknowledges_nothing_on_the_new_one(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    """Packet ids are used again: acknowledging those of the old connection would lose as many of the new one."""
    first: list[Received] = []
    old_client, old = _by_hand(broker_url, root, first)
    await old_client.__aenter__()
    await old_client.subscribe(Topics(root).events("+/+/+"), qos=1)
    await _send(cells, numbered(5))
    await until(lambda: len(first) == 5, "received on the old connection")
    cut(old_client)
    with pytest.raises(MqttError):
        await anext(old_client.messages)
    old.close()

    second: list[Received] = []
    new_client, new = _by_hand(broker_url, root, second)
    async with new_client:
        await until(lambda: len(second) == 5, "received again")
        assert {one.number for one in second} == {one.number for one in first}
        assert [old.acknowledge(one.number) for one in first] == [False] * 5
    new.close()

    async with running(subscriber(broker_url, intake, root)):
        await until(lambda: len(intake.payloads()) == 5, "received once more, as nothing was acknowledged")
        assert intake.payloads() == numbered(5)


def _by_hand(url: str, root: str, received: list[Received]) -> tuple[Client, Acknowledging]:
    """Return a client of the session that `subscriber` uses, and what takes its messages without acknowledging any."""
    properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 600
    client = parse_broker_url(url).client(
        session_of(root).client_id, ProtocolVersion.V5, clean_start=False, properties=properties
    )
    return client, Acknowledging(client, received.append)
