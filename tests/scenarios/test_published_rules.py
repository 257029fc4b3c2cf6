"""The recurrence examples of RFC 5545, declared as shifts and read through the API."""

import re
from collections.abc import Awaitable, Callable
from datetime import date
from typing import Any

import httpx

from tests.unit.plant.test_recurrence import RFC_EXAMPLES

#: The weekdays and leap years of the Gregorian calendar repeat after 28 years, from 1901 to 2099: the RFC's dates lie before those
#: that a plant may declare, and are moved by so many.
YEARS = 28

Get = Callable[..., Awaitable[dict[str, Any]]]


def _moved(day: date) -> date:
    return day.replace(year=day.year + YEARS)


def _rule(text: str) -> str:
    return re.sub(r"UNTIL=(\d{4})", lambda match: f"UNTIL={int(match[1]) + YEARS}", text)


def _line(number: int, since: str, rule: str) -> dict[str, Any]:
    repeats, since = _rule(rule), _moved(date.fromisoformat(since)).isoformat()
    shift = {"shift": "early", "starts": "06:00", "ends": "14:00", "repeats": repeats, "since": since}
    return {"line": f"line-{number}", "shifts": [shift], "cells": [{"cell": "cell-1", "zones": ["1"]}]}


async def _dates(get: Get, line: str, first_year: int, last_year: int) -> list[date]:
    found = []
    for year in range(first_year, last_year + 1):
        window = {"start": f"{year}-01-01T00:00:00Z", "end": f"{year + 1}-01-01T00:00:00Z"}
        found += [one["shift"] for one in (await get(f"/v1/shifts/bench/{line}", **window))["shifts"]]
    return [date.fromisoformat(shift.partition("/")[0]) for shift in found]


async def test_the_examples_of_rfc_5545_section_3_8_5_3(api: httpx.AsyncClient, get: Get) -> None:
    """RFC 5545 section 3.8.5.3 [the RFC], those that choose dates."""
    lines = [_line(i, since, rule) for i, (since, rule, _) in enumerate(RFC_EXAMPLES)]
    answer = await api.put("/v1/plant", json={"sites": [{"site": "bench", "timezone": "UTC", "lines": lines}]})
    assert answer.status_code == 200, answer.text
    for i, (_, rule, dates) in enumerate(RFC_EXAMPLES):
        expected = [_moved(day) for day in dates]
        found = await _dates(get, f"line-{i}", expected[0].year, expected[-1].year + 1)
        ended = "COUNT" in rule or "UNTIL" in rule
        assert (found if ended else found[: len(expected)]) == expected, rule
