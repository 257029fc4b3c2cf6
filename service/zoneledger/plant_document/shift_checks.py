"""From the shifts of a document to shift patterns, with every fault that they have alone or together."""

from collections.abc import Iterator
from datetime import date, time, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from zoneledger.core.calendar import midnight_us
from zoneledger.core.plant import Line, PlannedStop, ShiftPattern
from zoneledger.core.shifts import LAST_DATE, dates, first_date, instances
from zoneledger.core.spans import unite
from zoneledger.plant_document.recurrence import rule_faults
from zoneledger.plant_document.schema import ShiftDocument

OVERLAP_DAYS = 400
_DAY_MINUTES = 24 * 60

Faults = list[tuple[str, str]]


class _Taken(NamedTuple):
    """Time that the shift with index `shift` takes, with its local date."""

    start_us: int
    end_us: int
    shift: int
    date: date


def to_shifts(shifts: list[ShiftDocument], tz: ZoneInfo, place: str, faults: Faults) -> tuple[ShiftPattern, ...]:
    """Return the patterns of a line's shifts; add what is wrong with them to `faults`."""
    patterns = tuple(_to_pattern(shift) for shift in shifts)
    sound: dict[int, ShiftPattern] = {}
    for i, (shift, pattern) in enumerate(zip(shifts, patterns, strict=True)):
        before = len(faults)
        _check_rule(pattern, f"{place}/{i}", faults)
        if len(faults) == before:
            sound[i] = pattern
            _check_dates(pattern, f"{place}/{i}", faults)
        _check_stops(shift, f"{place}/{i}/stops", faults)
    _check_together(sound, tz, place, faults)
    return patterns


def _to_pattern(shift: ShiftDocument) -> ShiftPattern:
    return ShiftPattern(
        shift.shift,
        time.fromisoformat(shift.starts),
        time.fromisoformat(shift.ends),
        shift.repeats,
        shift.since,
        tuple(shift.except_),
        tuple(shift.extra),
        tuple(PlannedStop(s.stop, time.fromisoformat(s.starts), time.fromisoformat(s.ends)) for s in shift.stops),
    )


def _check_rule(pattern: ShiftPattern, place: str, faults: Faults) -> None:
    found = rule_faults(pattern.repeats, pattern.since)
    if not found and first_date(pattern.repeats, pattern.since) is None:
        found = [f"the rule has no date from {pattern.since} to {LAST_DATE}; its parts exclude each other"]
    faults += [(f"{place}/repeats", sentence) for sentence in found]


def _check_dates(pattern: ShiftPattern, place: str, faults: Faults) -> None:
    bare = ShiftPattern(pattern.name, pattern.starts, pattern.ends, pattern.repeats, pattern.since)
    for field, given in (("except", pattern.except_), ("extra", pattern.extra)):
        for i, day in enumerate(given):
            ruled = day in dates(bare, day.year)
            sentence = None
            if day in given[:i]:
                sentence = f"{day} is given twice; give it once"
            elif day < pattern.since:
                sentence = f"{day} lies before since, {pattern.since}; take it out or mend since"
            elif field == "except" and not ruled:
                sentence = f"{day}, a {day:%A}, is no date of the rule; take it out or mend it"
            elif field == "extra" and ruled:
                sentence = f"{day} is a date of the rule already; take it out"
            if sentence:
                faults.append((f"{place}/{field}/{i}", sentence))


def _check_stops(shift: ShiftDocument, place: str, faults: Faults) -> None:
    shift_minutes = _minutes_from(shift.starts, shift.ends) or _DAY_MINUTES
    taken: list[tuple[int, int, str]] = []
    for i, stop in enumerate(shift.stops):
        begins, lasts = _minutes_from(shift.starts, stop.starts), _minutes_from(stop.starts, stop.ends)
        if lasts == 0:
            faults.append((f"{place}/{i}/ends", f"must differ from starts, {stop.starts}"))
        elif begins + lasts > shift_minutes:
            faults.append(
                (
                    f"{place}/{i}",
                    f"{stop.starts} to {stop.ends} must lie within the shift, {shift.starts} to {shift.ends}",
                )
            )
        else:
            for other_begins, other_ends, name in taken:
                if begins < other_ends and other_begins < begins + lasts:
                    faults.append((f"{place}/{i}", f'must not overlap the stop "{name}"'))
            taken.append((begins, begins + lasts, stop.stop))


def _minutes_from(earlier: str, later: str) -> int:
    first, second = time.fromisoformat(earlier), time.fromisoformat(later)
    return ((second.hour - first.hour) * 60 + second.minute - first.minute) % _DAY_MINUTES


def _check_together(patterns: dict[int, ShiftPattern], tz: ZoneInfo, place: str, faults: Faults) -> None:
    """Note the first date of each pair of shifts that overlap, or that share a name and a date."""
    met: set[tuple[int, int]] = set()
    named: dict[tuple[str, date], int] = {}
    under_way: list[_Taken] = []
    for taken in sorted(_taken(patterns, tz)):
        name = patterns[taken.shift].name
        namesake = named.setdefault((name, taken.date), taken.shift)
        if namesake != taken.shift and _new_pair(met, namesake, taken.shift):
            later = max(namesake, taken.shift)
            sentence = f'a second shift "{name}" on {taken.date}; must have another name or dates of its own'
            faults.append((f"{place}/{later}/shift", sentence))
        under_way = [other for other in under_way if other.end_us > taken.start_us]
        for other in under_way:
            if other.shift != taken.shift and _new_pair(met, other.shift, taken.shift):
                faults.append(_overlap(patterns, other, taken, place))
        under_way.append(taken)


def _new_pair(met: set[tuple[int, int]], one: int, other: int) -> bool:
    pair = (min(one, other), max(one, other))
    if pair in met:
        return False
    met.add(pair)
    return True


def _overlap(patterns: dict[int, ShiftPattern], earlier: _Taken, later: _Taken, place: str) -> tuple[str, str]:
    first, second = patterns[earlier.shift], patterns[later.shift]
    sentence = (
        f'"{first.name}" ({first.starts:%H:%M} to {first.ends:%H:%M}) and "{second.name}" ({second.starts:%H:%M} to '
        f"{second.ends:%H:%M}) overlap, first on {later.date}; the one must end before the other starts"
    )
    return f"{place}/{max(earlier.shift, later.shift)}", sentence


def _taken(patterns: dict[int, ShiftPattern], tz: ZoneInfo) -> Iterator[_Taken]:
    """Yield what each shift takes within 400 days of the `since` of any."""
    begins = [pattern.since for pattern in patterns.values()]
    watched = unite((midnight_us(begin, tz), midnight_us(begin + timedelta(days=OVERLAP_DAYS), tz)) for begin in begins)
    for i, pattern in patterns.items():
        for start_us, end_us in watched:
            for found in instances(Line("", shifts=(pattern,)), tz, start_us, end_us):
                yield _Taken(found.start_us, found.end_us, i, found.date)
