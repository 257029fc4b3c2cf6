"""Instants and durations as the API writes and reads them."""

import re
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from zoneledger.core.calendar import DATE, is_no_date
from zoneledger.core.calendar import seconds as seconds
from zoneledger.core.calendar import seconds_or_none as seconds_or_none
from zoneledger.core.decoding import Refusal
from zoneledger.core.validation import parse_instant

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_PARTS = re.compile(rf"({DATE.pattern})T(\d{{2}}):(\d{{2}}):(\d{{2}})", re.ASCII | re.IGNORECASE)
FIRST_YEAR, LAST_YEAR = 2000, 2199
_FIRST_US, _END_US = (parse_instant("year", f"{year}-01-01T00:00:00Z") for year in (FIRST_YEAR, LAST_YEAR + 1))


@lru_cache(maxsize=8192)
def rfc3339(instant_us: int) -> str:
    """Return an instant as RFC 3339 in UTC, microseconds only where there are any; years beyond 1 to 9999 at their bounds."""
    bounded = min(max(instant_us, -62_135_596_800_000_000), 253_402_300_799_999_999)
    return (_EPOCH + timedelta(microseconds=bounded)).isoformat().replace("+00:00", "Z")


def rfc3339_or_none(instant_us: int | None) -> str | None:
    """Return an instant as RFC 3339, None for none."""
    return None if instant_us is None else rfc3339(instant_us)


def read_instant(value: object) -> int:
    """Return an RFC 3339 text as microseconds since the Unix epoch; raise ValueError, saying what it should be."""
    if not isinstance(value, str):
        raise ValueError("should be RFC 3339 with an offset")
    try:
        instant_us = parse_instant("the time", value)
    except Refusal as refusal:
        if missing := _missing_of(value):
            raise ValueError(missing) from None
        hint = " (write + as %2B in a URL)" if " " in value else ""
        raise ValueError(f"{refusal.detail}{hint}") from None
    if not _FIRST_US <= instant_us <= _END_US:
        raise ValueError(f"the time should lie in the years {FIRST_YEAR} to {LAST_YEAR}")
    return instant_us


def _missing_of(text: str) -> str | None:
    """Return which part there is not of a time that is written as it should be; None where it is none, or it is another part."""
    parts = _PARTS.match(text)
    if parts is None:
        return None
    day, *clock = parts.groups()
    if is_no_date(day):
        return f"there is no date {day}"
    for name, written, last in zip(("hour", "minute", "second"), clock, (23, 59, 59), strict=True):
        if int(written) > last:
            return f"there is no {name} {written}"
    return None


def read_day(value: object) -> date:
    """Return a text as a date; raise ValueError, saying what it should be."""
    try:
        day = date.fromisoformat(value) if isinstance(value, str) and len(value) == 10 else None
    except ValueError:
        if is_no_date(str(value)):
            raise ValueError(f"there is no date {value}") from None
        day = None
    if day is None or day.isoformat() != value or not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValueError(f"should be a date such as 2026-11-25, in the years {FIRST_YEAR} to {LAST_YEAR}")
    return day


_INSTANT_SCHEMA = {"type": "string", "format": "date-time", "examples": ["2026-11-25T06:00:00Z"]}
_DAY_SCHEMA = {"type": "string", "format": "date", "examples": ["2026-11-25"]}

Instant = Annotated[int, BeforeValidator(read_instant), WithJsonSchema(_INSTANT_SCHEMA)]
Day = Annotated[date, BeforeValidator(read_day), WithJsonSchema(_DAY_SCHEMA)]
Time = Annotated[str, Field(json_schema_extra={"format": "date-time"}, examples=["2026-11-25T06:00:00Z"])]
Seconds = Annotated[float, Field(description="seconds, exact to the microsecond", examples=[28800.0])]
