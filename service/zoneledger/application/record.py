"""Records deliveries: many at once, in one transaction with the ledger that follows from them."""

from collections.abc import Collection, Sequence
from typing import NamedTuple

from zoneledger.application import book
from zoneledger.application.accept import Sorted, ZonesOf, sort_delivery
from zoneledger.application.giving_way import beside, giving_way
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.keep import Kept, keep
from zoneledger.application.links import note_link
from zoneledger.application.ports import Writing
from zoneledger.application.stored import UNKNOWN_FIELD, Head
from zoneledger.core.booking import Limits
from zoneledger.core.offsets import observe
from zoneledger.core.rows import Booked

#: How many deliveries are taken apart, or cells booked, without a pause for others.
AT_A_TIME = 50
COUNTS_PER_CELL = 100
#: A cell's state is read and written in the time in which so many messages are booked.
A_STATE = 4


async def _keep_all(writing: Writing, group: Sorted, heads: dict[str, Head], limits: Limits) -> list[Kept]:
    kept = []
    async for cell, accepted in giving_way(sorted(group.accepted.items()), AT_A_TIME):
        head = heads[cell]
        kept.append(await keep(writing, group, head, book.load(head.booking, limits), accepted))
    return [one for one in kept if one.messages]


async def _add_messages(writing: Writing, kept: list[Kept]) -> None:
    await writing.add_events([row for one in kept for row in one.rows])
    await writing.add_snapshots([row for one in kept for row in one.snapshots])


def _weight(kept: Kept) -> int:
    """Weigh what it takes to book a cell's messages: its state is read and written for them."""
    return len(kept.messages) + A_STATE


async def _book_all(writing: Writing, kept: list[Kept], limits: Limits, now_us: int) -> None:
    """Store the messages that are new, and book them: those that just follow while the database stores."""
    changes, late = book.Changes(), [one for one in kept if not one.follows]
    async with beside(_add_messages(writing, kept)):
        following = giving_way([one for one in kept if one.follows], book.MESSAGES_AT_A_TIME, _weight)
        appended = [(one, await book.append(changes, one, now_us)) async for one in following]
    async for one in giving_way(late, AT_A_TIME):
        await book.rewrite(writing, changes, one.head, one.places, limits, now_us)
    await writing.add_booked([(one.head.ledger_id, rows) for one, rows in appended])
    for one, rows in appended:
        await book.give_verdicts(writing, changes, one.head, Booked(verdicts=rows.verdicts), now_us)
    await writing.put_checkpoints(changes.checkpoints)
    await writing.add_revisions(changes.revisions)
    await writing.drop_presums(changes.outdated)


def _count_refused(group: Sorted, heads: dict[str, Head]) -> None:
    for _, row in group.refused:
        if row.cell in heads:
            counts = heads[row.cell].counts
            counts["refused"] = counts.get("refused", 0) + 1


def _count_unknown_fields(group: Sorted, heads: dict[str, Head]) -> None:
    """Count fields that the contract does not have: as many names as a cell may have."""
    for cell, names in group.unknown_fields.items():
        counts = heads[cell].counts
        for field_name, number in names.items():
            name = UNKNOWN_FIELD + field_name[:100]
            if name in counts or len(counts) < COUNTS_PER_CELL:
                counts[name] = counts.get(name, 0) + number


def _observe_clocks(group: Sorted, heads: dict[str, Head]) -> None:
    for cell, at_us in group.latest_us.items():
        heads[cell].clock = observe(heads[cell].clock, group.arrived_us, at_us - group.arrived_us)
    for cell, at_us in group.ahead_us.items():
        heads[cell].refused_clock = observe(heads[cell].refused_clock, group.arrived_us, at_us - group.arrived_us)


async def take_in(writing: Writing, group: Sorted, heads: dict[str, Head], limits: Limits) -> list[Kept]:
    """Store what is new of the accepted messages and book it; what contradicts is refused then. The heads are to be saved.

    Return what was new, by cell.
    """
    kept = await _keep_all(writing, group, heads, limits)
    await _book_all(writing, kept, limits, group.arrived_us)
    _count_unknown_fields(group, heads)
    return kept


class Recorded(NamedTuple):
    """A receipt for each delivery, the heads of their cells as they are once the transaction is committed, and what was new."""

    receipts: list[Receipt]
    heads: Collection[Head]
    kept: Sequence[Kept]


async def record_group(
    writing: Writing,
    deliveries: Sequence[Delivery],
    zones_of: ZonesOf,
    now_us: int,
    limits: Limits,
) -> Recorded:
    """Record deliveries within a transaction: store what is new, book it, keep what is refused."""
    group, receipts = Sorted(now_us), [Receipt() for _ in deliveries]
    heads = await writing.lock_heads(sorted({d.cell for d in deliveries if zones_of(d.cell) is not None}))
    async for delivery, receipt in giving_way(zip(deliveries, receipts, strict=True), AT_A_TIME):
        if delivery.kind == "link":
            head = heads.get(delivery.cell)
            booking = book.load(head.booking if head else "", limits)
            note_link(group, head, booking, delivery, receipt)
        else:
            sort_delivery(group, delivery, receipt, zones_of)
    _observe_clocks(group, heads)
    kept = await take_in(writing, group, heads, limits)
    await writing.drop_presums(group.outdated)
    await writing.add_revisions(group.revisions)
    await writing.add_refused([row for _, row in group.refused])
    _count_refused(group, heads)
    await writing.save_heads(heads.values())
    return Recorded(receipts, heads.values(), kept)
