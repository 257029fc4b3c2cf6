"""Minor stops: pieces of running time between fasteners that last longer than the standard lets them.

A unit's running time is cut at its fasteners. A piece longer than the limit of the fastener that ends it is a minor stop, less
the standard time of that fastener. Each piece is judged as a whole, so that the minor stops of two windows that join sum to
those of both together.
"""

from collections.abc import Sequence
from typing import NamedTuple

from zoneledger.core.plant import Standard
from zoneledger.core.spans import Interval
from zoneledger.core.standards import Standards

#: The limit of a piece where no standard tells one.
UNRATED_LIMIT_US = 15_000_000


class Cut(NamedTuple):
    """A fastener at which running time is cut: when it was made, and by what its standard is found."""

    at_us: int
    operation: str
    item: str | None
    program: str | None


class Pause(NamedTuple):
    """The time between two successive fasteners of a unit; None: there is none before, or none after."""

    before: Cut | None
    after: Cut | None


def smallest_limit_us(standards: Standards) -> int:
    """Return the limit that every minor stop of a cell is longer than."""
    return min([UNRATED_LIMIT_US, *(one.minor_stop_limit_us for one in standards.declared())])


def minor_stops(running: Sequence[Interval], pauses: Sequence[Pause], standards: Standards) -> list[Interval]:
    """Return a unit's minor stops, sorted and disjoint.

    `running` are its running spans, each as a whole, sorted, that neither overlap nor touch. `pauses` are in order; those no
    longer than the smallest limit may be left out.
    """
    found: list[Interval] = []
    first = 0
    for pause in pauses:
        while first < len(running) and pause.before is not None and running[first][1] <= pause.before.at_us:
            first += 1
        for span in _reaching(running, first, pause):
            stop = _stop(span, pause, standards)
            if stop is not None:
                found.append(stop)
    return found


def _reaching(running: Sequence[Interval], first: int, pause: Pause) -> list[Interval]:
    """Return the running spans from the `first` on that have time in a pause which they do not end before."""
    last = first
    while last < len(running) and (pause.after is None or running[last][0] < pause.after.at_us):
        last += 1
    return list(running[first:last])


def _stop(span: Interval, pause: Pause, standards: Standards) -> Interval | None:
    """Return the minor stop that the piece of a running span in a pause is, if it is one."""
    before, after = pause
    begins_us = span[0] if before is None else max(span[0], before.at_us)
    ends_us = span[1] if after is None else min(span[1], after.at_us)
    if after is not None and after.at_us == ends_us:
        standard = _standard_of(after, standards)
        less_us = standard.fastener_us if standard else 0
    else:
        standard = _standard_of(before, standards) if before is not None and before.at_us == begins_us else None
        less_us = 0
    limit_us = standard.minor_stop_limit_us if standard else UNRATED_LIMIT_US
    is_one = ends_us - begins_us > limit_us and begins_us < ends_us - less_us
    return (begins_us, ends_us - less_us) if is_one else None


def _standard_of(made: Cut, standards: Standards) -> Standard | None:
    return standards.find(made.operation, made.item, made.program, made.at_us)
