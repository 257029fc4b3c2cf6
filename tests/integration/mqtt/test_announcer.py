"""The announcer beside others and with brokers that do not take what it says: what stands on its topics is the truth."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from aiomqtt import ProtocolVersion

from tests.integration.mqtt.parts import until
from tests.servers.mosquitto import Mosquitto
from zoneledger_mqtt import announcer as module
from zoneledger_mqtt.announcements import DOWN, UP, OwnTopics
from zoneledger_mqtt.announcer import Announcer
from zoneledger_mqtt.board import Board
from zoneledger_mqtt.connection import BrokerAddress, parse_broker_url

CONNECT, PUBLISH, SUBSCRIBE, DISCONNECT = 1, 3, 8, 14
NOT_AUTHORIZED = 0x87
STATE = "harbour/wing-1/cell-1/state"


class _Broker:
    """Speaks as much MQTT 5 as an announcer asks for; answers a PUBLISH with `reason`, or with nothing where that is None."""

    def __init__(self, reason: int | None) -> None:
        self._reason = reason
        self.packets: list[int] = []
        self.ended = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                kind = (await reader.readexactly(1))[0] >> 4
                body = await reader.readexactly(await self._length(reader))
                self.packets.append(kind)
                writer.write(self._answer(kind, body))
        writer.close()
        self.ended += 1

    async def _length(self, reader: asyncio.StreamReader) -> int:
        length = 0
        for shift in (0, 7, 14, 21):
            byte = (await reader.readexactly(1))[0]
            length |= (byte & 0x7F) << shift
            if byte < 0x80:
                break
        return length

    def _answer(self, kind: int, body: bytes) -> bytes:
        if kind == CONNECT:
            return b"\x20\x03\0\0\0"
        if kind == SUBSCRIBE:
            return b"\x90\x04" + body[:2] + b"\0\x01"
        if kind == PUBLISH and self._reason is not None:
            end = 2 + int.from_bytes(body[:2], "big")
            return b"\x40\x03" + body[end : end + 2] + bytes([self._reason])
        return b""


@asynccontextmanager
async def _broker(reason: int | None) -> AsyncIterator[tuple[_Broker, BrokerAddress]]:
    broker = _Broker(reason)
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    async with server:
        yield broker, BrokerAddress("127.0.0.1", server.sockets[0].getsockname()[1])


@asynccontextmanager
async def _announcing(address: BrokerAddress, root: str) -> AsyncIterator[Announcer]:
    topics, board = OwnTopics(root, "cells/v1"), Board()
    board.put(f"{root}/{STATE}", b"{}")
    announcer = Announcer(address, topics, root.replace("/", "-"), board)
    task = asyncio.create_task(announcer.run())
    try:
        yield announcer
    finally:
        task.cancel()
        await asyncio.wait([task])


async def test_what_another_puts_on_our_topics_is_replaced_by_ours(mosquitto: Mosquitto, root: str) -> None:
    address, heard = parse_broker_url(mosquitto.url), dict[str, list[bytes]]()
    link, state = f"{root}/link", f"{root}/{STATE}"
    async with address.client(None, ProtocolVersion.V5) as other, _announcing(address, root) as announcer:
        await until(lambda: announcer.connected, "up")

        async def listen() -> None:
            async for message in other.messages:
                assert isinstance(message.payload, bytes)
                heard.setdefault(str(message.topic), []).append(message.payload)

        listening = asyncio.create_task(listen())
        await other.subscribe(f"{root}/#", qos=1)
        # As the last will of a worker that has died does, once the next one is up.
        await other.publish(link, DOWN, qos=1, retain=True)
        await other.publish(state, b'{"v":1}', qos=1, retain=True)
        await until(lambda: heard.get(link) == [UP, DOWN, UP], f"up again: {heard}")
        await until(lambda: heard.get(state) == [b"{}", b'{"v":1}', b"{}"], f"the state again: {heard}")
        listening.cancel()
        await asyncio.wait([listening])


async def test_a_last_word_that_is_not_taken_leaves_the_last_will_to_the_broker(
    root: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "STOP_S", 0.05)
    async with _broker(None) as (broker, address):
        async with _announcing(address, root):
            await until(lambda: PUBLISH in broker.packets, "a payload")
        await until(lambda: broker.ended == 1, "the end")
        assert DISCONNECT not in broker.packets


async def test_a_refusal_is_said_once_a_connection_and_nothing_counts_as_published(
    root: str, caplog: pytest.LogCaptureFixture
) -> None:
    async with _broker(NOT_AUTHORIZED) as (broker, address):
        async with _announcing(address, root) as announcer:
            await until(lambda: broker.packets.count(CONNECT) == 2, "another try")
            assert announcer.connected is False
            assert DISCONNECT not in broker.packets  # the broker sends the last will
        said = [record.getMessage() for record in caplog.records if "Not authorized" in record.getMessage()]
        assert len(said) in (1, 2)
        assert f"does not take what is published below {root}" in said[0]
