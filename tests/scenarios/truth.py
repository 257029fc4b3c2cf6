"""Holds the service's answers against the simulator's own truth."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from zoneledger_sim.truth import Account, Truth

STATES = ("running", "idle", "fault", "changeover")


def rfc3339(instant_us: int) -> str:
    """Return an instant as RFC 3339, UTC."""
    text = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=instant_us)).isoformat()
    return text.replace("+00:00", "Z")


def differences_of(kpi: dict[str, Any], account: Account) -> list[tuple[str, str, Any, Any]]:
    """Return where a unit's times (to the microsecond) and counts differ, as (unit, figure, told, true)."""
    pairs = [(state, kpi["time_s"][state], account.time_us[state] / 1e6) for state in STATES]
    pairs += [("unknown", kpi["time_s"]["unknown"], 0.0), ("made", kpi["fasteners"]["made"], account.made)]
    pairs += [(result, kpi["fasteners"][result], number) for result, number in account.final.items()]
    return [(kpi["unit"], name, told, true) for name, told, true in pairs if told != true]


def differences(
    get: Callable[..., Any], truth: Truth, cells: list[str], start_us: int, end_us: int
) -> list[tuple[str, str, Any, Any]]:
    """Return where cells and their zones differ from the truth over a window that is planned around the clock."""
    window = {"start": rfc3339(start_us), "end": rfc3339(end_us)}
    units = [unit for unit in truth.records if unit.startswith(tuple(cells))]
    return [
        row
        for unit in units
        for row in differences_of(get(f"/v1/kpi/{unit}", **window), truth.window(unit, start_us, end_us))
    ]
