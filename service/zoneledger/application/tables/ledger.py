"""The tables of the ledger: spans, fasteners, and panel passes."""

from bisect import bisect_right
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass

from zoneledger.application.given import path_of, read_entries
from zoneledger.application.ledger import read_spans
from zoneledger.application.panels import MAX_PASSES, ShownPass, read_panels
from zoneledger.application.stored import FastenerAfter
from zoneledger.application.tables.columns import Column, Part, Row, Source, Table, pieces_of
from zoneledger.application.windows import Window
from zoneledger.core.calendar import DAY_US, seconds, seconds_or_none
from zoneledger.core.given import Piece, overlay
from zoneledger.core.pass_figures import automation_level, left_for_hand
from zoneledger.core.plant import Unit
from zoneledger.core.rows import Fastener
from zoneledger.core.shifts import planned_of
from zoneledger.core.spans import Interval, fill, intersect, total

#: So much of one cell is read at once.
SPANS_US, PASSES_US, FASTENERS = DAY_US, 7 * DAY_US, 2000

_CELL = Column("cell", "text", "the cell's path")
_ZONE = Column("zone", "text", "the zone's name")

SPAN_COLUMNS = (
    Column("unit", "text", "the path of the cell or zone"),
    _CELL,
    Column("zone", "text", "the zone's name; none in a span of the cell itself"),
    Column("start", "time", "its start, included; that of the window at the earliest"),
    Column("end", "time", "its end, not included; that of the window, or now, at the latest"),
    Column("seconds", "number", "its length in seconds"),
    Column("planned_s", "number", "seconds of it in planned time: by state they sum to `time_s` of `/v1/kpi`"),
    Column("state", "text", "running, idle, fault, changeover or unknown"),
    Column("reason", "text", "the machine's reason; none where nothing was ever known"),
    Column("given", "text", "the reason that people gave"),
    Column("given_id", "integer", "the number of the entry that gave it: `id` of the table `reasons`"),
)

FASTENER_COLUMNS = (
    _CELL,
    _ZONE,
    Column("boot", "integer", "the controller's start"),
    Column("seq", "integer", "the number of its event in that boot"),
    Column("at", "time", "when it was made: booked time"),
    Column("operation", "text", "drill, fasten or trim"),
    Column("item", "text", "what was set"),
    Column("program", "text", "its own program, else that of the zone's activity"),
    Column("panel", "text", "its own panel, else that of the zone's activity"),
    Column("position", "text", "where on the panel"),
    Column("first_result", "text", "good, rework or reject, before any verdict"),
    Column("result", "text", "the same after verdicts"),
    Column("seconds", "number", "seconds of the head that its controller told"),
    Column("planned", "flag", "whether it was made in planned time"),
)

PANEL_COLUMNS = (
    _CELL,
    _ZONE,
    Column("panel", "text", "the panel"),
    Column("program", "text", "the program"),
    Column("start", "time", "its begin: that of its load, or of the first that was seen of it"),
    Column("end", "time", "its end: that of its unload, or of the last that was seen"),
    Column("outcome", "text", "completed, aborted, ended or unfinished"),
    Column("whole", "flag", "whether the begin of the load and the end of the unload were seen"),
    Column("floor_to_floor_s", "number", "seconds from load begin to unload end; none unless whole"),
    *(
        Column(f"{kind}_s", "number", f"seconds of it {what}")
        for kind, what in (
            ("load", "loading"),
            ("setup", "setting up"),
            ("process", "running"),
            ("wait", "idle"),
            ("fault", "stopped by an alarm"),
            ("unload", "unloading"),
            ("unknown", "without evidence"),
        )
    ),
    Column("made", "integer", "fasteners that the zone made for it"),
    *(
        Column(result, "integer", f"those of them that are {result} after verdicts")
        for result in ("good", "rework", "reject")
    ),
    Column("of_other_panels", "integer", "made in its time, naming another panel; not among those above"),
    Column("automatic", "integer", "planned for the cell"),
    Column("manual", "integer", "planned for the hand"),
    Column("left_for_hand", "integer", "planned ones that the cell did not make"),
    Column("automation_level", "number", "made / planned, 0 to 1"),
)


@dataclass(slots=True)
class _Joined:
    """A span that may go on in the next piece of time."""

    piece: Piece
    planned_us: int

    def takes(self, piece: Piece, planned_us: int) -> bool:
        """Go on with a piece, where that is the same span."""
        if piece.start_us != self.piece.end_us or piece[2:] != self.piece[2:]:
            return False
        self.piece = self.piece._replace(end_us=piece.end_us)
        self.planned_us += planned_us
        return True


def _span_row(cell: str, zone: str, joined: _Joined) -> Row:
    piece = joined.piece
    given_id = piece.entry.id if piece.entry and piece.given else None
    length_s = seconds(piece.end_us - piece.start_us)
    told = piece.start_us, piece.end_us, length_s, seconds(joined.planned_us), piece.state, piece.reason
    return (path_of(cell, zone), cell, zone or None, *told, piece.given, given_id)


async def read_span_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield the spans of each cell and its zones; those of one unit are in order, and join without a gap."""
    for part in source.parts:
        for cell in part.unit.cells:
            async for rows in _spans_of(source, part, cell):
                yield rows


async def _spans_of(source: Source, part: Part, cell: Unit) -> AsyncIterator[list[Row]]:
    assert part.window is not None
    assert cell.cell is not None
    zones = (part.unit.zone,) if part.unit.zone else ("", *cell.cell.zones)
    open_spans: dict[str, _Joined] = {}
    for bounds in pieces_of((part.window.start_us, part.window.until_us(source.now_us)), SPANS_US):
        found = await _pieces(source, cell, zones, bounds)
        rows = []
        for zone, piece, planned_us in found:
            before = open_spans.get(zone)
            if before is None or not before.takes(piece, planned_us):
                rows += [_span_row(cell.path, zone, before)] if before else []
                open_spans[zone] = _Joined(piece, planned_us)
        yield rows
    yield [_span_row(cell.path, zone, last) for zone, last in open_spans.items()]


async def _pieces(source: Source, cell: Unit, zones: Sequence[str], bounds: Interval) -> list[tuple[str, Piece, int]]:
    """Return the pieces of zones (the cell's own: '') that partition a stretch of time, each with how much of it is planned."""
    async with source.store.reading() as reading:
        heads = await reading.heads([cell.path])
        spans = await read_spans(reading, heads, *bounds, source.now_us, source.limits)
        entries = await read_entries(reading, [cell.path], *bounds)
    inside = planned_of(cell, *bounds)
    return [
        (zone, piece, total(intersect([(piece.start_us, piece.end_us)], inside)))
        for zone in zones
        for piece in overlay(fill(spans.get((cell.path, zone), []), *bounds), entries.get((cell.path, zone), []))
    ]


async def read_fastener_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield the fasteners of each cell, in the order of their booked times."""
    for part in source.parts:
        assert part.window is not None
        until_us = part.window.until_us(source.now_us)
        for cell in part.unit.cells:
            starts = _edges(planned_of(cell, part.window.start_us, until_us))
            after: FastenerAfter | None = None
            full = True
            while full:
                async with source.store.reading() as reading:
                    found = await reading.fasteners(cell.path, part.window.start_us, until_us, after, FASTENERS)
                yield [
                    _fastener_row(cell.path, one, verdict, starts)
                    for one, verdict in found
                    if part.unit.zone in (None, one.zone)
                ]
                full = len(found) == FASTENERS
                after = (found[-1][0].at_us, found[-1][0].boot, found[-1][0].seq) if found else None


def _edges(intervals: Sequence[Interval]) -> list[int]:
    return [edge for interval in intervals for edge in interval]


def _fastener_row(cell: str, one: Fastener, verdict: str | None, edges: Sequence[int]) -> Row:
    is_planned = bisect_right(edges, one.at_us) % 2 == 1
    made = one.operation, one.item, one.program, one.panel, one.position
    return (
        cell,
        one.zone,
        one.boot,
        one.seq,
        one.at_us,
        *made,
        one.result,
        verdict or one.result,
        one.seconds,
        is_planned,
    )


async def read_panel_rows(source: Source) -> AsyncIterator[list[Row]]:
    """Yield the panel passes of each cell that ended in the window, in the order of their ends."""
    for part in source.parts:
        assert part.window is not None
        for cell in part.unit.cells:
            unit = part.unit if part.unit.zone else cell
            for bounds in pieces_of((part.window.start_us, part.window.until_us(source.now_us)), PASSES_US):
                async with source.store.reading() as reading:
                    asked = Window(*bounds), source.now_us, source.limits
                    found = await read_panels(reading, unit, *asked, 0, MAX_PASSES)
                yield [_panel_row(shown) for shown in found.page]


def _panel_row(shown: ShownPass) -> Row:
    one, share, made = shown.one, shown.share, shown.made
    times = (seconds(shown.inside.kinds[column.name.removesuffix("_s")]) for column in PANEL_COLUMNS[9:16])
    results = (share.results.get(result, 0) for result in ("good", "rework", "reject"))
    told = one.panel, one.program, one.start_us, one.end_us, one.outcome, one.is_whole
    plan = one.automatic, one.manual, left_for_hand(one.planned, made), automation_level(made, one.planned)
    counts = made, *results, share.of_other_panels
    return (*shown.zone, *told, seconds_or_none(one.floor_to_floor_us), *times, *counts, *plan)


LEDGER_TABLES = (
    Table("spans", SPAN_COLUMNS, read_span_rows),
    Table("fasteners", FASTENER_COLUMNS, read_fastener_rows),
    Table("panels", PANEL_COLUMNS, read_panel_rows),
)
