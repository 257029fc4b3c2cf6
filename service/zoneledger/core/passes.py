"""Panel passes: each panel's way through a zone, put together from the zone's activities.

A pass begins with a load, or where another panel is worked than the one before, and ends with the end of its unload. What nobody
told is left out: a pass whose load was not seen has no floor-to-floor time, and neither has one whose unload was not.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from zoneledger.core.activities import EVENT, NEXT, OPEN
from zoneledger.core.rows import Activity

#: How a pass stands: its processing was completed or aborted, ended without a word, was not seen to end, or the pass is not over.
COMPLETED, ABORTED, ENDED, UNFINISHED, PRESENT = "completed", "aborted", "ended", "unfinished", "present"
_TOLD = (EVENT, NEXT)


@dataclass(slots=True)
class Pass:
    """One panel's way through a zone over [start_us, end_us), with the counts planned, where they were told.

    `load_seen`: the begin of its load was told by an event. `unload_seen`: so was the end of its unload.
    """

    zone: str
    start_us: int
    end_us: int
    panel: str | None = None
    program: str | None = None
    automatic: int | None = None
    manual: int | None = None
    load_seen: bool = False
    unload_seen: bool = False
    outcome: str = UNFINISHED
    activities: list[Activity] = field(default_factory=list)

    @property
    def is_whole(self) -> bool:
        """Whether all of it was seen, from the begin of the load to the end of the unload."""
        return self.load_seen and self.unload_seen

    @property
    def floor_to_floor_us(self) -> int | None:
        """From the begin of the load to the end of the unload, None where either was not seen."""
        return self.end_us - self.start_us if self.is_whole else None


def passes_of(activities: Iterable[Activity]) -> list[Pass]:
    """Return the passes of one zone, in order, from its activities, in order."""
    found: list[Pass] = []
    for row in activities:
        if not found or _is_of_another(found[-1], row):
            begun = row.begun_by == EVENT and row.activity == "load"
            found.append(Pass(row.zone, row.start_us, row.end_us, load_seen=begun))
        _add(found[-1], row)
    return [one for one in found if any(row.activity != "setup" for row in one.activities)]


def _is_of_another(last: Pass, row: Activity) -> bool:
    """Tell whether an activity belongs to another pass than the last one, which is over after its unload or with a new load."""
    before, named = last.activities[-1], None not in (last.panel, row.panel)
    if named and last.panel != row.panel:
        return True
    if before.activity == row.activity and row.begun_by != EVENT and before.ended_by not in _TOLD:
        return False  # one activity in two pieces: nobody told what was between them
    if row.activity == "load" or (before.activity == "unload" and before.ended_by in _TOLD):
        return True
    return row.activity == before.activity == "process" and not named


def _add(one: Pass, row: Activity) -> None:
    one.activities.append(row)
    one.end_us = row.end_us
    one.panel = one.panel if row.panel is None else row.panel
    one.program = one.program if row.program is None else row.program
    if row.automatic is not None:
        one.automatic, one.manual = row.automatic, row.manual
    if row.activity == "process":
        one.outcome = _outcome(row)
    one.unload_seen = row.activity == "unload" and row.ended_by in _TOLD
    if row.ended_by == OPEN:
        one.outcome = PRESENT


def _outcome(process: Activity) -> str:
    if process.ended_by in _TOLD:
        return process.outcome or ENDED
    return UNFINISHED
