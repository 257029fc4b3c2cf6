"""When a controller told something, and how long it was silent: what commissioning a cell is judged by."""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from zoneledger.core.spans import Interval

SNAPSHOT = "snapshot"


class Heard(NamedTuple):
    """A message as it is stored, without what it tells; of a snapshot (type `snapshot`) it is not kept when it arrived."""

    boot: int
    seq: int
    at_us: int
    arrived_us: int | None
    type: str


class Kind(NamedTuple):
    """How many messages of a type there were, and the time of the first and the last one."""

    number: int
    first_us: int
    last_us: int


class Fall(NamedTuple):
    """A boot that told something after a higher one had: its number has fallen, when it was first told and last."""

    boot: int
    higher: int
    last_us: int


def kinds_of(messages: Iterable[Heard]) -> dict[str, Kind]:
    """Return the messages counted by type, in the order of their types."""
    found: dict[str, Kind] = {}
    for one in messages:
        kind = found.get(one.type)
        if kind is None:
            found[one.type] = Kind(1, one.at_us, one.at_us)
        else:
            found[one.type] = Kind(kind.number + 1, min(kind.first_us, one.at_us), max(kind.last_us, one.at_us))
    return dict(sorted(found.items()))


def longest_pause(
    messages: Sequence[Heard], start_us: int, end_us: int, off_us: int | None, *, is_up: bool
) -> Interval | None:
    """Return the longest time in [start_us, end_us) between neighbours of messages that are sorted by time, None where none is.

    A pause in which the controller began a new boot, or in which its link went down (`off_us`), is no silence of a controller that
    runs. While the link is up the last message is followed by one that has not come by `end_us`.
    """
    found: list[Interval] = []
    for before, after in pairwise(messages):
        if before.boot == after.boot and not (off_us is not None and before.at_us <= off_us <= after.at_us):
            found.append((max(before.at_us, start_us), min(after.at_us, end_us)))
    if messages and is_up:
        found.append((max(messages[-1].at_us, start_us), end_us))
    return max((pause for pause in found if pause[0] < pause[1]), key=lambda pause: pause[1] - pause[0], default=None)


def falls_of(messages: Iterable[Heard]) -> list[Fall]:
    """Return the boots whose last event was told later than that of a higher boot, and did not arrive before it."""
    last: dict[int, Heard] = {}
    for one in messages:
        if one.arrived_us is not None and (one.boot not in last or one.seq > last[one.boot].seq):
            last[one.boot] = one
    found = []
    for lower, higher in pairwise(sorted(last)):
        was, is_above = last[lower], last[higher]
        assert was.arrived_us is not None
        assert is_above.arrived_us is not None
        if was.at_us > is_above.at_us and was.arrived_us >= is_above.arrived_us:
            found.append(Fall(lower, higher, was.at_us))
    return found


def late_starts(messages: Sequence[Heard], longest_us: int) -> list[Heard]:
    """Return the first message of each boot that begins with its first event and has no snapshot within `longest_us` of its begin.

    `messages` are sorted by time. A boot of which only a later part is there is left out.
    """
    first: dict[int, Heard] = {}
    snapshots: dict[int, int] = {}
    for one in messages:
        first.setdefault(one.boot, one)
        if one.type == SNAPSHOT:
            snapshots.setdefault(one.boot, one.at_us)
    last_us = messages[-1].at_us if messages else 0
    return [
        one
        for boot, one in first.items()
        if one.type != SNAPSHOT and one.seq == 1 and snapshots.get(boot, last_us) - one.at_us > longest_us
    ]
