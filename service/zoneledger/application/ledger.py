"""The ledger as it stands: closed spans from the store, joined with what is open at each cell's head."""

from collections.abc import Mapping

from zoneledger.application.book import load
from zoneledger.application.ports import Head, Reading
from zoneledger.core.booking import Limits
from zoneledger.core.spans import Span
from zoneledger.core.states import NOT_KEPT, UNKNOWN

UnitSpans = dict[tuple[str, str], list[Span]]
"""Spans by (cell, zone), sorted and disjoint; a cell's own under the zone ''."""


async def read_spans(
    reading: Reading, heads: Mapping[str, Head], start_us: int, end_us: int, now_us: int, limits: Limits
) -> UnitSpans:
    """Return the spans of the cells of these heads, and of their zones, that overlap [start_us, end_us), none past `now_us`.

    Time before what is kept of a cell's ledger is unknown as a whole: of a span that reaches into it, fasteners are gone.
    """
    found: UnitSpans = {}
    until_us = min(end_us, now_us)
    closed = await reading.spans(list(heads), start_us, end_us)
    for cell, head in heads.items():
        booking, from_us = load(head.booking, limits), max(start_us, head.ledger_from_us or start_us)
        if start_us < min(from_us, until_us):
            forgotten = Span(start_us, min(from_us, until_us), UNKNOWN, NOT_KEPT)
            found.update({(cell, zone): [forgotten] for zone in booking.open})
        for zone, span in (*closed.get(cell, ()), *booking.open_spans(head.link_down_us, until_us)):
            if span.start_us < until_us and span.end_us > from_us:
                kept = span if span.start_us >= from_us else span._replace(start_us=from_us)
                found.setdefault((cell, zone), []).append(kept)
    return found
