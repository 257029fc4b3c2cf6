"""The benchmarks run, and print ratios: what they come to is not judged here."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.docs.pages import ROOT
from tests.servers.postgres import Postgres

pytestmark = pytest.mark.benchmark


@pytest.mark.parametrize("database", ["sqlite", "postgresql"])
def test_figures_are_measured_in_small(database: str, tmp_path: Path, postgres: Postgres) -> None:
    """The fixture is there only to skip where PostgreSQL is missing; the benchmark starts one of its own."""
    results = tmp_path / "results.json"
    command = [sys.executable, "-m", "benchmarks.figures", "--small", "--database", database, "--json", str(results)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert ended.returncode == 0, ended.stderr
    found = json.loads(results.read_text())["results"]
    assert len(found) == 8  # a, b and c, kept and computed, a twice
    assert all(ratio > 0 for one in found for ratio in one["ratios"])


@pytest.mark.parametrize("database", ["sqlite", "postgresql"])
def test_histories_of_other_lengths_are_compared(database: str, tmp_path: Path, postgres: Postgres) -> None:
    """The fixture is there only to skip where PostgreSQL is missing; the benchmark starts one of its own."""
    results = tmp_path / "results.json"
    command = [sys.executable, "-m", "benchmarks.history", "--small", "--database", database, "--json", str(results)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert ended.returncode == 0, ended.stderr
    found = json.loads(results.read_text())["results"]
    assert len(found) == 3
    assert all(ratio > 0 for one in found for ratio in one["ratios"])
