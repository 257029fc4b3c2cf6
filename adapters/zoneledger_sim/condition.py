"""What is the case at a simulated cell at an instant, and which state that is."""

from dataclasses import dataclass, field

from zoneledger_sim.plan import AlarmPlan, Program

RUNNING, IDLE, FAULT, CHANGEOVER = "running", "idle", "fault", "changeover"
STATES = (RUNNING, IDLE, FAULT, CHANGEOVER)
_OVERLAY = (RUNNING, FAULT, CHANGEOVER, IDLE)

Standing = tuple[str, str]
"""A state and its reason."""

UNEXPLAINED: Standing = (IDLE, "unexplained")


@dataclass(slots=True)
class Panel:
    """A panel on its way through a zone."""

    name: str
    program: Program
    load_begun_us: int = 0
    outcome: str = "completed"


@dataclass(frozen=True, slots=True)
class Activity:
    """What a zone does, and to which panel."""

    activity: str
    panel: Panel


@dataclass(slots=True)
class ZoneCondition:
    """What holds in one zone; `made` counts the fasteners of the controller's present boot."""

    zone: str
    activity: Activity | None = None
    wait: str | None = None
    made: int = 0


@dataclass(frozen=True, slots=True)
class ActiveAlarm:
    """An alarm in force, of one zone or (None) of the whole cell."""

    zone: str | None
    plan: AlarmPlan


@dataclass(slots=True)
class CellCondition:
    """What holds at a cell: its zones by name, and its alarms in the order in which they were raised."""

    zones: dict[str, ZoneCondition]
    alarms: list[ActiveAlarm] = field(default_factory=list)

    def stop_code(self, zone: str | None) -> str | None:
        """Return the first raised of the stop alarms that stop `zone`, or (None) the whole cell."""
        for alarm in self.alarms:
            if alarm.plan.severity == "stop" and (alarm.zone is None or alarm.zone == zone):
                return alarm.plan.code
        return None

    def standing(self, zone: ZoneCondition) -> Standing:
        """Return the state and reason of one zone."""
        stop_code = self.stop_code(zone.zone)
        if stop_code is not None:
            return FAULT, stop_code
        if zone.wait is not None:
            return IDLE, zone.wait
        if zone.activity is None:
            return UNEXPLAINED
        activity = zone.activity.activity
        return (RUNNING if activity == "process" else CHANGEOVER), activity

    def overlay(self, standings: list[Standing]) -> Standing:
        """Return the cell's state from those of its zones.

        The first zone in that state gives the reason; of a fault it is the first raised of all stop alarms.
        """
        state, reason = min(standings, key=lambda standing: _OVERLAY.index(standing[0]))
        if state == FAULT:
            reason = next(alarm.plan.code for alarm in self.alarms if alarm.plan.severity == "stop")
        return state, reason
