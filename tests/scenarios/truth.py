"""Holds the service's answers against the simulator's own truth."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from zoneledger_sim.truth import Truth

STATES = ("running", "idle", "fault", "changeover")


def rfc3339(instant_us: int) -> str:
    """Return an instant as RFC 3339, UTC."""
    text = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=instant_us)).isoformat()
    return text.replace("+00:00", "Z")


def differences(
    get: Callable[..., Any], truth: Truth, cells: list[str], start_us: int, end_us: int
) -> list[tuple[str, str, Any, Any]]:
    """Return where times (to the microsecond) and counts of cells and zones differ, as (unit, figure, told, true).

    The window has to be planned around the clock: fasteners outside planned time are added to those inside.
    """
    found = []
    for unit in [unit for unit in truth.records if unit.startswith(tuple(cells))]:
        kpi = get(f"/v1/kpi/{unit}", start=rfc3339(start_us), end=rfc3339(end_us))
        account = truth.window(unit, start_us, end_us)
        pairs = [(state, kpi["time_s"][state], account.time_us[state] / 1e6) for state in STATES]
        pairs += [("unknown", kpi["time_s"]["unknown"], 0.0), ("made", kpi["fasteners"]["made"], account.made)]
        pairs += [(result, kpi["fasteners"][result], number) for result, number in account.final.items()]
        found += [(unit, name, told, true) for name, told, true in pairs if told != true]
    return found
