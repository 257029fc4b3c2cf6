"""A small cell controller that emits contract messages and remembers what was true."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

ZONES = ("1", "2")
CHANGEOVERS = ("load", "unload", "setup")


@dataclass
class ZoneCondition:
    """What holds in one zone; `activity` has the contract's fields activity, program and panel."""

    activity: dict[str, str] = field(default_factory=dict)
    wait: str | None = None
    made: int = 0

    def listing(self) -> dict[str, Any]:
        """The zone's entry in a snapshot."""
        return {**self.activity, **({"wait": self.wait} if self.wait else {}), "made": self.made}


class Controller:
    """Keeps a cell's condition, numbers its events, and appends to `messages` with `at` in microseconds.

    `clock_us` is the true time and `clock_error_us` what the controller's clock is wrong by. `truth` has after each
    message the true time and each zone's state and reason.
    """

    def __init__(self, boot: int, clock_us: int) -> None:
        self.boot, self.seq, self.clock_us, self.clock_error_us = boot, 0, clock_us, 0
        self.messages: list[dict[str, Any]] = []
        self.truth: list[tuple[int, dict[str, tuple[str, str]]]] = []
        self.reset()

    def reset(self) -> None:
        self.zones = {zone: ZoneCondition() for zone in ZONES}
        self.alarms: dict[tuple[str | None, str], str] = {}

    def reboot(self, rise: int) -> None:
        self.boot, self.seq = self.boot + rise, 0
        self.reset()

    def event(self, kind: str, **fields: Any) -> None:
        """Number and send one event; fields that are None are left out."""
        self.seq += 1
        self._send(kind, fields)

    def snapshot(self, zones: Mapping[str, Any] | None = None, alarms: list[dict[str, str]] | None = None) -> None:
        """Send the condition, or what the caller would have it say instead."""
        listed = {zone: condition.listing() for zone, condition in self.zones.items()}
        raised = [
            {**({"zone": zone} if zone else {}), "code": code, "severity": severity}
            for (zone, code), severity in self.alarms.items()
        ]
        self._send(
            "snapshot", {"zones": listed if zones is None else zones, "alarms": raised if alarms is None else alarms}
        )

    def begin_activity(self, zone: str, activity: Mapping[str, str], planned: Mapping[str, int] | None) -> None:
        self.zones[zone].activity = dict(activity)
        self.event("activity", zone=zone, phase="begin", planned=planned, **activity)

    def end_activity(self, zone: str, name: str, outcome: str | None = None) -> None:
        if self.zones[zone].activity.get("activity") == name:
            self.zones[zone].activity = {}
        self.event("activity", zone=zone, phase="end", activity=name, outcome=outcome)

    def begin_wait(self, zone: str, cause: str) -> None:
        self.zones[zone].wait = cause
        self.event("wait", **{"zone": zone, "phase": "begin", "for": cause})

    def end_wait(self, zone: str, cause: str) -> None:
        if self.zones[zone].wait == cause:
            self.zones[zone].wait = None
        self.event("wait", **{"zone": zone, "phase": "end", "for": cause})

    def raise_alarm(self, zone: str | None, code: str, severity: str, text: str | None = None) -> None:
        self.alarms[zone, code] = severity
        self.event("alarm", zone=zone, phase="raise", code=code, severity=severity, text=text)

    def clear_alarm(self, zone: str | None, code: str, severity: str) -> None:
        self.alarms.pop((zone, code), None)
        self.event("alarm", zone=zone, phase="clear", code=code, severity=severity)

    def make_fastener(self, zone: str, **fields: Any) -> None:
        self.zones[zone].made += 1
        self.event("fastener", zone=zone, **fields)

    def _send(self, kind: str, fields: Mapping[str, Any]) -> None:
        present = {name: value for name, value in fields.items() if value is not None}
        at_us = self.clock_us + self.clock_error_us
        self.messages.append({"v": 1, "boot": self.boot, "seq": self.seq, "at": at_us, "type": kind, **present})
        self.truth.append((self.clock_us, {zone: self._state(zone) for zone in ZONES}))

    def _state(self, zone: str) -> tuple[str, str]:
        condition = self.zones[zone]
        name = condition.activity.get("activity")
        for (where, code), severity in self.alarms.items():
            if severity == "stop" and where in (None, zone):
                return "fault", code
        if condition.wait:
            return "idle", condition.wait
        if name in CHANGEOVERS:
            return "changeover", name
        return ("running", "process") if name == "process" else ("idle", "unexplained")
