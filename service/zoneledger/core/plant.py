"""The plant's tree as declared: sites, lines, cells and zones, with the shifts and standards that hold in them."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, time
from functools import cached_property
from typing import Literal
from zoneinfo import ZoneInfo

from zoneledger.core.calendar import midnight_us
from zoneledger.core.given import EXPLAINED_STATES

PATH_STEP_PATTERN = r"^[a-z0-9-]{1,40}$"
_PATH_STEP = re.compile(r"[a-z0-9-]{1,40}")

Level = Literal["site", "line", "cell", "zone"]
Operation = Literal["drill", "fasten", "trim"]


def is_path_step(text: str) -> bool:
    """Say whether `text` may be a step of a unit's path: 1 to 40 of a-z, 0-9 and `-`."""
    return _PATH_STEP.fullmatch(text) is not None


@dataclass(frozen=True, slots=True)
class PlannedStop:
    """A planned stop of a shift, by the wall clock; an end not after the start is on the next day."""

    name: str
    starts: time
    ends: time


@dataclass(frozen=True, slots=True)
class ShiftPattern:
    """A shift on local dates: those of the RFC 5545 rule `repeats` from `since` on, and `extra`, less `except_`.

    `starts` and `ends` are wall-clock times; an end not after the start is on the next day. A stop that starts before
    the shift by the clock is on the next day, too. `since` is where the rule begins to count (DTSTART); it is a date of
    the shift only if the rule says so.
    """

    name: str
    starts: time
    ends: time
    repeats: str
    since: date
    except_: tuple[date, ...] = ()
    extra: tuple[date, ...] = ()
    stops: tuple[PlannedStop, ...] = ()


@dataclass(frozen=True, slots=True)
class Standard:
    """The ideal head time for one fastener, in microseconds, from the local midnight of `since` on.

    Without `item` (or `program`) it holds for every item (or program). `minor_stop_us` is the longest piece of running
    time that is not yet a minor stop, where one was declared.
    """

    operation: Operation
    fastener_us: int
    since: date
    item: str | None = None
    program: str | None = None
    minor_stop_us: int | None = None

    @property
    def minor_stop_limit_us(self) -> int:
        """Return the limit in use: the declared one, or three times the ideal time and at least 15 s."""
        return max(3 * self.fastener_us, 15_000_000) if self.minor_stop_us is None else self.minor_stop_us


@dataclass(frozen=True, slots=True)
class Target:
    """What was promised from the local midnight of `since` on: an OEE, good fasteners per planned hour of a cell, or both."""

    since: date
    oee: float | None = None
    good_per_hour: float | None = None


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell; its own standards and targets win over those of its line.

    It belongs to its line from the local midnight of `since` on, and from the beginning where that is None.
    """

    name: str
    zones: tuple[str, ...]
    standards: tuple[Standard, ...] = ()
    targets: tuple[Target, ...] = ()
    since: date | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One line; without shifts it is planned around the clock."""

    name: str
    shifts: tuple[ShiftPattern, ...] = ()
    standards: tuple[Standard, ...] = ()
    cells: tuple[Cell, ...] = ()
    targets: tuple[Target, ...] = ()


@dataclass(frozen=True, slots=True)
class ReasonChoice:
    """A reason that people of a site may give to time in these states; `text` says it in plain words, where it was declared."""

    name: str
    text: str | None = None
    states: tuple[str, ...] = EXPLAINED_STATES


@dataclass(frozen=True, slots=True)
class Site:
    """One site; `timezone` is an IANA name. People in one of `roles` may give one of `reasons` to time of its cells and zones."""

    name: str
    timezone: str
    lines: tuple[Line, ...] = ()
    reasons: tuple[ReasonChoice, ...] = ()
    roles: tuple[str, ...] = ()

    @property
    def tz(self) -> ZoneInfo:
        """Return the site's time zone; raise zoneinfo.ZoneInfoNotFoundError where the machine does not know it."""
        return ZoneInfo(self.timezone)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Unit:
    """A node of the tree with what it lies in; `line`, `cell` and `zone` are None above their level."""

    path: str
    level: Level
    site: Site
    line: Line | None = None
    cell: Cell | None = None
    zone: str | None = None
    _cells: tuple["Unit", ...] = field(default=())

    @property
    def cells(self) -> tuple["Unit", ...]:
        """Return the cells under this unit in declared order: a cell itself, and for a zone the cell it belongs to."""
        return (self,) if self.level == "cell" else self._cells

    @property
    def tz(self) -> ZoneInfo:
        """Return the time zone of the unit's site."""
        return self.site.tz

    @property
    def since_us(self) -> int | None:
        """Return from when on the unit's cell belongs to its line; None: from the beginning, as sites and lines are."""
        return None if self.cell is None or self.cell.since is None else midnight_us(self.cell.since, self.tz)

    def target_on(self, day: date) -> Target | None:
        """Return the target that holds on a local date: the cell's own, else its line's; None where nothing was promised."""
        of_cell = self.cell.targets if self.cell else ()
        of_line = self.line.targets if self.line else ()
        for targets in (of_cell, of_line):
            begun = [target for target in targets if target.since <= day]
            if begun:
                return max(begun, key=lambda target: target.since)
        return None

    @property
    def line_path(self) -> str | None:
        """Return the path of the unit's line, None for a site."""
        return _upper_path(self.path, 2)

    @property
    def cell_path(self) -> str | None:
        """Return the path of the unit's cell, None for a site or line."""
        return _upper_path(self.path, 3)

    def __repr__(self) -> str:
        return f"Unit({self.path!r}, {self.level!r})"


@dataclass(frozen=True)
class Plant:
    """The whole tree; one without sites is valid. Two plants are equal when they declare the same."""

    sites: tuple[Site, ...] = ()

    def __iter__(self) -> Iterator[Unit]:
        """Yield every unit in declared order, each before the units under it."""
        return iter(self._units.values())

    def find(self, path: str) -> Unit | None:
        """Return the unit with this path, None if there is none."""
        return self._units.get(path)

    def cell_zones(self, cell_path: str) -> frozenset[str] | None:
        """Return the names of a cell's zones, None if no cell has this path."""
        return self._cell_zones.get(cell_path)

    @cached_property
    def _units(self) -> dict[str, Unit]:
        return {unit.path: unit for site in self.sites for unit in _site_units(site)}

    @cached_property
    def _cell_zones(self) -> dict[str, frozenset[str]]:
        return {unit.path: frozenset(unit.cell.zones) for unit in self if unit.level == "cell" and unit.cell}


def _site_units(site: Site) -> list[Unit]:
    below = [unit for line in site.lines for unit in _line_units(site, line)]
    return [Unit(site.name, "site", site, _cells=_cells_among(below)), *below]


def _line_units(site: Site, line: Line) -> list[Unit]:
    path = f"{site.name}/{line.name}"
    below = [unit for cell in line.cells for unit in _cell_units(path, site, line, cell)]
    return [Unit(path, "line", site, line, _cells=_cells_among(below)), *below]


def _cell_units(line_path: str, site: Site, line: Line, cell: Cell) -> list[Unit]:
    unit = Unit(f"{line_path}/{cell.name}", "cell", site, line, cell)
    return [unit, *(Unit(f"{unit.path}/{zone}", "zone", site, line, cell, zone, (unit,)) for zone in cell.zones)]


def _cells_among(units: list[Unit]) -> tuple[Unit, ...]:
    return tuple(unit for unit in units if unit.level == "cell")


def _upper_path(path: str, steps: int) -> str | None:
    parts = path.split("/")
    return "/".join(parts[:steps]) if len(parts) >= steps else None
