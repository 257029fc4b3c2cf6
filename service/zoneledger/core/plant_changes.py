"""From which instant on a changed plant may change the figures of which line or cell."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import date
from zoneinfo import ZoneInfo

from zoneledger.core.calendar import midnight_us
from zoneledger.core.plant import Cell, Line, Plant, Site, Standard
from zoneledger.core.shifts import LAST_DATE, ShiftInstance, year_instances

BEGINNING_US = 0
COMPARED_YEARS = 10


def affected(old: Plant, new: Plant, heard: Collection[str] = ()) -> list[tuple[str, int]]:
    """Return (path of a line or cell, from_us) for all figures that may differ between two plants, lines first.

    A cell is listed only where its own change reaches further back than its line's. Rather too early than too late:
    a line that comes or goes, another time zone, first or last shifts and other zones count from the beginning; other shifts
    from the local date of the first one that differs; standards from the earliest `since` that differs. A cell that comes or
    goes counts from its `since`, but from the beginning where it has none, or is among those `heard` by their paths: what
    they made before is told of their line as made outside planned time. Another `since` counts from the earlier of the two.
    """
    before, after = _lines(old), _lines(new)
    found: dict[str, int] = {}
    for path in before.keys() | after.keys():
        if path not in before or path not in after:
            found[path] = BEGINNING_US
        elif before[path] != after[path]:
            found |= _line_changes(path, *before[path], *after[path], heard)
    lines_first = sorted(found.items(), key=lambda each: (each[0].count("/"), each[0]))
    return [(path, from_us) for path, from_us in lines_first if from_us < found.get(_line_above(path), from_us + 1)]


def _lines(plant: Plant) -> dict[str, tuple[str, Line]]:
    return {f"{site.name}/{line.name}": (site.timezone, line) for site in plant.sites for line in site.lines}


def _line_above(path: str) -> str:
    return path.rpartition("/")[0]


def _line_changes(
    path: str, old_zone: str, old: Line, new_zone: str, new: Line, heard: Collection[str]
) -> dict[str, int]:
    tz = Site("", new_zone).tz
    old_cells, new_cells = ({cell.name: cell for cell in line.cells} for line in (old, new))
    if old_zone != new_zone or bool(old.shifts) != bool(new.shifts):
        return {path: BEGINNING_US}
    begins = [*_shifts_differ_us(old, new, tz), *_standards_differ_us(old.standards, new.standards, tz)]
    begins += _cells_differ_us(path, old_cells, new_cells, tz, heard)
    found = {path: min(begins)} if begins else {}
    for name in old_cells.keys() & new_cells.keys():
        was, now = old_cells[name], new_cells[name]
        if set(was.zones) != set(now.zones):
            found[f"{path}/{name}"] = BEGINNING_US
        elif own := _standards_differ_us(was.standards, now.standards, tz):
            found[f"{path}/{name}"] = min(own)
    return found


def _cells_differ_us(
    path: str, old: Mapping[str, Cell], new: Mapping[str, Cell], tz: ZoneInfo, heard: Collection[str]
) -> Iterator[int]:
    """Yield, of each cell that belongs to a line at other times than before, from when on."""
    for name in old.keys() | new.keys():
        stays = name in old and name in new
        begins = {_begins_us(cells[name], tz) for cells in (old, new) if name in cells}
        if not stays or len(begins) > 1:
            yield min(begins) if stays or f"{path}/{name}" not in heard else BEGINNING_US


def _begins_us(cell: Cell, tz: ZoneInfo) -> int:
    return BEGINNING_US if cell.since is None else midnight_us(cell.since, tz)


def _standards_differ_us(old: Iterable[Standard], new: Iterable[Standard], tz: ZoneInfo) -> list[int]:
    return [midnight_us(standard.since, tz) for standard in set(old) ^ set(new)]


def _shifts_differ_us(old: Line, new: Line, tz: ZoneInfo) -> list[int]:
    """Return the beginning of the local date of the first shift that differs, nothing where the shifts are the same.

    Where no year up to ten after the last date named shows a difference, the end of those is returned: one may follow.
    """
    if set(old.shifts) == set(new.shifts):
        return []
    named = [day for p in (*old.shifts, *new.shifts) for day in (p.since, *p.except_, *p.extra)]
    last = min(max(named).year + COMPARED_YEARS, LAST_DATE.year)
    for year in range(min(named).year, last + 1):
        differing = _in_year(old, tz, year) ^ _in_year(new, tz, year)
        if differing:
            return [midnight_us(min(instance.date for instance in differing), tz)]
    return [midnight_us(date(last + 1, 1, 1), tz)]


def _in_year(line: Line, tz: ZoneInfo, year: int) -> set[ShiftInstance]:
    return {
        instance
        for pattern in line.shifts
        if pattern.since.year <= year
        for instance in year_instances(pattern, tz, year)
    }
