"""Wall-clock time and instants: local midnights, days, and the calendar periods that a window is split into."""

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from zoneledger.core.spans import Interval

PeriodKind = Literal["hour", "day", "week", "month"]

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US

#: How a date is written.
DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def is_no_date(text: str) -> bool:
    """Tell whether a text is written as a date that there is not, such as 2026-02-30."""
    if not DATE.fullmatch(text):
        return False
    try:
        date.fromisoformat(text)
    except ValueError:
        return True
    return False


def instant_us(local: datetime, tz: ZoneInfo) -> int:
    """Return the instant (us since the epoch) of a naive wall-clock time in `tz`.

    RFC 5545 3.3.5, which is PEP 495 with fold=0: of a time that occurs twice the first is meant; a time that does not
    occur is read with the offset from before the clocks went forward.
    """
    return (local.replace(tzinfo=tz, fold=0).astimezone(UTC) - _EPOCH) // _MICROSECOND


def local_time(at_us: int, tz: ZoneInfo) -> datetime:
    """Return the aware wall-clock time in `tz` at an instant between the years 1 and 9999."""
    return (_EPOCH + timedelta(microseconds=at_us)).astimezone(tz)


def seconds(length_us: float) -> float:
    """Return microseconds as seconds, exact to the microsecond."""
    return length_us / 1_000_000


def seconds_or_none(length_us: float | None) -> float | None:
    """Return microseconds as seconds, None for none."""
    return None if length_us is None else seconds(length_us)


def midnight_us(day: date, tz: ZoneInfo) -> int:
    """Return the instant at which a local date begins in `tz`."""
    return instant_us(datetime.combine(day, time()), tz)


def day_window(tz: ZoneInfo, day: date) -> Interval:
    """Return a local date as [start_us, end_us): 23 to 25 hours in most zones, none where a zone skipped the date."""
    return midnight_us(day, tz), midnight_us(day + timedelta(days=1), tz)


def periods(kind: PeriodKind, tz: ZoneInfo, start_us: int, end_us: int) -> list[tuple[str, int, int]]:
    """Split [start_us, end_us) at the calendar periods of `tz`: (label, start_us, end_us), clipped, in order.

    Labels name the whole period: `2026-11-25`, `2026-W48` (ISO 8601 week), `2026-11`, and for hours the RFC 3339 UTC
    time at which the hour begins. An hour begins where the local clock shows minute 0, so it is longer where the
    clocks change by half an hour. The periods join without a gap and sum to the window.
    """
    if end_us <= start_us:
        return []
    found = _hours(tz, start_us, end_us) if kind == "hour" else _dated(kind, tz, start_us, end_us)
    return [
        (label, max(begin, start_us), min(end, end_us))
        for label, begin, end in found
        if max(begin, start_us) < min(end, end_us)
    ]


def _dated(kind: PeriodKind, tz: ZoneInfo, start_us: int, end_us: int) -> Iterator[tuple[str, int, int]]:
    # One day earlier: where the clocks jump over midnight, a date can show before the instant that is its 00:00.
    day = _first_date(kind, local_time(start_us, tz).date() - timedelta(days=1))
    begin = midnight_us(day, tz)
    while begin < end_us:
        following = _next_date(kind, day)
        end = midnight_us(following, tz)
        yield _label(kind, day), begin, end
        day, begin = following, end


def _first_date(kind: PeriodKind, day: date) -> date:
    if kind == "week":
        return day - timedelta(days=day.weekday())
    return day.replace(day=1) if kind == "month" else day


def _next_date(kind: PeriodKind, day: date) -> date:
    if kind == "month":
        return (day + timedelta(days=31)).replace(day=1)
    return day + timedelta(days=7 if kind == "week" else 1)


def _label(kind: PeriodKind, day: date) -> str:
    if kind == "week":
        year, week, _ = day.isocalendar()
        return f"{year}-W{week:02}"
    return f"{day:%Y-%m}" if kind == "month" else day.isoformat()


def _hours(tz: ZoneInfo, start_us: int, end_us: int) -> Iterator[tuple[str, int, int]]:
    begin = start_us
    while past := _past_hour_us(begin, tz):
        begin -= past
    while begin < end_us:
        end = begin + HOUR_US
        while past := _past_hour_us(end, tz):
            end += HOUR_US - past
        yield f"{local_time(begin, ZoneInfo('UTC')):%Y-%m-%dT%H:%M:%SZ}", begin, end
        begin = end


def _past_hour_us(at_us: int, tz: ZoneInfo) -> int:
    local = local_time(at_us, tz)
    return (local.minute * 60 + local.second) * 1_000_000 + local.microsecond
