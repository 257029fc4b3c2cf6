"""What is known of a cell's messages over a stretch of time, put together from the store for whoever commissions the cell."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from zoneledger.application.book import load
from zoneledger.application.made import Made, read_made
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Head, Listed, RefusedFilter, RefusedRow, Unmatched
from zoneledger.core.booking import Booking, Limits
from zoneledger.core.hearing import SNAPSHOT, Heard, Kind, kinds_of, longest_pause
from zoneledger.core.messages import Snapshot
from zoneledger.core.offsets import Offset
from zoneledger.core.plant import Unit
from zoneledger.core.rows import Discrepancy, Gap
from zoneledger.core.spans import Interval
from zoneledger.core.validation import snapshot_from

HOUR_US = 3_600_000_000
#: The longest time that is looked at: about what a busy cell tells in it is what is read at most.
MAX_HOURS = 24
MAX_EVENTS, MAX_SNAPSHOTS, ROWS_AT_ONCE = 100_000, 20_000, 2_000
#: So many boots are looked at, of the highest and of the lowest; so many rows of each other kind; so many snapshots with what
#: they tell.
MAX_BOOTS, MAX_ROWS, MAX_CONDITIONS = 10, 1_000, 100
#: So many boots are counted, of the highest.
COUNTED_BOOTS = 1_000
#: How much of a refused message is shown.
SHOWN_BYTES = 2_000
DISCREPANCIES = ("not_present", "snapshot_differs", "unseen", "clock_back", "clock_not_believed")
_BEGINNING_US = -(2**62)


class Standing(NamedTuple):
    """An alarm that is active now, and when it was raised; None where that is not among the last MAX_ROWS, or a snapshot told it."""

    zone: str
    code: str
    severity: str
    raised_us: int | None


@dataclass(frozen=True)
class Hearing:
    """What came of a cell over [start_us, end_us) by the service's clock; its controller's is ahead by `ahead_us`.

    `clock_us` is how far ahead the controller's clock was when it sent what is looked at, `present_clock_us` how far it is now: where
    it goes wrong in that stretch, and what comes is refused, they differ. Both are None where no message came that could tell.
    `told` is sorted by time, and begins before that stretch where there is something before it. Of lists no more than the last
    MAX_ROWS are there. `is_cut` tells that more came than is read; `boots` are all that told something, read or not. `strangers`
    are cells that the plant model does not name, of which messages were refused: it is only looked for them where nothing came.
    `listens`: there is a broker. After `silence_us` without a message a cell is unknown.
    """

    cell: str
    zones: tuple[str, ...]
    start_us: int
    end_us: int
    clock_us: int | None
    present_clock_us: int | None
    told: list[Heard]
    is_cut: bool
    boots: int
    conditions: list[Snapshot]
    refused: list[Listed[RefusedRow]]
    gaps: list[Gap]
    discrepancies: dict[str, list[Discrepancy]]
    alarms: list[Standing]
    zones_told: frozenset[str]
    unmatched: list[Unmatched]
    made: Made
    unseen: dict[str, int]
    counts: dict[str, int]
    link: str | None
    link_us: int | None
    link_down_us: int | None
    strangers: list[tuple[str, int]]
    listens: bool
    silence_us: int

    @property
    def ahead_us(self) -> int:
        """How far the controller's clock is taken to be ahead."""
        return self.clock_us or 0

    @property
    def since_us(self) -> int:
        """The begin of the stretch by the controller's clock."""
        return self.start_us + self.ahead_us

    @property
    def until_us(self) -> int:
        """The end of the stretch by the controller's clock."""
        return self.end_us + self.ahead_us

    @cached_property
    def within(self) -> list[Heard]:
        """The messages of the stretch, sorted by time."""
        return [one for one in self.told if one.at_us >= self.since_us]

    @cached_property
    def events(self) -> dict[str, Kind]:
        """The events of the stretch, counted by type."""
        return kinds_of(one for one in self.within if one.type != SNAPSHOT)

    @cached_property
    def snapshots(self) -> Kind | None:
        """The snapshots of the stretch, None where there was none."""
        return kinds_of(one for one in self.within if one.type == SNAPSHOT).get(SNAPSHOT)

    def _pause(self, told: Sequence[Heard]) -> Interval | None:
        off_us = None if self.link_down_us is None else self.link_down_us + self.ahead_us
        return longest_pause(told, self.since_us, self.until_us, off_us, is_up=self.link != "down")

    @cached_property
    def silence(self) -> Interval | None:
        """The longest time without a message, by the controller's clock."""
        return self._pause(self.told)

    @cached_property
    def apart(self) -> Interval | None:
        """The longest time without a snapshot, by the controller's clock."""
        return self._pause([one for one in self.told if one.type == SNAPSHOT])

    def refused_over(self, start_us: int, end_us: int) -> list[Listed[RefusedRow]]:
        """Return what was refused of what arrived over [start_us, end_us) by the controller's clock, the last one first."""
        return [one for one in self.refused if start_us <= one.row.arrived_us + self.ahead_us < end_us]

    @property
    def messages_per_minute(self) -> float:
        """How many messages came a minute."""
        return len(self.within) / ((self.end_us - self.start_us) / 60e6)


async def hear(reading: Reading, unit: Unit, start_us: int, end_us: int, limits: Limits, *, listens: bool) -> Hearing:
    """Return what came of a cell over [start_us, end_us) by the service's clock; `end_us` is now."""
    assert unit.cell is not None
    cell = unit.path
    head = (await reading.heads([cell])).get(cell) or Head(0, cell)
    booking, clock_us = load(head.booking, limits), _clock_us(start_us, head.clock, head.refused_clock)
    since_us, until_us = start_us + (clock_us or 0), end_us + (clock_us or 0) + limits.clock_tolerance_us
    boots = await reading.boots(cell, MAX_BOOTS)
    recent = await reading.recent_boots(cell, since_us, COUNTED_BOOTS)
    told, is_cut = await _read_told(reading, cell, boots, since_us)
    refused = [one for one in await reading.last_refused(cell, SHOWN_BYTES, MAX_ROWS) if one.row.arrived_us >= start_us]
    is_cut = is_cut or len(refused) >= MAX_ROWS or not recent <= set(boots)
    return Hearing(
        cell=cell,
        zones=unit.cell.zones,
        start_us=start_us,
        end_us=end_us,
        clock_us=clock_us,
        present_clock_us=_clock_us(start_us, head.present_clock, head.clock, head.refused_clock),
        told=told,
        is_cut=is_cut,
        boots=len(recent),
        conditions=await _read_conditions(reading, cell, boots, since_us),
        refused=refused,
        gaps=await reading.last_gaps(cell, MAX_ROWS),
        discrepancies={
            kind: await reading.last_discrepancies(cell, kind, since_us, until_us, MAX_ROWS) for kind in DISCREPANCIES
        },
        alarms=await _read_alarms(reading, cell, booking),
        zones_told=frozenset(booking.condition.zones),
        unmatched=[one for one in await reading.last_unmatched(cell, MAX_ROWS) if one.at_us >= since_us],
        made=await read_made(reading, unit, since_us, until_us),
        unseen={zone: number for _, _, zone, number in await reading.count_unseen([cell], [(since_us, until_us)])},
        counts=head.counts,
        link=head.link,
        link_us=head.link_us,
        link_down_us=head.link_down_us,
        strangers=[] if told else await reading.count_refused("cell", RefusedFilter(reason="unknown_cell"), 5),
        listens=listens,
        silence_us=limits.silence_us,
    )


def _clock_us(start_us: int, *clocks: Offset | None) -> int | None:
    """Return how far the controller's clock is ahead by the first of these that may rest on messages since then, None without one.

    What is looked at is moved by messages that were taken, if there are any, so that a refused one with a slip in its time does not.
    """
    return next((clock.us for clock in clocks if clock is not None and clock.reaches(start_us)), None)


async def _read_told(reading: Reading, cell: str, boots: Sequence[int], since_us: int) -> tuple[list[Heard], bool]:
    """Return the messages from `since_us` on and some before, sorted by time, and whether there are more than are read."""
    told: list[Heard] = []
    left = {True: MAX_EVENTS, False: MAX_SNAPSHOTS}
    for boot in reversed(boots):
        for are_events in left:
            found = await _read_back(reading, cell, boot, since_us, left[are_events], are_events=are_events)
            left[are_events] -= len(found)
            told += found
    told.sort(key=lambda one: (one.at_us, one.boot, one.seq, one.type == SNAPSHOT))
    return told, min(left.values()) <= 0


async def _read_back(
    reading: Reading, cell: str, boot: int, since_us: int, most: int, *, are_events: bool
) -> list[Heard]:
    """Return the last messages of a boot, back to a page of which all are before `since_us`, and at most so many."""
    told: list[Heard] = []
    while len(told) < most:
        limit, last = min(ROWS_AT_ONCE if told else 100, most - len(told)), told[-1] if told else None
        if are_events:
            page = await reading.last_events(cell, boot, last and last.seq, limit)
        else:
            page = await reading.last_snapshots(cell, boot, last and (last.seq, last.at_us), limit)
        told += page
        if len(page) < limit or all(one.at_us < since_us for one in page):
            break
    return told


async def _read_conditions(reading: Reading, cell: str, boots: Sequence[int], since_us: int) -> list[Snapshot]:
    """Return the last snapshots, of the last boot that has any from `since_us` on, with what they tell."""
    for boot in reversed(boots):
        rows = await reading.last_conditions(cell, boot, MAX_CONDITIONS)
        if kept := [row for row in rows if row.at_us >= since_us]:
            return [snapshot_from(row.body, row.boot, row.seq, row.at_us) for row in kept]
    return []


async def _read_alarms(reading: Reading, cell: str, booking: Booking) -> list[Standing]:
    active = booking.condition.alarms
    raised: dict[tuple[str, str], int] = {}
    for alarm in await reading.last_alarms(cell, MAX_ROWS) if active else []:
        raised.setdefault((alarm.zone, alarm.code), alarm.at_us)
    return [
        Standing(zone or "", code, severity, raised.get((zone or "", code)))
        for (zone, code), severity in active.items()
    ]
