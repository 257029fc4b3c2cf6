"""Holds the service's answers against the simulator's own truth."""

from datetime import UTC, datetime, timedelta
from typing import Any

from zoneledger_sim.truth import Account

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
