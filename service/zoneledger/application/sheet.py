"""Reads all that a shift sheet shows of a unit over a window at once, so that its parts tell of the same moment."""

from collections.abc import Sequence
from dataclasses import dataclass

from zoneledger.application.given import (
    Questions,
    Told,
    UnitEntries,
    asked_states,
    entries_by_unit,
    path_of,
    questions_of,
    told_of,
)
from zoneledger.application.kpi import Kpi, kpis_from, kpis_of, read_kpis
from zoneledger.application.ledger import UnitSpans
from zoneledger.application.losses import Losses, losses_of
from zoneledger.application.pace import Pace, read_pace
from zoneledger.application.panels import Panels, panels_of
from zoneledger.application.parts import Sums, read_sums, total_of
from zoneledger.application.ports import Reading
from zoneledger.application.stored import GivenRow, Listed
from zoneledger.application.windows import MAX_DAYS, Asked, Window, other_window
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US, local_time
from zoneledger.core.errors import LevelWrong, ShiftUnknown, WindowInvalid
from zoneledger.core.given import decided_us, overlay, standing
from zoneledger.core.plant import Target, Unit
from zoneledger.core.ribbons import Ribbon, condensed
from zoneledger.core.shifts import instances
from zoneledger.core.spans import Interval, clip, fill
from zoneledger.wording import counted

#: Of larger sheets ask for a shorter window, or for a unit below: 30 cells for ten days, or ten for a month.
MAX_SHEET_CELL_DAYS = 310
#: Where a sheet has more pieces of time than this, they are condensed to so many parts of the window.
MAX_PIECES, PARTS = 10_000, 480
#: Into how many parts the window is cut to tell how fast fasteners were made.
PACE_PARTS = 96
#: Of panel passes, open questions and notes at most so many are shown; stretches that are shorter are not asked about.
MAX_PASSES_SHOWN, MAX_QUESTIONS, MAX_NOTES = 200, 100, 200
ASKED_LONGER_THAN_US = 60_000_000


@dataclass(frozen=True, slots=True)
class CellSheet:
    """A cell's part of a sheet: its figures, what was promised, and the ribbons of the cell itself and of its zones."""

    kpi: Kpi
    target: Target | None
    ribbons: list[Ribbon]


@dataclass(frozen=True, slots=True)
class Sheet:
    """All of it. `against` is None where nothing lies before; `part_us` is the length of a condensed ribbon's parts, else None."""

    kpi: Kpi
    against: Kpi | None
    target: Target | None
    cells: list[CellSheet]
    part_us: int | None
    pace: Pace
    losses: Losses
    panels: Panels
    questions: Questions
    notes: list[Told]
    stops: list[tuple[str, int, int]]


async def read_sheet(
    reading: Reading, unit: Unit, window: Window, against: Asked | None, now_us: int, limits: Limits
) -> Sheet:
    """Return the sheet of a site, line or cell, compared with another window (None: the one before, if there is one).

    Raises LevelWrong for a zone, WindowInvalid for too long a window, or ShiftUnknown.
    """
    _bound(unit, window)
    sums, read = await read_sums(reading, unit, [window], now_us, limits), (window.start_us, window.until_us(now_us))
    (kpi,) = await kpis_of(reading, sums, now_us, limits)
    other = await read_kpis(reading, unit, _compared(unit, window, against, now_us), now_us, limits)
    given = await reading.given([cell.path for cell in unit.cells], window.start_us, window.end_us)
    spans, entries, asked = sums.spans, entries_by_unit(given), asked_states(faults=False)
    ribbons, part_us = _ribbons(unit, spans, entries, read, window)
    return Sheet(
        kpi,
        other[0] if other else None,
        unit.target_on(local_time(window.start_us, unit.tz).date()),
        [await _cell(reading, cell, sums, ribbons[cell.path], now_us, limits) for cell in _shown(unit, window)],
        part_us,
        await read_pace(reading, unit, window, PACE_PARTS, now_us),
        (await losses_of(reading, sums, now_us, limits))[0],
        await panels_of(reading, sums, now_us, limits, 0, MAX_PASSES_SHOWN),
        questions_of(unit, read, spans, entries, asked, ASKED_LONGER_THAN_US, MAX_QUESTIONS),
        _notes(given, spans, entries, read),
        _stops(unit, window),
    )


def _bound(unit: Unit, window: Window) -> None:
    if unit.level == "zone":
        raise LevelWrong(f"{unit.path} is a zone, and has its ribbon on its cell's sheet: ask for {unit.cell_path}.")
    longest_us = min(MAX_DAYS * DAY_US, MAX_SHEET_CELL_DAYS * DAY_US // max(1, len(unit.cells)))
    if window.end_us - window.start_us > longest_us:
        raise WindowInvalid(
            f"A sheet of {counted(len(unit.cells), 'cell', 'cells')} is of at most {longest_us / DAY_US:.1f} days. "
            "Ask for a shorter window, or a unit below."
        )


def _shown(unit: Unit, window: Window) -> list[Unit]:
    """Return the cells of a sheet: without those that belong to their line only after its window, unless one of them is asked for."""
    return [cell for cell in unit.cells if cell is unit or (cell.since_us or 0) < window.end_us]


def _compared(unit: Unit, window: Window, against: Asked | None, now_us: int) -> list[Window]:
    try:
        return [other_window(unit, window, against, now_us)]
    except ShiftUnknown:
        if against is not None:
            raise
        return []


async def _cell(
    reading: Reading, cell: Unit, sums: Sums, ribbons: list[Ribbon], now_us: int, limits: Limits
) -> CellSheet:
    """Return a cell's part of a sheet, from the sums of all cells."""
    (part,) = sums.parts
    window = part.window
    (kpi,) = await kpis_from(reading, cell, [window], [total_of(cell, part)], now_us, limits)
    return CellSheet(kpi, cell.target_on(local_time(window.start_us, cell.tz).date()), ribbons)


def _ribbons(
    unit: Unit, spans: UnitSpans, entries: UnitEntries, read: Interval, window: Window
) -> tuple[dict[str, list[Ribbon]], int | None]:
    """Return the ribbons of each cell, its own first, and the length of their parts where they are condensed."""
    found = {
        cell.path: [
            Ribbon(
                path_of(cell.path, zone),
                overlay(fill(spans.get((cell.path, zone), []), *read), entries.get((cell.path, zone), [])),
            )
            for zone in ("", *(cell.cell.zones if cell.cell else ()))
        ]
        for cell in unit.cells
    }
    number = sum(len(ribbon.pieces) for ribbons in found.values() for ribbon in ribbons)
    if number <= MAX_PIECES:
        return found, None
    for ribbons in found.values():
        ribbons[:] = [
            ribbon._replace(pieces=condensed(ribbon.pieces, window.start_us, window.end_us, PARTS))
            for ribbon in ribbons
        ]
    return found, (window.end_us - window.start_us) // PARTS


def _notes(given: Sequence[Listed[GivenRow]], spans: UnitSpans, entries: UnitEntries, read: Interval) -> list[Told]:
    """Return the last of what people said of a window, in order; each with what it decides in the window."""
    stand = standing(entry for said in entries.values() for entry in said)
    decides: dict[int, int] = {}
    for key, said in entries.items():
        decides |= decided_us(overlay(clip(spans.get(key, []), *read), said))
    return told_of(given[-MAX_NOTES:], stand, decides)


def _stops(unit: Unit, window: Window) -> list[tuple[str, int, int]]:
    """Return the planned stops of a unit's line that lie in a window."""
    if unit.line is None:
        return []
    found = instances(unit.line, unit.tz, window.start_us, window.end_us)
    return [stop for shift in found for stop in shift.stops if stop[1] < window.end_us and stop[2] > window.start_us]
