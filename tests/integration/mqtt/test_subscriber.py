"""What the subscriber hands in, what it holds, and how it comes back after a failure."""

import asyncio
import json

import pytest

from tests.integration.mqtt.parts import (
    CELL,
    OTHER_CELL,
    RecordingIntake,
    numbered,
    running,
    subscriber,
    until,
)
from tests.servers.mosquitto import Mosquitto
from tests.servers.relay import Relay
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.core.decoding import MAX_PAYLOAD_BYTES
from zoneledger_mqtt import subscriber as subscriber_module
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.embedded import embedded_broker
from zoneledger_mqtt.publisher import MqttSender, SendFailed
from zoneledger_mqtt.subscriber import Subscriber
from zoneledger_mqtt.topics import Topics

UP, DOWN = {"v": 1, "link": "up", "boot": 7}, {"v": 1, "link": "down"}


def _links(intake: RecordingIntake, cell: str = CELL) -> list[object]:
    return [json.loads(one.payload) for one in intake.kept if one.kind == "link" and one.cell == cell]


async def _send(cells: MqttSender, payloads: list[bytes], cell: str = CELL) -> None:
    await asyncio.gather(*(cells.send(cell, payload) for payload in payloads))


async def test_each_message_is_handed_in_with_its_cell_and_topic_in_the_order_of_its_cell(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    async with running(subscriber(broker_url, intake, root)) as listener:
        await asyncio.gather(_send(cells, numbered(500)), _send(cells, numbered(500), OTHER_CELL))
        await until(lambda: listener.counts.acknowledged == 1000, "acknowledged")
    assert intake.payloads(CELL) == numbered(500)
    assert intake.payloads(OTHER_CELL) == numbered(500)
    assert intake.kept[0] in (
        Delivery(CELL, b"0", f"{root}/{CELL}/events"),
        Delivery(OTHER_CELL, b"0", f"{root}/{OTHER_CELL}/events"),
    )
    assert (listener.counts.received, listener.counts.reconnects, listener.in_flight) == (1000, 0, 0)


async def test_of_a_payload_too_large_to_be_taken_only_the_begin_and_the_size_are_held(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    large, largest = b"x" * 1_000_000, b"y" * MAX_PAYLOAD_BYTES
    async with running(subscriber(broker_url, intake, root)) as listener:
        await _send(cells, [large, largest])
        await until(lambda: listener.counts.acknowledged == 2, "acknowledged")
    assert [(one.payload, one.size) for one in intake.kept] == [
        (b"x" * MAX_PAYLOAD_BYTES, 1_000_000),
        (largest, MAX_PAYLOAD_BYTES),
    ]


async def test_a_cells_link_is_heard_up_down_and_by_its_last_will(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    async with running(subscriber(broker_url, intake, root)):
        await cells.link_up(CELL, 7)
        await cells.link_up(OTHER_CELL, 8)
        await until(lambda: UP in _links(intake), "up")
        await cells.cut(CELL)
        await until(lambda: DOWN in _links(intake), "the last will")
        assert DOWN not in _links(intake, OTHER_CELL)
        await cells.link_down(OTHER_CELL)
        await until(lambda: DOWN in _links(intake, OTHER_CELL), "down")
    assert _links(intake) == [UP, DOWN]
    assert {one.origin for one in intake.kept} == {f"{root}/{CELL}/link", f"{root}/{OTHER_CELL}/link"}


async def test_a_service_that_comes_later_is_told_each_link_as_it_is(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    await cells.link_up(CELL, 7)
    await cells.link_up(OTHER_CELL, 8)
    await cells.link_down(OTHER_CELL)
    async with running(subscriber(broker_url, intake, root)):
        await until(lambda: len(intake.kept) == 2, "both links")
    assert _links(intake) == [UP]
    assert _links(intake, OTHER_CELL) == [DOWN]


async def test_topics_that_name_no_cell_of_a_plant_are_handed_in_as_they_are(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    odd = ["Harbour/Wing 1/cell_1", "//", "hàrbour/中/🙂", "a/b/" + "c" * 200]
    async with running(subscriber(broker_url, intake, root)):
        for cell in odd:
            await cells.send(cell, b"{}")
        await until(lambda: len(intake.kept) == len(odd), "kept")
    assert [one.cell for one in intake.kept] == odd


async def test_any_bytes_arrive_as_they_were_sent(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    payloads = [b"", bytes(range(256)), b"\xff\xfe", b"[" * 10_000, b"x" * MAX_PAYLOAD_BYTES]
    async with running(subscriber(broker_url, intake, root)):
        await _send(cells, payloads)
        await until(lambda: len(intake.kept) == len(payloads), "kept")
    assert intake.payloads() == payloads
    assert {type(one.payload) for one in intake.kept} == {bytes}


async def test_a_store_that_does_not_answer_costs_nothing_and_keeps_the_order(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    intake.down = True
    async with running(subscriber(broker_url, intake, root)) as listener:
        await _send(cells, numbered(100))
        await until(lambda: len(intake.asked) >= 250, "asked again")
        assert listener.ready
        assert (listener.counts.acknowledged, listener.in_flight) == (0, 100)
        intake.down = False
        await until(lambda: listener.counts.acknowledged == 100, "acknowledged")
    assert intake.payloads() == numbered(100)


async def test_a_stop_while_the_store_does_not_answer_is_quick_and_the_messages_come_again(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    intake.down = True
    async with running(subscriber(broker_url, intake, root)) as listener:
        await _send(cells, numbered(10))
        await until(lambda: listener.in_flight == 10 and len(intake.asked) >= 10, "handed in")
    after = RecordingIntake()
    async with running(subscriber(broker_url, after, root)) as listener:
        await until(lambda: listener.counts.acknowledged == 10, "acknowledged")
    assert after.payloads() == numbered(10)


async def test_a_failure_that_nobody_foresaw_is_logged_and_tried_again(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake, caplog: pytest.LogCaptureFixture
) -> None:
    intake.failures = [RuntimeError("a defect")]
    async with running(subscriber(broker_url, intake, root)) as listener:
        await _send(cells, numbered(3))
        await until(lambda: listener.counts.acknowledged == 3, "acknowledged")
    assert sorted(intake.payloads()) == numbered(3)
    assert "a defect" in caplog.text


async def test_receive_maximum_bounds_what_is_held(mosquitto: Mosquitto, root: str, intake: RecordingIntake) -> None:
    async with MqttSender(parse_broker_url(mosquitto.url), Topics(root)) as cells:
        await _hold_and_release(subscriber(mosquitto.url, intake, root, receive_maximum=50), cells, intake, 50)


async def test_a_broker_that_sends_more_than_the_receive_maximum_has_to_wait(
    root: str, intake: RecordingIntake
) -> None:
    """The embedded broker does not heed it: what is in flight goes one above it, and no more is read."""
    async with embedded_broker() as url, MqttSender(parse_broker_url(url), Topics(root)) as cells:
        await _hold_and_release(subscriber(url, intake, root, receive_maximum=50), cells, intake, 51)


async def test_a_backlog_is_taken_in_bounded_pieces_whatever_the_broker_sends_once_something_is_acknowledged(
    mosquitto: Mosquitto, root: str
) -> None:
    """Mosquitto 2.0.11 heeds Receive Maximum only until it is told of the first messages that are safe."""
    held = []

    class Watching(RecordingIntake):
        async def record(self, delivery: Delivery) -> Receipt:
            held.append(listener.in_flight)
            await asyncio.sleep(0)
            return await super().record(delivery)

    listener = subscriber(mosquitto.url, Watching(), root, receive_maximum=50)
    async with running(listener):
        pass
    async with MqttSender(parse_broker_url(mosquitto.url), Topics(root)) as cells:
        for start in range(0, 2000, 500):
            await _send(cells, numbered(500, start))
    async with running(listener):
        await until(lambda: listener.counts.acknowledged == 2000, "acknowledged")
    assert 40 < max(held) <= 51


async def test_large_payloads_wait_at_the_broker(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(subscriber_module, "HELD_BYTES", 300_000)
    intake.answering.clear()
    payloads = [bytes([48 + number]) * 100_000 for number in range(8)]
    listener = subscriber(broker_url, intake, root)
    async with running(listener):
        await _send(cells, payloads)
        await until(lambda: listener.in_flight == 4, "more than is held")
        intake.answering.set()
        await until(lambda: listener.counts.acknowledged == 8, "acknowledged")
    assert intake.payloads() == payloads
    assert listener.counts.received == 8


async def _hold_and_release(listener: Subscriber, cells: MqttSender, intake: RecordingIntake, bound: int) -> None:
    intake.answering.clear()
    async with running(listener):
        await _send(cells, numbered(1000))
        await until(lambda: listener.in_flight == bound, "a full window")
        assert listener.counts.received == bound
        intake.answering.set()
        await until(lambda: listener.counts.acknowledged == 1000, "acknowledged")
    assert intake.payloads() == numbered(1000)


async def test_a_backlog_is_drained_after_an_absence(
    broker_url: str, root: str, cells: MqttSender, intake: RecordingIntake
) -> None:
    async with running(subscriber(broker_url, intake, root)):
        pass
    for start in range(0, 5000, 500):
        await _send(cells, numbered(500, start))
    async with running(subscriber(broker_url, intake, root)) as listener:
        await until(lambda: listener.counts.acknowledged == 5000, "acknowledged")
    assert intake.payloads() == numbered(5000)


async def test_a_connection_that_breaks_again_and_again_loses_nothing(
    mosquitto: Mosquitto, root: str, intake: RecordingIntake
) -> None:
    address = parse_broker_url(mosquitto.url)
    async with (
        Relay(mosquitto.port) as relay,
        MqttSender(address, Topics(root)) as cells,
        running(subscriber(relay.url, intake, root, receive_maximum=20)) as listener,
    ):
        for start in range(0, 1000, 200):
            await _send(cells, numbered(200, start))
            relay.cut()
        await until(lambda: len(set(intake.payloads())) == 1000, "all kept")
        await until(lambda: listener.counts.acknowledged >= 1000 - 200 and listener.in_flight == 0, "all acknowledged")
        assert listener.counts.reconnects >= 1
    assert set(intake.payloads()) == set(numbered(1000))


async def test_a_broken_connection_waits_for_the_intake_and_hands_in_again_what_it_did_not_acknowledge(
    mosquitto: Mosquitto, root: str, intake: RecordingIntake
) -> None:
    intake.answering.clear()
    async with (
        Relay(mosquitto.port) as relay,
        MqttSender(parse_broker_url(mosquitto.url), Topics(root)) as cells,
        running(subscriber(relay.url, intake, root)) as listener,
    ):
        await _send(cells, numbered(10))
        await until(lambda: len(intake.asked) == 10, "handed in")
        relay.cut()
        await until(lambda: not listener.ready, "lost")
        assert listener.counts.received == 10
        intake.answering.set()
        await until(lambda: listener.counts.acknowledged == 10, "acknowledged on the new connection")
        assert listener.counts.received == 20
    assert intake.payloads() == numbered(10) * 2


@pytest.mark.parametrize("end", ["stop", "kill"])
async def test_the_service_and_the_cells_come_back_after_the_broker_does(
    own_mosquitto: Mosquitto, root: str, intake: RecordingIntake, end: str
) -> None:
    async with (
        MqttSender(parse_broker_url(own_mosquitto.url), Topics(root)) as cells,
        running(subscriber(own_mosquitto.url, intake, root)) as listener,
    ):
        await cells.link_up(CELL, 7)
        await _send(cells, numbered(10))
        await until(lambda: listener.counts.acknowledged >= 11, "acknowledged")
        await asyncio.to_thread(getattr(own_mosquitto, end))
        await until(lambda: not listener.ready, "lost")
        with pytest.raises(SendFailed):
            await cells.send(CELL, b"nobody listens")
        await asyncio.to_thread(own_mosquitto.start)
        await until(lambda: listener.ready, "subscribed again")
        await _send(cells, numbered(10, 10))
        await until(lambda: len(set(intake.payloads())) == 20, "what was sent afterwards")
        assert listener.counts.reconnects == 1
        await until(lambda: _links(intake)[-1] == UP, "the link told again")


async def test_a_send_that_waits_fails_as_soon_as_the_connection_does(mosquitto: Mosquitto, root: str) -> None:
    async with Relay(mosquitto.port) as relay, MqttSender(parse_broker_url(relay.url), Topics(root)) as cells:
        await cells.send(CELL, b"first")
        sending = [asyncio.create_task(cells.send(CELL, payload)) for payload in numbered(100)]
        asyncio.get_running_loop().call_soon(relay.cut)
        async with asyncio.timeout(5):
            outcomes = await asyncio.gather(*sending, return_exceptions=True)
        assert {type(outcome) for outcome in outcomes} <= {type(None), SendFailed}
        await cells.send(CELL, b"again")
