"""A line's shifts: their instances as they really were on the clock, and the planned time in a window."""

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from dateutil.rrule import rrulestr

from zoneledger.core.calendar import DAY_US, instant_us, local_time
from zoneledger.core.plant import Line, PlannedStop, ShiftPattern, Unit
from zoneledger.core.spans import Interval, intersect, unite

FIRST_SINCE = date(2000, 1, 1)
LAST_DATE = date(2199, 12, 31)

_ID = re.compile(r"(\d{4}-\d{2}-\d{2})/([a-z0-9-]{1,40})", re.ASCII)
_UNTIL = re.compile(r";?UNTIL=(\d{8})", re.ASCII)

# The calendar repeats every 400 years. Rules are followed 7,600 years later, where dateutil's last year, 9999, stands
# for 2399: a rule that never comes to pass ends after four centuries and a fraction of a second, not after eighty.
_AHEAD = timedelta(days=19 * 146_097)


@dataclass(frozen=True, slots=True)
class ShiftInstance:
    """One shift as it really was: `id` is `2026-11-25/early`, `stops` are (name, start_us, end_us) in order."""

    id: str
    name: str
    date: date
    start_us: int
    end_us: int
    stops: tuple[tuple[str, int, int], ...] = ()

    def planned(self) -> list[Interval]:
        """Return the shift less its planned stops: disjoint intervals in order."""
        return subtract([(self.start_us, self.end_us)], [(start, end) for _, start, end in self.stops])


def dates(pattern: ShiftPattern, year: int) -> tuple[date, ...]:
    """Return the local dates of a pattern in a year, ascending: its rule's and the extra ones, less the excepted."""
    first, last = date(year, 1, 1), date(year, 12, 31)
    ruled = _rule_dates(pattern.repeats, pattern.since, min(date(year // 10 * 10 + 9, 12, 31), LAST_DATE))
    chosen = set(ruled[bisect_left(ruled, first) : bisect_right(ruled, last)])
    chosen |= {extra for extra in pattern.extra if first <= extra <= last}
    return tuple(sorted(chosen.difference(pattern.except_)))


def first_date(repeats: str, since: date) -> date | None:
    """Return the first date of a rule, None if it never comes to pass before 2200."""
    return next(_each_date(repeats, since, LAST_DATE), None)


def instances(line: Line, tz: ZoneInfo, start_us: int, end_us: int) -> list[ShiftInstance]:
    """Return the shifts of `line` that overlap [start_us, end_us), by start; none for a line without shifts.

    Their ends are not clipped. A shift whose end is not after its start on that date, because the clocks went forward
    over it, does not take place.
    """
    if end_us <= start_us:
        return []
    first = (local_time(start_us, tz) - timedelta(days=2)).year
    last = min(local_time(end_us, tz).year, LAST_DATE.year)
    found = [
        instance
        for pattern in line.shifts
        for year in range(max(first, pattern.since.year), last + 1)
        for instance in _overlapping(year_instances(pattern, tz, year), start_us, end_us)
    ]
    return sorted(found, key=lambda each: (each.start_us, each.end_us, each.id))


def find_instance(line: Line, tz: ZoneInfo, shift_id: str) -> ShiftInstance | None:
    """Return the shift with the id `2026-11-25/early`, None if the line has none such on that date or it is no id."""
    if not (match := _ID.fullmatch(shift_id)):
        return None
    try:
        day = date.fromisoformat(match[1])
    except ValueError:
        return None
    for pattern in line.shifts:
        if pattern.name == match[2]:
            for instance in year_instances(pattern, tz, day.year):
                if instance.date == day:
                    return instance
    return None


def planned(line: Line, tz: ZoneInfo, start_us: int, end_us: int) -> list[Interval]:
    """Return the planned time in [start_us, end_us): disjoint intervals in order, planned stops cut out.

    A line without shifts is planned around the clock.
    """
    if not line.shifts:
        return [(start_us, end_us)] if start_us < end_us else []
    pieces = [piece for instance in instances(line, tz, start_us, end_us) for piece in instance.planned()]
    return intersect(unite(pieces), [(start_us, end_us)])


def in_shift(line: Line, tz: ZoneInfo, at_us: int) -> bool:
    """Tell whether a line is in a shift at an instant, planned stops included; a line without shifts always is."""
    return not line.shifts or bool(instances(line, tz, at_us, at_us + 1))


def planned_of(unit: Unit, start_us: int, end_us: int) -> list[Interval]:
    """Return the planned time of a unit in [start_us, end_us): its line's, of a cell or zone since the cell belongs to it.

    A site has none of its own.
    """
    if unit.line is None:
        return []
    return planned(unit.line, unit.tz, max(start_us, unit.since_us or start_us), end_us)


def subtract(intervals: Iterable[Interval], holes: Iterable[Interval]) -> list[Interval]:
    """Return what the union of `intervals` has and that of `holes` has not: disjoint intervals in order."""
    left: list[Interval] = []
    cuts = unite(holes)
    for start, end in unite(intervals):
        for hole_start, hole_end in cuts[max(bisect_left(cuts, (start,)) - 1, 0) :]:
            if hole_start >= end:
                break
            if hole_end > start:
                left.append((start, hole_start))
                start = hole_end
        left.append((start, end))
    return [each for each in left if each[0] < each[1]]


@lru_cache(maxsize=128)
def _rule_dates(repeats: str, since: date, last: date) -> tuple[date, ...]:
    return tuple(_each_date(repeats, since, last))


def _each_date(repeats: str, since: date, last: date) -> Iterator[date]:
    """Yield the dates of a rule from `since` to `last`; UNTIL is a date and included, as RFC 5545 3.3.10 has it."""
    text = repeats.upper()
    if until := _UNTIL.search(text):
        last = min(last, datetime.strptime(until[1], "%Y%m%d").date())
    rule = rrulestr(_UNTIL.sub("", text).removeprefix(";"), dtstart=datetime.combine(since, time()) + _AHEAD)
    try:
        for each in rule:
            day = (each - _AHEAD).date()
            if day > last:
                return
            yield day
    except (ValueError, OverflowError):
        # A weekly rule can step over the end of the year 9999; every date that it has before that was yielded.
        return


@lru_cache(maxsize=256)
def year_instances(pattern: ShiftPattern, tz: ZoneInfo, year: int) -> tuple[ShiftInstance, ...]:
    """Return the shifts of one pattern that start on a local date in `year`, by start; `year` is not before `since`."""
    built = (_instance(pattern, tz, day) for day in dates(pattern, year))
    return tuple(each for each in built if each.start_us < each.end_us)


def _instance(pattern: ShiftPattern, tz: ZoneInfo, day: date) -> ShiftInstance:
    start_us, end_us = _bounds(day, pattern.starts, pattern.ends, tz)
    stops = ((stop.name, *_bounds(stop_date(pattern, stop, day), stop.starts, stop.ends, tz)) for stop in pattern.stops)
    within = ((name, max(start, start_us), min(end, end_us)) for name, start, end in stops)
    ordered = tuple(sorted((each for each in within if each[1] < each[2]), key=lambda each: each[1:]))
    return ShiftInstance(f"{day}/{pattern.name}", pattern.name, day, start_us, end_us, ordered)


def stop_date(pattern: ShiftPattern, stop: PlannedStop, day: date) -> date:
    """Return the local date on which a stop starts in the shift of `day`: the next one after midnight."""
    return day + timedelta(days=1) if stop.starts < pattern.starts else day


def _bounds(day: date, starts: time, ends: time, tz: ZoneInfo) -> Interval:
    last_day = day if ends > starts else day + timedelta(days=1)
    return instant_us(datetime.combine(day, starts), tz), instant_us(datetime.combine(last_day, ends), tz)


def _overlapping(ordered: Sequence[ShiftInstance], start_us: int, end_us: int) -> Iterator[ShiftInstance]:
    # No shift is longer than 24 hours by the wall clock, and no zone puts its clock by a day within one.
    first = bisect_left(ordered, start_us - 2 * DAY_US, key=lambda each: each.start_us)
    for instance in ordered[first:]:
        if instance.start_us >= end_us:
            return
        if instance.end_us > start_us:
            yield instance
