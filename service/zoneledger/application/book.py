"""Brings a cell's ledger up to its messages: appends where they follow, rewrites from their place where they are late."""

import json
from collections import deque
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field

from zoneledger.application.keep import Kept
from zoneledger.application.ports import Checkpoint, Head, Key, Revision, SnapshotRow, Stretch, Writing
from zoneledger.core.booking import Booked, Booking, Fastener, Limits, Place, Verdict
from zoneledger.core.decoding import decode_value
from zoneledger.core.messages import Event, Message
from zoneledger.core.spans import Interval
from zoneledger.core.validation import read_checked, snapshot_from
from zoneledger.core.verdicts import settle

EVENTS_PER_CHECKPOINT = 256
EVENTS_AT_ONCE = 1000


def dump(booking: Booking) -> str:
    """Return a booking's state as canonical JSON, empty before any message."""
    return "" if booking.boot is None else json.dumps(booking.to_json(), separators=(",", ":"))


def load(text: str, limits: Limits) -> Booking:
    """Return the booking of a state; an empty text is the state before any message."""
    return Booking.from_json(json.loads(text), limits) if text else Booking(limits)


@dataclass(slots=True)
class Changes:
    """What a group of messages adds for all its cells beside the ledgers' rows, to be written at once."""

    checkpoints: list[tuple[int, Checkpoint]] = field(default_factory=list)
    revisions: list[Revision] = field(default_factory=list)


def append(changes: Changes, kept: Kept, now_us: int) -> Booked:
    """Book messages that follow the last one booked; return the rows to add.

    Time after the end of the evidence so far was told as unknown: messages that come later than that revise it.
    """
    head, booking = kept.head, kept.booking
    reach_us = booking.reach_us(head.link_down_us) if booking.place else now_us
    for _, message in kept.messages:
        booking.add(message)
        if isinstance(message, Event):
            head.events_since_checkpoint += 1
            if head.events_since_checkpoint >= EVENTS_PER_CHECKPOINT:
                head.events_since_checkpoint = 0
                changes.checkpoints.append((head.ledger_id, Checkpoint(message.boot, message.seq, dump(booking))))
    head.booking = dump(booking)
    if reach_us < min(now_us, booking.booked_us):
        until_us = min(now_us, booking.booked_us)
        changes.revisions.append(Revision(head.cell, reach_us, until_us, now_us, "messages after a silence"))
    return booking.take_booked()


def _in_order(events: list[tuple[Key, str]], snapshots: list[SnapshotRow]) -> Iterator[Message]:
    """Merge events and snapshots, each in order: a snapshot comes after the event of its key."""
    rest = deque(snapshots)
    for key, text in events:
        while rest and (rest[0].boot, rest[0].seq) < key:
            yield _snapshot(rest.popleft())
        yield read_checked(decode_value(text))
    yield from map(_snapshot, rest)


def _snapshot(row: SnapshotRow) -> Message:
    return snapshot_from(row.body, row.boot, row.seq, row.at_us)


async def next_messages(writing: Writing, cell_id: int, after: Key | None) -> tuple[Iterator[Message], Key | None]:
    """Return a cell's next stored messages in the contract's order, from the snapshots of event `after` on (None: the first).

    The last of them is the event of the key that is returned with them; None where no more follow.
    """
    events = await writing.events_after(cell_id, after, EVENTS_AT_ONCE)
    last = events[-1][0] if len(events) == EVENTS_AT_ONCE else None
    return _in_order(events, await writing.snapshots_between(cell_id, after, last)), last


async def stored_messages(writing: Writing, cell_id: int, after: Key | None) -> AsyncIterator[Message]:
    """Yield a cell's stored messages in the contract's order, from the snapshots of event `after` on (None: all)."""
    reached, ended = after, False
    while not ended:
        messages, reached = await next_messages(writing, cell_id, reached)
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
        if self.agreed is None:
            return Stretch(self.start.place, None, starts, {}, None)
        stops = {zone: span[0] for zone, span in self.booking.open.items()}
        return Stretch(self.start.place, self.agreed, starts, stops, self.booking.booked_us)


async def refold(writing: Writing, head: Head, first: Place, last: Place, limits: Limits) -> Refold:
    """Fold a cell's stored messages anew, from before its new ones (at places `first` to `last`)."""
    before = first.boot, first.seq + first.rank
    checkpoint = await writing.checkpoint_before(head.ledger_id, before)
    text = checkpoint.booking if checkpoint else ""
    after = (checkpoint.boot, checkpoint.seq) if checkpoint else None
    old = await writing.checkpoints_after(head.ledger_id, after)
    result = Refold(load(text, limits), load(text, limits))
    count = 0
    async for message in stored_messages(writing, head.cell_id, after):
        result.booking.add(message)
        if not isinstance(message, Event):
            continue
        count += 1
        place = Place(message.boot, message.seq, 0)
        former = old.get(place[:2])
        if former is None and count < EVENTS_PER_CHECKPOINT:
            continue
        count, state = 0, dump(result.booking)
        if former == state and place > last:
            result.agreed = place
            break
        result.checkpoints.append(Checkpoint(message.boot, message.seq, state))
    return result


def difference(old: Booked, new: Booked) -> tuple[Booked, Booked]:
    """Return the rows to remove and the rows to add; gaps and discrepancies go all or none."""
    gone, come = Booked(), Booked()
    for name in ("spans", "fasteners", "verdicts"):
        before, after = getattr(old, name), getattr(new, name)
        kept = set(before) & set(after)
        setattr(gone, name, [row for row in before if row not in kept])
        setattr(come, name, [row for row in after if row not in kept])
    for name in ("gaps", "discrepancies"):
        before, after = getattr(old, name), getattr(new, name)
        if sorted(before, key=repr) != sorted(after, key=repr):
            setattr(gone, name, before)
            setattr(come, name, after)
    return gone, come


def touched(rows: Booked) -> list[Interval]:
    """Return the times whose figures rows have a part in."""
    spans = [(row.span.start_us, row.span.end_us) for row in rows.spans]
    made = [(row.at_us, row.at_us + 1) for row in rows.fasteners]
    unseen = [(row.at_us, row.at_us + 1) for row in rows.discrepancies if row.kind == "unseen"]
    return spans + made + unseen


async def rewrite(
    writing: Writing, changes: Changes, head: Head, stretch: tuple[Place, Place], limits: Limits, now_us: int
) -> None:
    """Book late messages, already stored, that lie at places `stretch`: rewrite from the first until old and new agree."""
    before = load(head.booking, limits)
    result = await refold(writing, head, *stretch, limits)
    bounds, new = result.stretch(), result.booking.take_booked()
    gone, come = difference(await writing.booked(head.ledger_id, bounds), new)
    await writing.remove_booked(head.ledger_id, bounds, gone)
    await writing.add_booked([(head.ledger_id, come)])
    await writing.put_checkpoints([(head.ledger_id, row) for row in result.checkpoints])
    if result.agreed is None:
        head.booking, head.events_since_checkpoint = dump(result.booking), 0
    times = touched(gone) + touched(come)
    if result.agreed is None:
        times += reopened(before, result.booking)
    _note_revision(changes, head.cell, times, before.booked_us, now_us)
    rows = Booked(fasteners=gone.fasteners + come.fasteners, verdicts=gone.verdicts + come.verdicts)
    await give_verdicts(writing, changes, head, rows, now_us)


def reopened(before: Booking, after: Booking) -> list[Interval]:
    """Return the time of spans that were open before and are other ones now, or the other way round."""
    found = []
    for unit in before.open.keys() | after.open.keys():
        old, new = before.open.get(unit), after.open.get(unit)
        if old != new:
            found.append((min(one[0] for one in (old, new) if one), before.booked_us))
    return found


def _note_revision(changes: Changes, cell: str, times: list[Interval], known_us: int, now_us: int) -> None:
    """Note that the past changed, where it did: time after `known_us` had not been booked before."""
    past = [(start_us, min(end_us, known_us)) for start_us, end_us in times if start_us < known_us]
    if past:
        from_us, to_us = min(start for start, _ in past), max(end for _, end in past)
        changes.revisions.append(Revision(cell, from_us, to_us, now_us, "late messages"))


async def give_verdicts(writing: Writing, changes: Changes, head: Head, rows: Booked, now_us: int) -> None:
    """Settle anew which verdict holds for the fasteners at the places that rows concern."""
    concerned: list[Fastener | Verdict] = [*rows.verdicts, *rows.fasteners]
    positions = {(row.panel, row.position) for row in concerned if row.panel and row.position}
    if not positions:
        return
    made, given = await writing.made_at(head.ledger_id, sorted(positions))
    results = settle((fastener for fastener, _ in made), given)
    changed = [(fastener, results[fastener.boot, fastener.seq]) for fastener, verdict in made]
    changed = [(row, new) for (row, new), (_, old) in zip(changed, made, strict=True) if new != old]
    await writing.put_verdicts(head.ledger_id, {(row.boot, row.seq): new for row, new in changed})
    if changed:
        at = [row.at_us for row, _ in changed]
        changes.revisions.append(Revision(head.cell, min(at), max(at) + 1, now_us, "verdicts"))
