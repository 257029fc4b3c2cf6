"""Panel passes as the ledger tells them, those that are not over included."""

from collections.abc import Mapping, Sequence

from zoneledger.application.book import load
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Head
from zoneledger.core.activities import OPEN
from zoneledger.core.booking import Limits
from zoneledger.core.passes import Pass, passes_of
from zoneledger.core.rows import Activity

Zone = tuple[str, str]
"""A cell's path and the zone's name."""


async def read_passes(
    reading: Reading, heads: Mapping[str, Head], zones: Sequence[Zone], start_us: int, end_us: int, limits: Limits
) -> dict[Zone, list[Pass]]:
    """Return the passes of zones in order: all that overlap [start_us, end_us), or end at its start, and some around it."""
    activities = await reading.pass_activities(zones, start_us, end_us)
    found = {zone: passes_of([*activities.get(zone, ()), *_present(heads, zone, limits)]) for zone in zones}
    return {zone: passes for zone, passes in found.items() if passes}


def _present(heads: Mapping[str, Head], zone: Zone, limits: Limits) -> list[Activity]:
    """Return the activity of a zone that is not over; its end is that of the evidence so far."""
    cell, name = zone
    booking = load(heads[cell].booking, limits) if cell in heads else None
    one = booking.activities.open.get(name) if booking else None
    if booking is None or booking.place is None or one is None:
        return []
    told = one.activity, one.program, one.panel, one.automatic, one.manual
    end_us = max(one.start_us, booking.booked_us)
    return [Activity(booking.place, name, *told, one.start_us, end_us, one.begun_by, OPEN, None)]
