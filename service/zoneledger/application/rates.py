"""Reads how fast a unit made fasteners over a window off the ledger."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from zoneledger.application.kpi import Kpi, kpis_of
from zoneledger.application.ledger import older_warnings, read_activities
from zoneledger.application.parts import Sums, read_sums
from zoneledger.application.ports import Reading
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.figures import HOUR_US
from zoneledger.core.plant import Unit
from zoneledger.core.program_time import ZoneTime, lengths_us, running_by_program
from zoneledger.core.rates import Kind, KindTally, Made, Piece, ProgramRate, program_rates
from zoneledger.core.spans import Interval
from zoneledger.core.standards import Standards

Planned = dict[str, list[Interval]]
"""Planned time by cell."""


@dataclass(frozen=True, slots=True)
class BestHour:
    """The rolling hour in which the most fasteners were made in planned time; `start_us` is None where none were."""

    made: int
    start_us: int | None


@dataclass(frozen=True, slots=True)
class Rates:
    """How fast a unit made fasteners over a window; `best_hour` is None of a window shorter than an hour, or without evidence."""

    kpi: Kpi
    best_hour: BestHour | None
    kinds: dict[Kind, KindTally]
    programs: list[ProgramRate]


class _Parts:
    """The parts of a window in which no standard of a cell changes, and the pieces of planned time that belong to them."""

    def __init__(self, cells: Iterable[Unit], inside: Planned) -> None:
        self.pieces: list[Piece] = []
        self._of: list[tuple[Standards, int]] = []
        for cell in cells:
            if cell.line and cell.cell and inside[cell.path]:
                self._add(cell.path, Standards.of(cell.line, cell.cell, cell.tz), inside[cell.path])

    def _add(self, cell: str, standards: Standards, inside: Sequence[Interval]) -> None:
        start_us, end_us = inside[0][0], inside[-1][1]
        edges = [start_us, *(us for us in standards.changes_us(start_us, end_us) if us > start_us), end_us]
        for since_us, until_us in pairwise(edges):
            cut = ((max(begin_us, since_us), min(over_us, until_us)) for begin_us, over_us in inside)
            self.pieces += [Piece(cell, len(self._of), *piece) for piece in cut if piece[0] < piece[1]]
            self._of.append((standards, since_us))

    def kinds(self, rows: Iterable[Made]) -> dict[Kind, KindTally]:
        """Return what was made of each kind, the most made first."""
        found: dict[Kind, KindTally] = {}
        for row in rows:
            standards, at_us = self._of[row.part]
            found.setdefault(row.kind, KindTally()).add(row, standards.rate(*row.kind, at_us))
        return dict(sorted(found.items(), key=lambda one: (-one[1].made, [word or "" for word in one[0]])))


async def read_rates(reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits) -> Rates:
    """Return the rates of a unit, read up to the present; a window yet to come has none."""
    sums = await read_sums(reading, unit, [window], now_us, limits)
    (kpi,), (part,), until_us = await kpis_of(reading, sums, now_us, limits), sums.parts, window.until_us(now_us)
    inside = {cell.path: part.planned.get(cell.path, []) for cell in unit.cells}
    kpi.warnings.extend(older_warnings(sums.heads, window.start_us))
    parts = _Parts(unit.cells, inside)
    made = await reading.count_made(parts.pieces, unit.zone)
    running_us = await _running(reading, sums, inside, (window.start_us, until_us), limits)
    best_hour = None
    if until_us - window.start_us >= HOUR_US and kpi.figures.made_per_planned_hour is not None:
        found = await reading.busiest(parts.pieces, unit.zone, HOUR_US, until_us - HOUR_US)
        best_hour = BestHour(found[1], found[0]) if found else BestHour(0, None)
    return Rates(kpi, best_hour, parts.kinds(made), program_rates(made, running_us))


async def _running(
    reading: Reading, read: Sums, inside: Planned, window: Interval, limits: Limits
) -> dict[str | None, int]:
    """Return the running time of each program in microseconds, summed over the cells of the unit."""
    unit, spans = read.unit, read.spans
    activities = await read_activities(reading, read.heads, unit.cells, *window, limits)
    sums: dict[str | None, int] = {}
    for path, intervals in inside.items():
        # Zones with spans, not those declared: one that the plant model named no more has run, too.
        own = [place for place in spans if place[0] == path and (place[1] == unit.zone if unit.zone else place[1])]
        zones: dict[str, ZoneTime] = {zone: (spans[cell, zone], activities.get((cell, zone), [])) for cell, zone in own}
        for program, length_us in lengths_us(running_by_program(zones, intervals)).items():
            sums[program] = sums.get(program, 0) + length_us
    return sums
