"""The benchmarks of figures run, and print ratios: what they come to is not judged here."""

from pathlib import Path

import pytest

from tests.integration.small_benchmarks import run_small

pytestmark = pytest.mark.benchmark


@pytest.mark.parametrize("database", ["sqlite", "postgresql"])
@pytest.mark.parametrize(
    ("name", "results"),
    [
        ("figures", 8),  # four comparisons, kept and computed
        ("history", 3),
    ],
)
def test_figures_are_measured_in_small(name: str, results: int, database: str, tmp_path: Path) -> None:
    found = run_small(name, tmp_path, "--database", database)["results"]
    assert len(found) == results
    assert all(ratio > 0 for one in found for ratio in one["ratios"])
