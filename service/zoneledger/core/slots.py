"""A line's time cut into slots: at each begin and end of a shift, and at each local midnight.

Every shift, and every day, week and month of a site, is a row of whole slots; what was summed by slot adds up to any of them.
"""

from collections.abc import Iterator
from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from zoneledger.core.calendar import local_time, midnight_us
from zoneledger.core.plant import Line
from zoneledger.core.shifts import instances
from zoneledger.core.spans import Interval


def cuts_us(line: Line, tz: ZoneInfo, start_us: int, end_us: int) -> list[int]:
    """Return the instants inside (start_us, end_us) at which a slot ends and the next begins, ascending."""
    found = set(_midnights_us(tz, start_us, end_us))
    for shift in instances(line, tz, start_us, end_us):
        found |= {shift.start_us, shift.end_us}
    return sorted(us for us in found if start_us < us < end_us)


def slots(line: Line, tz: ZoneInfo, start_us: int, end_us: int) -> list[Interval]:
    """Return [start_us, end_us) as slots, in order; the first and the last one are whole only where the bounds are cuts."""
    return list(pairwise([start_us, *cuts_us(line, tz, start_us, end_us), end_us])) if start_us < end_us else []


def _midnights_us(tz: ZoneInfo, start_us: int, end_us: int) -> Iterator[int]:
    # One day earlier: where the clocks jump over midnight, a date can show before the instant that is its 00:00.
    day = local_time(start_us, tz).date() - timedelta(days=1)
    while (at_us := midnight_us(day, tz)) < end_us:
        yield at_us
        day += timedelta(days=1)
