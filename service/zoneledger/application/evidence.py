"""Reads the messages behind a stretch of a cell's or zone's time, in their order, and the one that made the state before it."""

import json
from bisect import bisect_left
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

from zoneledger.application.ledger import read_spans
from zoneledger.application.ports import Reading
from zoneledger.application.reaching import Reached, first_booked
from zoneledger.application.stored import MessageAt, MessageRow
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import LevelWrong, WindowInvalid
from zoneledger.core.figures import HOUR_US
from zoneledger.core.plant import Unit
from zoneledger.core.rows import EVENT_RANK, Gap, Place

MAX_DAYS = 1
#: The longest local day, that on which clocks are put back.
LONGEST_US = MAX_DAYS * DAY_US + HOUR_US
#: So many messages are fetched at once: each may have 256 KiB.
AT_ONCE = 100
#: A page ends before its messages are longer than this together.
PAGE_BYTES = 2 * 2**20
#: So many messages that are booked at one instant are looked at for the one that made the state.
MOST_OF_AN_INSTANT = 1000
#: A page of a zone may be read past so many messages of other zones.
MOST_READ = 20_000
#: The types of events that can change a unit's state.
TELLING_STATES = ("activity", "wait", "alarm")


@dataclass(slots=True)
class Shown:
    """A message, the zone that it names, and the gaps right before and after it."""

    row: MessageRow
    zone: str | None
    gaps: list[Gap] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Evidence:
    """A page of the messages of a window; `before` is the last one before it that made the state so, where one did.

    `after` is where the next page begins, None where this is the last.
    """

    unit: Unit
    window: Window
    before: Shown | None
    page: list[Shown]
    after: MessageAt | None


@dataclass(slots=True)
class _Page:
    """Messages being gathered: those shown, and the places of all that were read for it."""

    shown: list[Shown] = field(default_factory=list)
    read: list[Place] = field(default_factory=list)


async def read_evidence(
    reading: Reading, unit: Unit, window: Window, after: MessageAt | None, limit: int, now_us: int, limits: Limits
) -> Evidence:
    """Return a page of the messages whose booked time lies in a window, in the order of (boot, seq), after a place.

    Of a zone those are left out that name another one. Raises LevelWrong for a line or site, WindowInvalid for more than a day.
    """
    if unit.level not in ("cell", "zone"):
        raise LevelWrong(
            f"{unit.path} is a {unit.level}: evidence is that of a cell or a zone, so ask for one of its cells."
        )
    if window.end_us - window.start_us > LONGEST_US:
        raise WindowInvalid(f"Evidence is read of at most {MAX_DAYS} day at once; ask for a shorter window.")
    head = (await reading.heads([unit.cell_path or ""])).get(unit.cell_path or "")
    if head is None or not head.booking:
        return Evidence(unit, window, None, [], None)
    reached = await first_booked(reading, head, window.start_us, limits)
    before = await _before(reading, reached, unit, window.start_us, now_us, limits)
    page, following = _Page(), None
    if reached.first is not None and reached.floor_us < window.end_us:
        start = just_before(reached.first)
        following = await _gather(reading, page, reached, unit.zone, max(after or start, start), window.end_us, limit)
    await _add_gaps(reading, page, reached)
    return Evidence(unit, window, before, page.shown, following)


def just_before(at: MessageAt) -> MessageAt:
    """Return a place after which the message at a place is the next one."""
    if at.rank == EVENT_RANK:
        return MessageAt(at.boot, at.seq - 1, EVENT_RANK + 1, 2**62, 2**62)
    return at._replace(id=at.id - 1)


async def _gather(
    reading: Reading, page: _Page, reached: Reached, zone: str | None, after: MessageAt, end_us: int, limit: int
) -> MessageAt | None:
    """Add messages after a place and booked before `end_us` to a page; return where the next page begins, None for nowhere."""
    size = 0
    async for row in _messages(reading, reached.head.cell_id, after):
        if row.at.at_us >= end_us:
            return None
        if len(page.read) == MOST_READ:
            return after
        shown = _shown(row)
        if concerns(shown, zone):
            size += len(row.body.encode())
            if len(page.shown) == limit or (page.shown and size > PAGE_BYTES):
                return after
            page.shown.append(shown)
        page.read.append(_place(row))
        after = row.at
    return None


async def _messages(reading: Reading, cell_id: int, after: MessageAt) -> AsyncIterator[MessageRow]:
    """Yield the messages of a cell after a place, fetched in portions."""
    while rows := await reading.messages_after(cell_id, after, AT_ONCE):
        for row in rows:
            yield row
        after = rows[-1].at


def _shown(row: MessageRow) -> Shown:
    zone = json.loads(row.body).get("zone") if row.at.rank == EVENT_RANK else None
    return Shown(row, zone if isinstance(zone, str) else None)


def concerns(shown: Shown, zone: str | None) -> bool:
    """Tell whether a message concerns a zone (None: the whole cell), as it names that zone or none."""
    return zone is None or shown.zone in (None, zone)


async def _before(
    reading: Reading, reached: Reached, unit: Unit, start_us: int, now_us: int, limits: Limits
) -> Shown | None:
    """Return the last message that made the state at the start of a window, where it was booked before that.

    Where none did, as the evidence just ended, it is that of the state before.
    """
    key, at_us = (reached.head.cell, unit.zone or ""), start_us
    for _ in range(2):
        found = await read_spans(reading, {reached.head.cell: reached.head}, at_us, at_us + 1, now_us, limits)
        if not (spans := found.get(key)):
            return None
        began_us = spans[0].start_us
        if maker := await _maker(
            reading, await first_booked(reading, reached.head, began_us, limits), unit.zone, began_us
        ):
            return maker if began_us < start_us else None
        at_us = began_us - 1
    return None


async def _maker(reading: Reading, reached: Reached, zone: str | None, began_us: int) -> Shown | None:
    """Return the last event booked at an instant that can have changed the state of a zone or cell, or else the last snapshot."""
    if reached.first is None:
        return None
    event, snapshot, looked_at = None, None, 0
    async for row in _messages(reading, reached.head.cell_id, just_before(reached.first)):
        if max(row.at.at_us, reached.floor_us) > began_us or looked_at == MOST_OF_AN_INSTANT:
            break
        looked_at += 1
        shown = _shown(row)
        if row.at.rank != EVENT_RANK:
            snapshot = shown
        elif row.type in TELLING_STATES and concerns(shown, zone):
            event = shown
    found = event or snapshot
    if found is not None:
        await _add_gaps(reading, _Page([found], [_place(found.row)]), reached)
    return found


async def _add_gaps(reading: Reading, page: _Page, reached: Reached) -> None:
    """Add to each message of a page the gaps between it and its neighbours, shown or read."""
    if not page.shown:
        return
    places = [_place(shown.row) for shown in page.shown]
    for gap in await reading.gaps_from(reached.head.ledger_id, page.read[0], len(page.read) + 1):
        following = bisect_left(places, gap.place)
        last = page.shown[following - 1] if following else None
        if gap.place > page.read[-1] and not _is_next(places[-1], gap):
            break
        if last is not None:
            last.gaps.append(gap)
        if following < len(places):
            page.shown[following].gaps.append(gap)


def _place(row: MessageRow) -> Place:
    return Place(*row.at[:3])


def _is_next(place: Place, gap: Gap) -> bool:
    return (place.boot, place.seq) == (gap.place.boot, gap.first_seq - 1)
