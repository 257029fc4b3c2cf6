"""The tables of figures: what each shift came to, and where its planned time went."""

from collections.abc import AsyncIterator, Iterator

from zoneledger.application.kpi import Kpi, read_kpis
from zoneledger.application.losses import Losses, read_losses
from zoneledger.application.tables.columns import Column, Part, Row, Source, Table, pieces_of
from zoneledger.application.windows import Window, series_of
from zoneledger.core.calendar import DAY_US, seconds
from zoneledger.core.losses import MINOR_STOP, steps_of
from zoneledger.core.plant import Unit
from zoneledger.core.states import KNOWN_STATES, RUNNING, STATES, UNKNOWN

#: The shifts that begin in so much time are read at once, of one unit.
SHIFTS_US = 7 * DAY_US

_RATIOS = (
    ("availability", "running / (planned - unknown)"),
    ("performance", "standard seconds of all made / running"),
    ("quality", "standard seconds of good / of all made"),
    ("oee", "standard seconds of good / (planned - unknown)"),
    ("oee_low", "what the OEE is at least, whatever happened in unknown time"),
    ("oee_high", "what it is at most"),
    ("nee", "OEE with changeover not counted as a loss"),
    ("teep", "standard seconds of good / calendar time"),
    ("known", "(planned - unknown) / planned"),
    ("utilisation", "running / planned"),
    ("masked_changeover", "share of the zones' changeover that cost no output"),
    ("first_pass_yield", "good at once / made"),
)
_COUNTS = (
    ("made", "fasteners made in planned time"),
    ("good", "the good ones, after verdicts"),
    ("rework", "those to be reworked"),
    ("reject", "those that are lost"),
    ("unrated", "made without a standard"),
    ("outside_planned", "made in the shift, outside planned time"),
    ("unseen", "counted in snapshots less told by events"),
)
_RATES = (
    ("made_per_planned_hour", "fasteners made per hour of planned time"),
    ("made_per_running_hour", "fasteners made per hour of running time"),
    ("good_per_planned_hour", "good fasteners per hour of planned time"),
)
_SHIFT = (
    Column("shift", "text", "local date at its start, and its name"),
    Column("start", "time", "its start, included"),
    Column("end", "time", "its end, not included"),
)
_REVISION = Column("revision", "integer", "rises when its figures changed afterwards")

SHIFT_COLUMNS = (
    Column("unit", "text", "the path of the line, cell or zone"),
    Column("level", "text", "line, cell or zone: of a line the times are sums over its cells"),
    *_SHIFT,
    Column("until", "time", "where reading ended: its end, or now"),
    Column("planned_s", "number", "planned time in seconds"),
    *(Column(f"{state}_s", "number", f"seconds of planned time {state}") for state in STATES),
    *(Column(name, "number", f"{what}, as a ratio") for name, what in _RATIOS),
    *(Column(name, "integer", what) for name, what in _COUNTS),
    Column("standard_s", "number", "standard seconds of all rated fasteners made"),
    Column("good_standard_s", "number", "standard seconds of the good ones"),
    *(Column(name, "number", what) for name, what in _RATES),
    _REVISION,
)

LOSS_COLUMNS = (
    Column("unit", "text", "the path of the cell, or of the zone that was asked for"),
    *_SHIFT,
    Column("planned_s", "number", "planned time of the shift in seconds, on each of its rows"),
    Column("step", "text", "unknown, fault, changeover, idle, minor_stops, speed, rework or reject"),
    Column("reason", "text", "of the first four steps why; no_evidence where nothing was ever known"),
    Column("lost_s", "number", "seconds lost; of speed also below 0. They sum to planned less good standard seconds"),
    Column("occurrences", "integer", "of the first five steps how often"),
    _REVISION,
)


def _units_of(source: Source, part: Part) -> Iterator[Unit]:
    """Yield the lines, cells and zones of a part."""
    path = part.unit.path
    for unit in source.declared.plant:
        if unit.level != "site" and (unit.path == path or unit.path.startswith(f"{path}/")):
            yield unit


def _shifts_of(source: Source, part: Part, unit: Unit) -> Iterator[list[Window]]:
    """Yield the shifts that begin in the window and have begun by now, some at a time."""
    for bounds in pieces_of((part.bounds[0], min(part.bounds[1], source.now_us)), SHIFTS_US):
        if unit.line is not None and (windows := series_of(unit, Window(*bounds), "shift")):
            yield windows


async def read_shift_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield the figures of the shifts that begin in the window, of each line, cell and zone."""
    for part in source.parts:
        for unit in _units_of(source, part):
            for windows in _shifts_of(source, part, unit):
                async with source.store.reading() as reading:
                    found = await read_kpis(reading, unit, windows, source.now_us, source.limits)
                yield [_shift_row(kpi) for kpi in found]


def _shift_row(kpi: Kpi) -> Row:
    account, figures, window = kpi.account, kpi.figures, kpi.window
    times = (seconds(getattr(account, f"{state}_us")) for state in STATES)
    ratios = (getattr(figures, name) for name, _ in _RATIOS)
    counts = (getattr(account, name) for name, _ in _COUNTS)
    rates = (getattr(figures, name) for name, _ in _RATES)
    shift = window.shift, window.start_us, window.end_us, kpi.until_us
    standards = seconds(account.standard_us), seconds(account.good_standard_us)
    first = kpi.unit.path, kpi.unit.level, *shift, seconds(account.planned_us)
    return (*first, *times, *ratios, *counts, *standards, *rates, kpi.revision)


async def read_loss_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield where the planned time of the shifts went that begin in the window, of each cell or of the zone that was asked for."""
    for part in source.parts:
        for unit in (part.unit,) if part.unit.zone else part.unit.cells:
            for windows in _shifts_of(source, part, unit):
                async with source.store.reading() as reading:
                    found = await read_losses(reading, unit, windows, source.now_us, source.limits)
                yield [row for losses in found for row in _loss_rows(losses)]


def _loss_rows(losses: Losses) -> Iterator[Row]:
    kpi, causes = losses.kpi, losses.account.causes
    window = kpi.window
    first = kpi.unit.path, window.shift, window.start_us, window.end_us, seconds(kpi.account.planned_us)
    for step in steps_of(kpi.account, losses.account.minor_stop_us):
        if step.name in KNOWN_STATES or step.name == UNKNOWN:
            for (state, reason), found in sorted(causes.items(), key=lambda one: (one[0][0], one[0][1] or "")):
                if state == step.name:
                    told = step.name, reason or "no_evidence", seconds(found.length_us), found.number
                    yield (*first, *told, kpi.revision)
        elif step.lost_us:
            stops = causes.get((RUNNING, MINOR_STOP)) if step.name == "minor_stops" else None
            yield (*first, step.name, None, seconds(step.lost_us), stops.number if stops else None, kpi.revision)


FIGURE_TABLES = (Table("shifts", SHIFT_COLUMNS, read_shift_rows), Table("losses", LOSS_COLUMNS, read_loss_rows))
