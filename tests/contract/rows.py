"""Rows for the contract suite, with the values that databases get wrong."""

from zoneledger.application.stored import EventRow, GivenRow, RefusedRow, Revision
from zoneledger.core.rows import Activity, Alarm, Discrepancy, Fastener, Gap, Place, Verdict, ZoneSpan
from zoneledger.core.spans import Span

LARGEST = 2**53 - 1
BEFORE_1970_US = -62_135_596_800_000_000
YEAR_9999_US = 253_402_300_799_999_999

TEXTS = (
    "plain",
    'it\'s "quoted" \\ `so`',
    "100 % of _ and ; -- DROP TABLE events",
    ":name $1 ? {0} %s",
    "emoji \N{WRENCH} and \N{LATIN SMALL LETTER E WITH ACUTE}, e\N{COMBINING ACUTE ACCENT}",
    "\U0010ffff\uffff",
    " ",
    "null",
    "0x41",
    "x" * 100_000,
)

A, B = "harbour/wing-1/cell-1", "harbour/wing-1/cell-2"


def event(cell_id: int, boot: int, seq: int, body: str = "{}") -> EventRow:
    """Return an event's row."""
    return EventRow(cell_id, boot, seq, 1, 2, "wait", body)


def span(zone: str, start_us: int, end_us: int, state: str = "running", reason: str | None = "process") -> ZoneSpan:
    """Return a closed span of a zone."""
    return ZoneSpan(zone, Span(start_us, end_us, state, reason))


def fastener(
    seq: int,
    at_us: int = 0,
    *,
    boot: int = 1,
    zone: str = "1",
    item: str | None = None,
    panel: str | None = None,
    position: str | None = None,
    result: str = "good",
    seconds: float | None = None,
) -> Fastener:
    """Return a fastener."""
    return Fastener(boot, seq, at_us, zone, "fasten", item, None, panel, position, result, seconds)


def verdict(seq: int, panel: str, position: str, result: str = "reject", boot: int = 1) -> Verdict:
    """Return a verdict."""
    return Verdict(boot, seq, panel, position, result)


def gap(seq: int, rank: int = 0, boot: int = 1) -> Gap:
    """Return a gap that ends at a place."""
    return Gap(Place(boot, seq, rank), 1, seq - 1 + rank, None, seq * 10)


def discrepancy(seq: int, unseen: int = 0, *, at_us: int = 0, kind: str = "unseen", zone: str = "1") -> Discrepancy:
    """Return a discrepancy that a snapshot after event `seq` of boot 1 showed."""
    return Discrepancy(Place(1, seq, 1), 0, at_us, kind, zone, "counts differ", unseen)


def activity(
    seq: int, start_us: int = 0, end_us: int = 9, *, zone: str = "1", name: str = "load", panel: str | None = None
) -> Activity:
    """Return an activity that event `seq` of boot 1 ended."""
    told = (zone, name, "skin", panel, 40, None)
    return Activity(Place(1, seq, 0), *told, start_us, end_us, "event", "event", None)


def alarm(seq: int, at_us: int = 0, *, zone: str = "", code: str = "clamp", subsystem: str | None = None) -> Alarm:
    """Return a stop alarm that event `seq` of boot 1 raised."""
    return Alarm(1, seq, at_us, zone, code, "stop", subsystem, None)


def refused(cell: str = A, body: bytes = b"{", reason: str = "not_json") -> RefusedRow:
    """Return a refused message."""
    return RefusedRow(cell, "http", 5, 0, reason, "not JSON", body, len(body))


def said(
    cell: str = A,
    start_us: int = 0,
    end_us: int = 9,
    *,
    zone: str = "",
    reason: str | None = "crane",
    note: str | None = None,
    undoes: int | None = None,
) -> GivenRow:
    """Return what a shift lead says of time."""
    return GivenRow(cell, zone, start_us, end_us, reason, "idle,fault", "shift-lead", note, undoes, 99)


def revision(unit: str, from_us: int, to_us: int, cause: str = "late messages") -> Revision:
    """Return a change of the past."""
    return Revision(unit, from_us, to_us, 99, cause)
