"""The benchmarks of the live streams run, in their small form; what they measure here means nothing."""

from pathlib import Path

import pytest

from tests.integration.small_benchmarks import run_small

pytestmark = pytest.mark.benchmark


def test_freshness(tmp_path: Path) -> None:
    found = run_small("freshness", tmp_path)
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
    found = run_small("streams", tmp_path)
    (run,) = found["runs"]
    assert run["bare"]["missing"] == run["live"]["missing"] == 0
    assert run["bare"]["number"] == run["live"]["number"] > 0
    assert all(ratio > 0 for one in found["results"] for ratio in one["ratios"])
