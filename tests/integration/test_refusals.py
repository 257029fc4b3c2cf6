"""`zoneledger refused` and `zoneledger retry` against a real service: what was refused is counted, and booked in the end."""

import json
from collections.abc import Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import httpx
import pytest
from rich.console import Console
from typer.testing import CliRunner, Result

from tests.faults.launching import ForkedService
from tests.servers.service import ServiceProcess
from zoneledger_cli.main import app
from zoneledger_cli.refusals import show_counts

CELL = "bench/line-1/cell-1"
#: More than are offered at once.
NUMBER = 700


def _plant(*zones: str) -> dict[str, Any]:
    line = {"line": "line-1", "cells": [{"cell": "cell-1", "zones": list(zones)}]}
    return {"sites": [{"site": "bench", "timezone": "UTC", "lines": [line]}]}


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service that has refused the messages of a zone that nobody declared, and one of another cell."""
    directory = Path(tmp_path_factory.mktemp("refusals"))
    plant = directory / "plant.json"
    plant.write_text(json.dumps(_plant("1")))
    with ForkedService("--database", f"sqlite:///{directory / 'zoneledger.db'}", "--plant", str(plant)) as service:
        common = {"v": 1, "boot": 1, "at": "2026-03-02T06:00:00Z", "type": "own", "zone": "2"}
        _post(service, CELL, [common | {"seq": seq} for seq in range(1, NUMBER + 1)])
        yield service


def _post(service: ServiceProcess, cell: str, messages: list[Any]) -> None:
    answer = httpx.post(f"{service.url}/v1/messages", json={"cell": cell, "messages": messages}, timeout=60)
    assert answer.status_code == 200, answer.text


def _run(service: ServiceProcess, *command: str) -> Result:
    return CliRunner().invoke(app, [*command, "--against", service.url])


def test_refused_messages_are_counted_by_reason_and_cell(service: ServiceProcess) -> None:
    told = _run(service, "refused")
    assert told.exit_code == 0, told.output
    assert "unknown_zone" in told.stdout
    assert CELL in told.stdout
    assert told.stdout.count("700") == 2
    assert _run(service, "refused", "--cell", "bench/line-1/cell-3").stdout == "Nothing is refused.\n"
    assert "not_json" not in _run(service, "refused", "--reason", "unknown_zone").stdout


def test_while_the_plant_is_as_it_was_all_are_refused_again_and_the_command_ends_with_1(
    service: ServiceProcess,
) -> None:
    told = _run(service, "retry")
    assert told.exit_code == 1
    assert "messages refused again: unknown_zone" in told.stdout
    assert "Refused again: 700" in told.stdout
    assert service.get("/v1/refused/counts")["reasons"] == [{"reason": "unknown_zone", "number": NUMBER}]


def test_once_the_plant_is_mended_all_are_booked_and_the_command_ends_with_0(service: ServiceProcess) -> None:
    answer = httpx.put(f"{service.url}/v1/plant", json=_plant("1", "2"))
    assert answer.status_code == 200, answer.text
    assert _run(service, "retry", "--reason", "unknown_cell").exit_code == 0
    assert service.get("/v1/refused/counts")["reasons"] == [{"reason": "unknown_zone", "number": NUMBER}]
    told = _run(service, "retry", "--cell", CELL, "--reason", "unknown_zone")
    assert told.exit_code == 0, told.output
    assert "Nothing of it is left refused." in told.stdout
    assert service.get("/v1/refused/counts") == {"reasons": [], "cells": []}
    (cell,) = service.get("/v1/units")["sites"][0]["lines"][0]["cells"]
    assert (cell["received"]["events"], cell["received"]["refused"]) == (NUMBER, NUMBER)


def test_a_cell_of_any_name_is_shown_without_control_sequences_and_markup() -> None:
    shown = StringIO()
    cells = [{"cell": "bench/\x1b[31m\x07\n[b]cell-9[/b]", "number": 1}]
    show_counts({"reasons": [{"reason": "unknown_cell", "number": 1}], "cells": cells}, Console(file=shown, width=80))
    assert "bench/?[31m??[b]cell-9[/b]" in shown.getvalue()
    assert "\x1b" not in shown.getvalue()


@pytest.mark.parametrize("command", ["refused", "retry"])
def test_what_the_service_does_not_take_and_a_service_that_there_is_not_are_said_in_a_sentence(
    service: ServiceProcess, command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = _run(service, command, "--reason", "nonsense")
    assert told.exit_code == 1
    assert "reason: should be 'too_large'" in told.output
    monkeypatch.setattr("zoneledger_cli.asking.PATIENCE_S", 0.0)
    nobody = CliRunner().invoke(app, [command, "--against", "http://127.0.0.1:9"])
    assert nobody.exit_code == 1
    assert "did not answer" in nobody.output
