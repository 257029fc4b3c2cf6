"""Sums windows of a unit off the ledger: planned time by state and reason, and what was made in it, by cell and zone."""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from zoneledger.application.given import UnitPieces, read_given
from zoneledger.application.ledger import UnitSpans, read_spans
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Count, Head
from zoneledger.application.totals import Total
from zoneledger.application.windows import Window, bound
from zoneledger.core.booking import Limits
from zoneledger.core.figures import Account
from zoneledger.core.given import time_given
from zoneledger.core.losses import LossAccount
from zoneledger.core.plant import Unit
from zoneledger.core.shifts import planned_of
from zoneledger.core.slots import cuts_us
from zoneledger.core.spans import Interval, Span, intersect, time_in_states, total, unite
from zoneledger.core.standards import Standards
from zoneledger.core.states import CHANGEOVER, HEAD, IDLE, RUNNING
from zoneledger.core.warnings import Kind


@dataclass(slots=True)
class Part:
    """One window being summed: planned time by cell, accounts by cell and zone.

    `programs` has by cell what each zone made in planned time for each program: how many, and their standard time; `unrated` has by
    cell what was made without a standard. `losses` are by cell and zone, of the cell itself under the zone ''; whoever asks for
    them adds them.
    """

    window: Window
    until_us: int
    planned: dict[str, list[Interval]] = field(default_factory=dict)
    cells: dict[str, Account] = field(default_factory=dict)
    zones: dict[tuple[str, str], Account] = field(default_factory=dict)
    programs: dict[str, dict[tuple[str, str | None], tuple[int, int]]] = field(default_factory=dict)
    losses: dict[tuple[str, str], LossAccount] = field(default_factory=dict)
    unrated: dict[str, set[Kind]] = field(default_factory=dict)

    @property
    def is_past(self) -> bool:
        """Whether any of it lies before the present."""
        return self.until_us > self.window.start_us

    def add_program(self, cell: str, zone: str, program: str | None, number: int, rate_us: int) -> None:
        """Add fasteners that were made for a program, each with the same standard time."""
        programs = self.programs.setdefault(cell, {})
        made, standard_us = programs.get((zone, program), (0, 0))
        programs[zone, program] = made + number, standard_us + number * rate_us


@dataclass(frozen=True, slots=True)
class Sums:
    """What windows of a unit were summed from: the windows, and of all of them the heads of its cells, spans and given reasons."""

    unit: Unit
    parts: list[Part]
    heads: Mapping[str, Head]
    spans: UnitSpans
    given: UnitPieces

    @property
    def past(self) -> list[Part]:
        """Return the windows of which any time has passed; the others are empty."""
        return [part for part in self.parts if part.is_past]


@dataclass(frozen=True, slots=True)
class Segment:
    """A piece of a window in which neither the plannedness nor any standard of some cells changes."""

    part: Part
    start_us: int
    end_us: int
    planned: bool


def _cut(interval: Interval, at: Sequence[int]) -> list[Interval]:
    """Cut an interval at instants, which are in order."""
    inside = at[bisect_right(at, interval[0]) : bisect_left(at, interval[1])]
    return list(pairwise([interval[0], *inside, interval[1]]))


def _segments(part: Part, inside: Sequence[Interval], changes_us: Sequence[int]) -> list[Segment]:
    """Cut a window where planned time begins or ends, and at changes, which are in order."""
    near = changes_us[bisect_right(changes_us, part.window.start_us) : bisect_left(changes_us, part.until_us)]
    edges = sorted({us for interval in inside for us in interval} | set(near))
    starts = [start_us for start_us, _ in inside]
    found = []
    for start_us, end_us in _cut((part.window.start_us, part.until_us), edges):
        i = bisect_right(starts, start_us) - 1
        found.append(Segment(part, start_us, end_us, i >= 0 and start_us < inside[i][1]))
    return found


def _book_time(part: Part, unit: Unit, spans: UnitSpans, given: UnitPieces) -> None:
    """Book the planned time of a cell and its zones, which of it has a given reason, and how much changeover was masked."""
    assert unit.cell is not None
    inside, joined_us = part.planned[unit.path], max(part.window.start_us, unit.since_us or part.window.start_us)
    cell = part.cells[unit.path] = Account()
    for zone in ("", *unit.cell.zones):
        account = cell if not zone else part.zones.setdefault((unit.path, zone), Account())
        account.calendar_us = max(0, part.until_us - joined_us)
        account.planned_us = total(inside)
        account.book(time_in_states(spans.get((unit.path, zone), []), inside))
        account.book_given(time_given(given.get((unit.path, zone), []), inside))
    _book_masked(part, unit, spans, inside)


def _changeover(spans: Sequence[Span]) -> list[Interval]:
    return [(span.start_us, span.end_us) for span in spans if span.state == CHANGEOVER]


def _served(spans: Sequence[Span]) -> list[Interval]:
    """Return when the head works in a zone or is on its way to it: the zone runs, or waits for nothing but the head."""
    return [(span.start_us, span.end_us) for span in spans if span.state == RUNNING or span[2:] == (IDLE, HEAD)]


def _book_masked(part: Part, unit: Unit, spans: UnitSpans, inside: list[Interval]) -> None:
    """A zone's changeover is masked while another zone of its cell has the head, or waits for nothing but it."""
    assert unit.cell is not None
    cell = part.cells[unit.path]
    for zone in unit.cell.zones:
        account = part.zones[unit.path, zone]
        changeover = intersect(_changeover(spans.get((unit.path, zone), [])), inside)
        others = (spans.get((unit.path, other), []) for other in unit.cell.zones if other != zone)
        served = unite(interval for other in others for interval in _served(other))
        account.zone_changeover_us, account.masked_us = total(changeover), total(intersect(changeover, served))
        cell.zone_changeover_us += account.zone_changeover_us
        cell.masked_us += account.masked_us


def _count(counts: Sequence[Count], segments: Sequence[Segment], standards: dict[str, Standards]) -> None:
    for cell, index, zone, operation, item, program, first, result, number in counts:
        segment = segments[index]
        accounts = [segment.part.cells[cell], segment.part.zones.setdefault((cell, zone), Account())]
        rate_us = standards[cell].rate(operation, item, program, segment.start_us)
        for account in accounts:
            if segment.planned:
                account.count(first, result, number, rate_us)
            else:
                account.outside_planned += number
        if segment.planned:
            segment.part.add_program(cell, zone, program, number, rate_us or 0)
        if segment.planned and rate_us is None:
            segment.part.unrated.setdefault(cell, set()).add((operation, item, program))


def standards_of(cells: Sequence[Unit]) -> dict[str, Standards]:
    """Return the standards that hold in each of the cells."""
    return {cell.path: Standards.of(cell.line, cell.cell, cell.tz) for cell in cells if cell.line and cell.cell}


def reach_of(parts: Sequence[Part]) -> Interval:
    """Return from where to where windows reach together."""
    return min(part.window.start_us for part in parts), max(part.until_us for part in parts)


def segments_of(standards: Mapping[str, Standards], parts: Sequence[Part], cuts: Sequence[int] = ()) -> list[Segment]:
    """Return windows cut where planned time begins or ends, where any of these standards begins, and at `cuts`.

    The standards are those of cells that are planned alike.
    """
    changes = sorted({us for each in standards.values() for us in each.changes_us(*reach_of(parts))} | set(cuts))
    one = next(iter(standards))
    return [segment for part in parts for segment in _segments(part, part.planned[one], changes)]


async def _count_alike(reading: Reading, cells: list[Unit], parts: list[Part]) -> None:
    standards, declared = standards_of(cells), cells[0].line
    # What is unseen is told by segment, more of it does not make up for fewer elsewhere: slots are never joined to one.
    cuts = cuts_us(declared, cells[0].tz, *reach_of(parts)) if declared else []
    segments = segments_of(standards, parts, cuts)
    asked = [(segment.start_us, segment.end_us) for segment in segments]
    paths = [cell.path for cell in cells]
    _count(await reading.count_fasteners(paths, asked), segments, standards)
    for path, index, zone, number in await reading.count_unseen(paths, asked):
        if segments[index].planned:
            segments[index].part.cells[path].miss(number)
            segments[index].part.zones.setdefault((path, zone), Account()).miss(number)


def by_line(cells: Sequence[Unit]) -> dict[str, list[Unit]]:
    """Return cells by the path of their line."""
    lines: dict[str, list[Unit]] = {}
    for cell in cells:
        lines.setdefault(cell.line_path or "", []).append(cell)
    return lines


def planned_alike(cells: Sequence[Unit], reach: Interval) -> list[list[Unit]]:
    """Return cells in groups of one line that have the same planned time in a window: few lines have more than one."""
    groups: dict[tuple[str | None, int], list[Unit]] = {}
    for cell in cells:
        joined_us = min(max(cell.since_us or reach[0], reach[0]), reach[1])
        groups.setdefault((cell.line_path, joined_us), []).append(cell)
    return list(groups.values())


async def read_sums(reading: Reading, unit: Unit, windows: Sequence[Window], now_us: int, limits: Limits) -> Sums:
    """Return the accounts of a unit's cells and zones for each window, read up to the present.

    Raises WindowInvalid where that would be too much of the ledger at once.
    """
    cells = unit.cells
    heads = await reading.heads([cell.path for cell in cells])
    sums = Sums(unit, [Part(window, window.until_us(now_us)) for window in windows], heads, {}, {})
    past = sums.past
    if not past or not cells:
        return sums
    bound(unit, *reach_of(past))
    spans = await read_spans(reading, heads, *reach_of(past), now_us, limits)
    given = await read_given(reading, spans, [cell.path for cell in cells], *reach_of(past))
    for members in planned_alike(cells, reach_of(past)):
        for part in past:
            inside = planned_of(members[0], part.window.start_us, part.until_us)
            for cell in members:
                part.planned[cell.path] = inside
                _book_time(part, cell, spans, given)
        await _count_alike(reading, members, past)
    return replace(sums, spans=spans, given=given)


def total_of(unit: Unit, part: Part) -> Total:
    """Return what a window that was summed comes to: of a line or site all its cells, of a zone as of its cell."""
    if unit.level in ("site", "line"):
        return Total(sum(part.cells.values(), Account()), {}, set[Kind]().union(*part.unrated.values()))
    (cell,) = unit.cells
    declared = cell.cell.zones if cell.cell else ()
    zones = {zone: part.zones[cell.path, zone] for zone in declared if (cell.path, zone) in part.zones}
    return Total(part.cells.get(cell.path, Account()), zones, part.unrated.get(cell.path, set()))
