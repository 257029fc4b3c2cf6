"""Panel passes as the ledger tells them, those that are not over included."""

from collections.abc import Mapping, Sequence

from zoneledger.application.ledger import Zone, read_zone_activities
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Head
from zoneledger.core.booking import Limits
from zoneledger.core.passes import Pass, passes_of


async def read_passes(
    reading: Reading, heads: Mapping[str, Head], zones: Sequence[Zone], start_us: int, end_us: int, limits: Limits
) -> dict[Zone, list[Pass]]:
    """Return the passes of zones in order, as they stood at `end_us`.

    These are all that overlap [start_us, end_us), or were over at its start, each with the one before it, and some more before.
    """
    activities = await read_zone_activities(reading, heads, zones, start_us, end_us, limits)
    found = {zone: passes_of(activities.get(zone, ())) for zone in zones}
    return {zone: passes for zone, passes in found.items() if passes}
