"""What a change would bring: the measured sequence of a cell's head and loading times, replayed with one of them changed.

The model is one head that serves zones in the order in which they ask for it, with a way from zone to zone. Let go with nobody
waiting, the head goes on to the next zone at once. The plain formula for n zones, max(n (Th + Tr), Th + Tl) for n panels, takes
the means of the same times: worker and machines in a cluster (Groover, from memory).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, inf

from zoneledger.core.demands import Demand, Parts, added
from zoneledger.core.figures import HOUR_US, ratio
from zoneledger.core.states import CHANGEOVER, FAULT, IDLE

#: So many passes at least are replayed, in rounds over those that were measured; the first round only sets the cell going.
MIN_REPLAYED = 400
#: Fewer passes than these are replayed several times over, with other panels meeting.
MAX_REPLAYED = 5_000
#: Its multiples, less their whole parts, lie evenly between 0 and 1, in no order that a cell has: chance without chance.
_GOLDEN = (5**0.5 - 1) / 2
#: Which time each kind of change is about: a state, and the reasons where they are not named by the change itself.
_LOADING = ("load", "unload")
LOADING, SETUP, CHANGEOVER_MASKED, FAULTS, WAITS = "loading", "setup", "changeover_masked", "fault", "wait"


@dataclass(frozen=True, slots=True)
class Change:
    """A kind of loss, or one reason of a kind, whose times are multiplied by `factor`; `kind` None changes nothing."""

    kind: str | None = None
    reason: str | None = None
    factor: float = 1.0

    def is_about(self, state: str, reason: str) -> bool:
        """Tell whether a time of this state and reason is changed."""
        if self.kind in (FAULTS, WAITS):
            return (state, reason) == (FAULT if self.kind == FAULTS else IDLE, self.reason)
        if state != CHANGEOVER or self.kind is None:
            return False
        return self.kind == CHANGEOVER_MASKED or (reason in _LOADING) == (self.kind == LOADING)

    def length_us(self, parts: Parts) -> float:
        """Return how long parts would last together.

        Faults strike as often an hour as they did: where all else of the parts gets shorter, so do they, by as much.
        """
        rest_us, was_us, fault_us = self.split_us(parts)
        return rest_us + fault_us * (rest_us / was_us if was_us else 1.0)

    def split_us(self, parts: Parts) -> tuple[float, int, float]:
        """Return how long all but the faults would last, how long it lasted, and how long the faults would last if they struck."""
        rest = {key: us for key, us in parts.items() if key[0] != FAULT}
        faults = sum(self._times(key) * us for key, us in parts.items() if key[0] == FAULT)
        return sum(self._times(key) * us for key, us in rest.items()), sum(rest.values()), faults

    def _times(self, key: tuple[str, str]) -> float:
        return self.factor if self.is_about(*key) else 1.0


UNCHANGED = Change()
Zones = Mapping[str, Sequence[Demand]]


def changes_of(zones: Zones, factor: float) -> list[Change]:
    """Return the changes that there are for what was measured: of loading, of setup, of each fault and wait; and all masked."""
    demands = [demand for own in zones.values() for demand in own]
    seen = {
        key
        for demand in demands
        for parts in (demand.before, demand.head, demand.after)
        for key, us in parts.items()
        if us
    }
    found = [Change(LOADING, None, factor)] if {(CHANGEOVER, each) for each in _LOADING} & seen else []
    found += [Change(SETUP, None, factor)] if (CHANGEOVER, "setup") in seen else []
    found += [Change(CHANGEOVER_MASKED, None, 0.0)] if any(state == CHANGEOVER for state, _ in seen) else []
    named = {FAULT: FAULTS, IDLE: WAITS}
    return found + [Change(named[state], reason, factor) for state, reason in sorted(seen) if state in named]


@dataclass(frozen=True, slots=True)
class _Stretch:
    """From the end of the head's work in a zone to the end of its next (`head_us` None: no work), in microseconds.

    What is done without the head lasts `rest_us`, and `was_us` before the change; the faults that struck in it last `fault_us`.
    """

    rest_us: float
    was_us: int
    fault_us: float
    head_us: float | None


def _stretches(demands: Sequence[Demand], change: Change) -> list[_Stretch]:
    """Return the stretches of a zone's demands, the last demand before the first: they come again and again."""
    found = []
    for last, demand in zip([demands[-1], *demands[:-1]], demands, strict=True):
        head_us = change.length_us(demand.head) if demand.head else None
        found.append(_Stretch(*change.split_us(added(last.after, demand.before)), head_us))
    return found


class _Zone:
    """A zone in the replay: when it asks for the head, and when a fault strikes it while it waits."""

    def __init__(self, stretches: list[_Stretch], number: int) -> None:
        self._stretches = stretches
        self._k = -1
        self._chance = number * _GOLDEN
        self.asks_us = 0.0
        self._struck: tuple[float, float] | None = None

    def go_on(self, at_us: float) -> int:
        """Let the zone go on from `at_us` to where it asks for the head; return how many passes that skips, which need none."""
        self.asks_us, skipped = at_us, 0
        while True:
            self._k = (self._k + 1) % len(self._stretches)
            self._without(self._stretches[self._k])
            if self._stretches[self._k].head_us is not None:
                return skipped
            skipped += 1

    def _without(self, one: _Stretch) -> None:
        """Book what is done without the head.

        A fault keeps its place in what was done, which is anywhere. Where that is not done any more it strikes while the zone waits
        for the head, if it still does then.
        """
        self._chance = (self._chance + _GOLDEN) % 1.0
        place_us = self._chance * one.was_us
        stays = place_us < one.rest_us or one.rest_us >= one.was_us
        self.asks_us += one.rest_us + (one.fault_us if stays else 0.0)
        self._struck = None if stays or not one.fault_us else (place_us - one.rest_us, one.fault_us)

    def work(self, comes_us: float) -> tuple[float, int]:
        """Let the head work from when it comes; return when it is free again, and how many passes that makes."""
        begun_us = comes_us
        if self._struck is not None and self.asks_us + self._struck[0] < comes_us:
            begun_us = max(comes_us, self.asks_us + sum(self._struck))
        done_us = begun_us + (self._stretches[self._k].head_us or 0.0)
        return done_us, 1 + self.go_on(done_us)


def replay(zones: Zones, transfer_us: float, change: Change = UNCHANGED) -> float | None:
    """Return the passes per hour of a cell with these demands again and again, changed; None where none had the head, or took time."""
    measured = [_stretches(demands, change) for demands in zones.values() if any(demand.head for demand in demands)]
    if not measured:
        return None
    number = sum(map(len, measured))
    last = number * max(2, 1 + ceil(MIN_REPLAYED / number))
    rates = [_run(going, transfer_us, number, last) for going in _turned(measured, MAX_REPLAYED // last)]
    told = [rate for rate in rates if rate is not None]
    return sum(told) / len(told) if told else None


def _turned(measured: Sequence[list[_Stretch]], times: int) -> Iterator[list[_Zone]]:
    """Yield the zones so many times at most, each time with other panels of theirs meeting.

    Zones with as many panels each would go on in step: the same two would meet in every round, and a gain would be theirs.
    """
    turns = max(1, min(times, *map(len, measured))) if len(measured) > 1 else 1
    for turn in range(turns):
        starts = [number * turn * len(own) // turns % len(own) for number, own in enumerate(measured)]
        yield [_Zone(own[k:] + own[:k], number) for number, (own, k) in enumerate(zip(measured, starts, strict=True))]


def _run(zones: list[_Zone], transfer_us: float, first: int, last: int) -> float | None:
    """Run the cell until `last` passes are done; return how many an hour it made after the first ones."""
    for zone in zones:
        zone.go_on(0.0)
    at, free_us, done, since, since_us = 0, 0.0, 0, 0, 0.0
    while done < last:
        asking = min(range(len(zones)), key=lambda z: (zones[z].asks_us, (z - at) % len(zones)))
        if zones[asking].asks_us > free_us and done and len(zones) > 1:  # nobody waits: the head goes on by itself
            at, free_us = (at + 1) % len(zones), free_us + transfer_us
        comes_us = max(zones[asking].asks_us, free_us) + (transfer_us if asking != at else 0.0)
        free_us, passes = zones[asking].work(comes_us)
        at, done = asking, done + passes
        if done <= first:
            since, since_us = done, free_us
    return ratio((done - since) * HOUR_US, free_us - since_us)


@dataclass(frozen=True, slots=True)
class Means:
    """The means of a pass, in microseconds: the head's work, all else that a zone does without the head, the head's way."""

    head_us: float
    without_us: float
    transfer_us: float
    zones: int

    def per_hour(self) -> float | None:
        """Return the passes per hour by the plain formula; a head with one zone goes nowhere."""
        alone_us = self.head_us + self.without_us
        shared_us = self.zones * (self.head_us + self.transfer_us) if self.zones > 1 else 0.0
        return ratio(self.zones * HOUR_US, max(alone_us, shared_us))


def means_of(zones: Zones, transfer_us: float, change: Change = UNCHANGED) -> Means | None:
    """Return the means of all demands that had the head, changed; None where there are none."""
    own = [demands for demands in zones.values() if any(demand.head for demand in demands)]
    demands = [demand for each in own for demand in each]
    number = sum(1 for demand in demands if demand.head)
    if not number:
        return None
    head_us = sum(change.length_us(demand.head) for demand in demands)
    without_us = sum(change.length_us(demand.before) + change.length_us(demand.after) for demand in demands)
    return Means(head_us / number, without_us / number, transfer_us, len(own))


def mean_parts(zones: Zones) -> dict[tuple[str, str], float]:
    """Return the mean microseconds of a pass by (state, reason), over all demands."""
    demands = [demand for own in zones.values() for demand in own]
    sums: dict[tuple[str, str], float] = {}
    for demand in demands:
        for parts in (demand.before, demand.head, demand.after):
            for key, us in parts.items():
                sums[key] = sums.get(key, 0.0) + us / len(demands)
    return sums


def gain(changed: float | None, present: float | None) -> float | None:
    """Return by which part of it a rate would rise; None where either is not known."""
    share = None if changed is None or present is None or changed == inf else ratio(changed, present)
    return None if share is None else share - 1
