"""Runs of whole numbers, and missing events as such: a run may reach as far as numbers do, and is never spelled out."""

from collections.abc import Iterable
from dataclasses import dataclass

Run = tuple[int, int]
"""The numbers from the first to before the second."""

Runs = dict[tuple[str, int], list[Run]]
"""Sorted runs of event numbers that do not touch, by (cell, boot)."""


@dataclass(frozen=True, slots=True, order=True)
class Gap:
    """Events `first_seq` to `last_seq` of a cell's boot."""

    cell: str
    boot: int
    first_seq: int
    last_seq: int

    def __str__(self) -> str:
        upto = "" if self.first_seq == self.last_seq else f" to {self.last_seq}"
        return f"{self.cell} boot {self.boot} seq {self.first_seq}{upto}"


def unite(runs: Iterable[Run]) -> list[Run]:
    """Return the same numbers as sorted runs that do not touch."""
    united: list[Run] = []
    for first, end in sorted(runs):
        if united and first <= united[-1][1]:
            united[-1] = (united[-1][0], max(united[-1][1], end))
        elif first < end:
            united.append((first, end))
    return united


def without(runs: list[Run], others: list[Run]) -> list[Run]:
    """Return the numbers of sorted runs that are not in others; those do not touch either."""
    left: list[Run] = []
    i = 0
    for begun, end in runs:
        first = begun
        while i < len(others) and others[i][1] <= first:
            i += 1
        j = i
        while j < len(others) and others[j][0] < end:
            if first < others[j][0]:
                left.append((first, others[j][0]))
            first = others[j][1]
            j += 1
        if first < end:
            left.append((first, end))
    return left


def length(runs: Iterable[Run]) -> int:
    """Return how many numbers there are in runs."""
    return sum(end - first for first, end in runs)


def runs_of(gaps: Iterable[Gap]) -> Runs:
    """Return gaps, in any order, as runs."""
    found: Runs = {}
    for gap in gaps:
        found.setdefault((gap.cell, gap.boot), []).append((gap.first_seq, gap.last_seq + 1))
    return {key: unite(runs) for key, runs in found.items()}


def gaps_of(runs: Runs, less: Runs) -> tuple[Gap, ...]:
    """Return what is in runs and not in `less`, as gaps."""
    return tuple(
        Gap(cell, boot, first, end - 1)
        for (cell, boot), own in sorted(runs.items())
        for first, end in without(own, less.get((cell, boot), []))
    )
