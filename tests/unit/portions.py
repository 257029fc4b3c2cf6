"""Our intervals as those of the library `portion`, and back."""

import portion

from zoneledger.core.spans import Interval


def to_portion(intervals: list[Interval]) -> portion.Interval:
    """Return the union of half-open intervals."""
    union = portion.empty()
    for start, end in intervals:
        union |= portion.closedopen(start, end)
    return union


def from_portion(interval: portion.Interval) -> list[Interval]:
    """Return the pieces of a union, in order."""
    return [(each.lower, each.upper) for each in interval if not each.empty]
