"""The benchmarks of the live streams run, in their small form; what they measure here means nothing."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.docs.pages import ROOT
from tests.servers.fixtures import programs
from tests.servers.postgres import postgres_program
from tests.servers.programs import find_program

pytestmark = pytest.mark.benchmark


@pytest.fixture(autouse=True)
def _servers_are_there() -> None:
    with programs():
        find_program("mosquitto")
        postgres_program("initdb")


def _run(name: str, result: Path) -> dict[str, Any]:
    command = [sys.executable, "-m", f"benchmarks.{name}", "--small", "--json", str(result)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=240, check=False)
    assert ended.returncode == 0, ended.stderr[-4000:]
    found: dict[str, Any] = json.loads(result.read_text())
    assert found["environment"]["cores"] > 0
    return found


def test_freshness(tmp_path: Path) -> None:
    found = _run("freshness", tmp_path / "result.json")
    (run,) = found["runs"]
    told = run["stream"]
    assert told["number"] + told["passed_over"] == 20 * 2
    assert told["missing"] == 0
    assert run["units"]["number"] > 0
    assert len(found["results"]) == 4
    assert all(
        ratio > 0 for one in found["results"][:2] for ratio in one["ratios"]
    )  # of the stream; /v1/units may be at once


def test_streams(tmp_path: Path) -> None:
    found = _run("streams", tmp_path / "result.json")
    (run,) = found["runs"]
    assert run["bare"]["missing"] == run["live"]["missing"] == 0
    assert run["bare"]["number"] == run["live"]["number"] > 0
    assert all(ratio > 0 for one in found["results"] for ratio in one["ratios"])
