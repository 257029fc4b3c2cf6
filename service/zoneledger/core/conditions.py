"""What holds in a cell: the activities, waits and alarms that its messages add up to."""

from dataclasses import dataclass, field
from typing import Any

from zoneledger.core import messages as m
from zoneledger.core.states import FAULT, Standing, overlay, zone_standing


@dataclass(slots=True)
class ZoneCondition:
    """A zone's activity with its program, panel and planned counts, and its wait; `listed`: the last snapshot named it."""

    activity: str | None = None
    program: str | None = None
    panel: str | None = None
    wait: str | None = None
    listed: bool = False


@dataclass(slots=True)
class Condition:
    """A whole cell's condition; `alarms` maps (zone or None, code) to severity, first raised first."""

    zones: dict[str, ZoneCondition] = field(default_factory=dict)
    alarms: dict[tuple[str | None, str], str] = field(default_factory=dict)

    def zone(self, name: str) -> ZoneCondition:
        """Return the zone's condition, an empty one if it was never named."""
        found = self.zones.get(name)
        if found is None:
            found = self.zones[name] = ZoneCondition()
        return found

    def clear(self) -> None:
        """Forget all that holds, as a new boot does; the zones stay named."""
        self.zones = {name: ZoneCondition() for name in self.zones}
        self.alarms = {}

    def lists(self, snapshot: m.Snapshot) -> bool:
        """Tell whether a snapshot lists the zones that are listed here, and none is named that it does not list."""
        zones = self.zones
        return len(zones) == len(snapshot.zones) and all(
            name in zones and zones[name].listed for name, _ in snapshot.zones
        )

    def _stop_codes(self, zones: set[str]) -> list[str]:
        named = self.alarms.items()
        return [code for (zone, code), severity in named if severity == "stop" and (zone is None or zone in zones)]

    def standings(self) -> dict[str, Standing]:
        """Return state and reason of each listed zone by name, and of the cell under the empty name if any is listed."""
        listed = {name: zone for name, zone in sorted(self.zones.items()) if zone.listed}
        found: dict[str, Standing] = {}
        for name, zone in listed.items():
            codes = self._stop_codes({name}) if self.alarms else []
            found[name] = zone_standing(codes[0] if codes else None, zone.wait, zone.activity)
        if found:
            faulty = {name for name, (state, _) in found.items() if state == FAULT}
            found[""] = overlay(list(found.values()), self._stop_codes(faulty) if faulty else [])
        return found

    def to_json(self) -> list[Any]:
        """Return the condition as JSON values, the same for equal conditions."""
        zones = [[n, z.activity, z.program, z.panel, z.wait, z.listed] for n, z in sorted(self.zones.items())]
        return [zones, [[zone, code, severity] for (zone, code), severity in self.alarms.items()]]

    @classmethod
    def from_json(cls, value: list[Any]) -> "Condition":
        """Return the condition that `to_json` gave."""
        zones, alarms = value
        return cls(
            {name: ZoneCondition(*rest) for name, *rest in zones},
            {(zone, code): severity for zone, code, severity in alarms},
        )


def apply_event(condition: Condition, event: m.Event) -> str | None:
    """Change the condition by an event; return what it contradicts, in a few words, or None."""
    match event:
        case m.ActivityBegun():
            zone = condition.zone(event.zone)
            zone.activity, zone.program, zone.panel = event.activity, event.program, event.panel
        case m.ActivityEnded():
            return _end_activity(condition.zone(event.zone), event.activity)
        case m.WaitBegun():
            condition.zone(event.zone).wait = event.cause
        case m.WaitEnded():
            return _end_wait(condition.zone(event.zone), event.cause)
        case m.AlarmRaised():
            condition.alarms[event.zone, event.code] = event.severity
        case m.AlarmCleared():
            if condition.alarms.pop((event.zone, event.code), None) is None:
                return f"alarm {event.code} cleared that was not active"
        case m.FastenerMade():
            condition.zone(event.zone)
    return None


def _end_activity(zone: ZoneCondition, activity: str) -> str | None:
    if zone.activity != activity:
        return f"{activity} ended while {zone.activity or 'no activity'} was present"
    zone.activity = zone.program = zone.panel = None
    return None


def _end_wait(zone: ZoneCondition, cause: str) -> str | None:
    if zone.wait != cause:
        return f"wait for {cause} ended while the wait was for {zone.wait or 'nothing'}"
    zone.wait = None
    return None


def apply_snapshot(condition: Condition, snapshot: m.Snapshot) -> None:
    """Replace the condition by a snapshot: what it does not list is not there."""
    for zone in condition.zones.values():
        zone.activity = zone.program = zone.panel = zone.wait = None
        zone.listed = False
    for name, report in snapshot.zones:
        zone = condition.zone(name)
        zone.activity, zone.wait, zone.listed = report.activity, report.wait, True
        if report.activity is not None:
            zone.program, zone.panel = report.program, report.panel
    condition.alarms = {(alarm.zone, alarm.code): alarm.severity for alarm in snapshot.alarms}


def contradictions(condition: Condition, snapshot: m.Snapshot) -> list[str]:
    """Return where a snapshot and the condition that the events gave differ, each in a few words."""
    found = []
    told = dict(snapshot.zones)
    for name, zone in sorted(condition.zones.items()):
        report = told.get(name)
        for word in ("activity", "program", "panel", "wait") if report else ():
            before, now = getattr(zone, word), getattr(report, word)
            if before != now:
                found.append(
                    f"zone {name}: {word} is {now or 'none'} in the snapshot, {before or 'none'} by the events"
                )
    alarms = {(alarm.zone, alarm.code): alarm.severity for alarm in snapshot.alarms}
    if list(alarms.items()) != list(condition.alarms.items()):
        found.append(f"alarms are {_name(alarms)} in the snapshot, {_name(condition.alarms)} by the events")
    return found


def _name(alarms: dict[tuple[str | None, str], str]) -> str:
    return ", ".join(f"{code} ({zone or 'cell'}, {severity})" for (zone, code), severity in alarms.items()) or "none"
