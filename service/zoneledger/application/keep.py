"""Keeps accepted messages of a cell once each: events by their key, snapshots by their place, instant and content."""

from dataclasses import dataclass, field
from operator import itemgetter

from zoneledger.application.accept import Accepted, Sorted
from zoneledger.application.ports import Writing
from zoneledger.application.stored import EventRow, Head, Key, SnapshotRow
from zoneledger.core.booking import Booking
from zoneledger.core.decoding import Refusal, decode_value
from zoneledger.core.messages import ActivityBegun, ActivityEnded, FastenerMade, Message, Snapshot
from zoneledger.core.rows import Place
from zoneledger.core.validation import content_of, snapshot_body

#: What messages are that may have been read without their value (`core.quick`).
_READ_QUICKLY: dict[type[Message], str] = {
    FastenerMade: "fastener",
    ActivityBegun: "activity",
    ActivityEnded: "activity",
}


@dataclass(slots=True)
class Kept:
    """What is new of a cell: its messages in the contract's order, and the rows to store."""

    head: Head
    booking: Booking
    messages: list[tuple[tuple[int, int, int, int, str], Message]] = field(default_factory=list)
    rows: list[EventRow] = field(default_factory=list)
    snapshots: list[SnapshotRow] = field(default_factory=list)
    duplicate: int = 0

    @property
    def places(self) -> list[Place]:
        """The places of what is new, sorted."""
        return [Place(*order[:3]) for order, _ in self.messages]

    def may_be_known(self, row: SnapshotRow) -> bool:
        """Whether a snapshot is not after all that was booked, so that it may be stored already."""
        place = self.booking.place
        return place is not None and (row.boot, row.seq, 1, row.at_us) <= (*place, self.booking.at_us)

    @property
    def follows(self) -> bool:
        """Whether all that is new comes after the last message booked."""
        place, first = self.booking.place, self.messages[0][0]
        if place is None or first[:3] > place:
            return True
        return first[:3] == place and first[3] > self.booking.at_us


def _last_key(booking: Booking) -> Key | None:
    """Return up to which key events may be known already, None where none can be."""
    return None if booking.boot is None else (booking.boot, booking.seq)


def _same(stored: str, accepted: Accepted) -> bool:
    return content_of(decode_value(stored)) == content_of(decode_value(accepted.element.text))


async def _keep_events(writing: Writing, group: Sorted, kept: Kept, accepted: list[Accepted]) -> None:
    keys = [(one.message.boot, one.message.seq) for one in accepted]
    known = sorted({key for key in keys if key <= last}) if (last := _last_key(kept.booking)) else []
    texts = await writing.events_at(kept.head.cell_id, known) if known else {}
    for key, one in zip(keys, accepted, strict=True):
        stored = texts.get(key)
        if stored is None:
            texts[key] = one.element.text
            _keep_event(group, kept, one, key)
        elif stored == one.element.text or _same(stored, one):
            one.receipt.duplicate += 1
            kept.duplicate += 1
            group.count_unknown_fields(one)
        else:
            refusal = Refusal("contradicts", f"boot {key[0]} seq {key[1]} is stored with other content")
            group.refuse(one.delivery, one.receipt, one.index, refusal, one.element.text)


def _keep_event(group: Sorted, kept: Kept, one: Accepted, key: Key) -> None:
    message, element, at_us = one.message, one.element, one.message.at_us
    boot, seq = key
    type_ = _READ_QUICKLY.get(type(message)) or element.value["type"]
    kept.rows.append(EventRow(kept.head.cell_id, boot, seq, at_us, group.arrived_us, type_, element.text))
    kept.messages.append(((boot, seq, 0, at_us, ""), message))
    one.receipt.stored += 1
    if element.value is not None:
        group.count_unknown_fields(one)


async def _keep_snapshots(writing: Writing, group: Sorted, kept: Kept, accepted: list[Accepted]) -> None:
    rows = [
        SnapshotRow(kept.head.cell_id, m.boot, m.seq, m.at_us, snapshot_body(one.element.value))
        for one in accepted
        for m in (one.message,)
    ]
    known = sorted({row[1:4] for row in rows if kept.may_be_known(row)})
    stored = await writing.snapshots_at(kept.head.cell_id, known) if known else set()
    for row, one in zip(rows, accepted, strict=True):
        group.count_unknown_fields(one)
        if row in stored:
            one.receipt.duplicate += 1
            kept.duplicate += 1
            continue
        stored.add(row)
        kept.snapshots.append(row)
        kept.messages.append(((row.boot, row.seq, 1, row.at_us, row.body), one.message))
        one.receipt.stored += 1


def _refuse_forgotten(group: Sorted, head: Head, accepted: list[Accepted]) -> list[Accepted]:
    """Refuse messages up to where a cell's are not kept any more: nobody can tell whether they are new. Return the others."""
    if head.kept_after is None:
        return accepted
    last, kept = Place(*head.kept_after, 0), []
    for one in accepted:
        message = one.message
        if Place(message.boot, message.seq, int(isinstance(message, Snapshot))) > last:
            kept.append(one)
            continue
        detail = f"it belongs before boot {last.boot} seq {last.seq}, up to which messages are not kept any more"
        group.refuse(one.delivery, one.receipt, one.index, Refusal("not_kept", detail), one.element.text)
    return kept


async def keep(writing: Writing, group: Sorted, head: Head, booking: Booking, accepted: list[Accepted]) -> Kept:
    """Return what is new among a cell's accepted messages, told in their receipts; same key with other content is refused."""
    kept = Kept(head, booking)
    accepted = _refuse_forgotten(group, head, accepted)
    snapshots = [one for one in accepted if type(one.message) is Snapshot]
    events = [one for one in accepted if type(one.message) is not Snapshot] if snapshots else accepted
    if events:
        await _keep_events(writing, group, kept, events)
    if snapshots:
        await _keep_snapshots(writing, group, kept, snapshots)
    kept.messages.sort(key=itemgetter(0))
    counts = head.counts
    counts["events"] = counts.get("events", 0) + len(kept.rows)
    counts["snapshots"] = counts.get("snapshots", 0) + len(kept.messages) - len(kept.rows)
    counts["duplicate"] = counts.get("duplicate", 0) + kept.duplicate
    return kept
