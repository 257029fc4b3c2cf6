"""`zoneledger import` against a real service: message files are booked as if they had come one by one, and again and again."""

import gzip
import hashlib
import json
import os
import pty
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from typer.testing import CliRunner, Result

from tests.faults.launching import ForkedService, fork_command
from tests.scenarios.story import Story, results
from tests.servers.service import ServiceProcess
from zoneledger_cli.main import app
from zoneledger_cli.message_files import MAX_LINE_BYTES

LINES = [f"line-{number}" for number in range(1, 11)]
WINDOW = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T09:00:00Z"}
BROKEN_OFF, SOME_REFUSED = 1, 3


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service that knows lines of two cells each, none of which has sent anything."""
    directory = tmp_path_factory.mktemp("importing")
    cells = [{"cell": f"cell-{number}", "zones": ["1", "2"]} for number in (1, 2)]
    standards = [{"operation": "fasten", "seconds": 18.0, "since": "2026-01-01"}]
    lines = [{"line": line, "cells": cells, "standards": standards} for line in LINES]
    plant = directory / "plant.json"
    plant.write_text(json.dumps({"sites": [{"site": "bench", "timezone": "UTC", "lines": lines}]}))
    with ForkedService("--database", f"sqlite:///{directory / 'zoneledger.db'}", "--plant", str(plant)) as service:
        yield service


@pytest.fixture(scope="module")
def unused() -> Iterator[str]:
    """The lines of which no test has imported anything yet."""
    return iter(LINES)


@pytest.fixture
def cells(unused: Iterator[str]) -> list[str]:
    """The two cells of a line that is this test's own."""
    line = next(unused)
    return [f"bench/{line}/cell-{number}" for number in (1, 2)]


def _story() -> list[Any]:
    from tests.integration.api.plant import BEGIN

    return Story(BEGIN).setup(30).fault(30).run(60, results(95, 5)).close()


def _write(path: Path, *lines: Any) -> Path:
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    return path


def _run(service: ServiceProcess, *command: str | Path) -> Result:
    return CliRunner().invoke(app, ["import", *map(str, command), "--against", service.url])


def _json(service: ServiceProcess, *command: str | Path, code: int = 0) -> Any:
    told = _run(service, *command, "--json")
    assert told.exit_code == code, told.output
    return json.loads(told.stdout)


def _digest(service: ServiceProcess, cell: str) -> Any:
    line = cell.rpartition("/")[0]
    return [service.get(f"/v1/{what}/{line}", **WINDOW) for what in ("timeline", "kpi", "losses")]


def test_every_shape_of_line_gives_the_same_ledger(service: ServiceProcess, cells: list[str], tmp_path: Path) -> None:
    story = _story()
    arrays = _write(
        tmp_path / "arrays.jsonl", *({"cell": cells[0], "messages": story[i : i + 7]} for i in range(0, len(story), 7))
    )
    topic = {"topic": f"plant/cells/v1/{cells[1]}/events"}
    payloads = [
        topic | {"payload": story[0]},
        topic | {"payload": story[1:5]},
        topic | {"payload": json.dumps(story[5:])},
    ]
    topics = _write(
        tmp_path / "topics.jsonl", *payloads, {"topic": f"cells/v1/{cells[1]}/link", "payload": {"link": "up"}}
    )
    found = _json(service, arrays, topics)
    assert (found["messages"], found["stored"], found["duplicate"]) == (2 * len(story), 2 * len(story), 0)
    assert (found["refused"], found["left_out"]) == ({}, {"link": 1})
    first, second = (service.get(f"/v1/kpi/{cell}", **WINDOW) for cell in cells)
    assert first["fasteners"]["made"] == second["fasteners"]["made"] == 100
    assert first["time_s"] == second["time_s"]
    # One message a line, compressed, under --cell: all of it is known already.
    single = tmp_path / "single.jsonl.gz"
    single.write_bytes(gzip.compress(_write(tmp_path / "single.jsonl", *story).read_bytes()))
    again = _json(service, single, "--cell", cells[0])
    assert (again["lines"], again["stored"], again["duplicate"]) == (len(story), 0, len(story))
    own = _write(tmp_path / "own.jsonl", *({"cell": cells[0]} | message for message in story))
    assert _json(service, own)["duplicate"] == len(story)
    other = _json(service, own, "--cell", cells[1], "--state", tmp_path, code=SOME_REFUSED)
    assert (other["messages"], other["refused"]) == (0, {"cell_differs": len(story)})
    assert (other["examples"][0]["line"], other["examples"][0]["file"]) == (1, str(own))


def test_files_of_one_name_have_a_state_each_and_a_missing_directory_is_told_first(
    service: ServiceProcess, cells: list[str], tmp_path: Path
) -> None:
    states, files = tmp_path / "states", []
    for number, cell in enumerate(cells):
        (tmp_path / str(number)).mkdir()
        files.append(_write(tmp_path / str(number) / "day.jsonl", {"cell": cell, "messages": _story()[:5]}))
    missing = _run(service, *files, "--state", states)
    assert (missing.exit_code, "'--state'" in missing.output) == (2, True)
    states.mkdir()
    assert _json(service, *files, "--state", states)["stored"] == 10
    assert len(list(states.iterdir())) == 2
    again = _json(service, *files, "--state", states)
    assert (again["lines"], again["notes"][0].startswith(f"{files[0]} was imported up to line 1")) == (0, True)


def test_an_import_that_is_run_again_reads_nothing_and_goes_on_with_what_is_new(
    service: ServiceProcess, cells: list[str], tmp_path: Path
) -> None:
    story = _story()
    file = _write(tmp_path / "growing.jsonl", *({"cell": cells[0], "messages": [one]} for one in story[:50]))
    assert _json(service, file)["stored"] == 50
    state = json.loads((tmp_path / "growing.jsonl.imported").read_text())
    assert (state["offset"], state["lines"]) == (file.stat().st_size, 50)
    assert state["sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()
    again = _json(service, file)
    assert (again["lines"], again["messages"]) == (0, 0)
    with file.open("a") as more:
        more.write("".join(json.dumps({"cell": cells[0], "messages": [one]}) + "\n" for one in story[50:]) + '{"cell"')
    found = _json(service, file)
    assert (found["stored"], found["duplicate"]) == (len(story) - 50, 0)
    assert "line 50" in found["notes"][0]
    assert "was left out" in found["notes"][1]
    assert service.get(f"/v1/kpi/{cells[0]}", **WINDOW)["fasteners"]["made"] == 100


def test_another_file_under_the_same_name_is_read_from_its_begin(
    service: ServiceProcess, cells: list[str], tmp_path: Path
) -> None:
    story = _story()
    file = _write(tmp_path / "day.jsonl", *({"cell": cells[0], "messages": [one]} for one in story))
    assert _json(service, file)["stored"] == len(story)
    _write(file, *({"cell": cells[1], "messages": [one]} for one in story))
    found = _json(service, file)
    assert found["stored"] == len(story)
    assert "not what was imported before" in found["notes"][0]


def test_after_the_service_broke_off_a_second_run_gives_what_one_without_a_break_does(
    service: ServiceProcess, cells: list[str], tmp_path: Path
) -> None:
    story, pad = _story(), {"own": "x" * 12_000}
    lines = [{"cell": cell, "messages": [one | pad]} for one in story for cell in cells]
    file = _write(tmp_path / "long.jsonl", *lines)
    states = tmp_path / "states"
    states.mkdir()
    found = _json(service, file, "--state", states)
    assert found["stored"] == len(lines)
    expected = _digest(service, cells[0])
    # The same on an empty service that is killed in the middle: what was acknowledged by then is not sent again.
    plant = httpx.get(f"{service.url}/v1/plant").json()
    with ForkedService("--database", f"sqlite:///{tmp_path / 'second.db'}") as second:
        assert httpx.put(f"{second.url}/v1/plant", json=plant).status_code == 200
        command = ["import", str(file), "--against", second.url, "--wait", "0.5"]
        process = fork_command(command, {}, tmp_path / "told")
        state = tmp_path / "long.jsonl.imported"
        while not state.exists() and process.poll() is None:
            pass
        second.kill()
        code = process.wait(timeout=60)
        reached = json.loads(state.read_text())
        if code:  # it may have been faster than the kill
            assert code == BROKEN_OFF
            assert "did not answer within 0.5 s" in (tmp_path / "told").read_text()
            assert 0 < reached["lines"] < len(lines)
        second.start()
        rest = _json(second, file)
        assert rest["lines"] == len(lines) - reached["lines"]
        assert _digest(second, cells[0]) == expected


def test_what_is_refused_is_told_by_reason_with_its_line(
    service: ServiceProcess, cells: list[str], tmp_path: Path
) -> None:
    story = _story()
    file = tmp_path / "hostile.jsonl"
    lines = [
        json.dumps({"cell": cells[0], "messages": [story[0], {"v": 1}]}),
        "not JSON",
        json.dumps({"cell": 5, "messages": []}),
        json.dumps({"cell": "bench/line-1/cell-9", "messages": [story[0]]}),
        json.dumps({"topic": "elsewhere", "payload": {}}),
        "",
        json.dumps(story[1]),
        '{"cell": "' + "x" * MAX_LINE_BYTES + '"}',
        json.dumps({"cell": cells[0], "messages": [{"own": "x" * 300_000}, story[1]]}),
        json.dumps({"cell": "a\x1b[31m", "messages": [story[1]]}),
        json.dumps({"topic": f"cells/v1/{cells[0]}/events", "payload": ""}),
        json.dumps({"cell": cells[0], "messages": story[2:]}),
    ]
    file.write_text("\n".join(lines))
    found = _json(service, file, code=SOME_REFUSED)
    told = {(one["line"], one["reason"]) for one in found["examples"]}
    assert told >= {
        (2, "not_json"),
        (3, "unknown_shape"),
        (4, "unknown_cell"),
        (5, "unknown_topic"),
        (7, "no_cell"),
        (8, "line_too_long"),
        (9, "unfit"),
        (10, "unfit"),
        (11, "empty"),
    }
    assert 1 in {line for line, _ in told}
    assert sum(found["refused"].values()) == len(found["examples"]) == 10
    assert (found["lines"], found["stored"]) == (len(lines), len(story))
    table = _run(service, file, "--state", tmp_path, "--cell", cells[1])
    assert table.exit_code == SOME_REFUSED
    assert "line 2: not_json" in table.stdout
    assert "\x1b[31m" not in table.stdout


def test_a_file_that_is_cut_off_is_sent_as_far_as_it_goes(
    service: ServiceProcess, cells: list[str], tmp_path: Path
) -> None:
    text = "".join(json.dumps({"cell": cells[0], "messages": [one]}) + "\n" for one in _story()).encode()
    file = tmp_path / "cut.gz"
    file.write_bytes(gzip.compress(text)[:-200])
    told = _run(service, file)
    assert told.exit_code == BROKEN_OFF
    assert "cut off or damaged" in told.stderr
    file.write_bytes(gzip.compress(text))
    assert _run(service, file).exit_code == 0
    assert service.get(f"/v1/kpi/{cells[0]}", **WINDOW)["fasteners"]["made"] == 100


def test_a_file_is_never_held_in_memory_as_a_whole(cells: list[str], tmp_path: Path) -> None:
    line = (json.dumps({"topic": f"cells/v1/{cells[0]}/link", "payload": {"own": "x" * 2**20}}) + "\n").encode()
    file, number = tmp_path / "huge.jsonl.gz", 200
    with gzip.open(file, "wb", compresslevel=1) as stream:
        for _ in range(number):
            stream.write(line)
    # The peak of this program alone: what getrusage tells is inherited from the process that started it.
    peak = "import re, sys; print(re.search(r'VmHWM:\\s*(\\d+)', open('/proc/self/status').read())[1], file=sys.stderr)"
    command = f"from zoneledger_cli.main import app; app(standalone_mode=False); {peak}"
    flags = ["import", str(file), "--against", "http://127.0.0.1:9", "--json"]
    told = subprocess.run(
        [sys.executable, "-c", command, *flags], capture_output=True, text=True, timeout=120, check=True
    )
    assert json.loads(told.stdout)["left_out"] == {"link": number}
    assert int(told.stderr) < 250_000, "KiB, of which the program itself takes half"


def test_a_service_that_is_none_ends_the_import_with_a_sentence(cells: list[str], tmp_path: Path) -> None:
    file = _write(tmp_path / "some.jsonl", {"cell": cells[0], "messages": [{}]})
    told = CliRunner().invoke(app, ["import", str(file), "--against", "http://127.0.0.1:9", "--wait", "0"])
    assert told.exit_code == BROKEN_OFF
    assert "did not answer within 0 s" in told.stderr


def test_a_bar_is_shown_on_a_terminal_only_and_never_on_standard_output(
    service: ServiceProcess, cells: list[str], tmp_path: Path
) -> None:
    file = _write(tmp_path / "some.jsonl", *({"cell": cells[0], "messages": [one]} for one in _story()))
    command = [sys.executable, "-m", "zoneledger_cli", "import", str(file), "--against", service.url, "--json"]
    ours, theirs = pty.openpty()
    environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": "120"}
    shown = subprocess.run(command, stdout=subprocess.PIPE, stderr=theirs, env=environment, timeout=60, check=True)
    os.close(theirs)
    assert json.loads(shown.stdout)["stored"] == len(_story())
    assert b"import" in os.read(ours, 2**20)
    os.close(ours)
    silent = _run(service, file, "--json")
    assert json.loads(silent.stdout)["messages"] == 0
    assert silent.stderr == ""
