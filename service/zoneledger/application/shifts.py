"""A line's shifts over a window, each with its revision."""

from dataclasses import dataclass

from zoneledger.application.ports import Reading
from zoneledger.application.revisions import bearing_on, read_changes, restatement
from zoneledger.application.stored import Revision
from zoneledger.application.windows import MAX_POINTS, Window
from zoneledger.core.booking import Limits
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.plant import Unit
from zoneledger.core.shifts import ShiftInstance, instances
from zoneledger.core.spans import intersect, total


@dataclass(frozen=True, slots=True)
class ReadShift:
    """A shift with the revision of its figures, which rises when late evidence or a changed plant model changed them.

    `planned_us` is the planned time of one cell in it, or of the cell that was asked for. `restated_us` is when the figures last
    changed after the shift was over and settled, None where they never did.
    """

    shift: ShiftInstance
    planned_us: int
    revision: int
    restated_us: int | None


def _read(unit: Unit, shift: ShiftInstance, changes: list[Revision], silence_us: int) -> ReadShift:
    joined_us = unit.since_us or shift.start_us
    inside = intersect(shift.planned(), [(joined_us, max(joined_us, shift.end_us))])
    bearing = bearing_on(changes, shift.start_us, shift.end_us)
    last = restatement(bearing, shift.end_us, silence_us)
    return ReadShift(shift, total(inside), 1 + len(bearing), last.recorded_us if last else None)


async def read_shifts(reading: Reading, unit: Unit, window: Window, limits: Limits) -> list[ReadShift]:
    """Return the shifts of a unit's line that overlap a window; raise WindowInvalid for a site or too many of them."""
    if unit.line is None:
        raise WindowInvalid(f"{unit.path} is a site, and shifts belong to lines: ask for one of its lines.")
    found = instances(unit.line, unit.tz, window.start_us, window.end_us)
    if len(found) > MAX_POINTS:
        raise WindowInvalid(
            f"This window has {len(found)} shifts; at most {MAX_POINTS} are given at once: ask for a shorter one."
        )
    changes = await read_changes(reading, unit, [Window(s.start_us, s.end_us) for s in found])
    return [_read(unit, shift, changes, limits.silence_us) for shift in found]
