"""Changes of the past that bear on a unit's figures over a window: each raises their revision by one."""

from collections.abc import Iterable, Mapping, Sequence

from zoneledger.application.ports import Reading
from zoneledger.application.stored import Listed, Revision
from zoneledger.application.undeclared import touching
from zoneledger.application.windows import Window
from zoneledger.core.plant import Unit
from zoneledger.core.spans import Interval
from zoneledger.core.warnings import Warning, not_declared, restated


async def bearing_units(reading: Reading, unit: Unit) -> list[str]:
    """Return the paths whose changes bear on a unit: its own, its line's, those of its cells and of their lines.

    Of a site or line these are all cells that ever were under it, declared or not, so that a revision never falls.
    """
    cells = [cell.path for cell in unit.cells]
    if unit.level in ("site", "line"):
        cells += [cell for cell in await reading.cells() if cell.startswith(f"{unit.path}/")]
    paths = {unit.path, unit.line_path, *cells, *(cell.rpartition("/")[0] for cell in cells)}
    return sorted(path for path in paths if path)


async def read_changes(reading: Reading, unit: Unit, windows: Sequence[Window]) -> list[Revision]:
    """Return the changes that bear on a unit in any of the windows, or between two of them, as they were recorded."""
    if not windows:
        return []
    first_us, last_us = min(one.start_us for one in windows), max(one.end_us for one in windows)
    return [
        found.row for found in await reading.revisions(await bearing_units(reading, unit), first_us, last_us, 0, None)
    ]


async def list_changes(
    reading: Reading, unit: Unit, window: Window, after_id: int, limit: int
) -> list[Listed[Revision]]:
    """Return some of the changes that bear on a unit in a window, numbered, as they were recorded."""
    return await reading.revisions(await bearing_units(reading, unit), window.start_us, window.end_us, after_id, limit)


def bearing_on(changes: Iterable[Revision], start_us: int, end_us: int) -> list[Revision]:
    """Return those of the changes that touch [start_us, end_us)."""
    return [one for one in changes if one.from_us < end_us and one.to_us > start_us]


def restatement(changes: Iterable[Revision], end_us: int, silence_us: int) -> Revision | None:
    """Return the last of the changes that came when a window was over and settled, None where none did."""
    later = [one for one in changes if one.recorded_us >= end_us + silence_us]
    return max(reversed(later), key=lambda one: one.recorded_us, default=None)  # of equal ones the one recorded last


def later_warnings(
    changes: Iterable[Revision], left_out: Mapping[str, Sequence[Interval]], window: Window, silence_us: int
) -> list[Warning]:
    """Return the warnings of what came after a window: changes that bear on it, and cells that are left out of it since."""
    last, cells = restatement(changes, window.end_us, silence_us), touching(left_out, window)
    return [*([restated(last.cause)] if last else []), *([not_declared(cells)] if cells else [])]
