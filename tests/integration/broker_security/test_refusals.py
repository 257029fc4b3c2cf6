"""Whom the service does not believe, and who does not believe the service: refused, with a sentence that says what to mend."""

import asyncio
import logging
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from tests.integration.broker_security.parts import (
    HOSTS,
    address_of,
    files_of,
    is_let_in,
    listener_at,
    long_ago,
    make_plant,
    now,
    signed,
)
from tests.integration.mqtt.parts import RecordingIntake, until
from tests.servers.fixtures import lend
from tests.servers.mosquitto import Mosquitto
from tests.servers.secure_mosquitto import SecureMosquitto
from zoneledger.clock import now_us
from zoneledger_cli.authority import Use, Wanted
from zoneledger_cli.certificates import BROKER, SERVICE, Folder
from zoneledger_mqtt import credentials
from zoneledger_mqtt.connection import BrokerAddress, parse_broker_url
from zoneledger_mqtt.credential_files import Files

SHOWN = Wanted(BROKER, Use.BROKER, HOSTS)


async def _trouble(address: BrokerAddress, caplog: pytest.LogCaptureFixture) -> str:
    """Let the service's listener try a broker; return what it says of that in the log, once, at a warning."""
    listener = listener_at(address, RecordingIntake(), "refused")
    first = listener.trouble
    with caplog.at_level(logging.INFO):
        task = asyncio.create_task(listener.run())
        await until(lambda: listener.trouble != first, "an attempt")
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert not listener.ready
    told = [one.getMessage() for one in caplog.records if one.levelno == logging.WARNING]
    assert told[0] == f"broker {address}: {listener.trouble}"
    assert not any(one.exc_info for one in caplog.records)
    return listener.trouble


@pytest.fixture
def shown(tmp_path: Path) -> Folder:
    """A folder for the certificates of a broker that is not as it should be."""
    return make_plant(tmp_path / "other")


def _broker_with(folder: Folder) -> Iterator[SecureMosquitto]:
    yield from lend(lambda: SecureMosquitto(folder.path))


@pytest.fixture
def expired_broker(shown: Folder) -> Iterator[SecureMosquitto]:
    """A broker whose certificate expired a day ago."""
    shown.write(BROKER, signed(shown, SHOWN, at=long_ago(), days=1))
    yield from _broker_with(shown)


@pytest.fixture
def broker_elsewhere(shown: Folder) -> Iterator[SecureMosquitto]:
    """A broker whose certificate is for another host."""
    shown.write(BROKER, signed(shown, Wanted(BROKER, Use.BROKER, ("elsewhere.example", "192.0.2.7"))))
    yield from _broker_with(shown)


@pytest.fixture
def client_as_broker(shown: Folder) -> Iterator[SecureMosquitto]:
    """A broker that shows the certificate of a client."""
    shown.write(BROKER, signed(shown, Wanted(BROKER, Use.CLIENT, HOSTS)))
    yield from _broker_with(shown)


async def test_a_broker_of_another_authority(
    broker: SecureMosquitto, plant: Folder, shown: Folder, caplog: pytest.LogCaptureFixture
) -> None:
    other = shown.file("ca", "pem")
    address = parse_broker_url(broker.url, files_of(plant, SERVICE, other))
    assert await _trouble(address, caplog) == f"its certificate is not signed by an authority in {other}"
    listed = parse_broker_url(broker.url, Files(None, plant.file(SERVICE, "pem"), plant.file(SERVICE, "key")))
    caplog.clear()
    assert await _trouble(listed, caplog) == "its certificate is not signed by an authority in this system's list"


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
async def test_a_broker_with_a_certificate_for_another_host(
    broker_elsewhere: SecureMosquitto, shown: Folder, caplog: pytest.LogCaptureFixture, host: str
) -> None:
    address = address_of(broker_elsewhere.url.replace("127.0.0.1", host), shown, SERVICE)
    assert await _trouble(address, caplog) == f"its certificate is for another host than {host}"


async def test_a_broker_whose_certificate_has_expired(
    expired_broker: SecureMosquitto, shown: Folder, caplog: pytest.LogCaptureFixture
) -> None:
    assert await _trouble(address_of(expired_broker.url, shown, SERVICE), caplog) == "its certificate has expired"


async def test_a_broker_that_shows_a_clients_certificate(
    client_as_broker: SecureMosquitto, shown: Folder, caplog: pytest.LogCaptureFixture
) -> None:
    address = address_of(client_as_broker.url, shown, SERVICE)
    assert await _trouble(address, caplog) == "its certificate is not one of a server"


async def test_a_broker_without_tls(mosquitto: Mosquitto, plant: Folder, caplog: pytest.LogCaptureFixture) -> None:
    address = address_of(f"mqtts://127.0.0.1:{mosquitto.port}", plant, SERVICE)
    assert await _trouble(address, caplog) == "it hung up while TLS was begun: does it speak TLS on that port?"


async def test_no_client_certificate(broker: SecureMosquitto, plant: Folder, caplog: pytest.LogCaptureFixture) -> None:
    address = parse_broker_url(broker.url, Files(plant.file("ca", "pem")))
    assert await _trouble(address, caplog) == "it asks for a client certificate, and none is given"


async def test_a_client_certificate_of_another_authority(
    broker: SecureMosquitto, plant: Folder, shown: Folder, caplog: pytest.LogCaptureFixture
) -> None:
    address = parse_broker_url(broker.url, files_of(shown, SERVICE, plant.file("ca", "pem")))
    assert await _trouble(address, caplog) == (
        f"it does not take our certificate {shown.file(SERVICE, 'pem')}: it does not know the authority that signed it"
    )


async def test_a_client_certificate_that_has_expired_is_refused_by_us_and_by_the_broker(
    broker: SecureMosquitto,
    own_plant: Folder,
    plant: Folder,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    own_plant.write(SERVICE, signed(plant, Wanted(SERVICE, Use.CLIENT), at=long_ago(), days=1))
    path = own_plant.file(SERVICE, "pem")
    address = parse_broker_url(broker.url, files_of(own_plant, SERVICE, plant.file("ca", "pem")))
    assert await _trouble(address, caplog) == f"{path} expired on {now() - timedelta(days=1, hours=1):%Y-%m-%d}"

    caplog.clear()
    monkeypatch.setattr(credentials, "now_us", lambda: now_us() - 36 * 3_600_000_000)
    assert await _trouble(address, caplog) == f"it does not take our certificate {path}: it has expired"


async def test_a_servers_certificate_shown_by_a_client(
    broker: SecureMosquitto, own_plant: Folder, plant: Folder, caplog: pytest.LogCaptureFixture
) -> None:
    own_plant.write(SERVICE, signed(plant, Wanted(SERVICE, Use.SERVER, HOSTS)))
    address = parse_broker_url(broker.url, files_of(own_plant, SERVICE, plant.file("ca", "pem")))
    trouble = await _trouble(address, caplog)
    assert trouble.startswith(f"it does not take our certificate {own_plant.file(SERVICE, 'pem')}: ")


async def test_the_right_files_are_let_in_where_all_of_these_are_not(broker: SecureMosquitto, plant: Folder) -> None:
    assert await is_let_in(address_of(broker.url, plant, SERVICE))
    assert await is_let_in(address_of(broker.url.replace("127.0.0.1", "localhost"), plant, SERVICE))
    assert not await is_let_in(parse_broker_url(broker.url, Files(plant.file("ca", "pem"))))
