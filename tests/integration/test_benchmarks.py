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
    (found,) = json.loads(results.read_text())["results"]
    assert len(found["ratios"]) == 8
    assert all(ratio > 0 for ratio in found["ratios"].values())
    assert all(f"ratio {ratio:5.2f}  {name}" in ended.stdout for name, ratio in found["ratios"].items())
