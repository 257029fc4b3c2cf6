"""`zoneledger verify` against a real service: right where all is right, and a sentence for each thing that is not."""

import asyncio
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from tests.faults.launching import ForkedService
from zoneledger.clock import now_us
from zoneledger_cli.main import app
from zoneledger_cli.simulating import Target, run_simulation, write_plant
from zoneledger_cli.verifying import verify
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.plan import Misbehaviour, Scenario
from zoneledger_sim.verification import Verification

HOUR_US = 3_600_000_000
Line = dict[str, Any]


class Run:
    """A simulated hour that was sent to a service of its own, with the ledger file that tells of it."""

    def __init__(self, directory: Path, misbehaviour: Misbehaviour) -> None:
        self.directory = directory
        self.ledger = directory / "sent.jsonl"
        self.scenario: Scenario = replace(demo_scenario(cells=2, seed=5, misbehaviour=misbehaviour), shifts=())
        write_plant(self.scenario, directory / "plant.json")
        database = f"sqlite:///{directory / 'zoneledger.db'}"
        self.service = ForkedService("--database", database, "--plant", str(directory / "plant.json"))

    def __enter__(self) -> "Run":
        self.service.start()
        start_us = now_us() - 3 * HOUR_US
        target = Target(None, self.service.url, "cells/v1")
        sending = run_simulation(
            self.scenario, target, start_us=start_us, until_us=start_us + HOUR_US, pace=None, ledger=self.ledger
        )
        asyncio.run(sending)
        return self

    def __exit__(self, *_: object) -> None:
        self.service.stop()

    def verify(self, ledger: Path | None = None) -> Verification:
        """Return what the checker finds."""
        return asyncio.run(verify(ledger or self.ledger, self.service.url, 20, quiet_s=2))

    def tampered(self, change: Callable[[list[Line]], list[Line]]) -> Path:
        """Return a copy of the ledger file that was changed."""
        lines = [json.loads(text) for text in self.ledger.read_text().splitlines()]
        path = self.directory / "tampered.jsonl"
        path.write_text("".join(json.dumps(line) + "\n" for line in change(lines)))
        return path


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Run]:
    """A run in which nothing goes wrong."""
    with Run(tmp_path_factory.mktemp("good"), Misbehaviour()) as run:
        yield run


def _sent(lines: list[Line], kind: str) -> tuple[Line, int]:
    """Return the first line of sent messages that holds one of a kind well after the start, and its place there."""
    for line in [line for line in lines if line["line"] == "sent"]:
        for place, message in enumerate(line["messages"]):
            if message["type"] == kind and message.get("seq", 0) > 50:
                return line, place
    raise AssertionError(f"no {kind}")


def test_a_run_in_which_nothing_goes_wrong_agrees(good: Run) -> None:
    found = good.verify()
    assert found.sentences == ()
    assert found.attempted == found.acknowledged == found.stored > 1000
    assert (found.lost, found.duplicated, found.unexpected, found.altered, found.gaps_reported) == (0, 0, 0, 0, 0)
    assert (found.wrong_s, found.unknown_s, found.largest_difference_fasteners) == (0.0, 0.0, 0)


def test_what_was_lost_on_the_way_are_the_gaps_and_the_rest_is_true(tmp_path: Path) -> None:
    faults = Misbehaviour(lose=0.02, duplicate=0.1, reorder=0.2)
    with Run(tmp_path, faults) as run:
        found = run.verify()
    assert found.sentences == ()
    assert found.gaps_reported == found.gaps_expected > 10
    assert found.duplicates_received > 10
    assert found.wrong_s == 0.0
    assert found.unknown_s is not None
    assert found.unknown_s > 0


def test_a_message_that_the_service_never_got_is_lost_and_its_number_a_gap_that_nobody_reports(good: Run) -> None:
    def add(lines: list[Line]) -> list[Line]:
        line, place = _sent(lines, "fastener")
        line["messages"].append({**line["messages"][place], "boot": 10**9})
        return lines

    found = good.verify(good.tampered(add))
    assert found.lost == 1
    assert any(
        sentence.startswith("1 acknowledged message is neither stored nor refused") for sentence in found.sentences
    )


def test_a_message_that_nobody_sent_is_unexpected(good: Run) -> None:
    def take_away(lines: list[Line]) -> list[Line]:
        line, place = _sent(lines, "activity")
        del line["messages"][place]
        return lines

    found = good.verify(good.tampered(take_away))
    assert (found.unexpected, found.lost) == (1, 0)
    assert any("is stored that was never sent" in sentence for sentence in found.sentences)


def test_an_event_with_other_content_is_altered(good: Run) -> None:
    def alter(lines: list[Line]) -> list[Line]:
        line, place = _sent(lines, "fastener")
        line["messages"][place]["position"] = "another"
        return lines

    found = good.verify(good.tampered(alter))
    assert found.altered == 1
    assert any("with other content than was sent" in sentence for sentence in found.sentences)


def test_another_truth_is_a_difference_of_times_and_of_fasteners(good: Run) -> None:
    def change(lines: list[Line]) -> list[Line]:
        units = lines[-1]["units"]
        zone = next(unit for unit in units if unit.count("/") == 3)
        span = next(span for span in units[zone]["spans"][5:] if span[2] == "running")
        span[2:] = ["idle", "operator"]
        del units[zone]["made"][3]
        return lines

    found = good.verify(good.tampered(change))
    assert found.lost == found.unexpected == found.altered == 0
    assert found.wrong_s is not None
    assert found.wrong_s > 0
    assert found.largest_difference_fasteners == 1
    assert len(found.sentences) >= 2


def test_a_ledger_file_without_truth_has_no_figures_and_says_so(good: Run) -> None:
    found = good.verify(good.tampered(lambda lines: [line for line in lines if line["line"] != "truth"]))
    assert found.sentences == ()
    assert found.wrong_s is None
    assert "no truth" in found.notes[0]


def test_the_command_ends_with_0_where_all_is_right_and_prints_json_for_programs(good: Run) -> None:
    command = ["verify", str(good.ledger), "--against", good.service.url]
    told = CliRunner().invoke(app, command)
    assert told.exit_code == 0, told.output
    assert "Nothing was lost, added, doubled or altered" in told.output
    printed = CliRunner().invoke(app, [*command, "--json"])
    assert json.loads(printed.stdout)["agrees"] is True


def test_the_command_ends_with_1_where_something_is_not_right(good: Run) -> None:
    def take_away(lines: list[Line]) -> list[Line]:
        line, place = _sent(lines, "alarm")
        del line["messages"][place]
        return lines

    told = CliRunner().invoke(app, ["verify", str(good.tampered(take_away)), "--against", good.service.url])
    assert told.exit_code == 1
    assert "was never sent" in told.output


@pytest.mark.parametrize("text", ["", "{}", "no ledger file", '{"line": "run", "format": 9}'])
def test_what_is_no_ledger_file_is_said_in_a_sentence(good: Run, text: str) -> None:
    path = good.directory / "other"
    path.write_text(text)
    told = CliRunner().invoke(app, ["verify", str(path), "--against", good.service.url])
    assert told.exit_code == 1
    assert "is no ledger file of format 1" in told.output


def test_nobody_at_the_address_and_no_such_file_are_said_in_a_sentence(good: Run) -> None:
    nobody = CliRunner().invoke(app, ["verify", str(good.ledger), "--against", "http://127.0.0.1:9", "--wait", "0"])
    assert nobody.exit_code == 1
    assert "did not answer" in nobody.output
    missing = CliRunner().invoke(app, ["verify", str(good.directory / "none"), "--against", good.service.url])
    assert missing.exit_code == 1
    assert "there is no ledger file" in missing.output
