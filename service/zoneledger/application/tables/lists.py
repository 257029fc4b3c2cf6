"""The tables of lists: events, what was refused, what is missing, what does not fit, and what people said."""

from collections.abc import AsyncIterator, Awaitable, Callable, Sequence

from zoneledger.application.accept import AHEAD_US
from zoneledger.application.given import Told, path_of, read_history
from zoneledger.application.ports import Reading
from zoneledger.application.stored import EventRow, Listed, RefusedFilter, RefusedRow, RowT
from zoneledger.application.tables.columns import Column, Part, Row, Source, Table
from zoneledger.core.calendar import seconds_or_none
from zoneledger.core.plant import Unit
from zoneledger.core.rows import Discrepancy, Gap

#: An event that has a lower number than another may have arrived so much later: of several processes each has its own clock.
DISORDER_US = 3600 * 1_000_000
#: So many rows are read at once; refused ones may hold 256 KiB each, and entries are held against the ledger.
EVENTS, ROWS, REFUSED, ENTRIES = 2000, 1000, 20, 100

_ID = Column("id", "integer", "its number in the list")
_CELL = Column("cell", "text", "the cell's path")
_BOOT = Column("boot", "integer", "the controller's start")

EVENT_COLUMNS = (
    _ID,
    _CELL,
    _BOOT,
    Column("seq", "integer", "its number in that boot"),
    Column("at", "time", "the controller's time; what a window is held against"),
    Column("arrived", "time", "when it arrived"),
    Column("type", "text", "its type, known to this version or not"),
    Column("message", "text", "the message as it came, JSON"),
)
REFUSED_COLUMNS = (
    _ID,
    Column("cell", "text", "the cell as it was sent, which the plant model need not name"),
    Column("origin", "text", "the MQTT topic, or http"),
    Column("arrived", "time", "when it arrived; what a window is held against"),
    Column("index", "integer", "its place in its payload, from 0"),
    Column("reason", "text", "why, for programs"),
    Column("detail", "text", "why, in a sentence"),
    Column(
        "text", "text", "what came, at most 256 KiB of it; bytes that are no UTF-8, and NUL, are replaced by U+FFFD"
    ),
    Column("size", "integer", "how many bytes came"),
)
GAP_COLUMNS = (
    _ID,
    _CELL,
    _BOOT,
    Column("first_seq", "integer", "number of the first event missing"),
    Column("last_seq", "integer", "number of the last one missing"),
    Column("since", "time", "booked time of the message before them; none where there is none"),
    Column("until", "time", "booked time of the message that showed that they are missing"),
)
DISCREPANCY_COLUMNS = (
    _ID,
    _CELL,
    Column("zone", "text", "the zone; none where it is not of one"),
    _BOOT,
    Column("seq", "integer", "number of the event, or of the one before a snapshot"),
    Column("at", "time", "booked time; what a window is held against"),
    Column("kind", "text", "clock_back, clock_not_believed, not_present, snapshot_differs or unseen"),
    Column("detail", "text", "what does not fit, in a few words"),
    Column("unseen", "integer", "fasteners more that its snapshot counts than were received"),
)
REASON_COLUMNS = (
    _ID,
    Column("unit", "text", "the path of the cell or zone"),
    Column("start", "time", "begin of the time, included"),
    Column("end", "time", "its end, not included"),
    Column("reason", "text", "the reason given; none: taken back, or an undo"),
    Column("undoes", "integer", "of an undo: the entry that it undoes"),
    Column("by", "text", "the role that said so"),
    Column("note", "text", "why, in plain words"),
    Column("recorded", "time", "when it was said"),
    Column("stands", "flag", "whether it is not undone"),
    Column("in_effect_s", "number", "seconds for which it decides now; none of an undo"),
)

_Page = Callable[[Reading, list[str], int, int], Awaitable[list[Listed[RowT]]]]


async def _paged(
    source: Source, part: Part, page: _Page[RowT], limit: int, after_id: int = 0
) -> AsyncIterator[list[Listed[RowT]]]:
    """Yield a list of the cells of a part, page by page."""
    cells, full = [cell.path for cell in part.unit.cells], True
    while full:
        async with source.store.reading() as reading:
            rows = await page(reading, cells, after_id, limit)
        yield rows
        full, after_id = len(rows) == limit, rows[-1].id if rows else after_id


async def read_event_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield events in the order in which they were stored."""
    for part in source.parts:
        after_id = 0
        if part.window is not None:
            async with source.store.reading() as reading:
                after_id = await _last_before(reading, part.window.start_us - AHEAD_US - DISORDER_US)
        pages = _paged(
            source, part, lambda reading, cells, *page: reading.events_by_arrival(cells, *page), EVENTS, after_id
        )
        async for rows in pages:
            yield [_event_row(row) for row in rows if part.has(row.row.at_us, row.row.at_us + 1)]


async def _last_before(reading: Reading, before_us: int) -> int:
    """Return a number up to which all events arrived before then, found by halving: numbers rise with arrival, but for disorder."""

    async def is_before(after_id: int) -> bool:
        rows = await reading.events_by_arrival(None, after_id, 1)
        return bool(rows) and rows[0].row.arrived_us < before_us

    before, behind = 0, 1
    while await is_before(behind):
        before, behind = behind, 2 * behind
    while behind - before > 1:
        middle = (before + behind) // 2
        before, behind = (middle, behind) if await is_before(middle) else (before, middle)
    return before


def _event_row(listed: Listed[EventRow]) -> Row:
    row = listed.row
    return (listed.id, listed.cell, row.boot, row.seq, row.at_us, row.arrived_us, row.type, row.body)


async def read_gap_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield missing events whose time overlaps the window."""
    for part in source.parts:
        async for rows in _paged(source, part, lambda reading, cells, *page: reading.gaps(cells, *page), ROWS):
            yield [
                _gap_row(one) for one in rows if part.has(one.row.since_us or one.row.until_us, one.row.until_us + 1)
            ]


def _gap_row(listed: Listed[Gap]) -> Row:
    gap = listed.row
    return (listed.id, listed.cell, gap.place.boot, gap.first_seq, gap.last_seq, gap.since_us, gap.until_us)


async def read_discrepancy_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield where controllers contradict themselves."""
    for part in source.parts:
        async for rows in _paged(source, part, lambda reading, cells, *page: reading.discrepancies(cells, *page), ROWS):
            yield [_discrepancy_row(one) for one in rows if _is_of(part, one.row)]


def _is_of(part: Part, one: Discrepancy) -> bool:
    """Tell whether a discrepancy lies in the window and is of the unit: of a zone its own, and those of the cell as a whole."""
    return part.has(one.at_us, one.at_us + 1) and (not part.unit.zone or one.zone in ("", part.unit.zone))


def _discrepancy_row(listed: Listed[Discrepancy]) -> Row:
    one = listed.row
    told = one.place.boot, one.place.seq, one.at_us, one.kind, one.detail, one.unseen
    return (listed.id, listed.cell, one.zone or None, *told)


async def read_refused_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield refused messages as they came; where a unit is named, those that were sent as a cell of it."""
    after_id, full = 0, True
    windows = [part.window for part in source.parts if part.window is not None]
    arrived = (min(one.start_us for one in windows), max(one.end_us for one in windows)) if windows else None
    while full:
        async with source.store.reading() as reading:
            rows = await reading.refused(RefusedFilter(after_id=after_id, arrived_us=arrived), REFUSED)
        yield [_refused_row(row) for row in rows if _is_meant(source, row)]
        full, after_id = len(rows) == REFUSED, rows[-1].id if rows else after_id


def _is_meant(source: Source, listed: Listed[RefusedRow]) -> bool:
    """Tell whether a refused message belongs to what was asked for; one of no declared cell is held against any window."""
    arrived = listed.row.arrived_us, listed.row.arrived_us + 1
    own = [part for part in source.parts if _is_under(part.unit, listed.cell)]
    if source.everything and not own:
        return not source.parts or any(part.has(*arrived) for part in source.parts)
    return any(part.has(*arrived) for part in own)


def _is_under(unit: Unit, cell: str) -> bool:
    path = unit.cell_path or unit.path
    return cell == path or cell.startswith(f"{path}/")


def _refused_row(listed: Listed[RefusedRow]) -> Row:
    row = listed.row
    told = row.at_index, row.reason, _clean(row.detail), _clean(row.body.decode("utf-8", "replace")), row.size
    return (listed.id, _clean(listed.cell), _clean(row.origin), row.arrived_us, *told)


def _clean(text: str) -> str:
    """Return a text as every format can hold it: without half surrogate pairs and NUL."""
    return text.encode("utf-8", "replace").decode().replace("\0", "\ufffd")


async def read_reason_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield what people said of time that overlaps the window, undone or not, in the order in which they did."""
    for part in source.parts:
        after_id, full = 0, True
        while full:
            async with source.store.reading() as reading:
                rows = await read_history(reading, part.unit, after_id, ENTRIES, source.now_us, source.limits)
            yield _reason_rows(part, rows)
            full, after_id = len(rows) == ENTRIES, rows[-1].entry.id if rows else after_id


def _reason_rows(part: Part, rows: Sequence[Told]) -> list[Row]:
    found: list[Row] = []
    for told in rows:
        row = told.entry.row
        if part.has(row.start_us, row.end_us):
            said = row.start_us, row.end_us, row.reason, row.undoes, row.role, row.note, row.recorded_us
            unit = path_of(told.entry.cell, row.zone)
            found.append((told.entry.id, unit, *said, told.stands, seconds_or_none(told.decides_us)))
    return found


LIST_TABLES = (
    Table("events", EVENT_COLUMNS, read_event_rows, needs_window=False),
    Table("refused", REFUSED_COLUMNS, read_refused_rows, needs_window=False),
    Table("gaps", GAP_COLUMNS, read_gap_rows, needs_window=False),
    Table("discrepancies", DISCREPANCY_COLUMNS, read_discrepancy_rows, needs_window=False),
    Table("reasons", REASON_COLUMNS, read_reason_rows, needs_window=False),
)
