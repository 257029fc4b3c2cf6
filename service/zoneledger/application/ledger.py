"""The ledger as it stands: closed spans from the store, joined with what is open at each cell's head."""

from collections.abc import Mapping, Sequence

from zoneledger.application.book import load
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Head
from zoneledger.core.activities import OPEN
from zoneledger.core.booking import FOLD, Limits
from zoneledger.core.plant import Unit
from zoneledger.core.rows import Activity
from zoneledger.core.spans import Span
from zoneledger.core.states import NOT_KEPT, UNKNOWN
from zoneledger.core.warnings import Warning, older_ledger

Zone = tuple[str, str]
"""A cell's path and the zone's name."""

UnitSpans = dict[tuple[str, str], list[Span]]
"""Spans by (cell, zone), sorted and disjoint; a cell's own under the zone ''."""


async def read_spans(
    reading: Reading, heads: Mapping[str, Head], start_us: int, end_us: int, now_us: int, limits: Limits
) -> UnitSpans:
    """Return the spans of the cells of these heads, and of their zones, that overlap [start_us, end_us), each as a whole.

    None reaches past `now_us`, unless a clock ahead of it was believed. Time before what is kept of a cell's ledger is unknown as
    a whole: of a span that reaches into it, fasteners are gone.
    """
    found: UnitSpans = {}
    until_us = min(end_us, now_us)
    closed = await reading.spans(list(heads), start_us, end_us)
    for cell, head in heads.items():
        booking, kept_us = load(head.booking, limits), head.ledger_from_us
        from_us = max(start_us, kept_us or start_us)
        if start_us < min(from_us, until_us):
            forgotten = Span(start_us, min(from_us, until_us), UNKNOWN, NOT_KEPT)
            found.update({(cell, zone): [forgotten] for zone in booking.open})
        for zone, span in (*closed.get(cell, ()), *booking.open_spans(head.link_down_us, now_us)):
            if span.start_us < until_us and span.end_us > from_us:
                kept = span if kept_us is None else span._replace(start_us=max(span.start_us, kept_us))
                found.setdefault((cell, zone), []).append(kept)
    return found


def older_warnings(heads: Mapping[str, Head]) -> list[Warning]:
    """Return the warning that cells have ledgers of earlier rules, without activities and alarms; none where none has."""
    older = sorted(cell for cell, head in heads.items() if head.fold < FOLD)
    return [older_ledger(older)] if older else []


async def read_activities(
    reading: Reading, heads: Mapping[str, Head], units: Sequence[Unit], start_us: int, end_us: int, limits: Limits
) -> dict[tuple[str, str], list[Activity]]:
    """Return the activities of the zones of cells, by (cell, zone) in order, that had begun before `end_us`.

    They reach back to the last load that had begun by `start_us`; one that is not over is the last of its zone, and its end is
    that of the evidence so far, with `ended_by` OPEN.
    """
    zones = [(cell.path, zone) for cell in units if cell.cell for zone in cell.cell.zones]
    found: dict[tuple[str, str], list[Activity]] = {}
    for cell, rows in (await reading.activities(zones, start_us, end_us)).items():
        for row in rows:
            found.setdefault((cell, row.zone), []).append(row)
    for place, present in present_activities(heads, zones, limits).items():
        if present.start_us < end_us:
            found.setdefault(place, []).append(present)
    return found


def present_activities(heads: Mapping[str, Head], zones: Sequence[Zone], limits: Limits) -> dict[Zone, Activity]:
    """Return the activities of zones that are not over, as rows that end where the evidence so far does, with `ended_by` OPEN."""
    bookings = {cell: load(heads[cell].booking, limits) for cell in {cell for cell, _ in zones} if cell in heads}
    found: dict[Zone, Activity] = {}
    for cell, zone in zones:
        booking = bookings.get(cell)
        one = booking.activities.open.get(zone) if booking else None
        if booking and booking.place and one:
            told = one.activity, one.program, one.panel, one.automatic, one.manual
            end_us = max(one.start_us, booking.booked_us)
            found[cell, zone] = Activity(booking.place, zone, *told, one.start_us, end_us, one.begun_by, OPEN, None)
    return found
