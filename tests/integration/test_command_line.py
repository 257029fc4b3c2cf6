"""What the command line tells of itself, and simulated cells that work from now on."""

import json
from importlib.metadata import version
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from tests.faults.launching import ForkedService
from zoneledger.clock import now_us
from zoneledger.core.validation import parse_instant
from zoneledger_cli.main import app
from zoneledger_cli.simulating import begin_of

SECOND_US = 1_000_000


def test_the_version_is_that_of_the_package() -> None:
    told = CliRunner().invoke(app, ["--version"])
    assert (told.exit_code, told.stdout) == (0, f"zoneledger {version('zoneledger')}\n")


def test_what_begins_now_goes_on_in_real_time_unless_told() -> None:
    start_us, pace = begin_of("now", None)
    assert now_us() - start_us < 5 * SECOND_US
    assert pace == 1
    assert begin_of("now", 0.5)[1] == 0.5
    assert begin_of("2026-11-25T06:00:00Z", None) == (parse_instant("start", "2026-11-25T06:00:00Z"), None)


def test_a_begin_that_there_cannot_be_is_said() -> None:
    with pytest.raises(typer.BadParameter, match="or now"):
        begin_of("yesterday", None)


def test_simulated_cells_that_begin_now_are_taken_by_a_service(tmp_path: Path) -> None:
    plant, run = tmp_path / "plant.json", CliRunner()
    assert run.invoke(app, ["simulate", "--start", "now", "--plant", str(plant)]).exit_code == 0
    with ForkedService("--database", f"sqlite:///{tmp_path / 'zoneledger.db'}", "--plant", str(plant)) as service:
        told = run.invoke(app, ["simulate", "--start", "now", "--hours", "0.001", "--url", service.url])
        assert told.exit_code == 0, told.output
        assert service.get("/v1/refused/counts")["reasons"] == []
        sites = service.get("/v1/units")["sites"]
    (first, _) = sites[0]["lines"][0]["cells"]
    assert first["received"]["snapshots"] > 0, json.dumps(first)
    assert now_us() - parse_instant("last_message", first["last_message"]) < 60 * SECOND_US
