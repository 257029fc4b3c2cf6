"""The benchmarks in short: they run, on both databases, and tell a ratio. Whether it is a good one is not a test's to say."""

import json
from pathlib import Path

import pytest

from benchmarks import ingest, memory, rewriting
from benchmarks.report import Compared, tell
from benchmarks.table import table
from tests.servers.fixtures import programs

pytestmark = pytest.mark.benchmark


def _tells(found: list[Compared], works: int) -> None:
    assert len(found) == works
    assert all(ratio > 0 for one in found for ratio in one.ratios)
    assert {database for database in ("postgresql", "sqlite") if any(database in one.work for one in found)} == {
        "postgresql",
        "sqlite",
    }


@pytest.mark.parametrize("size", [1, 50])
def test_draining_a_backlog_is_compared_with_the_raw_drain(size: int) -> None:
    with programs():
        _tells(ingest.compare(1000, size, runs=1), works=2)


def test_late_events_and_a_rebuild_are_compared_with_the_plain_way() -> None:
    with programs():
        _tells(rewriting.compare(days=1, runs=1, a_day=2500), works=8)


def test_the_memory_behind_a_backlog_is_compared_with_that_of_an_idle_service() -> None:
    with programs():
        _tells(memory.compare(1000, runs=1), works=2)


def test_results_are_written_with_the_machine_that_they_are_of(tmp_path: Path) -> None:
    found = Compared("a work", "a baseline", "s", "at most 2", ((1.0, 3.0), (2.0, 2.0), (1.0, 2.0)))
    tell([found], tmp_path / "results.json")
    told = json.loads((tmp_path / "results.json").read_text())
    assert told["results"][0]["ratios"] == [1.0, 2.0, 3.0]
    assert told["environment"]["python"]
    assert "ratio 2.00 (1.00 to 3.00, 3 runs), aim at most 2" in str(found)
    machine, _, *_, row = table([tmp_path / "results.json"]).splitlines()
    assert told["environment"]["python"] in machine
    assert row == "| a work | a baseline | 1 | 2 s | 2.00 (1.00 to 3.00) | at most 2 |"
