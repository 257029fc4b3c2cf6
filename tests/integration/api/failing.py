"""What a cell that fails tells, by the minutes since 06:00."""

from typing import Any

from tests.integration.api.plant import later, own


def alarm(seq: int, minutes: float, phase: str, code: str = "clamp", *, zone: str | None = "1", **more: Any) -> Any:
    """Return a stop alarm's event."""
    where = {} if zone is None else {"zone": zone}
    return own(seq, minutes, type="alarm", phase=phase, code=code, severity="stop", **where, **more)


def work(seq: int, minutes: float, phase: str = "begin", zone: str = "1") -> Any:
    """Return the begin or end of processing."""
    return own(seq, minutes, type="activity", activity="process", phase=phase, zone=zone)


def window(start: float, end: float) -> dict[str, str]:
    """Return a window by the minutes since 06:00."""
    return {"start": later(start), "end": later(end)}


def codes(found: dict[str, Any]) -> set[str]:
    """Return the codes of an answer's warnings."""
    return {one["code"] for one in found["warnings"]}


def stop(zone: str, subsystem: str | None = None) -> dict[str, str]:
    """Return the fields of a stop alarm of a zone."""
    return {"zone": zone, "severity": "stop"} | ({"subsystem": subsystem} if subsystem else {})
