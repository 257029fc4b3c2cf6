"""What the tests of the plant declare again and again."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from zoneledger.core.plant import Line, PlannedStop, ShiftPattern

BERLIN = ZoneInfo("Europe/Berlin")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")
HOUR_US = 3_600_000_000
MINUTE_US = 60_000_000

# Zones whose clocks change by an hour, by half an hour, at midnight, over midnight, by a day, or never.
ZONE_NAMES = (
    "Europe/Berlin",
    "Europe/Lisbon",
    "Australia/Lord_Howe",
    "America/St_Johns",
    "America/Havana",
    "Atlantic/Azores",
    "Asia/Beirut",
    "Africa/Cairo",
    "Asia/Kathmandu",
    "Pacific/Apia",
    "UTC",
)


def us(text: str) -> int:
    """Return an RFC 3339 time as microseconds since the epoch."""
    return (datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def clock(text: str) -> time:
    """Return `06:00` as a time of day."""
    return time.fromisoformat(text)


def pattern(
    name: str = "early",
    starts: str = "06:00",
    ends: str = "14:00",
    repeats: str = "FREQ=DAILY",
    since: str = "2026-01-05",
    *,
    except_: tuple[str, ...] = (),
    extra: tuple[str, ...] = (),
    stops: tuple[tuple[str, str, str], ...] = (),
) -> ShiftPattern:
    """Return a shift pattern; stops are (name, starts, ends)."""
    return ShiftPattern(
        name,
        clock(starts),
        clock(ends),
        repeats,
        date.fromisoformat(since),
        tuple(date.fromisoformat(day) for day in except_),
        tuple(date.fromisoformat(day) for day in extra),
        tuple(PlannedStop(stop, clock(begin), clock(end)) for stop, begin, end in stops),
    )


def line_with(*patterns: ShiftPattern) -> Line:
    """Return a line that has these shifts."""
    return Line("wing-1", shifts=patterns)
