"""Prints the table of faults while it is made, and once more at the end."""

from collections.abc import Callable

import pytest

from tests.faults.table import HEADING

_lines: list[str] = []


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Print a line of the table at once."""

    def say_line(line: str) -> None:
        with capsys.disabled():
            if not _lines:
                print(f"\n{HEADING}")
            print(line, flush=True)
        _lines.append(line)

    return say_line


@pytest.hookimpl(tryfirst=True)
def pytest_report_teststatus(report: pytest.TestReport) -> tuple[str, str, str] | None:
    """Print no dot behind a line of the table."""
    is_row = report.nodeid.startswith("tests/faults/test_table.py") and report.when == "call"
    return ("passed", "", "PASSED") if is_row and report.passed else None


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if _lines:
        terminalreporter.section("faults")
        for line in (HEADING, *_lines):
            terminalreporter.write_line(line)
