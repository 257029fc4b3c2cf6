"""The benchmark of several processes runs in its small form; what is lost or wrong there would be so anywhere."""

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


def test_several_processes_are_measured_in_small(tmp_path: Path) -> None:
    with programs():
        find_program("mosquitto")
        postgres_program("pg_basebackup")
    result = tmp_path / "result.json"
    command = [sys.executable, "-m", "benchmarks.scaling", "--small", "--json", str(result)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=400, check=False)
    assert ended.returncode == 0, ended.stderr[-4000:]
    found = json.loads(result.read_text())
    assert all(found["growth"][database]["all_bytes_a_message"] > 0 for database in ("postgresql", "sqlite"))
    assert [(one["asked"], one["services"]) for one in found["reads"]] == [
        (kind, n) for kind in ("anew", "again") for n in (1, 2)
    ]
    assert all(one["per_s"] > 0 for one in found["reads"])
    assert {one["workers"] for one in found["offered"]} == {1, 2}
    assert {one["missing"] for one in found["offered"]} == {0}
    taken = found["taking_over"]
    assert (taken["lost"], taken["twice"], taken["gaps"], taken["largest_difference"], taken["wrong"]) == (
        0,
        0,
        0,
        0,
        [],
    )
    assert taken["stored"] == taken["messages"] > 0
    assert [one["failed"] for one in taken["reads"]] == [0, 0]
    replica = found["replica"]
    assert (replica["missing"], replica["on_the_standby"]["missing"], replica["cells_that_differ"]) == (0, 0, 0)
    assert replica["post_to_the_reader"] == 503
    assert replica["answers_without_the_first"] == [8, 8]
    assert replica["delay"]["number"] == replica["messages"]
