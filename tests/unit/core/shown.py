"""Books messages of an invented cell and shows the ledger in seconds after its begin."""

from typing import Any

from zoneledger.core.booking import Booking, Limits
from zoneledger.core.rows import Booked
from zoneledger.core.validation import parse_instant, read_message

BEGIN_US = parse_instant("begin", "2026-11-25T06:00:00Z")

Shown = tuple[int, int, str, str | None]
"""A span: start and end in seconds after the begin, state, reason."""


def us(second: float) -> int:
    """Return an instant that lies seconds after the begin."""
    return BEGIN_US + round(second * 1_000_000)


def second(at_us: int) -> int:
    """Return how many whole seconds an instant lies after the begin."""
    return (at_us - BEGIN_US) // 1_000_000


def book(*messages: dict[str, Any], limits: Limits = Limits()) -> Booking:
    """Return the booking after messages that stand in the contract's order."""
    booking = Booking(limits)
    for value in messages:
        booking.add(read_message(value))
    return booking


def rows_of(booking: Booking) -> Booked:
    """Return what was booked, and leave it there."""
    return booking.booked


def spans_of(booking: Booking, zone: str, until: float = 10_000, link_down: float | None = None) -> list[Shown]:
    """Return the spans of a zone (of the cell: '') up to an instant: those closed, and those still open."""
    opened = booking.open_spans(None if link_down is None else us(link_down), us(until))
    spans = [span for name, span in (*booking.booked.spans, *opened) if name == zone]
    return [(second(span.start_us), second(span.end_us), span.state, span.reason) for span in spans]
