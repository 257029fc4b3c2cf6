"""A cell that belongs to its line since a date: before it nothing of it is planned, and what the line came to stays.

The plant is invented. The line is planned from 06:00 to 14:00 and from 22:00 to 06:00 in Berlin, 16 hours of each local day, and
its standard is 60 s. The first cell works all week, from Monday 2026-03-02 to Sunday: it runs each early shift with 240 good
fasteners, and is idle else. The second one belongs to the line since Thursday. On Wednesday it is tried out: it runs the early
shift with 90 good fasteners and 10 rejects, and stands with a fault from 22:00 to 23:00. From Thursday on it runs each early
shift with 300 good fasteners and 20 rejects, and is idle else.
"""

import json
from datetime import UTC, datetime
from typing import Any

import httpx

from tests.scenarios.story import Message, Story, results
from zoneledger.application.presumming import Presumming, presum
from zoneledger.bootstrap import Service
from zoneledger.core.calendar import DAY_US

LINE, OLD, NEW = "bench/line-1", "bench/line-1/cell-1", "bench/line-1/cell-2"
NOW_US = int(datetime(2026, 3, 9, 6, 0, tzinfo=UTC).timestamp()) * 1_000_000
#: Local midnights in Berlin, an hour ahead of UTC.
MONDAY = datetime(2026, 3, 1, 23, 0, tzinfo=UTC)
THURSDAY_US = int(datetime(2026, 3, 4, 23, 0, tzinfo=UTC).timestamp()) * 1_000_000
WEEK = {"start": "2026-03-01T23:00:00Z", "end": "2026-03-08T23:00:00Z"}
#: The calls that tell of a window what rests on planned time.
READERS = ("kpi", "losses", "rates", "failures", "panels", "questions", "shifts", "sheet")
HOUR_S, DAY_MIN = 3600.0, 1440.0


def plant(*cells: dict[str, Any]) -> dict[str, Any]:
    """Return the plant's document, with these cells beside the first one."""
    patterns = {"early": ("06:00", "14:00"), "night": ("22:00", "06:00")}
    line = {
        "line": "line-1",
        "shifts": [
            {"shift": name, "starts": starts, "ends": ends, "repeats": "FREQ=DAILY", "since": "2026-01-01"}
            for name, (starts, ends) in patterns.items()
        ],
        "standards": [{"operation": "fasten", "seconds": 60.0, "since": "2026-01-01"}],
        "cells": [{"cell": "cell-1", "zones": ["1"]}, *cells],
    }
    return {"sites": [{"site": "bench", "timezone": "Europe/Berlin", "lines": [line]}]}


def joining(since: str | None = "2026-03-05") -> dict[str, Any]:
    """Return the second cell as it is declared, since Thursday unless told."""
    return {"cell": "cell-2", "zones": ["1"]} | ({"since": since} if since else {})


def first_week() -> list[Message]:
    """Return what the first cell tells: all of the week is known."""
    story = Story(MONDAY)
    for day in range(7):
        story.minute = day * DAY_MIN + 360
        story.run(480, results(240))
    return story.rest(600).close()


def second_week() -> list[Message]:
    """Return what the second cell tells, from Wednesday's early shift on: all since then is known."""
    story = Story(MONDAY)
    story.messages.clear()
    story.minute = 2 * DAY_MIN + 360
    story.snapshot()
    story.run(480, results(90, 10)).rest(480).fault(60)
    for day in range(3, 7):
        story.minute = day * DAY_MIN + 360
        story.run(480, results(300, 20))
    return story.rest(600).close()


class Told:
    """A client, with what these tests do again and again."""

    def __init__(self, api: httpx.AsyncClient) -> None:
        self.api = api

    async def declare(self, *cells: dict[str, Any]) -> Any:
        answer = await self.api.put("/v1/plant", json=plant(*cells))
        assert answer.status_code == 200, answer.text
        return answer.json()

    async def tell(self, cell: str, messages: list[Message]) -> None:
        for first in range(0, len(messages), 900):
            body = {"cell": cell, "messages": messages[first : first + 900]}
            assert (await self.api.post("/v1/messages", json=body)).json()["refused"] == []

    async def get(self, path: str, **query: Any) -> Any:
        answer = await self.api.get(f"/v1/{path}", params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    async def rows(self, table: str, **query: Any) -> list[dict[str, Any]]:
        answer = await self.api.get(f"/v1/tables/{table}", params={"unit": NEW, "format": "jsonl"} | query)
        assert answer.status_code == 200, answer.text
        return [json.loads(line) for line in answer.text.splitlines()]

    async def all_of(self, unit: str, **window: Any) -> dict[str, Any]:
        """Return what all readers tell of a unit, without where they list the second cell, of which there is nothing to tell."""
        found = {reader: await self.get(f"{reader}/{unit}", **window) for reader in READERS}
        sheet, failures = found["sheet"], found["failures"]
        sheet["pace"] = [one for one in sheet["pace"] if not one["unit"].startswith(NEW) or any(one["made"])]
        failures["units"] = [one for one in failures["units"] if one["unit"] != NEW or one["failures"]]
        return found


async def presum_all(service: Service) -> None:
    """Sum all settled slots of the week beforehand."""
    await presum(Presumming(service.store, service.plants, lambda: NOW_US, service.limits), 14 * DAY_US)
