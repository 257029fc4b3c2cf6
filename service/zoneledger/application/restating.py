"""Finds when what was told of a cell's past has changed: each such time raises the revision of the figures over it."""

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable
from itertools import pairwise
from typing import Any

from zoneledger.application.stored import Outdated, Revision
from zoneledger.core.rows import Booked, ZoneSpan
from zoneledger.core.spans import Interval, Span
from zoneledger.core.states import UNKNOWN

#: Changes less than an hour apart are noted as one, so that a long backlog makes few of them.
APART_US = 3_600_000_000


def differing(before: Iterable[ZoneSpan], after: Iterable[ZoneSpan]) -> list[Interval]:
    """Return when two accounts of some units' time differ; each unit's spans are disjoint, and where it has none it is unknown.

    Why it is unknown makes no difference: no figure depends on it.
    """
    one, other = ({row for row in rows if row.span.state != UNKNOWN} for rows in (before, after))
    units = {row.zone for row in one ^ other}
    return [
        interval
        for unit in units
        for interval in _differing(_spans_of(unit, one - other), _spans_of(unit, other - one))
    ]


def outdated(cell: str, before: Iterable[ZoneSpan], after: Iterable[ZoneSpan]) -> list[Outdated]:
    """Return from when to when two accounts of a cell's time differ at all: what is told of unknown time is why it is unknown."""
    spans = [row.span for row in {*before} ^ {*after}]
    return [Outdated(cell, min(s.start_us for s in spans), max(s.end_us for s in spans))] if spans else []


def _spans_of(unit: str, rows: Iterable[ZoneSpan]) -> list[Span]:
    return sorted(row.span for row in rows if row.zone == unit)


def _differing(one: list[Span], other: list[Span]) -> list[Interval]:
    edges = sorted({edge for span in (*one, *other) for edge in span[:2]})
    return [interval for interval in pairwise(edges) if _standing(one, interval[0]) != _standing(other, interval[0])]


def _standing(spans: list[Span], at_us: int) -> tuple[str, str | None] | None:
    i = bisect_right(spans, at_us, key=lambda span: span.start_us) - 1
    return spans[i][2:] if i >= 0 and at_us < spans[i].end_us else None


def counted(rows: Booked) -> list[Interval]:
    """Return when rows, in their order, count something: fasteners, unseen ones, and activities as long as they are."""
    made, others = rows.fasteners, Booked(discrepancies=rows.discrepancies, activities=rows.activities)
    if made and made[-1].at_us - made[0].at_us < APART_US:
        times = [(made[0].at_us, made[-1].at_us + 1)]
    else:
        times = joined((row.at_us, row.at_us + 1) for row in made)
    return times + [(row[0], row[1]) for row in _counts(others)]


def recounted(before: Booked, after: Booked) -> list[Interval]:
    """Return when two accounts of a stretch of messages count something other."""
    one, other = Counter(_counts(before)), Counter(_counts(after))
    return [(start_us, end_us) for start_us, end_us, *_ in (one - other) + (other - one)]


def _counts(rows: Booked) -> list[tuple[Any, ...]]:
    """Return what rows count, each with its time first, whatever message it comes from."""
    made = [(row.at_us, row.at_us + 1, "fastener", *row) for row in rows.fasteners]
    unseen = [(row.at_us, row.at_us + 1, row.zone, row.unseen) for row in rows.discrepancies if row.kind == "unseen"]
    ended = [(row.start_us, row.end_us + 1, "activity", *row[1:]) for row in rows.activities]
    return [*made, *unseen, *ended]


def joined(times: Iterable[Interval]) -> list[Interval]:
    """Return times, sorted, with those that lie less than an hour apart as one."""
    found: list[Interval] = []
    for start_us, end_us in sorted(times):
        if found and start_us < found[-1][1] + APART_US:
            found[-1] = (found[-1][0], max(found[-1][1], end_us))
        else:
            found.append((start_us, end_us))
    return found


def restatements(cell: str, times: Iterable[Interval], told_us: int, now_us: int, cause: str) -> list[Revision]:
    """Return the changes of the past that differing times are; what lies after `told_us` was not told for good yet."""
    told = [(start_us, min(end_us, told_us)) for start_us, end_us in times if start_us < min(end_us, told_us)]
    return [Revision(cell, start_us, end_us, now_us, cause) for start_us, end_us in joined(told)]
