"""What a shift's recurrence rule may say: the parts of RFC 5545 3.3.10 that choose dates."""

import re
from collections.abc import Callable
from datetime import date, datetime

WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
FREQUENCIES = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
MAX_INTERVAL = 1000
MAX_COUNT = 100_000

_WEEKDAY = re.compile(r"([+-]?[0-9]{1,2})?(MO|TU|WE|TH|FR|SA|SU)")
_INTEGER = re.compile(r"[+-]?[0-9]{1,3}")
_UNSIGNED = re.compile(r"[0-9]{1,6}")

Parts = dict[str, str]


def rule_faults(rule: str, since: date) -> list[str]:
    """Return a sentence for each part of a rule that is wrong, none for a good rule.

    A shift repeats by date, so frequencies below a day and BYHOUR, BYMINUTE and BYSECOND are refused, and UNTIL is a
    date as `since` is (RFC 5545 3.3.10: both have the same value type).
    """
    parts: Parts = {}
    faults: list[str] = []
    for text in rule.upper().split(";"):
        name, equals, value = text.partition("=")
        if not (name and equals and value):
            faults.append(f'"{text}" should be a part such as FREQ=WEEKLY; parts are joined by ";" alone')
        elif name in parts:
            faults.append(f"{name} is given twice; give it once")
        else:
            parts[name] = value
    for name, value in parts.items():
        check = _CHECKS.get(name)
        fault = check(value) if check else _misplaced(name)
        if fault:
            faults.append(f"{name}={value}: {fault}")
    return faults or _combination_faults(parts, since)


def _misplaced(name: str) -> str:
    if name in ("BYHOUR", "BYMINUTE", "BYSECOND"):
        return 'a shift repeats by date; give the time of day as "starts"'
    if name == "DTSTART":
        return 'give the first date as "since"'
    return "is no part of a recurrence rule; the parts are " + ", ".join(PARTS)


def _combination_faults(parts: Parts, since: date) -> list[str]:
    if "FREQ" not in parts:
        return ["FREQ is missing; begin with one of " + ", ".join(f"FREQ={name}" for name in FREQUENCIES)]
    frequency = parts["FREQ"]
    choosing = parts.keys() & {"BYDAY", "BYMONTHDAY", "BYYEARDAY", "BYWEEKNO", "BYMONTH"}
    until = _date(parts["UNTIL"]) if "UNTIL" in parts else since
    rules = (
        ("COUNT" in parts and "UNTIL" in parts, "COUNT and UNTIL exclude each other; keep one of them"),
        ("BYMONTHDAY" in parts and frequency == "WEEKLY", "BYMONTHDAY does not go with FREQ=WEEKLY"),
        ("BYYEARDAY" in parts and frequency != "YEARLY", "BYYEARDAY needs FREQ=YEARLY"),
        ("BYWEEKNO" in parts and frequency != "YEARLY", "BYWEEKNO needs FREQ=YEARLY"),
        ("BYWEEKNO" in parts and "BYDAY" not in parts, "BYWEEKNO needs BYDAY beside it to say which days of the week"),
        ("BYSETPOS" in parts and not choosing, "BYSETPOS needs another BY part to choose from, such as BYDAY"),
        (
            until < since,
            f"UNTIL={parts.get('UNTIL')}: lies before since; should be the last date the shift may start on",
        ),
    )
    return [sentence for broken, sentence in rules if broken] + _nth_weekday_faults(parts)


def _nth_weekday_faults(parts: Parts) -> list[str]:
    numbers = [int(match[1] or 0) for match in map(_WEEKDAY.fullmatch, parts.get("BYDAY", "").split(",")) if match]
    if not any(numbers):
        return []
    in_month = parts["FREQ"] == "MONTHLY" or "BYMONTH" in parts
    rules = (
        (parts["FREQ"] in ("DAILY", "WEEKLY"), "a number before a day in BYDAY needs FREQ=MONTHLY or YEARLY"),
        (not all(numbers), "BYDAY should have a number before every day or before none"),
        ("BYWEEKNO" in parts, "a number before a day in BYDAY does not go with BYWEEKNO"),
        (in_month and max(map(abs, numbers)) > 5, "BYDAY within a month should have numbers from 1 to 5, or -5 to -1"),
    )
    return [sentence for broken, sentence in rules if broken]


def _frequency(value: str) -> str | None:
    if value in ("HOURLY", "MINUTELY", "SECONDLY"):
        return "a shift starts once on a date; the frequency should be one of " + ", ".join(FREQUENCIES)
    return None if value in FREQUENCIES else "should be one of " + ", ".join(FREQUENCIES)


def _until(value: str) -> str | None:
    try:
        _date(value)
    except ValueError:
        return "should be a date such as 20261231, the last one on which the shift may start"
    return None


def _date(value: str) -> date:
    if not re.fullmatch(r"[0-9]{8}", value):
        raise ValueError(value)
    return datetime.strptime(value, "%Y%m%d").date()


def _weekday(value: str) -> str | None:
    return None if value in WEEKDAYS else "should be one of " + ", ".join(WEEKDAYS)


def _weekdays(value: str) -> str | None:
    for day in value.split(","):
        match = _WEEKDAY.fullmatch(day)
        if not match:
            return f'"{day}" should be one of {", ".join(WEEKDAYS)}; a number before it means the nth one'
        if match[1] and not 1 <= abs(int(match[1])) <= 53:
            return f'"{day}" should have a number from 1 to 53, or -53 to -1, before it'
    return None


def _count(most: int) -> Callable[[str], str | None]:
    def check(value: str) -> str | None:
        good = _UNSIGNED.fullmatch(value) and 1 <= int(value) <= most
        return None if good else f"should be a whole number from 1 to {most}"

    return check


def _days(most: int) -> Callable[[str], str | None]:
    def check(value: str) -> str | None:
        good = all(_INTEGER.fullmatch(each) and 1 <= abs(int(each)) <= most for each in value.split(","))
        return None if good else f"should be whole numbers from 1 to {most}, or -{most} to -1 counted from the end"

    return check


def _months(value: str) -> str | None:
    good = all(_UNSIGNED.fullmatch(each) and 1 <= int(each) <= 12 for each in value.split(","))
    return None if good else "should be months from 1 to 12"


_CHECKS: dict[str, Callable[[str], str | None]] = {
    "FREQ": _frequency,
    "INTERVAL": _count(MAX_INTERVAL),
    "COUNT": _count(MAX_COUNT),
    "UNTIL": _until,
    "BYDAY": _weekdays,
    "BYMONTHDAY": _days(31),
    "BYMONTH": _months,
    "BYYEARDAY": _days(366),
    "BYWEEKNO": _days(53),
    "BYSETPOS": _days(366),
    "WKST": _weekday,
}
PARTS = tuple(_CHECKS)
