"""docker-compose.yml keeps the Compose Specification, and the promises of docs/install.md: no root, no secrets in it, bounds."""

import json
import re
from pathlib import Path
from urllib.parse import urlsplit

import jsonschema
import pytest

from tests.deployment.compose import ROOT, Container, compose_file, containers, secret_files
from tests.docs.pages import read
from zoneledger.settings import PREFIX, Settings
from zoneledger_mqtt.connection import parse_broker_url

COMPOSE = compose_file()
CONTAINERS = containers()
EACH = pytest.mark.parametrize("container", CONTAINERS.values(), ids=CONTAINERS)


def test_it_is_valid_by_the_schema_of_the_compose_specification() -> None:
    schema = json.loads(Path(__file__).with_name("compose-spec.json").read_text())
    validator = jsonschema.validators.validator_for(schema)
    validator.check_schema(schema)
    assert [error.message for error in validator(schema).iter_errors(COMPOSE)] == []
    slip = {**COMPOSE["services"]["nginx"], "mem-limit": "1g"}
    assert list(validator(schema).iter_errors({**COMPOSE, "services": {"nginx": slip}})) != []


def test_the_whole_is_there_and_the_simulator_only_where_it_is_asked_for() -> None:
    assert set(CONTAINERS) == {"mosquitto", "postgres", "zoneledger", "nginx", "simulator"}
    assert {name: one.said["profiles"] for name, one in CONTAINERS.items() if "profiles" in one.said} == {
        "simulator": ["simulator"]
    }


@EACH
def test_a_container_has_no_more_rights_than_it_needs(container: Container) -> None:
    said = container.said
    assert said["read_only"] is True
    assert said["cap_drop"] == ["ALL"]
    assert "cap_add" not in said
    assert said["security_opt"] == ["no-new-privileges:true"]
    user = said.get("user") or (container.image.user if container.image else "")
    assert re.fullmatch(r"[1-9]\d*:[1-9]\d*", user)
    assert not {"privileged", "network_mode", "pid", "ipc", "devices"} & set(said)


@EACH
def test_a_container_is_bounded_and_begun_again(container: Container) -> None:
    said = container.said
    assert said["restart"] == "unless-stopped"
    assert said["mem_limit"]
    assert said["cpus"]
    assert said["pids_limit"]
    assert set(said["logging"]["options"]) == {"max-size", "max-file"}


@EACH
def test_an_image_is_pinned_by_its_version(container: Container) -> None:
    assert re.fullmatch(r"[\w/.-]+:\d+\.\d+(\.\d+)?(-[\w.]+)?(@sha256:[0-9a-f]{64})?", container.said["image"])


def test_the_bases_of_our_own_image_are_pinned_and_its_version_is_the_projects() -> None:
    bases = re.findall(r"^FROM (\S+)", (ROOT / "deploy" / "Dockerfile").read_text(), re.MULTILINE)
    assert len(set(bases)) == 1
    assert re.fullmatch(r"python:\d+\.\d+\.\d+-slim-\w+(@sha256:[0-9a-f]{64})?", bases[0])
    version = re.search(r'^version = "(.*)"$', (ROOT / "pyproject.toml").read_text(), re.MULTILINE)
    assert version is not None
    assert {one.said["image"] for one in CONTAINERS.values() if one.image} == {f"zoneledger:{version[1]}"}


def test_nobody_is_begun_before_what_it_needs_is_healthy() -> None:
    for one in CONTAINERS.values():
        for name, how in one.said.get("depends_on", {}).items():
            assert how == {"condition": "service_healthy"}
            assert CONTAINERS[name].health
    assert set(CONTAINERS["zoneledger"].after) == {"mosquitto", "postgres"}
    assert CONTAINERS["nginx"].after == ["zoneledger"]


def test_secrets_come_from_files_that_git_and_an_image_never_see() -> None:
    lent = {name for one in CONTAINERS.values() for name in one.secrets.values()}
    assert lent == set(secret_files())
    assert "deploy/secrets/" in read(".gitignore").splitlines()
    assert [line for line in read(".dockerignore").splitlines() if "secrets" in line] == []
    assert read(".dockerignore").splitlines()[1] == "*"


@EACH
def test_what_a_container_is_told_names_its_own_secrets_and_holds_none(container: Container) -> None:
    told = [*container.command, *container.health, *container.environment.values()]
    told += [read(here) for here in container.mounted.values() if here.startswith("./")]
    named = {path for text in told for path in re.findall(r"/run/secrets/[\w{}.-]+", str(text))}
    cells = [path.removeprefix("/run/secrets/").rpartition(".")[0] for path in container.secrets if path.count("/") > 3]
    written = {path.replace("{cell}", cell) for path in named for cell in cells or [""]}
    assert written == set(container.secrets)
    for name, value in container.environment.items():
        if "PASSWORD" in name:
            assert value.startswith("/run/secrets/"), name
        assert urlsplit(value).password is None


@EACH
def test_settings_are_such_as_there_are(container: Container) -> None:
    known = {f"{PREFIX}{name}".upper() for name in Settings.model_fields}
    assert [name for name in container.environment if name.startswith(PREFIX) and name not in known] == []


def test_the_service_is_pointed_at_the_others_and_asks_who_calls() -> None:
    environment = CONTAINERS["zoneledger"].environment
    broker = parse_broker_url(environment["ZONELEDGER_BROKER_URL"])
    assert (broker.host, broker.tls) == ("mosquitto", True)
    database = urlsplit(environment["ZONELEDGER_DATABASE_URL"])
    assert (database.hostname, database.username, database.path) == ("postgres", "zoneledger", "/zoneledger")
    assert environment["ZONELEDGER_AUTHENTICATE"] == "true"
    assert environment["ZONELEDGER_PROXY"] == COMPOSE["services"]["nginx"]["networks"]["front"]["ipv4_address"]
    assert "ports" not in COMPOSE["services"]["zoneledger"]
    assert "ports" not in COMPOSE["services"]["postgres"]
    assert COMPOSE["networks"]["store"] == {"internal": True}


def test_every_file_that_a_container_takes_from_here_is_here() -> None:
    taken = [here for one in CONTAINERS.values() for here in one.mounted.values()]
    files = [here for here in taken if here.startswith("./")]
    assert [here for here in files if not (ROOT / here).is_file()] == []
    assert {here for here in taken if not here.startswith("./")} == set(COMPOSE["volumes"])
    shipped = read(".dockerignore").splitlines()
    copied = re.findall(r"^COPY (?!--)(.*) \S+$", (ROOT / "deploy" / "Dockerfile").read_text(), re.MULTILINE)
    for name in " ".join(copied).split():
        assert (ROOT / name).exists()
        assert f"!{name}" in shipped, name
