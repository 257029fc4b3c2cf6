"""Contradicting evidence through the API: a discrepancy names the cell, the place, and what does not fit."""

from typing import Any

import httpx
import pytest

from tests.scenarios.story import Message
from tests.scenarios.three_cells import LATE, OTHER, Get, declare, post, told_hour


def _after(second: float, **fields: Any) -> Message:
    """Return the event that follows the told hour."""
    at = f"2026-03-02T07:00:{second:02.0f}Z"
    return {"v": 1, "boot": 1, "seq": 29, "at": at, "zone": "1"} | fields


def _snapshot(zone: dict[str, Any], alarms: tuple[dict[str, Any], ...] = ()) -> Message:
    zones = {"1": {"made": 20} | zone}
    return {
        "v": 1,
        "boot": 1,
        "seq": 28,
        "at": "2026-03-02T07:00:05Z",
        "type": "snapshot",
        "zones": zones,
        "alarms": [*alarms],
    }


_STOP = {"zone": "1", "code": "clamp-force", "severity": "stop"}
CONTRADICTIONS = {
    "an activity in the snapshot alone": (
        _snapshot({"activity": "process", "panel": "p-7"}),
        "snapshot_differs",
        "zone 1: activity is process in the snapshot, none by the events",
    ),
    "a panel in the snapshot alone": (
        _snapshot({"activity": "process", "panel": "p-7"}),
        "snapshot_differs",
        "zone 1: panel is p-7 in the snapshot, none by the events",
    ),
    "a wait in the snapshot alone": (
        _snapshot({"wait": "tool"}),
        "snapshot_differs",
        "zone 1: wait is tool in the snapshot, none by the events",
    ),
    "an alarm in the snapshot alone": (
        _snapshot({}, (_STOP,)),
        "snapshot_differs",
        "alarms are clamp-force (1, stop) in the snapshot, none by the events",
    ),
    "fewer made than received": (
        _snapshot({"made": 18}),
        "unseen",
        "the controller counts 2 fewer than the fasteners received",
    ),
    "an end of an activity that is not there": (
        _after(5, type="activity", activity="load", phase="end"),
        "not_present",
        "load ended while no activity was present",
    ),
    "an end of a wait that is not there": (
        _after(5, type="wait", phase="end", **{"for": "tool"}),
        "not_present",
        "wait for tool ended while the wait was for nothing",
    ),
    "a clear of an alarm that is not there": (
        _after(5, type="alarm", phase="clear", code="e-7", severity="stop"),
        "not_present",
        "alarm e-7 cleared that was not active",
    ),
    "a clock that steps back": (
        _after(0, type="own", at="2026-03-02T06:59:30Z"),
        "clock_back",
        "the controller's time was 30 s below the booked time before it",
    ),
    "a clock that steps too far back": (
        _after(0, type="own", at="2026-03-02T06:50:00Z"),
        "clock_not_believed",
        "the controller's time was 600 s below the booked time before it",
    ),
}


@pytest.mark.parametrize("name", CONTRADICTIONS)
async def test_a_discrepancy_names_what_contradicts(api: httpx.AsyncClient, get: Get, name: str) -> None:
    message, kind, detail = CONTRADICTIONS[name]
    await declare(api)
    await post(api, LATE, told_hour())
    assert (await get("/v1/discrepancies", unit=LATE))["discrepancies"] == []
    await post(api, LATE, [message])
    rows = (await get("/v1/discrepancies", unit=LATE))["discrepancies"]
    assert (kind, detail) in [(row["kind"], row["detail"]) for row in rows]
    assert {(row["cell"], row["boot"], row["seq"]) for row in rows} == {(LATE, 1, message["seq"])}
    assert (await get("/v1/discrepancies", unit=OTHER))["discrepancies"] == []
