"""Running time by program: a cell's running time belongs to the program of the process activity of the zone that runs."""

from collections.abc import Iterable, Mapping, Sequence
from math import inf

from zoneledger.core.activities import OPEN
from zoneledger.core.rows import Activity
from zoneledger.core.spans import Interval, Span, intersect, total, unite
from zoneledger.core.states import RUNNING

ZoneTime = tuple[Sequence[Span], Sequence[Activity]]
"""A zone's spans and its activities, each sorted and disjoint."""

ProgramTime = dict[str | None, list[Interval]]
"""Sorted, disjoint intervals by program; None: no program was told. No two programs have an instant in common."""


def running_by_program(zones: Mapping[str, ZoneTime], planned: Sequence[Interval]) -> ProgramTime:
    """Return when a unit runs which program within planned time, from its zones by name (a zone's own: from that one alone).

    Where two zones run at once, the first by name has the time; the intervals so sum to the running time of the unit. Pass
    every zone of the cell that has spans, also one without activities: its time has no program then.
    """
    found: ProgramTime = {}
    free = list(planned)
    for _, (spans, activities) in sorted(zones.items()):
        running = [(span.start_us, span.end_us) for span in spans if span.state == RUNNING]
        for program, interval in _split(intersect(running, free), activities):
            found.setdefault(program, []).append(interval)
        free = intersect(free, _around(running))
    return {program: unite(intervals) for program, intervals in found.items()}


def lengths_us(times: ProgramTime) -> dict[str | None, int]:
    """Return the microseconds of each program."""
    return {program: total(intervals) for program, intervals in times.items()}


def _around(intervals: Iterable[Interval]) -> list[Interval]:
    """Return all time but these intervals."""
    edges = [-inf, *(edge for interval in unite(intervals) for edge in interval), inf]
    return list(zip(edges[::2], edges[1::2], strict=True))  # type: ignore[arg-type]


def _split(running: Sequence[Interval], activities: Sequence[Activity]) -> list[tuple[str | None, Interval]]:
    """Return running time with its program, cut where another process activity begins or ends."""
    work = [(row.start_us, _end_us(row), row.program) for row in activities if row.activity == "process"]
    found: list[tuple[str | None, Interval]] = []
    k = 0
    for start_us, end_us in running:
        at_us = start_us
        while at_us < end_us:
            while k < len(work) and work[k][1] <= at_us:
                k += 1
            begin_us, over_us, program = work[k] if k < len(work) else (inf, inf, None)
            begun = begin_us <= at_us
            until_us = int(min(end_us, over_us if begun else begin_us))
            found.append((program if begun else None, (at_us, until_us)))
            at_us = until_us
    return found


def _end_us(row: Activity) -> float:
    """Return the end of an activity; one that is not over lasts as long as the evidence that it is the present one."""
    return inf if row.ended_by == OPEN else row.end_us
