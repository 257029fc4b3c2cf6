"""What a cell controller says of its cell: numbered events and snapshots by the message contract, version 1."""

from collections.abc import Callable
from typing import Any, NamedTuple

from simpy import Environment, Event

from zoneledger_sim.clock import Clock
from zoneledger_sim.condition import ActiveAlarm, CellCondition, ZoneCondition
from zoneledger_sim.durations import US_PER_S
from zoneledger_sim.truth import Made

Message = dict[str, Any]


class Outgoing(NamedTuple):
    """A message of a cell that leaves the controller at `due_us` of true time, whatever its own clock says."""

    due_us: int
    cell: str
    message: Message


class Controller:
    """Numbers the events of one cell and knows its whole condition; it says nothing while it is down."""

    def __init__(
        self,
        env: Environment,
        cell: str,
        condition: CellCondition,
        emit: Callable[[Outgoing], None],
        clock: Clock,
    ) -> None:
        self._env = env
        self._cell = cell
        self._condition = condition
        self._emit = emit
        self.boot = 0
        self._seq = 0
        self._clock = clock
        self.is_up = False
        self.restarted: Event = env.event()

    def start(self) -> None:
        """Begin a new boot with a snapshot of nothing, and then tell what holds."""
        now_us = int(self._env.now)
        self.boot = max(self.boot + 1, now_us // US_PER_S)
        self._seq = 0
        self._clock.start(now_us)
        self.is_up = True
        for zone in self._condition.zones.values():
            zone.made = 0
        self._send("snapshot", {"zones": {zone: {"made": 0} for zone in self._condition.zones}, "alarms": []})
        for alarm in self._condition.alarms:
            self.alarm_raised(alarm)
        for zone in self._condition.zones.values():
            if zone.activity is not None:
                self.activity_begun(zone)
            if zone.wait is not None:
                self.waits(zone.zone, "begin", zone.wait)
        self.restarted.succeed()

    def shut_down(self) -> None:
        """Fall silent until the next start."""
        self.is_up = False
        self.restarted = self._env.event()

    def activity_begun(self, zone: ZoneCondition) -> None:
        assert zone.activity is not None
        panel = zone.activity.panel
        program = panel.program
        fields: Message = {"zone": zone.zone, "activity": zone.activity.activity, "phase": "begin"}
        planned = {"automatic": program.automatic, "manual": program.manual}
        self._report("activity", fields | {"program": program.program, "panel": panel.name, "planned": planned})

    def activity_ended(self, zone: str, activity: str, outcome: str) -> None:
        self._report("activity", {"zone": zone, "activity": activity, "phase": "end", "outcome": outcome})

    def waits(self, zone: str, phase: str, reason: str) -> None:
        self._report("wait", {"zone": zone, "phase": phase, "for": reason})

    def fastener_made(self, zone: str, made: Made, head_us: int) -> None:
        item: Message = {} if made.item is None else {"item": made.item}
        self._report(
            "fastener",
            {
                "zone": zone,
                "operation": made.operation,
                "result": made.first,
                **item,
                "position": made.position,
                "panel": made.panel,
                "program": made.program,
                "seconds": head_us / US_PER_S,
            },
        )

    def alarm_raised(self, alarm: ActiveAlarm) -> None:
        named: Message = {"subsystem": alarm.plan.subsystem, "text": alarm.plan.text}
        self._report("alarm", {"phase": "raise"} | _alarm_fields(alarm) | _present(named))

    def alarm_cleared(self, alarm: ActiveAlarm) -> None:
        self._report("alarm", {"phase": "clear"} | _alarm_fields(alarm))

    def verdict(self, made: Made, result: str, station: str) -> None:
        self._report("verdict", {"panel": made.panel, "position": made.position, "result": result, "by": station})

    def snapshot(self) -> None:
        """Tell the whole condition, if the controller is up."""
        if self.is_up:
            zones = {name: _zone_fields(zone) for name, zone in self._condition.zones.items()}
            alarms = [_alarm_fields(alarm) for alarm in self._condition.alarms]
            self._send("snapshot", {"zones": zones, "alarms": alarms})

    def _report(self, kind: str, fields: Message) -> None:
        if self.is_up:
            self._seq += 1
            self._send(kind, fields)

    def _send(self, kind: str, fields: Message) -> None:
        now_us = int(self._env.now)
        message = {"v": 1, "boot": self.boot, "seq": self._seq, "at": self._clock.tells(now_us), "type": kind, **fields}
        self._emit(Outgoing(now_us, self._cell, message))


def _present(fields: Message) -> Message:
    return {name: value for name, value in fields.items() if value is not None}


def _zone_fields(zone: ZoneCondition) -> Message:
    fields: Message = {}
    if zone.activity is not None:
        panel = zone.activity.panel
        fields = {"activity": zone.activity.activity, "program": panel.program.program, "panel": panel.name}
    return _present(fields | {"wait": zone.wait, "made": zone.made})


def _alarm_fields(alarm: ActiveAlarm) -> Message:
    return _present({"zone": alarm.zone, "code": alarm.plan.code, "severity": alarm.plan.severity})
