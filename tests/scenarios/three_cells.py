"""A line of three cells of one zone each, what they tell of days and of an hour, and what the API tells of their shifts."""

from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any

import httpx

from tests.scenarios.story import Message, Story, results

BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
LATE, OTHER, IN_ORDER = (f"bench/line-1/cell-{number}" for number in (1, 2, 3))
DAYS = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-05T06:00:00Z"}
DAY_MIN = 1440.0

PATTERNS = {"early": ("06:00", "14:00"), "late": ("14:00", "22:00"), "night": ("22:00", "06:00")}
PLANT = {
    "line": "line-1",
    "shifts": [
        {"shift": name, "starts": starts, "ends": ends, "repeats": "FREQ=DAILY", "since": "2026-03-01"}
        for name, (starts, ends) in PATTERNS.items()
    ],
    "standards": [{"operation": "fasten", "seconds": 18.0, "since": "2026-01-01"}],
    "cells": [{"cell": f"cell-{number}", "zones": ["1"]} for number in (1, 2, 3)],
}

Get = Callable[..., Awaitable[dict[str, Any]]]
Points = dict[str, tuple[int, dict[str, Any]]]
"""By shift: the revision, and the figures themselves."""


async def declare(api: httpx.AsyncClient) -> None:
    """Declare the line, in three shifts."""
    site = {"site": "bench", "timezone": "UTC", "lines": [PLANT]}
    answer = await api.put("/v1/plant", json={"sites": [site]})
    assert answer.status_code == 200, answer.text


def three_days() -> list[list[Message]]:
    """Return what a cell tells on each of three days: it works and stands through the early and late shift, and sleeps at night."""
    story, days = Story(BEGIN), []
    for day in range(3):
        told = len(story.messages) if day else 0
        story.minute = day * DAY_MIN
        story.snapshot()
        for _ in range(4):
            story.run(60, results(12, 1, 1)).fault(20).setup(15).wait(25).run(60, results(10))
        story.minute = (day + 1) * DAY_MIN - 0.5
        story.snapshot()
        days.append(story.messages[told:])
    return days


def told_hour() -> list[Message]:
    """Return what a cell tells of an hour: two runs with a wait between them, and a snapshot after each."""
    story = Story(BEGIN)
    for _ in range(2):
        story.run(20, results(10)).wait(5)
        story.snapshot()
    return story.rest(10).close()


async def post(api: httpx.AsyncClient, cell: str, messages: list[Message]) -> None:
    answer = await api.post("/v1/messages", json={"cell": cell, "messages": messages})
    assert answer.json()["refused"] == []


async def by_shift(get: Get, unit: str) -> Points:
    """Return revision and figures of each shift of the three days."""
    points = (await get(f"/v1/kpi/{unit}", by="shift", **DAYS))["series"]
    return {point["shift"]: (point["revision"], _figures(point)) for point in points}


async def panels_by_shift(get: Get, unit: str) -> dict[str, Any]:
    """Return what is told of the panel passes in each shift of the three days."""
    shifts = [point["shift"] for point in (await get(f"/v1/kpi/{unit}", by="shift", **DAYS))["series"]]
    told = {shift: await get(f"/v1/panels/{unit}", shift=shift) for shift in shifts}
    return {shift: [answer[name] for name in ("passes", "present", "programs")] for shift, answer in told.items()}


def _figures(point: dict[str, Any]) -> dict[str, Any]:
    """Return what a point tells beside its revision, what tells of that, and why time is unknown."""
    figures = {name: value for name, value in point.items() if name != "revision"}
    figures["warnings"] = [one for one in point["warnings"] if one["code"] != "restated"]
    figures["reasons_s"] = {state: reasons for state, reasons in point["reasons_s"].items() if state != "unknown"}
    return figures
