"""The benchmark of a flood runs in its small form: nothing is missing beside it, and whoever gets no answer is told so clearly."""

from pathlib import Path

import pytest

from tests.integration.small_benchmarks import run_small

pytestmark = pytest.mark.benchmark


def test_a_flood_is_measured_in_small(tmp_path: Path) -> None:
    found = run_small("flood", tmp_path)
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
