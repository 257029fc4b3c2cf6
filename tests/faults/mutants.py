"""Builds with one defect each, and the tests that have to fail on them: what no test notices may break unnoticed.

    python -m tests.faults.mutants

Each mutant is a copy of the sources in a temporary folder with one exact text replaced; where the text is not there exactly
once, the source has moved, and the mutant is to be written anew. First the tests run on a copy without a defect and have to
pass. Then they run on each mutant and have to fail by an assertion: a mutant that cannot be imported proves nothing. The
replaced file tells by a mark that it was run from the copy.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from tests.faults.mutations import MUTANTS, Edit, Mutant

ROOT = Path(__file__).parents[2]
COPIED = ("service", "adapters", "tests", "deploy", "pyproject.toml")
LONGEST_S = 300.0
#: Where a replaced file tells the folder that it was run from.
MARK = "MUTANT_RUN_FROM"
_TELLING = f"""

import os as _os
import pathlib as _pathlib

_pathlib.Path(_os.environ["{MARK}"]).write_text(__file__)
"""
#: How pytest begins what it says of a broken assertion.
ASSERTIONS = ("AssertionError", "assert ", "Failed: DID NOT RAISE")


class Moved(Exception):
    """A text that a mutant replaces is not in its file exactly once."""


class Unproven(Exception):
    """Tests ended in a way that says nothing about a mutant."""


@dataclass(frozen=True)
class Run:
    """How tests ended: the number that passed, and those that failed, by an assertion or otherwise, each as (test, why)."""

    passed: int
    caught: list[tuple[str, str]]
    broken: list[tuple[str, str]]


@contextmanager
def copied() -> Iterator[Path]:
    """Yield a copy of the sources without anything compiled."""
    with tempfile.TemporaryDirectory(prefix="zoneledger-mutant-") as directory:
        tree = Path(directory)
        for name in COPIED:
            if (ROOT / name).is_dir():
                shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy(ROOT / name, tree / name)
        yield tree


def mutate(tree: Path, edit: Edit) -> None:
    """Replace a text in a copy, and let the file tell where it is run from; raises Moved."""
    path = tree / edit.file
    source = path.read_text()
    if source.count(edit.old) != 1:
        raise Moved(f"{edit.file} has this {source.count(edit.old)} times, not once: {edit.old!r}")
    path.write_text(source.replace(edit.old, edit.new) + _TELLING)


def run_tests(tree: Path, tests: Sequence[str], *, stop: bool) -> Run:
    """Run tests on a copy, with `stop` until the first fails; raises Unproven where they could not be run to an end."""
    report = tree / "report.xml"
    environment = {name: value for name, value in os.environ.items() if not name.startswith("ZONELEDGER_")}
    environment |= {
        "PYTHONPATH": f"{tree / 'service'}{os.pathsep}{tree / 'adapters'}",
        "PYTHONDONTWRITEBYTECODE": "1",
        "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
        "ZONELEDGER_REQUIRE_SERVERS": "1",
        MARK: str(tree / "mark"),
    }
    command = [sys.executable, "-m", "pytest", "-q", "-p", "pytest_asyncio.plugin", "-p", "no:cacheprovider", *tests]
    command += [f"--junitxml={report}", *(["--maxfail=1"] if stop else [])]
    try:
        ended = subprocess.run(
            command, cwd=tree, env=environment, capture_output=True, text=True, timeout=LONGEST_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise Unproven(f"the tests did not end within {LONGEST_S:g} s") from None
    if ended.returncode not in (0, 1):
        raise Unproven(f"pytest ended with {ended.returncode}:\n{ended.stdout[-3000:]}{ended.stderr[-1000:]}")
    return _read(report)


def _read(report: Path) -> Run:
    passed = 0
    caught: list[tuple[str, str]] = []
    broken: list[tuple[str, str]] = []
    for case in ElementTree.parse(report).iter("testcase"):
        name = f"{case.get('classname', '').rpartition('.')[2]}::{case.get('name')}"
        failure, other = case.find("failure"), case.find("error")
        if failure is not None:
            why = failure.get("message", "")
            (caught if why.startswith(ASSERTIONS) else broken).append((name, why))
        elif other is not None or case.find("skipped") is not None:
            broken.append((name, "it could not be run"))
        else:
            passed += 1
    return Run(passed, caught, broken)


def unmutated(tests: Sequence[str]) -> int:
    """Run tests on a copy without a defect; return how many pass. Raises Unproven where one does not."""
    with copied() as tree:
        run = run_tests(tree, tests, stop=False)
    if run.caught or run.broken or not run.passed:
        raise Unproven(f"without a mutation: {[*run.caught, *run.broken] or 'no test'}")
    return run.passed


def verdict_on(mutant: Mutant) -> str | None:
    """Return the test that catches a mutant, None where all pass. Raises Moved, and Unproven where none failed by an assertion."""
    with copied() as tree:
        for edit in mutant.edits:
            mutate(tree, edit)
        run = run_tests(tree, mutant.tests, stop=True)
        mark = tree / "mark"
        ran = mark.read_text() if mark.exists() else "nowhere"
        if ran not in {str(tree / edit.file) for edit in mutant.edits}:
            raise Unproven(f"the replaced file was run from {ran}")
    if run.caught:
        return run.caught[0][0]
    if run.broken:
        raise Unproven(f"no assertion broke, but {run.broken[0]}")
    return None


def _line(mutant: Mutant) -> tuple[bool, str]:
    began_s = time.monotonic()
    try:
        caught = verdict_on(mutant)
    except (Moved, Unproven) as error:
        return False, f"{mutant.name:<62}NOT PROVEN: {error}"
    took_s = time.monotonic() - began_s
    return caught is not None, f"{mutant.name:<62}{took_s:>6.1f} s  {caught or 'SURVIVED'}"


def main() -> int:
    """Print a line for each mutant; return 1 where one survives or proves nothing."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.mutants", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--only", default="", help="mutants whose name has this in it")
    asked = parser.parse_args()
    mutants = [mutant for mutant in MUTANTS if asked.only in mutant.name]
    tests = sorted({test for mutant in mutants for test in mutant.tests})
    print(f"{unmutated(tests)} tests pass without a mutation")
    print(f"{'mutant':<62}{'':>8}  caught by", flush=True)
    caught = 0
    for mutant in mutants:
        is_caught, line = _line(mutant)
        caught += is_caught
        print(line, flush=True)
    print(f"{caught} of {len(mutants)} caught")
    return 0 if caught == len(mutants) else 1


if __name__ == "__main__":
    sys.exit(main())
