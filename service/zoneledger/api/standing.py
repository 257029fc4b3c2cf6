"""A unit's present state as the API tells it, in an answer or on a live stream."""

from zoneledger.api.times import rfc3339_or_none
from zoneledger.application.units import Present


def standing(unit: str, present: Present) -> dict[str, str | None]:
    """Return the fields of a unit's present state."""
    return {
        "unit": unit,
        "state": present.state,
        "reason": present.reason,
        "since": rfc3339_or_none(present.since_us),
    }
