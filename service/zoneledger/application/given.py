"""Reads what people said of time: laid over the ledger, as a history, and as the questions that are still open."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from zoneledger.application.ledger import UnitSpans, read_spans
from zoneledger.application.ports import Reading
from zoneledger.application.stored import GivenRow, Listed
from zoneledger.application.windows import MAX_DAYS, Window, bound
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.given import Entry, Piece, decided_us, overlay, questions, standing
from zoneledger.core.plant import Unit
from zoneledger.core.shifts import planned_of
from zoneledger.core.spans import Interval, Span, clip, total, unite
from zoneledger.core.states import FAULT, IDLE

UnitEntries = dict[tuple[str, str], list[Entry]]
"""What people said by (cell, zone), in order; of a cell itself under the zone ''."""

UnitPieces = dict[tuple[str, str], list[Piece]]
"""Pieces of time by (cell, zone), sorted and disjoint."""


@dataclass(frozen=True, slots=True)
class Told:
    """An entry of the history: whether it stands, and for how long it decides now (None of an undo, which decides nothing itself)."""

    entry: Listed[GivenRow]
    stands: bool
    decides_us: int | None


@dataclass(frozen=True, slots=True)
class Question:
    """A stretch of time of a unit, by its path, that wants a reason and has none."""

    unit: str
    span: Span


@dataclass(frozen=True, slots=True)
class Questions:
    """The longest open questions of a window, of `number` in all, which are `total_us` long together."""

    until_us: int
    longest: list[Question]
    number: int
    total_us: int


def path_of(cell: str, zone: str) -> str:
    """Return the path of a cell (`zone` empty) or a zone."""
    return f"{cell}/{zone}" if zone else cell


def entry_of(listed: Listed[GivenRow]) -> Entry:
    """Return a stored entry as the core reads it."""
    row = listed.row
    states = tuple(state for state in row.states.split(",") if state)
    return Entry(listed.id, row.start_us, row.end_us, row.reason, states, row.undoes)


async def read_entries(reading: Reading, cells: Sequence[str], start_us: int, end_us: int) -> UnitEntries:
    """Return what people said of cells and their zones that bears on a window; a unit of which they said nothing is left out."""
    return entries_by_unit(await reading.given(cells, start_us, end_us))


def entries_by_unit(rows: Iterable[Listed[GivenRow]]) -> UnitEntries:
    """Return stored entries as the core reads them, by unit, in the order in which they come."""
    found: UnitEntries = {}
    for listed in rows:
        found.setdefault((listed.cell, listed.row.zone), []).append(entry_of(listed))
    return found


def told_of(rows: Iterable[Listed[GivenRow]], stand: set[int], decides: Mapping[int, int]) -> list[Told]:
    """Return entries with whether they are among those that stand, and for how long each decides."""
    return [Told(one, one.id in stand, None if one.row.undoes is not None else decides.get(one.id, 0)) for one in rows]


async def read_given(
    reading: Reading, spans: UnitSpans, cells: Sequence[str], start_us: int, end_us: int
) -> UnitPieces:
    """Return the pieces of these spans that have a given reason, by unit."""
    entries = await read_entries(reading, cells, start_us, end_us)
    return {
        key: [piece for piece in overlay(spans.get(key, []), said) if piece.given is not None]
        for key, said in entries.items()
    }


async def read_history(
    reading: Reading, unit: Unit, after_id: int, limit: int, now_us: int, limits: Limits
) -> list[Told]:
    """Return a page of what people said of a unit and all that lies under it, each with what it does now."""
    cells = [cell.path for cell in unit.cells]
    page = await reading.given_history(cells, unit.zone, after_id, limit)
    if not page:
        return []
    windows = unite((listed.row.start_us, listed.row.end_us) for listed in page)
    entries = await read_entries(reading, sorted({listed.cell for listed in page}), windows[0][0], windows[-1][1])
    stand = standing(entry for unit_entries in entries.values() for entry in unit_entries)
    decides = await _decided(reading, page, entries, now_us, limits)
    return told_of(page, stand, decides)


async def _decided(
    reading: Reading, page: Sequence[Listed[GivenRow]], entries: UnitEntries, now_us: int, limits: Limits
) -> Counter[int]:
    """Return for how long each entry of a page decides, read of its own cell only, and of no longer a time at once than one may be."""
    times: dict[str, list[Interval]] = {}
    for listed in page:
        times.setdefault(listed.cell, []).append((listed.row.start_us, listed.row.end_us))
    heads, decides = await reading.heads(sorted(times)), Counter[int]()
    for cell, head in heads.items():
        own = [(key, said) for key, said in entries.items() if key[0] == cell]
        for start_us, end_us in _portions(unite(times[cell])):
            spans = await read_spans(reading, {cell: head}, start_us, end_us, now_us, limits)
            for key, said in own:
                decides.update(decided_us(overlay(clip(spans.get(key, []), start_us, end_us), said)))
    return decides


def _portions(times: Iterable[Interval]) -> list[Interval]:
    """Cut times into those of at most MAX_DAYS."""
    step_us = MAX_DAYS * DAY_US
    return [
        (at_us, min(at_us + step_us, end_us))
        for start_us, end_us in times
        for at_us in range(start_us, end_us, step_us)
    ]


async def read_questions(
    reading: Reading,
    unit: Unit,
    window: Window,
    states: Sequence[str],
    longer_than_us: int,
    limit: int,
    now_us: int,
    limits: Limits,
) -> Questions:
    """Return the open questions of planned time of a zone, a cell itself, or the cells under a line or site, the longest first.

    Raises WindowInvalid for a window longer than 31 days.
    """
    if window.end_us - window.start_us > MAX_DAYS * DAY_US:
        raise WindowInvalid(f"Questions are asked of at most {MAX_DAYS} days at once; ask for several windows.")
    cells, read = [cell.path for cell in unit.cells], (window.start_us, window.until_us(now_us))
    bound(unit, *read)
    heads = await reading.heads(cells)
    spans = await read_spans(reading, heads, window.start_us, window.end_us, now_us, limits)
    entries = await read_entries(reading, cells, window.start_us, window.end_us)
    return questions_of(unit, read, spans, entries, states, longer_than_us, limit)


def questions_of(
    unit: Unit,
    read: Interval,
    spans: UnitSpans,
    entries: UnitEntries,
    states: Sequence[str],
    longer_than_us: int,
    limit: int,
) -> Questions:
    """Return the open questions of what was read of a unit, and of what people said of it, as `read_questions` does."""
    found: list[Question] = []
    for cell in unit.cells:
        key = cell.path, unit.zone or ""
        pieces: Iterable[Piece] = overlay(clip(spans.get(key, []), *read), entries.get(key, []))
        inside = planned_of(cell, *read)
        found += [Question(path_of(*key), span) for span in questions(pieces, inside, states, longer_than_us)]
    found.sort(key=lambda one: (one.span.start_us - one.span.end_us, one.span.start_us, one.unit))
    return Questions(read[1], found[:limit], len(found), total((one.span.start_us, one.span.end_us) for one in found))


def asked_states(*, faults: bool) -> tuple[str, ...]:
    """Return the states whose time is asked about."""
    return (IDLE, FAULT) if faults else (IDLE,)
