"""Spans of time in one state for one reason, and the arithmetic of half-open intervals in microseconds."""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from zoneledger.core.states import STATES, UNKNOWN

Interval = tuple[int, int]


class Span(NamedTuple):
    """[start_us, end_us) of a unit in one state for one reason."""

    start_us: int
    end_us: int
    state: str
    reason: str | None


def clip(spans: Iterable[Span], start_us: int, end_us: int) -> list[Span]:
    """Return what of the spans lies in [start_us, end_us)."""
    clipped = (span._replace(start_us=max(span.start_us, start_us), end_us=min(span.end_us, end_us)) for span in spans)
    return [span for span in clipped if span.start_us < span.end_us]


def fill(spans: Sequence[Span], start_us: int, end_us: int) -> list[Span]:
    """Return spans that partition [start_us, end_us): the given ones, sorted and disjoint, and unknown where there are none."""
    filled: list[Span] = []
    reached_us = start_us
    for span in clip(spans, start_us, end_us):
        if span.start_us > reached_us:
            filled.append(Span(reached_us, span.start_us, UNKNOWN, None))
        filled.append(span)
        reached_us = span.end_us
    if reached_us < end_us:
        filled.append(Span(reached_us, end_us, UNKNOWN, None))
    return filled


def total(intervals: Iterable[Interval]) -> int:
    """Return the length of disjoint intervals together, in microseconds."""
    return sum(end_us - start_us for start_us, end_us in intervals)


def intersect(left: Sequence[Interval], right: Sequence[Interval]) -> list[Interval]:
    """Return where both of two sorted lists of disjoint intervals are."""
    found: list[Interval] = []
    i = j = 0
    while i < len(left) and j < len(right):
        start_us, end_us = max(left[i][0], right[j][0]), min(left[i][1], right[j][1])
        if start_us < end_us:
            found.append((start_us, end_us))
        if left[i][1] <= right[j][1]:
            i += 1
        else:
            j += 1
    return found


def unite(intervals: Iterable[Interval]) -> list[Interval]:
    """Return the same time as sorted, disjoint intervals that do not touch."""
    united: list[Interval] = []
    for start_us, end_us in sorted(intervals):
        if united and start_us <= united[-1][1]:
            united[-1] = (united[-1][0], max(united[-1][1], end_us))
        elif start_us < end_us:
            united.append((start_us, end_us))
    return united


def time_in_states(spans: Sequence[Span], planned: Sequence[Interval]) -> dict[tuple[str, str | None], int]:
    """Return the microseconds of planned time by (state, reason); they sum to the planned time.

    `spans` are sorted and disjoint; planned time outside them is (unknown, None).
    """
    sums: dict[tuple[str, str | None], int] = {}
    covered_us = 0
    for start_us, end_us in planned:
        k = bisect_right(spans, start_us, key=lambda span: span.end_us)
        while k < len(spans) and spans[k].start_us < end_us:
            length_us = min(spans[k].end_us, end_us) - max(spans[k].start_us, start_us)
            key = spans[k].state, spans[k].reason
            sums[key] = sums.get(key, 0) + length_us
            covered_us += length_us
            k += 1
    rest_us = total(planned) - covered_us
    if rest_us:
        sums[UNKNOWN, None] = sums.get((UNKNOWN, None), 0) + rest_us
    return sums


def by_state(sums: dict[tuple[str, str | None], int]) -> dict[str, int]:
    """Return the microseconds by state, every state named."""
    totals = dict.fromkeys(STATES, 0)
    for (state, _), length_us in sums.items():
        totals[state] += length_us
    return totals
