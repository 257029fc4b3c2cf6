"""Which activity each zone is in, since when and on what evidence; one that is over becomes a row of the ledger."""

from collections.abc import Iterable
from typing import Any, NamedTuple

from zoneledger.core import messages as m
from zoneledger.core.rows import Activity, Place

#: By what an activity began or was over: its own event, the begin of another one, a snapshot, a new boot.
EVENT, NEXT, SNAPSHOT, BOOT = "event", "next", "snapshot", "boot"
#: Of an activity that is not over: whoever reads the ledger says so, no row.
OPEN = "open"


class OpenActivity(NamedTuple):
    """An activity that is not over: since when, by what it began, and what was told of it."""

    start_us: int
    begun_by: str
    activity: str
    program: str | None
    panel: str | None
    automatic: int | None
    manual: int | None

    def is_told_by(self, report: m.ZoneReport) -> bool:
        """Tell whether a snapshot's report is of this activity; it may leave program and panel out."""
        told = ((self.program, report.program), (self.panel, report.panel))
        return self.activity == report.activity and all(now in (None, before) for before, now in told)


class Activities:
    """The present activity of each zone of a cell; what changes it returns the rows of those that it ended."""

    def __init__(self, opened: Iterable[list[Any]] = ()) -> None:
        self.open = {zone: OpenActivity(*rest) for zone, *rest in opened}

    def _close(self, zone: str, place: Place, at_us: int, ended_by: str, outcome: str | None = None) -> list[Activity]:
        was = self.open.pop(zone, None)
        # One that a snapshot began and another one of the same instant ended tells nothing.
        if was is None or (was.start_us == at_us and was.begun_by == SNAPSHOT):
            return []
        told = (was.activity, was.program, was.panel, was.automatic, was.manual)
        return [Activity(place, zone, *told, was.start_us, at_us, was.begun_by, ended_by, outcome)]

    def begin(self, place: Place, at_us: int, event: m.ActivityBegun) -> list[Activity]:
        """Begin what an event begins, and end what was before it."""
        closed = self._close(event.zone, place, at_us, NEXT)
        planned = (event.planned.automatic, event.planned.manual) if event.planned else (None, None)
        self.open[event.zone] = OpenActivity(at_us, EVENT, event.activity, event.program, event.panel, *planned)
        return closed

    def end(self, place: Place, at_us: int, event: m.ActivityEnded) -> list[Activity]:
        """End what an event ends, where that is present."""
        present = self.open.get(event.zone)
        if present is None or present.activity != event.activity:
            return []
        return self._close(event.zone, place, at_us, EVENT, event.outcome)

    def compare(self, place: Place, at_us: int, snapshot: m.Snapshot) -> list[Activity]:
        """End what a snapshot does not tell of, and begin what it tells beside."""
        told, closed = dict(snapshot.zones), list[Activity]()
        for zone in sorted(self.open.keys() | told.keys()):
            report, present = told.get(zone), self.open.get(zone)
            if report is not None and present is not None and present.is_told_by(report):
                continue
            closed += self._close(zone, place, at_us, SNAPSHOT)
            if report is not None and report.activity is not None:
                began = (report.activity, report.program, report.panel, None, None)
                self.open[zone] = OpenActivity(at_us, SNAPSHOT, *began)
        return closed

    def forget(self, place: Place, at_us: int) -> list[Activity]:
        """End all, as nothing is known of them in a new boot; `at_us` is when the one before was last heard of."""
        return [row for zone in sorted(self.open) for row in self._close(zone, place, at_us, BOOT)]

    def to_json(self) -> list[Any]:
        """Return the state as JSON values, the same for equal states."""
        return [[zone, *one] for zone, one in sorted(self.open.items())]
