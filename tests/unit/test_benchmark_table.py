"""The table of what benchmarks found: a row for each comparison, and none for files that compare nothing."""

from pathlib import Path

from benchmarks.report import Compared, tell, write_result
from benchmarks.table import table


def test_each_comparison_is_a_row_and_other_files_are_named_below(tmp_path: Path) -> None:
    one, other = tmp_path / "one.json", tmp_path / "scaling.json"
    compared = Compared(
        "a backlog", "raw drain", "messages/s", "at least 0.7", ((100.0, 50.0), (100.0, 90.0), (200.0, 160.0))
    )
    tell([compared], one)
    write_result(other, {"growth": {"cells": 3}})
    lines = table([one, other]).splitlines()
    assert [line for line in lines if line.startswith("| a backlog")] == [
        "| a backlog | raw drain | 100 | 90 messages/s | 0.80 (0.50 to 0.90) | at least 0.7 |"
    ]
    assert lines[-1] == f"To be read by themselves: {other}"
    assert sum(line.startswith("Measured on: ") for line in lines) == 1


def test_one_run_has_no_spread(tmp_path: Path) -> None:
    file = tmp_path / "one.json"
    tell([Compared("p50 of the last minute", "of the second", "ms", "about 1", ((20.0, 19.0),))], file)
    told = table([file])
    assert "| 20 | 19 ms | 0.95 (one run) | about 1 |" in told
    assert "by themselves" not in told
