"""New files while messages come: the connection is renewed, nothing is lost or twice, and files that do not fit change nothing."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path

import pytest
from aiomqtt import MqttError

from tests.integration.broker_security.parts import (
    OUT,
    ROOT,
    address_of,
    files_of,
    files_of_cells,
    listener_at,
    long_ago,
    make_plant,
    now,
    signed,
    somebody,
)
from tests.integration.mqtt.parts import CELL, OTHER_CELL, RecordingIntake, numbered, running, until
from tests.servers.fixtures import lend
from tests.servers.secure_mosquitto import SecureMosquitto
from zoneledger_cli.authority import Use, Wanted
from zoneledger_cli.certificates import BROKER, SERVICE, Folder, make
from zoneledger_mqtt import credentials
from zoneledger_mqtt.announcements import DOWN, UP, OwnTopics
from zoneledger_mqtt.announcer import Announcer
from zoneledger_mqtt.board import Board
from zoneledger_mqtt.connection import BrokerAddress, parse_broker_url
from zoneledger_mqtt.credential_files import Files, digest_of
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_mqtt.subscriber import Subscriber
from zoneledger_mqtt.topics import Topics

US = Wanted(SERVICE, Use.CLIENT)


@pytest.fixture(autouse=True)
def quick_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look at the files more often than every ten seconds."""
    monkeypatch.setattr(credentials, "LOOK_S", 0.03)


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> list[Files]:
    """The looks at files so far."""
    found: list[Files] = []

    def look(files: Files) -> bytes:
        found.append(files)
        return digest_of(files)

    monkeypatch.setattr(credentials, "digest_of", look)
    return found


@pytest.fixture
def ours(plant: Folder, tmp_path: Path) -> Folder:
    """The service's own files, to be changed; the shared broker knows who has signed them."""
    folder = Folder(tmp_path / "ours")
    folder.write(SERVICE, signed(plant, US))
    return folder


@pytest.fixture
def address(broker: SecureMosquitto, plant: Folder, ours: Folder) -> BrokerAddress:
    return parse_broker_url(broker.url, files_of(ours, SERVICE, plant.file("ca", "pem")))


@asynccontextmanager
async def _traffic(broker: SecureMosquitto, plant: Folder, count: list[int]) -> AsyncIterator[None]:
    """Two cells that publish for as long as this lasts; `count` has how many messages each was acknowledged."""
    going = True

    async def publish(sender: MqttSender, cell: str) -> None:
        number = 0
        while going:
            await sender.send(cell, b"%d" % number)
            number += 1
            await asyncio.sleep(0)
        count.append(number)

    async with MqttSender(parse_broker_url(broker.cells_url, files_of_cells(plant)), Topics(ROOT)) as sender:
        tasks = [asyncio.create_task(publish(sender, cell)) for cell in (CELL, OTHER_CELL)]
        try:
            yield
        finally:
            going = False
            await asyncio.gather(*tasks)


def _events(intake: RecordingIntake) -> int:
    return len(intake.payloads(CELL)) + len(intake.payloads(OTHER_CELL))


def _has_more(intake: RecordingIntake, than: int) -> bool:
    return _events(intake) > than


async def _renewed(listener: Subscriber, times: int) -> None:
    await until(lambda: listener.counts.reconnects == times and listener.ready, f"renewed {times} times")


async def test_new_certificates_under_traffic_lose_nothing_and_bring_nothing_twice(
    broker: SecureMosquitto, plant: Folder, ours: Folder, address: BrokerAddress, intake: RecordingIntake, name: str
) -> None:
    count: list[int] = []
    async with running(listener_at(address, intake, name)) as listener:
        async with _traffic(broker, plant, count):
            for times in (1, 2, 3):
                await until(partial(_has_more, intake, _events(intake) + 50), "traffic")
                ours.write(SERVICE, signed(plant, US))
                await _renewed(listener, times)
        await until(lambda: _events(intake) >= sum(count), "all that was sent")
    assert min(count) > 50
    assert sorted(map(len, (intake.payloads(CELL), intake.payloads(OTHER_CELL)))) == sorted(count)
    for cell in (CELL, OTHER_CELL):
        assert intake.payloads(cell) == numbered(len(intake.payloads(cell)))


async def test_the_renewed_connection_shows_the_new_certificate(
    broker: SecureMosquitto, plant: Folder, ours: Folder, address: BrokerAddress, intake: RecordingIntake, name: str
) -> None:
    async with running(listener_at(address, intake, name)) as listener:
        first = address.credentials.last
        assert first is not None
        ours.write(SERVICE, signed(plant, US, days=60))
        await _renewed(listener, 1)
        second = address.credentials.last
        assert second is not None
        assert first.certificate_ends_us is not None
        assert second.certificate_ends_us is not None
        assert second.certificate_ends_us - first.certificate_ends_us > 29 * 86_400_000_000
        left = address.credentials.gauges()
        assert left["broker_certificate_expires_in_seconds"]() == pytest.approx(60 * 86_400 - 3600, abs=60)
        assert left["broker_server_certificate_expires_in_seconds"]() == pytest.approx(30 * 86_400 - 3600, abs=600)
        assert left["broker_ca_expires_in_seconds"]() == pytest.approx(3650 * 86_400 - 3600, abs=600)


def _mismatched(plant: Folder, ours: Folder) -> None:
    """Put a new certificate beside the old key."""
    ours.file(SERVICE, "pem").write_bytes(signed(plant, US).certificate_text())


def _half_written(plant: Folder, ours: Folder) -> None:
    """Write the first half of a new certificate."""
    text = signed(plant, US).certificate_text()
    ours.file(SERVICE, "pem").write_bytes(text[: len(text) // 2])


def _gone(_: Folder, ours: Folder) -> None:
    """Remove the key."""
    ours.file(SERVICE, "key").unlink()


def _expired(plant: Folder, ours: Folder) -> None:
    """Put a certificate there that has expired."""
    ours.write(SERVICE, signed(plant, US, at=long_ago(), days=1))


@pytest.mark.parametrize("spoil", [_mismatched, _half_written, _gone, _expired])
async def test_files_that_do_not_fit_keep_the_connection_and_are_told_once(
    broker: SecureMosquitto,
    plant: Folder,
    ours: Folder,
    address: BrokerAddress,
    intake: RecordingIntake,
    name: str,
    caplog: pytest.LogCaptureFixture,
    looks: list[Files],
    spoil: Callable[[Folder, Folder], None],
) -> None:
    fits = address.credentials.gauges()["broker_files_fit"]
    async with running(listener_at(address, intake, name)) as listener:
        assert fits()
        with caplog.at_level(logging.INFO):
            spoil(plant, ours)
            await until(lambda: not fits(), "told")
            enough = len(looks) + 6
            await until(lambda: len(looks) >= enough, "looked at again")
        told = [one.getMessage() for one in caplog.records if "is used on" in one.getMessage()]
        assert len(told) == 1
        assert str(ours.path) in told[0]
        assert listener.ready
        assert listener.counts.reconnects == 0

        ours.write(SERVICE, signed(plant, US))
        await _renewed(listener, 1)
        assert fits()
        async with somebody(address_of(broker.cells_url, plant, f"cells/{CELL}")) as controller:
            await controller.publish(f"{ROOT}/{CELL}/events", b"after all")
            await until(lambda: intake.payloads() == [b"after all"], "the message")


async def test_a_connection_that_is_lost_meanwhile_comes_back_with_the_files_before(
    own_broker: SecureMosquitto, own_plant: Folder, intake: RecordingIntake, name: str
) -> None:
    address = address_of(own_broker.url, own_plant, SERVICE)
    async with running(listener_at(address, intake, name)) as listener:
        own_plant.file(SERVICE, "key").unlink()
        await until(lambda: not address.credentials.fit, "told")
        await asyncio.to_thread(own_broker.stop)
        await until(lambda: not listener.ready, "lost")
        await asyncio.to_thread(own_broker.start)
        await _renewed(listener, 1)


async def test_a_certificate_that_the_broker_does_not_take_loses_nothing_either(
    broker: SecureMosquitto,
    plant: Folder,
    ours: Folder,
    own_plant: Folder,
    address: BrokerAddress,
    intake: RecordingIntake,
    name: str,
) -> None:
    async with running(listener_at(address, intake, name)) as listener:
        ours.write(SERVICE, signed(own_plant, US))
        await until(lambda: "does not know the authority" in listener.trouble, "refused")
        async with somebody(address_of(broker.cells_url, plant, f"cells/{CELL}")) as controller:
            await controller.publish(f"{ROOT}/{CELL}/events", b"meanwhile")
        ours.write(SERVICE, signed(plant, US))
        await until(lambda: intake.payloads() == [b"meanwhile"], "the message")


async def test_the_broker_takes_a_new_certificate_and_then_another_authority(
    own_broker: SecureMosquitto, own_plant: Folder, tmp_path: Path, intake: RecordingIntake, name: str
) -> None:
    """As docs/broker.md has it: both authorities first, then the certificates, then the old authority goes."""
    bundle, newer = tmp_path / "bundle.pem", make_plant(tmp_path / "newer")
    bundle.write_bytes(own_plant.file("ca", "pem").read_bytes())
    address = parse_broker_url(own_broker.url, files_of(own_plant, SERVICE, bundle))
    async with running(listener_at(address, intake, name)) as listener:
        make(own_plant, {}, now(), 60, renew=True)
        own_broker.show(own_plant.file(BROKER, "pem"), own_plant.file(BROKER, "key"), own_plant.file("ca", "pem"))
        own_broker.read_anew()
        await _renewed(listener, 1)
        left = address.credentials.gauges()["broker_server_certificate_expires_in_seconds"]
        assert left() == pytest.approx(60 * 86_400 - 3600, abs=600)

        bundle.write_bytes(own_plant.file("ca", "pem").read_bytes() + newer.file("ca", "pem").read_bytes())
        await _renewed(listener, 2)
        own_broker.show(newer.file(BROKER, "pem"), newer.file(BROKER, "key"), bundle)
        await asyncio.to_thread(own_broker.stop)
        await asyncio.to_thread(own_broker.start)
        await until(lambda: listener.ready and listener.counts.reconnects == 3, "the new authority's broker")
        own_plant.write(SERVICE, signed(newer, US))
        await _renewed(listener, 4)
        bundle.write_bytes(newer.file("ca", "pem").read_bytes())
        await _renewed(listener, 5)


async def test_what_the_service_publishes_is_down_and_up_again_with_a_new_certificate(
    plant: Folder, ours: Folder, address: BrokerAddress
) -> None:
    topics, board = OwnTopics(f"{OUT}/renewed", ROOT), Board()
    board.put(topics.state(CELL), b"a state")
    announcer = Announcer(address, topics, "zoneledger-out", board)
    async with somebody(address, topics.all) as screen:
        task = asyncio.create_task(announcer.run())
        await until(lambda: screen.payloads() == [b"a state", UP], "published")
        ours.write(SERVICE, signed(plant, US))
        await until(lambda: len(screen.heard) == 5, "published anew")
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await until(lambda: len(screen.heard) == 6, "the last word")
    assert screen.payloads() == [b"a state", UP, DOWN, b"a state", UP, DOWN]


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    """A file with the right password."""
    path = tmp_path / "password"
    path.write_text("first-secret\n")
    return path


@pytest.fixture
def guarded_broker(own_plant: Folder) -> Iterator[SecureMosquitto]:
    """A broker whose passwords this test may change."""
    yield from lend(lambda: SecureMosquitto(own_plant.path, {CELL: "first-secret"}))


def _say(secret: Path, word: str) -> None:
    secret.write_text(word)


async def test_a_password_is_read_anew_from_its_file(
    guarded_broker: SecureMosquitto, own_plant: Folder, secret: Path
) -> None:
    name = CELL.replace("/", "%2F")
    address = parse_broker_url(guarded_broker.password_url(name), Files(own_plant.file("ca", "pem"), password=secret))
    async with somebody(address) as controller:
        assert await controller.publish(f"{ROOT}/{CELL}/events", b"let in") == []
    _say(secret, "wrong")
    with pytest.raises(MqttError):
        async with somebody(address):
            pass
    _say(secret, "first-secret")
    async with somebody(address) as controller:
        assert await controller.publish(f"{ROOT}/{CELL}/events", b"let in again") == []
