"""The benchmark of a flood runs in its small form: nothing is missing beside it, and whoever gets no answer is told so clearly."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.docs.pages import ROOT
from tests.servers.fixtures import programs
from tests.servers.postgres import postgres_program
from tests.servers.programs import find_program

pytestmark = pytest.mark.benchmark


def test_a_flood_is_measured_in_small(tmp_path: Path) -> None:
    with programs():
        find_program("mosquitto")
        postgres_program("initdb")
    result = tmp_path / "result.json"
    command = [sys.executable, "-m", "benchmarks.flood", "--small", "--json", str(result)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert ended.returncode == 0, ended.stderr[-4000:]
    found = json.loads(result.read_text())
    assert [run["database"] for run in found["runs"]] == ["postgresql", "sqlite"]
    for without, beside in (pair for run in found["runs"] for pair in run["rounds"]):
        assert without["told"]["statuses"] == {}
        assert beside["told"]["statuses"].keys() <= {"200", "503"}
        assert beside["told"]["statuses"]["200"] > 0
        for turn in (without, beside):
            assert turn["fresh"]["number"] > 0
            assert turn["fresh"]["missing"] == 0
            assert turn["event_loop"]["due"] > 0
    assert len(found["results"]) == 4
    assert all(ratio > 0 for one in found["results"] for ratio in one["ratios"])
