"""The invented plant and the story that these tests ask about."""

from datetime import UTC, datetime, timedelta
from typing import Any

from tests.scenarios.story import Message, Story, results
from zoneledger.core.validation import parse_instant

CELL, OTHER = "bench/line-1/cell-1", "bench/line-1/cell-2"
BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
NOW = "2026-03-02T18:00:00Z"
NOW_US = parse_instant("now", NOW)

PLANT: dict[str, Any] = {
    "sites": [
        {
            "site": "bench",
            "timezone": "UTC",
            "lines": [
                {
                    "line": "line-1",
                    "shifts": [
                        {
                            "shift": "early",
                            "starts": "06:00",
                            "ends": "14:00",
                            "repeats": "FREQ=DAILY",
                            "since": "2026-03-01",
                            "stops": [{"stop": "meal", "starts": "10:00", "ends": "10:30"}],
                        },
                        {
                            "shift": "late",
                            "starts": "14:00",
                            "ends": "22:00",
                            "repeats": "FREQ=DAILY",
                            "since": "2026-03-01",
                        },
                    ],
                    "standards": [{"operation": "fasten", "seconds": 18.0, "since": "2026-01-01"}],
                    "cells": [{"cell": "cell-1", "zones": ["1", "2"]}, {"cell": "cell-2", "zones": ["1"]}],
                }
            ],
            "reasons": [{"reason": "crane"}, {"reason": "sensor", "for": ["fault"]}],
            "roles": ["shift-lead", "maintenance"],
        }
    ]
}


def morning() -> list[Message]:
    """Return what cell-1 tells of 06:00 to 08:00: a set-up of 30 minutes, a fault of 30, an hour's run of 100 fasteners."""
    return Story(BEGIN).setup(30).fault(30).run(60, results(95, 5)).close()


def later(minutes: float) -> str:
    """Return the RFC 3339 time that many minutes after the story's begin, UTC."""
    return (BEGIN + timedelta(minutes=minutes)).isoformat().replace("+00:00", "Z")


def snapshot(minutes: float, *zones: str, boot: int = 1, seq: int = 0) -> Message:
    """Return a snapshot of zones that do nothing."""
    common = {"v": 1, "boot": boot, "seq": seq, "at": later(minutes), "type": "snapshot", "alarms": []}
    return common | {"zones": {zone: {} for zone in zones}}


def own(seq: int, minutes: float = 1.0, **fields: Any) -> Message:
    """Return an event of a type that the service does not know."""
    return {"v": 1, "boot": 1, "seq": seq, "at": later(minutes), "type": "own"} | fields
