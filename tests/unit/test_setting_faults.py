"""A setting that there cannot be is named as people know it, with what is wrong, before anything is touched."""

import socket
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.servers.programs import free_port
from zoneledger.environment import not_read
from zoneledger_cli.main import app

BROKER = {"ZONELEDGER_BROKER_URL": "mqtt://127.0.0.1"}
TLS = {"ZONELEDGER_BROKER_URL": "mqtts://127.0.0.1"}

#: Settings that there cannot be, and the sentence on each.
WRONG: list[tuple[dict[str, str], str]] = [
    ({"ZONELEDGER_DATABASE_URL": "mysql://db/x"}, "ZONELEDGER_DATABASE_URL should be sqlite:///file or postgresql://"),
    ({"ZONELEDGER_PORT": "http"}, "ZONELEDGER_PORT should be a whole number"),
    ({"ZONELEDGER_PORT": "0"}, "ZONELEDGER_PORT should be greater than or equal to 1"),
    ({"ZONELEDGER_READS_ONLY": "perhaps"}, "ZONELEDGER_READS_ONLY should be true or false"),
    ({"ZONELEDGER_LISTEN_TO": " , "}, "ZONELEDGER_LISTEN_TO should name a site, a line or a cell"),
    (
        {"ZONELEDGER_KEEP_LEDGER_DAYS": "5"},
        "ZONELEDGER_KEEP_LEDGER_DAYS should not be less than ZONELEDGER_KEEP_MESSAGES_DAYS, which has to be set, too",
    ),
    (
        {"ZONELEDGER_PUBLISH_ROOT": "zoneledger/v1"},
        "ZONELEDGER_PUBLISH_ROOT goes with ZONELEDGER_BROKER_URL, which is not set: there is no broker to publish to",
    ),
    (
        BROKER | {"ZONELEDGER_READS_ONLY": "true"},
        "ZONELEDGER_READS_ONLY goes with neither ZONELEDGER_BROKER_URL nor ZONELEDGER_PLANT: ",
    ),
    ({"ZONELEDGER_BROKER_URL": "amqp://u:secret@x"}, "ZONELEDGER_BROKER_URL: a broker URL should be mqtt://"),
    (
        {"ZONELEDGER_BROKER_CA": "ca.pem"},
        "ZONELEDGER_BROKER_CA goes with ZONELEDGER_BROKER_URL, which is not set",
    ),
    (
        TLS | {"ZONELEDGER_BROKER_KEY": "ours.key"},
        "ZONELEDGER_BROKER_CERTIFICATE: a client certificate goes with its key: give both files, or neither",
    ),
    (
        BROKER | {"ZONELEDGER_BROKER_CA": "ca.pem"},
        "ZONELEDGER_BROKER_URL: authorities, certificates and keys go with mqtts://, and not with mqtt://127.0.0.1:1883",
    ),
    (TLS | {"ZONELEDGER_BROKER_CA": "ca.pem"}, "there is no file ca.pem"),
    (
        TLS | {"ZONELEDGER_BROKER_PASSWORD_FILE": "word"},
        "ZONELEDGER_BROKER_URL: a password file goes with a name, and without a password: mqtts://name@host",
    ),
    (BROKER | {"ZONELEDGER_TOPIC_ROOT": "cells/#"}, "ZONELEDGER_TOPIC_ROOT: a topic root should be levels such as "),
    (
        BROKER | {"ZONELEDGER_LISTEN_TO": "Wing 1"},
        "ZONELEDGER_LISTEN_TO: a unit to listen to should be a path such as ",
    ),
    (
        BROKER | {"ZONELEDGER_PUBLISH_ROOT": "cells/v1/out"},
        "ZONELEDGER_PUBLISH_ROOT: the publish root 'cells/v1/out' should lie apart from ",
    ),
]


@pytest.mark.parametrize(("settings", "told"), WRONG, ids=[told for _, told in WRONG])
def test_a_setting_that_there_cannot_be_is_named_with_what_is_wrong(
    settings: dict[str, str], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = CliRunner().invoke(app, ["serve"], env={"ZONELEDGER_PORT": str(free_port())} | settings)
    assert ended.exit_code == 1
    assert ended.stderr.startswith(f"zoneledger: {told}")
    assert ended.stderr.count("\n") == 1
    assert "Value error" not in ended.stderr
    assert "secret" not in ended.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_plant_file_that_is_not_there_stops_the_service_before_it_makes_a_database(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = CliRunner().invoke(app, ["serve", "--port", str(free_port()), "--plant", "missing.json"])
    assert (ended.exit_code, ended.stderr) == (1, "zoneledger: there is no plant file missing.json\n")
    assert list(tmp_path.iterdir()) == []


def test_a_port_that_is_taken_is_told_before_a_database_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        ended = CliRunner().invoke(app, ["serve", "--port", str(port)])
    assert ended.exit_code == 1
    assert ended.stderr == (
        f"zoneledger: port {port} of 127.0.0.1 is taken by another program: end the one that listens there, "
        "or name another by --port or ZONELEDGER_PORT\n"
    )
    assert list(tmp_path.iterdir()) == []


def test_an_address_that_is_not_this_machines_is_told_before_a_database_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = CliRunner().invoke(app, ["serve", "--host", "192.0.2.1", "--port", "8123", "--open-to-network"])
    assert ended.exit_code == 1
    assert ended.stderr.startswith("zoneledger: nothing can listen on port 8123 of 192.0.2.1: Cannot assign")
    assert list(tmp_path.iterdir()) == []


def test_each_fault_of_a_plant_file_is_told_on_a_line_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plant.yaml").write_text("sites:\n  - site: Bench\n    timezone: Europe/Lissabon\n    lines: 7\n")
    ended = CliRunner().invoke(app, ["serve", "--port", str(free_port()), "--plant", "plant.yaml"])
    assert ended.exit_code == 1
    assert ended.stderr.splitlines() == [
        "zoneledger: plant.yaml line 2, sites/0/site: must be 1 to 40 of a-z, 0-9 and -",
        "zoneledger: plant.yaml line 4, sites/0/lines: must be a list",
    ]


def test_a_name_in_the_environment_that_is_no_setting_is_told_with_the_nearest() -> None:
    told = not_read(["ZONELEDGER_TOPICROOT", "zoneledger_port", "PATH", "ZONELEDGER_DATABASE_URL", "ZONELEDGER_COLOUR"])
    assert told[1] == "ZONELEDGER_TOPICROOT is no setting, and is not read; did you mean ZONELEDGER_TOPIC_ROOT?"
    assert told[0].startswith("ZONELEDGER_COLOUR is no setting, and is not read; there are ZONELEDGER_DATABASE_URL, ")
    assert len(told) == 2
    tests = "TEST_FAILPOINT REQUIRE_SERVERS FAULTS FAULTS_SEED EXAMPLES PICTURES"
    assert not_read(f"ZONELEDGER_{name}" for name in tests.split()) == []


def test_the_log_warns_of_it_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.chdir(tmp_path)
    CliRunner().invoke(app, ["serve"], env={"ZONELEDGER_TOPICROOT": "cells/v1", "ZONELEDGER_DATABASE_URL": "mysql://x"})
    assert [one.levelname for one in caplog.records if "ZONELEDGER_TOPICROOT" in one.getMessage()] == ["WARNING"]
