"""Brings a cell's ledger up to its messages: appends where they follow, rewrites from their place where they are late."""

from bisect import bisect_right
from collections import deque
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field

from msgspec.json import decode

from zoneledger.application.ascii_json import ascii_json
from zoneledger.application.giving_way import portions
from zoneledger.application.keep import Kept
from zoneledger.application.plants import FOREVER_US
from zoneledger.application.ports import Writing
from zoneledger.application.restating import counted, differing, outdated, recounted, restatements
from zoneledger.application.stored import Checkpoint, Head, Key, Outdated, Revision, SnapshotRow, Stretch
from zoneledger.core.booking import Booking, Limits
from zoneledger.core.messages import Event, Message, Snapshot
from zoneledger.core.quick import read_stored
from zoneledger.core.rows import Booked, Fastener, Place, Verdict
from zoneledger.core.validation import snapshot_from
from zoneledger.core.verdicts import settle

EVENTS_PER_CHECKPOINT = 256
EVENTS_AT_ONCE = 1000
#: How many messages are booked without a pause for others.
MESSAGES_AT_A_TIME = 200
CHECKPOINTS_AT_ONCE = 100


def dump(booking: Booking) -> str:
    """Return a booking's state as canonical JSON, empty before any message."""
    return "" if booking.boot is None else ascii_json(booking.to_json())


def load(text: str, limits: Limits) -> Booking:
    """Return the booking of a state; an empty text is the state before any message."""
    return Booking.from_json(decode(text), limits) if text else Booking(limits)


@dataclass(slots=True)
class Changes:
    """What a group of messages adds for all its cells beside the ledgers' rows, to be written at once."""

    checkpoints: list[tuple[int, Checkpoint]] = field(default_factory=list)
    revisions: list[Revision] = field(default_factory=list)
    outdated: list[Outdated] = field(default_factory=list)


async def append(changes: Changes, kept: Kept, now_us: int) -> Booked:
    """Book messages that follow the last one booked; return the rows to add.

    Time after the end of the evidence so far was told as unknown: messages that come later than that revise it.
    """
    head, booking = kept.head, kept.booking
    told_us = now_us - booking.limits.silence_us
    first_us = booking.booked_us if booking.place else kept.messages[0][1].at_us
    before = booking.open_spans(head.link_down_us, now_us) if first_us < told_us else []
    events = head.events_since_checkpoint
    async for some in portions(kept.messages, MESSAGES_AT_A_TIME):
        for _, message in some:
            booking.add(message)
            events += type(message) is not Snapshot
            if events >= EVENTS_PER_CHECKPOINT:
                events = 0
                changes.checkpoints.append((head.ledger_id, Checkpoint(message.boot, message.seq, dump(booking))))
    head.events_since_checkpoint = events
    head.booking = dump(booking)
    rows = booking.take_booked()
    if first_us < told_us:
        changes.outdated.append(Outdated(head.cell, first_us, FOREVER_US))
        times = differing(before, rows.spans + booking.open_spans(head.link_down_us, now_us)) + counted(rows)
        changes.revisions += restatements(head.cell, times, told_us, now_us, "messages after a silence")
    return rows


def _in_order(events: list[tuple[Key, str]], snapshots: list[SnapshotRow]) -> Iterator[Message]:
    """Merge events and snapshots, each in order: a snapshot comes after the event of its key."""
    rest = deque(snapshots)
    for key, text in events:
        while rest and (rest[0].boot, rest[0].seq) < key:
            yield _snapshot(rest.popleft())
        yield read_stored(text)
    yield from map(_snapshot, rest)


def _snapshot(row: SnapshotRow) -> Message:
    return snapshot_from(row.body, row.boot, row.seq, row.at_us)


async def next_messages(
    writing: Writing, cell_id: int, after: Key | None, at_once: int
) -> tuple[Iterator[Message], Key | None]:
    """Return a cell's next stored messages in the contract's order, from the snapshots of event `after` on (None: the first).

    The last of them is the event of the key that is returned with them; None where no more follow.
    """
    events = await writing.events_after(cell_id, after, at_once)
    last = events[-1][0] if len(events) == at_once else None
    return _in_order(events, await writing.snapshots_between(cell_id, after, last)), last


async def stored_messages(writing: Writing, cell_id: int, after: Key | None) -> AsyncIterator[Message]:
    """Yield a cell's stored messages in the contract's order, from the snapshots of event `after` on (None: all)."""
    reached, ended = after, False
    while not ended:
        messages, reached = await next_messages(writing, cell_id, reached, EVENTS_AT_ONCE)
        for message in messages:
            yield message
        ended = reached is None


@dataclass(slots=True)
class Refold:
    """A ledger folded anew from a checkpoint until it agrees with the old one at a later checkpoint, or to the end."""

    start: Booking
    booking: Booking
    checkpoints: list[Checkpoint] = field(default_factory=list)
    agreed: Place | None = None

    def stretch(self) -> Stretch:
        """Return the part of the ledger that was folded anew."""
        starts = {zone: span[0] for zone, span in self.start.open.items()}
        start_us = None if self.start.place is None else self.start.booked_us
        if self.agreed is None:
            return Stretch(self.start.place, None, starts, {}, None, start_us)
        stops = {zone: span[0] for zone, span in self.booking.open.items()}
        return Stretch(self.start.place, self.agreed, starts, stops, self.booking.booked_us, start_us)


class Formers:
    """The checkpoints of a ledger as it was, read in order, some at a time."""

    def __init__(self, writing: Writing, ledger_id: int, after: Key | None, at_once: int = CHECKPOINTS_AT_ONCE) -> None:
        self._writing = writing
        self._ledger_id = ledger_id
        self._after = after
        self._at_once = at_once
        self._read: deque[Checkpoint] = deque()
        self._ended = False

    async def seek(self, key: Key) -> Checkpoint | None:
        """Return the first that is not before a key, None where none is; keys may only rise."""
        while True:
            while self._read and self._read[0][:2] < key:
                self._read.popleft()
            if self._read or self._ended:
                return self._read[0] if self._read else None
            page = await self._writing.next_checkpoints(self._ledger_id, self._after, self._at_once)
            self._ended = len(page) < self._at_once
            self._read.extend(page)
            self._after = page[-1][:2] if page else self._after


def _before(place: Place) -> Key:
    """Return the key that a checkpoint has to lie before, to be folded on from for a message at a place."""
    return place.boot, place.seq + place.rank


async def refold(writing: Writing, head: Head, places: list[Place], limits: Limits) -> Refold:
    """Fold a cell's stored messages anew from before the first of its new ones, which lie at `places`, sorted.

    It ends once it agrees with the ledger as it was, unless the next new one would be folded from there anyway.
    """
    checkpoint = await writing.checkpoint_before(head.ledger_id, _before(places[0]))
    text = checkpoint.booking if checkpoint else ""
    after = checkpoint[:2] if checkpoint else None
    formers, ahead = Formers(writing, head.ledger_id, after), deque(places)
    result = Refold(load(text, limits), load(text, limits))
    count = 0
    async for message in stored_messages(writing, head.cell_id, after):
        result.booking.add(message)
        if not isinstance(message, Event):
            continue
        count += 1
        key = message.boot, message.seq
        former = await formers.seek(key)
        if former is not None and former[:2] != key:
            former = None
        if former is None and count < EVENTS_PER_CHECKPOINT:
            continue
        count, state = 0, dump(result.booking)
        while ahead and ahead[0] <= (*key, 0):
            ahead.popleft()
        if former is not None and former.booking == state:
            following = await formers.seek((message.boot, message.seq + 1)) if ahead else None
            if not ahead or (following is not None and following[:2] < _before(ahead[0])):
                result.agreed = Place(*key, 0)
                break
        result.checkpoints.append(Checkpoint(*key, state))
    return result


def difference(old: Booked, new: Booked) -> tuple[Booked, Booked]:
    """Return the rows to remove and the rows to add; those without a key of their own go all or none."""
    gone, come = Booked(), Booked()
    for name in ("spans", "fasteners", "verdicts", "alarms"):
        before, after = getattr(old, name), getattr(new, name)
        if before == after:
            continue
        kept = set(before) & set(after)
        setattr(gone, name, [row for row in before if row not in kept])
        setattr(come, name, [row for row in after if row not in kept])
    for name in ("gaps", "discrepancies", "activities"):
        before, after = getattr(old, name), getattr(new, name)
        if before != after and sorted(before, key=repr) != sorted(after, key=repr):
            setattr(gone, name, before)
            setattr(come, name, after)
    return gone, come


async def rewrite(
    writing: Writing, changes: Changes, head: Head, places: list[Place], limits: Limits, now_us: int
) -> None:
    """Book late messages, already stored, that lie at `places`, sorted: rewrite from each until old and new agree."""
    rest = places
    while rest:
        agreed = await _rewrite_from_first(writing, changes, head, rest, limits, now_us)
        rest = [] if agreed is None else rest[bisect_right(rest, agreed) :]


async def _rewrite_from_first(
    writing: Writing, changes: Changes, head: Head, places: list[Place], limits: Limits, now_us: int
) -> Place | None:
    """Rewrite from the first of the places until old and new agree; return where that is, None at the end."""
    result = await refold(writing, head, places, limits)
    bounds, new = result.stretch(), result.booking.take_booked()
    gone, come = difference(await writing.booked(head.ledger_id, bounds), new)
    await writing.remove_booked(head.ledger_id, bounds, gone)
    await writing.add_booked([(head.ledger_id, come)])
    await writing.put_checkpoints([(head.ledger_id, row) for row in result.checkpoints])
    told, tells = list(gone.spans), list(come.spans)
    if result.agreed is None:
        told += load(head.booking, limits).open_spans(head.link_down_us, now_us)
        tells += result.booking.open_spans(head.link_down_us, now_us)
        head.booking, head.events_since_checkpoint = dump(result.booking), 0
    changes.outdated += outdated(head.cell, told, tells)
    times = differing(told, tells) + recounted(gone, come)
    changes.revisions += restatements(head.cell, times, now_us - limits.silence_us, now_us, "late messages")
    rows = Booked(fasteners=gone.fasteners + come.fasteners, verdicts=gone.verdicts + come.verdicts)
    await give_verdicts(writing, changes, head, rows, now_us)
    return result.agreed


async def give_verdicts(writing: Writing, changes: Changes, head: Head, rows: Booked, now_us: int) -> None:
    """Settle anew which verdict holds for the fasteners at the places that rows concern."""
    changed = await settled_otherwise(writing, head, rows)
    if not changed:
        return
    await writing.put_verdicts(head.ledger_id, {(row.boot, row.seq): new for row, new in changed})
    times = [(row.at_us, row.at_us + 1) for row, _ in changed]
    changes.revisions += restatements(head.cell, times, now_us, now_us, "verdicts")


async def settled_otherwise(writing: Writing, head: Head, rows: Booked) -> list[tuple[Fastener, str | None]]:
    """Return the fasteners at the places that rows concern whose verdict is not the one that holds, each with that one."""
    concerned: list[Fastener | Verdict] = [*rows.verdicts, *rows.fasteners]
    positions = {(row.panel, row.position) for row in concerned if row.panel and row.position}
    if not positions:
        return []
    made, given = await writing.made_at(head.ledger_id, sorted(positions))
    results = settle((fastener for fastener, _ in made), given)
    settled = [(fastener, results[fastener.boot, fastener.seq], old) for fastener, old in made]
    return [(row, new) for row, new, old in settled if new != old]
