"""`zoneledger doctor` against a real service: 0 where the contract is kept, 1 where it is not, 2 where nobody can be asked."""

import asyncio
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from threading import Event, Thread
from typing import Any

import httpx
import pytest
from rich.console import Console
from typer.testing import CliRunner, Result

from tests.faults.launching import ForkedService
from tests.servers.service import ServiceProcess
from zoneledger.clock import now_us
from zoneledger_cli.doctor import Examined, code_of, examine, read_length, show
from zoneledger_cli.main import app

GOOD, BAD, MUTE = "bench/line-1/cell-1", "bench/line-1/cell-2", "bench/line-1/cell-3"
CELLS = [{"cell": cell.rpartition("/")[2], "zones": ["1"]} for cell in (GOOD, BAD, MUTE)]
PLANT = {"sites": [{"site": "bench", "timezone": "UTC", "lines": [{"line": "line-1", "cells": CELLS}]}]}
SECOND_US = 1_000_000


def _at(us: int) -> str:
    return datetime.fromtimestamp(us / 1e6, UTC).isoformat()


def _snapshot(at_us: int, boot: int = 1) -> dict[str, Any]:
    told = {"zones": {"1": {"made": 0}}, "alarms": []}
    return {"v": 1, "boot": boot, "seq": 0, "at": _at(at_us), "type": "snapshot", **told}


def _post(service: ServiceProcess, cell: str, messages: list[Any]) -> None:
    answer = httpx.post(f"{service.url}/v1/messages", json={"cell": cell, "messages": messages}, timeout=60)
    assert answer.status_code == 200, answer.text


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service of which one cell kept the contract for five minutes, one did not, and one sent nothing."""
    directory = Path(tmp_path_factory.mktemp("doctor"))
    plant = directory / "plant.json"
    plant.write_text(json.dumps(PLANT))
    with ForkedService("--database", f"sqlite:///{directory / 'zoneledger.db'}", "--plant", str(plant)) as service:
        now = now_us()
        times = range(now - 300 * SECOND_US, now, 8 * SECOND_US)
        _post(service, GOOD, [_snapshot(at) for at in times])
        event = {
            "v": 1,
            "boot": 1,
            "seq": 3,
            "at": _at(now),
            "type": "wait",
            "zone": "1",
            "phase": "begin",
            "for": "head",
        }
        _post(service, BAD, [_snapshot(now - 90 * SECOND_US), event, {"v": 1, "shade": "\x1b[31m"}, 42])
        yield service


def _run(service: ServiceProcess, cell: str, *options: str) -> Result:
    return CliRunner().invoke(app, ["doctor", "--cell", cell, "--against", service.url, *options])


@pytest.fixture
def beating(service: ServiceProcess) -> Iterator[None]:
    """Let the good cell go on sending a snapshot each second."""
    ended = Event()

    def beat() -> None:
        while not ended.wait(1):
            _post(service, GOOD, [_snapshot(now_us())])

    _post(service, GOOD, [_snapshot(now_us())])
    thread = Thread(target=beat)
    thread.start()
    yield
    ended.set()
    thread.join()


def test_a_controller_that_keeps_the_contract_ends_the_command_with_0(service: ServiceProcess, beating: None) -> None:
    told = _run(service, GOOD, "--hours", "0.08")
    assert told.exit_code == 0, told.output
    assert "The contract was kept." in told.stdout
    assert "snapshots" in told.stdout


def test_one_that_does_not_ends_it_with_1_and_each_breach_is_told(service: ServiceProcess) -> None:
    told = _run(service, BAD)
    assert told.exit_code == 1
    for code in ("events_missing", "snapshots_rare", "refused_not_an_object", "refused_bad_text"):
        assert f"[{code}]" in told.stdout
    assert "Breaks the contract: 2 events are missing in 1 gap, boot 1 seq 1 to 2: " in told.stdout
    assert "The contract was not kept: " in told.stdout
    assert "\x1b" not in told.stdout


def test_json_has_the_services_own_answer(service: ServiceProcess) -> None:
    told = _run(service, BAD, "--json")
    assert told.exit_code == 1
    found = json.loads(told.stdout)
    assert found["kept"] is False
    assert {one["code"] for one in found["findings"]} >= {"events_missing", "snapshots_rare"}


def test_a_cell_that_sent_nothing_has_not_kept_the_contract(service: ServiceProcess) -> None:
    told = _run(service, MUTE)
    assert told.exit_code == 1
    assert "[nothing_came]" in told.stdout


def test_only_the_time_that_is_watched_is_judged(
    service: ServiceProcess, beating: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("zoneledger_cli.doctor.LEAST_S", 1)
    monkeypatch.setattr("zoneledger_cli.doctor.MOST_HOURS", 0.001)  # a watch is never quite as short as it should be
    with ThreadPoolExecutor() as beside:
        watched = beside.submit(asyncio.run, examine(service.url, BAD, 1, 4))
        assert _run(service, GOOD, "--for", "4s").exit_code == 0
        found = watched.result()
    assert not found.is_well
    start, end = (datetime.fromisoformat(found.answer[name]) for name in ("start", "end"))
    assert (end - start).total_seconds() == pytest.approx(3.6, abs=1e-3)
    assert "events_missing" not in {one["code"] for one in found.answer["findings"]}


def test_where_nobody_can_be_asked_it_ends_with_2(service: ServiceProcess, monkeypatch: pytest.MonkeyPatch) -> None:
    unknown = _run(service, "bench/line-1/cell-9")
    assert unknown.exit_code == 2
    assert "cell-9" in unknown.output
    name = _run(service, "cell-2")
    assert name.exit_code == 2
    assert f"A cell's path looks like site/line/cell. Did you mean {BAD}?" in name.output
    line = _run(service, "bench/line-1", "--for", "10m")
    assert line.exit_code == 2
    assert "is a line" in line.output
    monkeypatch.setattr("zoneledger_cli.doctor.FIRST_PATIENCE_S", 0.0)
    nobody = CliRunner().invoke(app, ["doctor", "--cell", GOOD, "--against", "http://127.0.0.1:9"])
    assert nobody.exit_code == 2
    assert "did not answer" in nobody.output


def test_who_waits_for_an_answer_is_told_of_whom(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("zoneledger_cli.doctor.FIRST_PATIENCE_S", 0.3)
    monkeypatch.setattr("zoneledger_cli.doctor._SOON_S", 0.05)
    nobody = CliRunner().invoke(app, ["doctor", "--cell", GOOD, "--against", "http://127.0.0.1:9"])
    waiting, ended = nobody.stderr.splitlines()
    assert waiting == "zoneledger: waiting for http://127.0.0.1:9 to answer"
    assert "did not answer" in ended
    assert nobody.stdout == ""


def _answer(**changes: Any) -> dict[str, Any]:
    """Return an answer of which nothing is to be said but for the changes."""
    answer: dict[str, Any] = {"kept": True, "start": "a", "end": "b", "events": {}, "snapshots": {"number": 9}}
    answer |= {"link": {"state": None}, "clock_offset_s": -0.25, "fasteners": 1, "unrated": 0, "gaps": {"events": 0}}
    answer |= {"rate": {"per_minute": 0, "longest_silence": None, "longest_between_snapshots": None}}
    return answer | {"refused": {"by_reason": {}, "last": []}, "discrepancies": {}, "findings": []} | changes


_BREACH = {"severity": "breach", "code": "x", "text": "what is wrong"}


@pytest.mark.parametrize(
    ("changes", "code", "verdict"),
    [
        ({}, 0, "The contract was kept."),
        ({"kept": False, "findings": [_BREACH]}, 1, "The contract was not kept: 1 breach."),
        ({"kept": False, "findings": [_BREACH, _BREACH]}, 1, "The contract was not kept: 2 breaches."),
        (
            {"kept": None, "findings": [_BREACH | {"severity": "advice"}]},
            3,
            "Whether the contract was kept cannot be said: there is no breach in what was read, but more came. Look at less time.",
        ),
    ],
)
def test_the_verdict_is_the_services_and_so_is_how_the_command_ends(
    changes: dict[str, Any], code: int, verdict: str
) -> None:
    examined, text = Examined(GOOD, _answer(**changes)), StringIO()
    show(examined, Console(file=text, width=200))
    assert text.getvalue().splitlines()[-1] == verdict
    assert code_of(examined) == code


@pytest.mark.parametrize("length", ["", "10", "m", "9s", "25h", "-1m", "1.5h", "10 m", "99999999999m"])
def test_a_length_that_there_cannot_be_is_said(length: str) -> None:
    with pytest.raises(ValueError, match="such as 90s, 10m or 2h"):
        read_length(length)


def test_lengths_are_read() -> None:
    assert [read_length(one) for one in ("90s", "10m", "24h")] == [90, 600, 86_400]


def test_what_a_service_tells_is_shown_without_control_sequences_and_markup() -> None:
    hostile = "\x1b[31m\x07[b]x[/b]"
    last = {"arrived": hostile, "detail": hostile, "text": hostile}
    answer = _answer(
        kept=False,
        start=hostile,
        events={hostile: {"number": 1}},
        link={"state": hostile},
        refused={"by_reason": {hostile: 1}, "last": [last]},
        findings=[_BREACH | {"text": hostile}],
    )
    text = StringIO()
    show(Examined(hostile, answer), Console(file=text, width=200))
    assert "\x1b" not in text.getvalue()
    assert "[b]x[/b]" in text.getvalue()
