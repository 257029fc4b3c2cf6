"""What a zone's passes ask of the cell's one head: of each panel, what is done before it, by it, and after it."""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from zoneledger.core.passes import Pass
from zoneledger.core.spans import Interval, Span, intersect, time_in_states, total
from zoneledger.core.states import HEAD, IDLE, UNKNOWN

Parts = dict[tuple[str, str], int]
"""Microseconds by (state, reason)."""


@dataclass(frozen=True, slots=True)
class Demand:
    """One panel's time in planned time: `before` the head is asked for, while the zone has the `head`, and `after` that.

    What a zone waits for the head is left out, and so is unknown time. `before` begins with the end of the pass before.
    """

    before: Parts
    head: Parts
    after: Parts


@dataclass(frozen=True, slots=True)
class ZoneTime:
    """A zone's passes in order, and its spans; `planned` is the line's planned time."""

    passes: Sequence[Pass]
    spans: Sequence[Span]
    planned: Sequence[Interval]

    def parts(self, start_us: int, end_us: int) -> Parts:
        """Return the planned time of [start_us, end_us) by state and reason, less waits for the head and unknown time."""
        inside = intersect([(start_us, end_us)], self.planned) if start_us < end_us else []
        times = time_in_states(self.spans, inside)
        return {(s, r or ""): us for (s, r), us in times.items() if s != UNKNOWN and (s, r) != (IDLE, HEAD)}

    def asks_us(self, since_us: int, begun_us: int) -> int:
        """Return when the zone asked for the head that it got at `begun_us`: from then on it waited for nothing else."""
        k = bisect_right(self.spans, since_us, key=lambda span: span.end_us)
        while k < len(self.spans) and self.spans[k].start_us < begun_us:
            if self.spans[k][2:] == (IDLE, HEAD):
                return max(since_us, self.spans[k].start_us)
            k += 1
        return begun_us


def demands_of(zones: Mapping[str, ZoneTime], start_us: int, end_us: int) -> dict[str, list[Demand]]:
    """Return, by zone, the demands of the passes that were over in [start_us, end_us), each reaching back to the pass before.

    The first pass of all only tells where the second one's demand begins, unless there is no other.
    """
    freed = sorted(one.processing[1] for zone in zones.values() for one in zone.passes if one.processing)
    found = {}
    for name, zone in zones.items():
        ended = [k for k, one in enumerate(zone.passes) if one.is_over_in(start_us, end_us)]
        led = [k for k in ended if k > 0] or ended
        found[name] = [_demand(zone, zone.passes[k], zone.passes[max(0, k - 1)], freed) for k in led]
    return found


def _demand(zone: ZoneTime, one: Pass, last: Pass, freed: Sequence[int]) -> Demand:
    """Return the demand of a pass after the last one, or of the first from its own begin; `freed`: when the head was let go."""
    since_us = one.start_us if last is one else last.end_us
    if one.processing is None:
        return Demand(zone.parts(since_us, one.end_us), {}, {})
    begun_us, done_us = one.processing
    asked_us = zone.asks_us(since_us, begun_us)
    k = bisect_right(freed, begun_us)
    # The head has come, or is coming, to a zone that a fault holds up: nobody else has it meanwhile.
    held = zone.parts(max(asked_us, freed[k - 1] if k else asked_us), begun_us)
    head = zone.parts(begun_us, done_us)
    return Demand(zone.parts(since_us, asked_us), added(head, held), zone.parts(done_us, one.end_us))


def added(one: Parts, other: Parts) -> Parts:
    """Return the times of both together."""
    return {key: one.get(key, 0) + other.get(key, 0) for key in one | other}


def transfers_us(zones: Mapping[str, ZoneTime], start_us: int, end_us: int) -> list[int]:
    """Return how long the head was under way, each time that a zone stood waiting for it as another one let it go.

    Stops on the way, and time that is not planned, are left out. Only processing that began in [start_us, end_us) counts.
    """
    work = sorted((*one.processing, name) for name, zone in zones.items() for one in zone.passes if one.processing)
    found = []
    for k in range(1, len(work)):
        begun_us, _, name = work[k]
        left_us, before = work[k - 1][1], work[k - 1][2]
        if before != name and start_us <= begun_us < end_us and _waits(zones[name].spans, left_us):
            waited = [
                (s.start_us, s.end_us) for s in _between(zones[name].spans, left_us, begun_us) if s[2:] == (IDLE, HEAD)
            ]
            found.append(
                total(intersect(intersect(waited, [(left_us, begun_us)]), zones[name].planned)) if waited else 0
            )
    return found


def _between(spans: Sequence[Span], start_us: int, end_us: int) -> Sequence[Span]:
    first = bisect_right(spans, start_us, key=lambda span: span.end_us)
    return spans[first : bisect_left(spans, end_us, key=lambda span: span.start_us)]


def _waits(spans: Sequence[Span], at_us: int) -> bool:
    """Tell whether a zone had begun to wait for the head before an instant, and had not got it before."""
    k = bisect_left(spans, at_us, key=lambda span: span.end_us)
    return k < len(spans) and spans[k].start_us < at_us and spans[k][2:] == (IDLE, HEAD)
