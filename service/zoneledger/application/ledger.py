"""The ledger as it stands: closed spans from the store, joined with what is open at each cell's head."""

from collections.abc import Sequence

from zoneledger.application.book import load
from zoneledger.application.ports import Head, Reading
from zoneledger.core.booking import Limits, ZoneSpan
from zoneledger.core.spans import Span

UnitSpans = dict[tuple[str, str], list[Span]]
"""Spans by (cell, zone), sorted and disjoint; a cell's own under the zone ''."""


def _open_spans(head: Head, until_us: int, limits: Limits) -> list[ZoneSpan]:
    return load(head.booking, limits).open_spans(head.link_down_us, until_us)


async def read_spans(
    reading: Reading, cells: Sequence[str], start_us: int, end_us: int, now_us: int, limits: Limits
) -> UnitSpans:
    """Return the spans of cells and their zones that overlap [start_us, end_us), none of them past `now_us`."""
    found: UnitSpans = {}
    closed = await reading.spans(cells, start_us, end_us)
    heads = await reading.heads(cells)
    for cell in cells:
        head = heads.get(cell)
        latest = _open_spans(head, min(end_us, now_us), limits) if head else []
        for zone, span in (*closed.get(cell, ()), *latest):
            if span.start_us < min(end_us, now_us) and span.end_us > start_us:
                found.setdefault((cell, zone), []).append(span)
    return found
