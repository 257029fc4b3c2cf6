"""Failures: when a unit's faults began in planned time, how long they were repaired, and how often they come.

Spans are no failures: a fault whose reason changes while it lasts has several spans and is one failure, one that lasts over a
planned stop has one span and is no second failure afterwards, and one that began before a window belongs to the one before.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from typing import NamedTuple, TypeVar

from zoneledger.core.bounds import Bounds, mean_duration_bounds, mean_time_bounds, trend
from zoneledger.core.figures import ratio
from zoneledger.core.spans import Interval, Span, intersect, total
from zoneledger.core.states import FAULT, NOT_KEPT, RUNNING, UNKNOWN

MICROSECONDS = 1_000_000
KeyT = TypeVar("KeyT")


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of fault time without a break, [start_us, end_us), with the code that it began with.

    `fault_us` is what of it lies in planned time of the window. It is a failure of the window if its begin does (`counts`): then
    `repair_us` is all of its planned time, beyond the window, too. `begin_seen` and `end_seen`: there is evidence of the instant
    before and of the one after.
    """

    start_us: int
    end_us: int
    code: str
    fault_us: int
    repair_us: int
    counts: bool
    begin_seen: bool
    end_seen: bool
    subsystem: str | None = None


class Wanted(NamedTuple):
    """Whose last raise is asked for: of a code, in a cell, so as to bear on a zone of it ("": on any), up to an instant."""

    cell: str
    zone: str
    code: str
    until_us: int


class Raised(NamedTuple):
    """When a stop alarm was raised, and the subsystem that it named."""

    at_us: int
    subsystem: str | None


class Planned:
    """Planned time of a window, to be asked which instants lie in it."""

    def __init__(self, intervals: Sequence[Interval]) -> None:
        self.intervals = list(intervals)
        self._starts = [start_us for start_us, _ in intervals]

    def has(self, at_us: int) -> bool:
        """Tell whether an instant lies in planned time."""
        i = bisect_right(self._starts, at_us) - 1
        return i >= 0 and at_us < self.intervals[i][1]

    def length_us(self, start_us: int, end_us: int) -> int:
        """Return how much of [start_us, end_us) is planned time."""
        first = max(bisect_right(self._starts, start_us) - 1, 0)
        last = bisect_right(self._starts, end_us)
        return total(intersect(self.intervals[first:last], [(start_us, end_us)]))


class Clock:
    """A unit's running time in planned time of a window, read off at any instant."""

    def __init__(self, spans: Iterable[Span], planned: Sequence[Interval]) -> None:
        running = intersect([(span.start_us, span.end_us) for span in spans if span.state == RUNNING], planned)
        self._running = running
        self._starts = [start_us for start_us, _ in running]
        self._before = [0, *accumulate(end_us - start_us for start_us, end_us in running)]

    @property
    def total_us(self) -> int:
        """All of it."""
        return self._before[-1]

    def until(self, at_us: int) -> int:
        """Return the running time before an instant, in microseconds."""
        i = bisect_right(self._starts, at_us) - 1
        return self._before[i] + min(at_us, self._running[i][1]) - self._starts[i] if i >= 0 else 0


def stretches_of(spans: Sequence[Span], planned: Planned, onwards: Planned) -> list[Stretch]:
    """Return the stretches of fault time that bear on a window, in order; `planned` is its planned time.

    `spans` join without a gap. They begin before the window, so that what is continued is seen, and go on beyond it for as long
    as a fault of its end lasts; `onwards` is planned time from the window's begin up to there.
    """
    found = []
    for first, last in _fault_runs(spans):
        start_us, end_us = spans[first].start_us, spans[last].end_us
        found.append(
            Stretch(
                start_us,
                end_us,
                spans[first].reason or "",
                planned.length_us(start_us, end_us),
                onwards.length_us(start_us, end_us),
                # Where the time before is not kept any more, neither is the begin: the span was cut there.
                planned.has(start_us) and (first == 0 or spans[first - 1][2:] != (UNKNOWN, NOT_KEPT)),
                begin_seen=first > 0 and spans[first - 1].state != UNKNOWN,
                end_seen=last + 1 < len(spans) and spans[last + 1].state != UNKNOWN,
            )
        )
    return [one for one in found if one.fault_us]


def _fault_runs(spans: Sequence[Span]) -> Iterator[tuple[int, int]]:
    """Yield the first and the last index of spans in fault that follow one another."""
    first: int | None = None
    for i, span in enumerate(spans):
        if span.state == FAULT and first is None:
            first = i
        if first is not None and (i + 1 == len(spans) or spans[i + 1].state != FAULT):
            yield first, i
            first = None


def told_by(stretch: Stretch, raised: Raised | None) -> Stretch:
    """Return a stretch with what the last raise of its code up to its begin tells (None: there is none).

    A raise at its begin proves that it began there, whatever was known before.
    """
    if raised is None:
        return stretch
    begin_seen = stretch.begin_seen or raised.at_us == stretch.start_us
    return replace(stretch, subsystem=raised.subsystem, begin_seen=begin_seen)


@dataclass(slots=True)
class Tally:
    """What the figures of failures are read off: running time and stretches of fault time; tallies of cells add up."""

    running_us: int = 0
    stretches: list[Stretch] = field(default_factory=list)

    def __add__(self, other: "Tally") -> "Tally":
        return Tally(self.running_us + other.running_us, [*self.stretches, *other.stretches])

    @property
    def counted(self) -> list[Stretch]:
        """The failures: those stretches that began in planned time of the window."""
        return [one for one in self.stretches if one.counts]

    @property
    def begins_unseen(self) -> int:
        """How many failures began where there was no evidence before."""
        return sum(not one.begin_seen for one in self.counted)

    @property
    def ends_unseen(self) -> int:
        """How many failures lasted at least to where evidence ended, or to now."""
        return sum(not one.end_seen for one in self.counted)

    def by(self, key: Callable[[Stretch], KeyT]) -> dict[KeyT, "Tally"]:
        """Return a tally of each kind of stretches, over the same running time."""
        found: dict[KeyT, Tally] = {}
        for one in self.stretches:
            found.setdefault(key(one), Tally(self.running_us)).stretches.append(one)
        return found


@dataclass(frozen=True, slots=True)
class FailureFigures:
    """The figures of failures, times in seconds; None where there is nothing to divide by, and where a bound is not told.

    `fault_s` is all fault time in planned time of the window. `repair_s` is that of the failures that began in it, as long as
    they lasted: so both of them sum over windows. Bounds are two-sided; without a failure that of the mean time between failures
    is one-sided, and the lower one alone.
    """

    running_s: float
    failures: int
    mtbf_s: float | None
    mtbf_bounds_s: Bounds
    mttr_s: float | None
    mttr_bounds_s: Bounds
    repair_s: float
    fault_s: float
    longest_s: float | None
    first_us: int | None
    last_us: int | None
    begins_unseen: int
    ends_unseen: int


def failure_figures_of(tally: Tally, confidence: float) -> FailureFigures:
    """Return the figures of a tally; a unit that did not run has no mean time between failures, and no bounds of it."""
    counted = tally.counted
    running_s, number = tally.running_us / MICROSECONDS, len(counted)
    repair_s = sum(one.repair_us for one in counted) / MICROSECONDS
    begins = sorted(one.start_us for one in counted)
    return FailureFigures(
        running_s=running_s,
        failures=number,
        mtbf_s=ratio(running_s, number) if running_s else None,
        mtbf_bounds_s=mean_time_bounds(running_s, number, confidence),
        mttr_s=ratio(repair_s, number),
        mttr_bounds_s=mean_duration_bounds(repair_s, number, confidence),
        repair_s=repair_s,
        fault_s=sum(one.fault_us for one in tally.stretches) / MICROSECONDS,
        longest_s=max(one.repair_us for one in counted) / MICROSECONDS if counted else None,
        first_us=begins[0] if begins else None,
        last_us=begins[-1] if begins else None,
        begins_unseen=tally.begins_unseen,
        ends_unseen=tally.ends_unseen,
    )


def trend_score(clocks: Sequence[Clock], tally: Tally) -> float | None:
    """Return Laplace's score of a unit's failures in its running time, that of its cells together; None of fewer than four."""
    begins = [one.start_us for one in tally.counted]
    return trend([sum(c.until(at_us) for c in clocks) for at_us in begins], sum(c.total_us for c in clocks))
