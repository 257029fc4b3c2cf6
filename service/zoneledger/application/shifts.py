"""A line's shifts over a window, each with its revision."""

from dataclasses import dataclass

from zoneledger.application.ports import Reading
from zoneledger.application.windows import MAX_POINTS, Window
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.plant import Unit
from zoneledger.core.shifts import ShiftInstance, instances


@dataclass(frozen=True, slots=True)
class ReadShift:
    """A shift with the revision of its figures, which rises when late evidence or a changed plant model changed them."""

    shift: ShiftInstance
    revision: int


async def read_shifts(reading: Reading, unit: Unit, window: Window) -> list[ReadShift]:
    """Return the shifts of a unit's line that overlap a window; raise WindowInvalid for a site or too many of them."""
    if unit.line is None:
        raise WindowInvalid(f"{unit.path} is a site, and shifts belong to lines: ask for one of its lines.")
    found = instances(unit.line, unit.tz, window.start_us, window.end_us)
    if len(found) > MAX_POINTS:
        raise WindowInvalid(f"This window has {len(found)} shifts; at most {MAX_POINTS} are given at once.")
    cells = [cell.path for cell in unit.cells]
    units = [*cells, unit.line_path or ""]
    changes = await reading.revisions(units, window.start_us, max([window.end_us, *(s.end_us for s in found)]))
    return [ReadShift(s, 1 + sum(c.from_us < s.end_us and c.to_us > s.start_us for c in changes)) for s in found]
