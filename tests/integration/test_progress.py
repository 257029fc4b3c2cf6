"""Long commands show on a terminal how far they are, and elsewhere nothing; what they print is the same."""

import os
import pty
import subprocess
import sys
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console
from typer.testing import CliRunner, Result

from tests.faults.launching import ForkedService
from tests.servers.service import ServiceProcess
from zoneledger_cli.main import app
from zoneledger_cli.progress import EVERY_S, progress, silent

START = "2026-03-02T06:00:00Z"
CELL = "harbour/wing-1/cell-1"


def _elsewhere(*command: str) -> Result:
    """Run a command that has no terminal."""
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
    return done


def _on_a_terminal(*command: str) -> tuple[bytes, bytes]:
    """Run a command whose standard error is a terminal; return what it printed, and what the terminal was sent."""
    ours, theirs = pty.openpty()
    environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": "120"}
    program = [sys.executable, "-m", "zoneledger_cli", *command]
    done = subprocess.run(program, stdout=subprocess.PIPE, stderr=theirs, env=environment, timeout=120, check=True)
    os.close(theirs)
    shown = os.read(ours, 2**20)
    os.close(ours)
    return done.stdout, shown


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service whose plant is that of the simulations."""
    directory = tmp_path_factory.mktemp("progress")
    plant = directory / "plant.json"
    _elsewhere("simulate", "--start", START, "--plant", str(plant))
    with ForkedService("--database", f"sqlite:///{directory / 'zoneledger.db'}", "--plant", str(plant)) as service:
        service.directory = directory  # type: ignore[attr-defined]
        yield service


def test_simulating_verifying_and_rebuilding_show_a_bar_on_a_terminal_only(
    service: ServiceProcess, tmp_path: Path
) -> None:
    ledger = tmp_path / "ledger.jsonl"
    simulate = ["simulate", "--start", START, "--hours", "0.2", "--url", service.url, "--ledger", str(ledger)]
    verify = ["verify", str(ledger), "--against", service.url, "--json"]
    rebuild = ["rebuild", _cell(service), "--database", f"sqlite:///{service.directory / 'zoneledger.db'}"]  # type: ignore[attr-defined]
    for command in (simulate, verify, rebuild):
        printed, shown = _on_a_terminal(*command)
        assert command[0].encode() in shown
        assert b"\x1b" not in printed
        silent_one = _elsewhere(*command)
        assert silent_one.stderr == ""
        if command is not verify:  # how long it took differs
            assert silent_one.stdout == printed.decode()


def _cell(service: ServiceProcess) -> str:
    (site,) = service.get("/v1/units")["sites"]
    cell: str = site["lines"][0]["cells"][0]["unit"]
    return cell


def test_a_bar_tells_the_number_and_the_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = StringIO()
    monkeypatch.setattr("zoneledger_cli.progress.monotonic", iter(range(1, 9)).__next__)
    with progress("import", 10, "messages", Console(file=shown, force_terminal=True, width=120)) as tell:
        tell(5, 1_234)
    assert "1,234 messages" in shown.getvalue()
    assert "50 %" in shown.getvalue()
    assert EVERY_S < 1
    nowhere = StringIO()
    with progress("import", None, "messages", Console(file=nowhere)) as tell:
        assert tell is silent
    assert nowhere.getvalue() == ""
