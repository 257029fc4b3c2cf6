"""Reads where planned time went of a unit over windows, beside its figures and from the same sums."""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from zoneledger.application.kpi import Kpi, kpis_of
from zoneledger.application.ledger import older_warnings, read_activities
from zoneledger.application.parts import Part, Sums, planned_alike, reach_of, read_sums, segments_of, standards_of
from zoneledger.application.ports import Reading
from zoneledger.application.stored import DefectCount, PausesAsked
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.losses import MINOR_STOP, Defects, LossAccount, ProgramLoss, added, causes_of, stops_of
from zoneledger.core.minor_stops import Pause, minor_stops, smallest_limit_us
from zoneledger.core.plant import Unit
from zoneledger.core.program_time import ProgramTime, running_by_program
from zoneledger.core.rows import Activity
from zoneledger.core.spans import Interval, Span, fill, intersect, total, unite
from zoneledger.core.standards import Standards
from zoneledger.core.states import RUNNING

Activities = Mapping[tuple[str, str], Sequence[Activity]]


@dataclass(frozen=True, slots=True)
class Losses:
    """A unit's figures over a window, and what its losses are read off."""

    kpi: Kpi
    account: LossAccount


@dataclass(frozen=True, slots=True)
class _Time:
    """A cell's or zone's own spans, its minor stops, and when it ran which program: over all windows, each sorted and disjoint."""

    spans: Sequence[Span]
    stops: Sequence[Interval]
    programs: ProgramTime


async def read_losses(
    reading: Reading, unit: Unit, windows: Sequence[Window], now_us: int, limits: Limits
) -> list[Losses]:
    """Return the losses of a unit for each window, read up to the present; a window yet to come has none."""
    return await losses_of(reading, await read_sums(reading, unit, windows, now_us, limits), now_us, limits)


async def losses_of(reading: Reading, sums: Sums, now_us: int, limits: Limits) -> list[Losses]:
    """Return the losses of a unit for each of the windows that were summed off the ledger."""
    await add_losses(reading, sums, limits)
    kpis = await kpis_of(reading, sums, now_us, limits)
    for kpi in kpis:  # the programs are those of activities
        kpi.warnings.extend(older_warnings(sums.heads, kpi.window.start_us))
    found = zip(kpis, sums.parts, strict=True)
    return [Losses(kpi, sum(part.losses.values(), LossAccount())) for kpi, part in found]


async def add_losses(reading: Reading, sums: Sums, limits: Limits) -> None:
    """Add to windows that were summed the losses of the zone that was asked for, or of each of the cells."""
    past, zone = sums.past, sums.unit.zone or ""
    if not past:
        return
    reach = reach_of(past)
    activities = await read_activities(reading, sums.heads, sums.unit.cells, *reach, limits)
    for cells in planned_alike(sums.unit.cells, reach):
        standards = standards_of(cells)
        asked = [
            PausesAsked(cell, zone, smallest_limit_us(found), *_running_reach(sums.spans.get((cell, zone), []), reach))
            for cell, found in standards.items()
        ]
        pauses = await reading.pauses(asked, *reach)
        for cell, found in standards.items():
            time = _time_of(sums, (cell, zone), activities, pauses[cell, zone], found, reach)
            for part in past:
                part.losses[cell, zone] = _losses_of(part, (cell, zone), time)
        await _add_defects(reading, standards, past, zone)


def _running_reach(spans: Sequence[Span], reach: Interval) -> Interval:
    """Return from where to where fasteners cut running spans that overlap a window, each as a whole."""
    running = [span for span in spans if span.state == RUNNING]
    starts, ends = (span.start_us for span in running), (span.end_us for span in running)
    return min([reach[0], *starts]), max([reach[1], *ends])


def _time_of(
    sums: Sums,
    unit: tuple[str, str],
    activities: Activities,
    pauses: Sequence[Pause],
    standards: Standards,
    reach: Interval,
) -> _Time:
    spans = sums.spans.get(unit, [])
    running = unite((span.start_us, span.end_us) for span in spans if span.state == RUNNING)
    cell, zone = unit
    zones = {
        name: (found, activities.get((cell, name), ()))
        for (owner, name), found in sums.spans.items()
        if owner == cell and name and zone in ("", name)
    }
    return _Time(spans, minor_stops(running, pauses, standards), running_by_program(zones, [reach]))


def _overlapping(intervals: Sequence[Interval], bounds: Interval) -> Sequence[Interval]:
    """Return those of sorted, disjoint intervals that overlap a window."""
    first = bisect_right(intervals, bounds[0], key=lambda one: one[1])
    return intervals[first : bisect_left(intervals, bounds[1], key=lambda one: one[0])]


def _losses_of(part: Part, unit: tuple[str, str], time: _Time) -> LossAccount:
    """Return the losses of a cell or zone in one window, without its defects."""
    inside, bounds = part.planned[unit[0]], (part.window.start_us, part.until_us)
    first = bisect_right(time.spans, bounds[0], key=lambda span: span.end_us)
    spans = time.spans[first : bisect_left(time.spans, bounds[1], key=lambda span: span.start_us)]
    causes = causes_of([span for span in fill(spans, *bounds) if span.state != RUNNING], inside)
    stops = _overlapping(time.stops, bounds)
    stopped = stops_of(stops, inside)
    if stopped is not None:
        causes[RUNNING, MINOR_STOP] = stopped
    account = LossAccount(stopped.length_us if stopped else 0, causes)
    for program, intervals in time.programs.items():
        ran = intersect(_overlapping(intervals, bounds), inside)
        if ran:
            account.programs[program] = ProgramLoss(total(ran), minor_stop_us=total(intersect(ran, stops)))
    account.programs = added(account.programs, _made(part, *unit))
    return account


def _made(part: Part, cell: str, zone: str) -> dict[str | None, ProgramLoss]:
    """Return what was made for each program in a zone, or in all of a cell's."""
    found: dict[str | None, ProgramLoss] = {}
    for (where, program), (made, standard_us) in part.programs.get(cell, {}).items():
        if zone in ("", where):
            found = added(found, {program: ProgramLoss(standard_us=standard_us, made=made)})
    return found


async def _add_defects(reading: Reading, standards: Mapping[str, Standards], past: Sequence[Part], zone: str) -> None:
    segments = [segment for segment in segments_of(standards, past) if segment.planned]
    asked = [(segment.start_us, segment.end_us) for segment in segments]
    for row in await reading.count_defects(list(standards), asked):
        if zone in ("", row.zone):
            segment = segments[row.segment]
            _add_defect(segment.part.losses[row.cell, zone], row, standards[row.cell], segment.start_us)


def _add_defect(account: LossAccount, row: DefectCount, standards: Standards, at_us: int) -> None:
    rate_us = standards.rate(row.operation, row.item, row.program, at_us) or 0
    defects = Defects.of(row.result, row.number, rate_us)
    account.items[row.item] = account.items.get(row.item, Defects()) + defects
    position = row.program, row.position
    account.positions[position] = account.positions.get(position, Defects()) + defects
