"""The ledger as it stands: closed spans from the store, joined with what is open at each cell's head."""

from collections.abc import Mapping, Sequence

from zoneledger.application.book import load
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Head
from zoneledger.core.activities import OPEN
from zoneledger.core.booking import FOLD, Limits
from zoneledger.core.passes import as_of
from zoneledger.core.plant import Unit
from zoneledger.core.rows import Activity
from zoneledger.core.spans import Span
from zoneledger.core.states import NOT_KEPT, UNKNOWN
from zoneledger.core.warnings import Warning, not_derived, older_ledger

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


def older_warnings(heads: Mapping[str, Head], start_us: int) -> list[Warning]:
    """Return the warnings that in a window from `start_us` on activities and alarms are missing: for now, or for good."""
    older = sorted(cell for cell, head in heads.items() if head.fold < FOLD)
    never = sorted(cell for cell, head in heads.items() if start_us < (head.derived_from_us or start_us))
    return [*([older_ledger(older)] if older else []), *([not_derived(never)] if never else [])]


def known_zones(heads: Mapping[str, Head], cells: Sequence[Unit], limits: Limits) -> list[Zone]:
    """Return the zones of cells that the plant model declares, and those that it does not any more but the ledger has."""
    found: dict[Zone, None] = {}
    for cell in cells:
        booked = load(heads[cell.path].booking, limits).open if cell.path in heads else ()
        found.update({(cell.path, zone): None for zone in (*(cell.cell.zones if cell.cell else ()), *booked) if zone})
    return list(found)


async def read_activities(
    reading: Reading, heads: Mapping[str, Head], units: Sequence[Unit], start_us: int, end_us: int, limits: Limits
) -> dict[Zone, list[Activity]]:
    """Return what `read_zone_activities` does of all zones of cells, declared or not any more."""
    return await read_zone_activities(reading, heads, known_zones(heads, units, limits), start_us, end_us, limits)


async def read_zone_activities(
    reading: Reading, heads: Mapping[str, Head], zones: Sequence[Zone], start_us: int, end_us: int, limits: Limits
) -> dict[Zone, list[Activity]]:
    """Return the activities of zones, in order, as they stood at `end_us`.

    They reach back as the port says, so that the passes that overlap [start_us, end_us) are whole. One that is not over is the
    last of its zone, and its end is that of the evidence so far, with `ended_by` OPEN.
    """
    found = await reading.activities(zones, start_us, end_us)
    for zone, present in _present_activities(heads, zones, limits).items():
        found.setdefault(zone, []).append(present)
    return {zone: as_of(rows, end_us) for zone, rows in found.items()}


def _present_activities(heads: Mapping[str, Head], zones: Sequence[Zone], limits: Limits) -> dict[Zone, Activity]:
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
