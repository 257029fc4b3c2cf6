"""The systemd unit: systemd itself reads it without a complaint, what it starts serves, and it has few rights."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.deployment.compose import ROOT
from tests.servers.programs import ProgramMissing, find_program, free_port, wait_until
from zoneledger.settings import PREFIX, Settings

UNIT = ROOT / "deploy" / "systemd" / "zoneledger.service"
SETTINGS = ROOT / "deploy" / "systemd" / "settings"
HERE = ROOT / "deploy" / "systemd" / "zoneledger-here"
#: systemd's own measure of what a service could do to its machine: 0 nothing, 10 everything.
MOST_EXPOSED = 2.0


def said(name: str) -> list[str]:
    """Return what the unit says for a name, each line of it."""
    return re.findall(rf"^{name}=(.*)$", UNIT.read_text(), re.MULTILINE)


def settings() -> dict[str, str]:
    """Return what the file of settings has."""
    lines = [line for line in SETTINGS.read_text().splitlines() if line and not line.startswith("#")]
    return dict(line.split("=", 1) for line in lines)


@pytest.fixture
def analyze() -> str:
    try:
        return str(find_program("systemd-analyze"))
    except ProgramMissing:
        pytest.skip("systemd-analyze is not installed: apt-get install -y systemd")


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with the program of this environment, as the one of an installation is not here."""
    installed = Path(sys.executable).with_name("zoneledger")
    here = tmp_path / UNIT.name
    here.write_text(UNIT.read_text().replace("/opt/zoneledger/bin/zoneledger", str(installed)))
    return here


def test_systemd_reads_the_unit_without_a_complaint(analyze: str, unit: Path) -> None:
    # Manuals and other units are looked for on this machine, which need not have them.
    done = subprocess.run(
        [analyze, "verify", "--man=no", "--recursive-errors=no", str(unit)], capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_the_service_could_do_little_to_its_machine(analyze: str, unit: Path) -> None:
    done = subprocess.run(
        [analyze, "security", "--offline=true", str(unit)], capture_output=True, text=True, check=True
    )
    told = re.search(r"Overall exposure level for .*: (\d+\.\d+)", done.stdout)
    assert told is not None
    assert float(told[1]) <= MOST_EXPOSED


def test_what_it_sets_are_settings_and_each_secret_is_a_credential() -> None:
    known = {f"{PREFIX}{name}".upper() for name in Settings.model_fields}
    own = dict(line.split("=", 1) for line in said("Environment"))
    assert {*own, *settings()} <= known
    handed = dict(line.split(":", 1) for line in said("LoadCredential"))
    assert {value.removeprefix("%d/") for value in own.values()} == set(handed)
    assert all(path.startswith("/etc/zoneledger/secrets/") for path in handed.values())
    assert not [name for name in settings() if "PASSWORD" in name or "KEY" in name]


def test_commands_by_hand_have_the_settings_of_the_unit(tmp_path: Path) -> None:
    told = tmp_path / "settings"
    told.write_text(SETTINGS.read_text())
    here = (("/etc/zoneledger/settings", str(told)), ("/opt/zoneledger/bin/zoneledger", "env"))
    command = HERE.read_text()
    for there, instead in here:
        assert command.count(there) == 1
        command = command.replace(there, instead)
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=True, env={})
    found = dict(line.split("=", 1) for line in done.stdout.splitlines() if line.startswith(PREFIX.upper()))
    handed = dict(line.split(":", 1) for line in said("LoadCredential"))
    own = dict(line.split("=", 1) for line in said("Environment"))
    assert found == settings() | {name: handed[value.removeprefix("%d/")] for name, value in own.items()}


def test_what_it_waits_for_it_does_not_require() -> None:
    assert said("Requires") == []
    assert {"postgresql.service", "mosquitto.service"} <= set(said("After")[0].split())


@pytest.fixture
def started(tmp_path: Path) -> Iterator[str]:
    """What the unit starts, as it says, with its settings but for the database and broker; yields its address."""
    port = str(free_port())
    environment = {"PATH": os.environ["PATH"], **settings(), "ZONELEDGER_PORT": port}
    environment["ZONELEDGER_DATABASE_URL"] = "sqlite:///zoneledger.db"
    del environment["ZONELEDGER_BROKER_URL"]
    command = said("ExecStart")[0].split()
    assert command[0] == "/opt/zoneledger/bin/zoneledger"
    command[0] = str(Path(sys.executable).with_name("zoneledger"))
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(command, cwd=tmp_path, env=environment, stdout=log, stderr=log)
    try:
        address = f"http://127.0.0.1:{port}"
        wait_until(lambda: _ready(process, address, tmp_path / "log"), "the service", 60)
        yield address
    finally:
        process.terminate()
        # It ends by the signal, as systemd wants a service to that was told to end.
        assert process.wait(timeout=30) in (0, -signal.SIGTERM)


def _ready(process: "subprocess.Popen[bytes]", address: str, log: Path) -> bool:
    assert process.poll() is None, log.read_text()
    try:
        return httpx.get(f"{address}/health/ready", timeout=5).status_code == 200
    except httpx.TransportError:
        return False


def test_what_it_starts_serves_and_asks_who_calls(started: str) -> None:
    assert httpx.get(f"{started}/health/live").status_code == 200
    assert httpx.get(f"{started}/v1/units").status_code == 401
