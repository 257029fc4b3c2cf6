"""Messages written by hand in seconds after a base time, and pieces read back the same way."""

from collections.abc import Iterable
from typing import Any

from tests.oracle.ledger import Piece
from tests.oracle.strategies import BASE_US, SECOND_US, rfc3339

Read = tuple[float, float, str, str]


def at_us(second: float) -> int:
    """A second after 2026-01-10T06:00:00Z in microseconds since the Unix epoch."""
    return BASE_US + round(second * SECOND_US)


def event(seq: int, second: float, kind: str, zone: str | None = "1", boot: int = 1, **fields: Any) -> dict[str, Any]:
    """One event; `because` stands for the contract's `for`, which Python keeps for itself."""
    named = {{"because": "for"}.get(name, name): value for name, value in fields.items()}
    where = {} if zone is None else {"zone": zone}
    return {"v": 1, "boot": boot, "seq": seq, "at": rfc3339(at_us(second)), "type": kind, **where, **named}


def begin(seq: int, second: float, activity: str, zone: str = "1", boot: int = 1, **fields: Any) -> dict[str, Any]:
    return event(seq, second, "activity", zone, boot, phase="begin", activity=activity, **fields)


def end(seq: int, second: float, activity: str, zone: str = "1", boot: int = 1) -> dict[str, Any]:
    return event(seq, second, "activity", zone, boot, phase="end", activity=activity)


def wait(seq: int, second: float, phase: str, because: str, zone: str = "1") -> dict[str, Any]:
    return event(seq, second, "wait", zone, phase=phase, because=because)


def alarm(
    seq: int, second: float, phase: str, code: str, zone: str | None = "1", severity: str = "stop"
) -> dict[str, Any]:
    return event(seq, second, "alarm", zone, phase=phase, code=code, severity=severity)


def fastener(seq: int, second: float, zone: str = "1", boot: int = 1, **fields: Any) -> dict[str, Any]:
    return event(seq, second, "fastener", zone, boot, **{"operation": "fasten", "result": "good", **fields})


def verdict(seq: int, second: float, panel: str, position: str, result: str, boot: int = 1) -> dict[str, Any]:
    return event(seq, second, "verdict", None, boot, panel=panel, position=position, result=result)


def snapshot(
    seq: int, second: float, zones: dict[str, dict[str, Any]], alarms: Iterable[dict[str, str]] = (), boot: int = 1
) -> dict[str, Any]:
    return event(seq, second, "snapshot", None, boot, zones=zones, alarms=list(alarms))


def read(pieces: Iterable[Piece]) -> list[Read]:
    """The pieces as (start, end, state, reason) in seconds after the base time."""
    return [
        ((piece.start_us - BASE_US) / SECOND_US, (piece.end_us - BASE_US) / SECOND_US, piece.state, piece.reason)
        for piece in pieces
    ]
