"""The subscriber's own reading and writing over TLS: bursts, large payloads, silence, and a socket that takes little at a time."""

import asyncio
import socket
import ssl
from contextlib import suppress

import pytest
from aiomqtt import ProtocolVersion

from tests.integration.broker_security.parts import ROOT, address_of, listener_at, server_context, somebody
from tests.integration.mqtt.parts import CELL, RecordingIntake, running, until
from tests.servers.mosquitto import Mosquitto
from tests.servers.secure_mosquitto import SecureMosquitto
from zoneledger.core.decoding import MAX_PAYLOAD_BYTES
from zoneledger_cli.certificates import SERVICE, Folder
from zoneledger_mqtt import connection
from zoneledger_mqtt.buffered import BufferedSocket
from zoneledger_mqtt.connection import BrokerAddress, parse_broker_url
from zoneledger_mqtt.credential_files import Files
from zoneledger_mqtt.inner_client import Acknowledging
from zoneledger_mqtt.plain_publish import Received
from zoneledger_mqtt.subscriber import Subscriber

BURST = 20_000
EVENTS = f"{ROOT}/{CELL}/events"


@pytest.fixture
def service(broker: SecureMosquitto, plant: Folder) -> BrokerAddress:
    return address_of(broker.url, plant, SERVICE)


@pytest.fixture
def cell(broker: SecureMosquitto, plant: Folder) -> BrokerAddress:
    return address_of(broker.cells_url, plant, f"cells/{CELL}")


async def _burst(address: BrokerAddress, topic: str, count: int = BURST) -> None:
    """Publish messages of many lengths as fast as the broker takes them, over MQTT 3.1.1, in packets put together by hand."""
    tls, where = address.credentials.read().context, topic.encode()
    reader, writer = await asyncio.open_connection(address.host, address.port, ssl=tls)
    writer.write(b"\x10\x11\0\x04MQTT\x04\x02\0\0\0\x05burst")
    assert await reader.readexactly(4) == b"\x20\x02\0\0"

    async def count_answers() -> None:
        await reader.readexactly(4 * count)

    counting = asyncio.create_task(count_answers())
    for first in range(0, count, 100):
        writer.write(b"".join(_packet(number, where) for number in range(first, first + 100)))
        await writer.drain()
    await counting
    writer.close()
    await writer.wait_closed()


def _packet(number: int, topic: bytes) -> bytes:
    body = len(topic).to_bytes(2) + topic + (number % 65_535 + 1).to_bytes(2) + _payload(number)
    low, high = len(body) & 0x7F, len(body) >> 7
    return b"\x32" + bytes([low | 0x80, high] if high else [low]) + body


async def _acknowledged(listener: Subscriber, intake: RecordingIntake, count: int) -> None:
    """Wait until so many messages were kept, beside links that may be told, and all are acknowledged."""
    await until(lambda: len(intake.kept) >= count and listener.in_flight == 0, f"{count} acknowledged")


def _payload(number: int) -> bytes:
    return b"%d:" % number + b"x" * (number * 7 % 613)


async def _read(address: BrokerAddress, sender: BrokerAddress, topic: str, name: str) -> list[bytes]:
    """Read a burst as the subscriber does, each message acknowledged as it comes; return the payloads."""
    payloads: list[bytes] = []

    def take(received: Received) -> None:
        payloads.append(received.payload)
        incoming.acknowledge(received.number)

    client = address.client(name, ProtocolVersion.V5)
    incoming = Acknowledging(client, take)
    async with client:
        await client.subscribe(topic, qos=1)
        await _burst(sender, topic)
        await until(lambda: len(payloads) >= BURST, "the burst", 60)
    incoming.close()
    return payloads


async def test_a_burst_over_tls_is_the_same_as_over_a_plain_socket(
    mosquitto: Mosquitto, service: BrokerAddress, cell: BrokerAddress, name: str
) -> None:
    over_tls = await _read(service, cell, EVENTS, name)
    plain = parse_broker_url(mosquitto.url)
    over_plain = await _read(plain, plain, f"test/{EVENTS}", name)
    assert over_tls == over_plain == [_payload(number) for number in range(BURST)]


async def test_a_backlog_over_tls_comes_whole_and_in_order(
    service: BrokerAddress, cell: BrokerAddress, intake: RecordingIntake, name: str
) -> None:
    async with running(listener_at(service, intake, name)):
        pass
    await _burst(cell, EVENTS, 3000)
    async with running(listener_at(service, intake, name)) as listener:
        await _acknowledged(listener, intake, 3000)
    assert intake.payloads() == [_payload(number) for number in range(3000)]


async def test_payloads_larger_than_a_tls_record_come_whole(
    service: BrokerAddress, cell: BrokerAddress, intake: RecordingIntake, name: str
) -> None:
    sizes = [16_383, 16_384, 16_385, 100_000, MAX_PAYLOAD_BYTES]
    async with running(listener_at(service, intake, name)), somebody(cell) as controller:
        for size in sizes:
            await controller.publish(EVENTS, b"y" * size)
        await until(lambda: len(intake.payloads()) == len(sizes), "kept")
    assert list(map(len, intake.payloads())) == sizes


async def test_a_link_without_messages_lives_by_its_signs_of_life(
    service: BrokerAddress, intake: RecordingIntake, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "KEEPALIVE_S", 1)
    async with running(listener_at(service, intake, name)) as listener:
        loop = asyncio.get_running_loop()
        end_s = loop.time() + 2.2  # twice a keepalive, of which the broker allows one and a half
        while loop.time() < end_s:
            assert listener.ready
            await asyncio.sleep(0.1)
        assert listener.counts.reconnects == 0


@pytest.mark.parametrize("highest", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_a_tls_socket_that_takes_little_at_a_time_gets_all_that_was_gathered(
    plant: Folder, highest: ssl.TLSVersion
) -> None:
    """OpenSSL wants a write that would block to be repeated with the same bytes: what is gathered meanwhile comes behind them."""
    ours, theirs = _pair(plant, highest)
    with ours, theirs:
        stream = BufferedSocket(ours)
        sent, received, blocked = bytearray(), bytearray(), 0
        for number in range(2000):
            piece = b"%06d" % number * 150
            sent += piece
            stream.send(piece)
            blocked += not stream.flush()
            if number % 5 == 4:
                received += _some(theirs)
        while not stream.flush() or len(received) < len(sent):
            received += _some(theirs)
    assert blocked > 100
    assert received == sent


@pytest.mark.parametrize("highest", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_bytes_that_tls_has_read_already_are_pending(plant: Folder, highest: ssl.TLSVersion) -> None:
    ours, theirs = _pair(plant, highest)
    with ours, theirs:
        stream = BufferedSocket(ours)
        for _ in range(20):
            theirs.send(b"z" * 3000)
            found = len(stream.recv(1))
            while pending := stream.pending():
                found += len(stream.recv(min(1000, pending)))
            assert found == 3000
            with pytest.raises(ssl.SSLWantReadError):
                stream.recv(1)


def _pair(plant: Folder, highest: ssl.TLSVersion) -> tuple[ssl.SSLSocket, ssl.SSLSocket]:
    """Return two ends that speak TLS, ours as the service makes it, with little room between them; neither blocks."""
    near, far = socket.socketpair()
    for end in (near, far):
        end.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        end.setblocking(False)
    context = parse_broker_url("mqtts://localhost", Files(plant.file("ca", "pem"))).credentials.read().context
    assert context is not None
    ours = context.wrap_socket(near, server_hostname="localhost", do_handshake_on_connect=False)
    theirs = server_context(plant, highest=highest).wrap_socket(far, server_side=True, do_handshake_on_connect=False)
    ends = [ours, theirs]
    while ends:
        for end in list(ends):
            with suppress(ssl.SSLWantReadError, ssl.SSLWantWriteError):
                end.do_handshake()
                ends.remove(end)
    assert ours.version() == {ssl.TLSVersion.TLSv1_2: "TLSv1.2", ssl.TLSVersion.TLSv1_3: "TLSv1.3"}[highest]
    return ours, theirs


def _some(end: ssl.SSLSocket) -> bytes:
    with suppress(ssl.SSLWantReadError):
        return end.recv(16_384)
    return b""


def test_a_server_of_tls_1_1_is_not_spoken_to(plant: Folder) -> None:
    context = parse_broker_url("mqtts://localhost", Files(plant.file("ca", "pem"))).credentials.read().context
    assert context is not None
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    assert context.check_hostname
    assert context.verify_mode == ssl.CERT_REQUIRED
