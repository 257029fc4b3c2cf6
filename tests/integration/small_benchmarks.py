"""Runs a benchmark in its small form, as a command; what it measures so means nothing."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.docs.pages import ROOT
from tests.servers.fixtures import programs
from tests.servers.postgres import postgres_program
from tests.servers.programs import find_program


def run_small(name: str, folder: Path, *flags: str, timeout_s: float = 300) -> dict[str, Any]:
    """Return what it writes; it starts servers of its own, so skip, or fail where they are required, if a program is missing."""
    with programs():
        find_program("mosquitto")
        postgres_program("pg_basebackup")
    result = folder / "result.json"
    command = [sys.executable, "-m", f"benchmarks.{name}", "--small", "--json", str(result), *flags]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=timeout_s, check=False)
    assert ended.returncode == 0, ended.stderr[-4000:]
    found: dict[str, Any] = json.loads(result.read_text())
    assert found["environment"]["cores"] > 0
    return found
