"""The table of faults: each row is a fault's name, its area and the function that commits it; a line is what came of it."""

from collections.abc import Callable
from dataclasses import dataclass

from tests.faults.bench import Bench
from tests.faults.checking import Outcome

Commit = Callable[[Bench], Outcome]
BOTH = ("sqlite", "postgresql")


@dataclass(frozen=True)
class Fault:
    """One row; `make test` runs it too, on its `short` databases."""

    area: str
    name: str
    commit: Commit
    databases: tuple[str, ...]
    short: tuple[str, ...]


FAULTS: list[Fault] = []


def fault(
    area: str, name: str, *, databases: tuple[str, ...] = BOTH, short: tuple[str, ...] = ()
) -> Callable[[Commit], Commit]:
    """Enter the function that follows into the table."""

    def enter(commit: Commit) -> Commit:
        FAULTS.append(Fault(area, name, commit, databases, short))
        return commit

    return enter


HEADING = (
    f"{'area':<11}{'fault':<52}{'database':<11}{'seed':>9}{'sent':>9}{'stored':>9}{'upstream':>9}{'gaps':>7}"
    f"{'lost':>6}{'twice':>6}{'refused':>8}{'recover s':>10}{'drain s':>9}{'difference':>11}"
)


def line_of(row: Fault, database: str, seed: int, outcome: Outcome) -> str:
    """Return a row's line; the seed repeats it."""
    found = outcome
    return (
        f"{row.area:<11}{row.name:<52}{database:<11}{seed:>9}{found.sent:>9}{found.stored:>9}{found.upstream:>9}{found.gaps:>7}"
        f"{found.lost:>6}{found.twice:>6}{found.refused:>8}{found.recover_s:>10.2f}{found.drain_s:>9.2f}{found.difference:>11g}"
        f"  {found.note}"
    ).rstrip()
