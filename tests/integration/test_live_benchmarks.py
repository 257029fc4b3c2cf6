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
    told = found["stream"]
    assert told["number"] + told["passed_over"] == found["cells"] * found["seconds"]
    assert told["missing"] == 0
    assert found["raw_commit"]["p99_ms"] > 0
    assert found["units"]["number"] > 0


def test_streams(tmp_path: Path) -> None:
    found = _run("streams", tmp_path / "result.json")
    assert found["bare"]["missing"] == found["live"]["missing"] == 0
    assert found["bare"]["number"] == found["live"]["number"] > 0
    assert found["intake"]["with_streams_per_s"] > 0
