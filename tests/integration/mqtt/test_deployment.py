"""The files of a deployment agree with each other and with the service."""

import re
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from ruamel.yaml import YAML

from tests.servers.mosquitto import Mosquitto
from zoneledger_mqtt.connection import parse_broker_url

ROOT = Path(__file__).parents[3]
VARIABLE = re.compile(r"\$\{(\w+):\?[^}]*\}")


@pytest.fixture(scope="module")
def compose() -> Any:
    return YAML(typ="safe", pure=True).load((ROOT / "docker-compose.yml").read_text())


@pytest.fixture(scope="module")
def asked_for() -> set[str]:
    """The variables that the example of an environment file asks for."""
    lines = (ROOT / "deploy" / "env.example").read_text().splitlines()
    return {line.partition("=")[0] for line in lines if "=" in line and not line.startswith("#")}


def test_broker_database_and_service_are_there(compose: Any) -> None:
    assert set(compose["services"]) == {"mosquitto", "postgres", "zoneledger"}


def test_the_service_waits_until_broker_and_database_are_healthy(compose: Any) -> None:
    services = compose["services"]
    assert services["zoneledger"]["depends_on"] == {
        name: {"condition": "service_healthy"} for name in ("mosquitto", "postgres")
    }
    assert all(services[name]["healthcheck"]["test"] for name in ("mosquitto", "postgres"))


def test_every_password_comes_from_the_environment_and_is_asked_for(compose: Any, asked_for: set[str]) -> None:
    text = (ROOT / "docker-compose.yml").read_text()
    assert set(VARIABLE.findall(text)) == asked_for
    for service in compose["services"].values():
        for name, value in service.get("environment", {}).items():
            if name.endswith("PASSWORD"):
                assert VARIABLE.fullmatch(value), name


def test_the_service_is_pointed_at_the_other_two(compose: Any) -> None:
    environment = {
        name: VARIABLE.sub("chosen1", value) for name, value in compose["services"]["zoneledger"]["environment"].items()
    }
    broker = parse_broker_url(environment["ZONELEDGER_BROKER_URL"])
    assert (broker.host, broker.username, broker.password) == ("mosquitto", "service", "chosen1")
    database = urlsplit(environment["ZONELEDGER_DATABASE_URL"])
    assert (database.hostname, database.username, database.path) == ("postgres", "zoneledger", "/zoneledger")


def test_every_file_that_a_container_takes_from_here_is_here(compose: Any) -> None:
    services = compose["services"]
    mounted = [volume.split(":")[0] for service in services.values() for volume in service.get("volumes", [])]
    files = [name for name in mounted if name.startswith(".")] + [services["zoneledger"]["build"]["dockerfile"]]
    assert [name for name in files if not (ROOT / name).is_file()] == []
    assert {name for name in mounted if not name.startswith(".")} == set(compose["volumes"])


def test_the_service_does_not_run_as_root() -> None:
    instructions = (ROOT / "deploy" / "Dockerfile").read_text().splitlines()
    assert [line for line in instructions if line.startswith("USER")] == ["USER zoneledger"]


def test_mosquitto_takes_the_shipped_configuration_without_a_complaint(own_mosquitto: Mosquitto) -> None:
    assert "Error" not in own_mosquitto.log()
    assert "Warning" not in own_mosquitto.log()
