"""A plant's certificates, and brokers that show them."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.integration.broker_security.parts import make_plant
from tests.integration.mqtt.parts import CELL, OTHER_CELL, RecordingIntake
from tests.servers.fixtures import lend
from tests.servers.secure_mosquitto import SecureMosquitto
from zoneledger_cli.certificates import Folder

#: Controllers that log in with a password.
ACCOUNTS = {CELL: "first-secret", OTHER_CELL: "second-secret"}


@pytest.fixture(scope="session")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Folder:
    """Certificates that nobody changes."""
    return make_plant(tmp_path_factory.mktemp("certificates"))


@pytest.fixture(scope="session")
def broker(plant: Folder) -> Iterator[SecureMosquitto]:
    """A broker that the tests share, and never end."""
    yield from lend(lambda: SecureMosquitto(plant.path, ACCOUNTS))


@pytest.fixture
def own_plant(tmp_path: Path) -> Folder:
    """Certificates for this test alone, to be changed."""
    return make_plant(tmp_path / "certificates")


@pytest.fixture
def own_broker(own_plant: Folder) -> Iterator[SecureMosquitto]:
    """A broker for this test alone, with its certificates."""
    yield from lend(lambda: SecureMosquitto(own_plant.path))


@pytest.fixture
def name(request: pytest.FixtureRequest) -> str:
    """A client id of this test's own: a session goes on collecting messages after its test."""
    return "".join(letter if letter.isalnum() else "-" for letter in request.node.name)


@pytest.fixture
def intake() -> RecordingIntake:
    return RecordingIntake()
