"""The present state of every unit that has one of its own: zones and cells."""

from dataclasses import dataclass
from typing import NamedTuple

from zoneledger.application.book import load
from zoneledger.core.booking import Booking, Limits
from zoneledger.core.states import UNKNOWN


@dataclass(frozen=True, slots=True)
class Present:
    """A unit's state and reason now, and since when (None: it was never known)."""

    state: str
    reason: str | None
    since_us: int | None


NEVER_KNOWN = Present(UNKNOWN, None, None)


class Moment(NamedTuple):
    """What a cell's booking says of an instant: its last booked time, and the present of itself ('') and its zones.

    It holds of [from_us, until_us) if nothing comes; None: for good.
    """

    booked_us: int | None
    present: dict[str, Present]
    from_us: int
    until_us: int | None

    def holds(self, now_us: int) -> bool:
        """Tell whether it holds of another instant, too."""
        return self.from_us <= now_us and (self.until_us is None or now_us < self.until_us)


def moment_of(booking: str, link_down_us: int | None, now_us: int, limits: Limits) -> Moment:
    """Return what a head's booking says of an instant."""
    if not booking:
        return Moment(None, {}, now_us, None)
    booked = load(booking, limits)
    # Spans of one zone are in order: its last one is its present.
    spans = booked.open_spans(link_down_us, now_us + 1)
    present = {zone: Present(span.state, span.reason, span.start_us) for zone, span in spans}
    return Moment(booked.booked_us, present, now_us, _until_us(booked, link_down_us, now_us))


def _until_us(booking: Booking, link_down_us: int | None, now_us: int) -> int | None:
    """Return when the present is another one though nothing comes: at a booked time that is ahead, and where evidence ends."""
    if now_us < booking.booked_us:
        return booking.booked_us
    reach_us = booking.reach_us(link_down_us)
    return reach_us if now_us < reach_us else None


class Moments:
    """What the heads of cells say of now: worked out once for all who ask, until it is otherwise."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._known: dict[str, tuple[str, int | None, Moment]] = {}

    def of(self, cell: str, booking: str, link_down_us: int | None, now_us: int) -> Moment:
        """Return what a cell's booking says of now."""
        was, was_down_us, moment = self._known.get(cell, (None, None, None))
        if moment is None or was != booking or was_down_us != link_down_us or not moment.holds(now_us):
            moment = moment_of(booking, link_down_us, now_us, self._limits)
            self._known[cell] = booking, link_down_us, moment
        return moment
