"""The benchmark of several processes runs in its small form; what is lost or wrong there would be so anywhere."""

from pathlib import Path

import pytest

from tests.integration.small_benchmarks import run_small

pytestmark = pytest.mark.benchmark


def test_several_processes_are_measured_in_small(tmp_path: Path) -> None:
    found = run_small("scaling", tmp_path, timeout_s=400)
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
