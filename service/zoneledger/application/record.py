"""Records deliveries: many at once, in one transaction with the ledger that follows from them."""

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Sequence

from zoneledger.application import book
from zoneledger.application.accept import Sorted, ZonesOf, sort_delivery
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.keep import Kept, keep
from zoneledger.application.links import note_link
from zoneledger.application.plants import Plants
from zoneledger.application.ports import Head, Store, Writing
from zoneledger.core.booking import Booked, Limits
from zoneledger.core.decoding import Refusal
from zoneledger.core.errors import StoreUnavailable

log = logging.getLogger(__name__)

DELIVERIES_AT_ONCE = 1000
BYTES_AT_ONCE = 4 * 1024 * 1024
#: How long a group that is not full waits for more, as each commit costs its statements and a sync of the disk, whatever
#: it holds; behind a group of `BUSY` deliveries a backlog is likely, and longer waits make fewer commits.
LINGER_S, BUSY_LINGER_S, BUSY = 0.005, 0.02, 100
COUNTS_PER_CELL = 100

_Waiting = tuple[Delivery, asyncio.Future[Receipt]]


async def _keep_all(writing: Writing, group: Sorted, heads: dict[str, Head], limits: Limits) -> list[Kept]:
    kept = []
    for cell, accepted in sorted(group.accepted.items()):
        head = heads[cell]
        kept.append(await keep(writing, group, head, book.load(head.booking, limits), accepted))
    await writing.add_events([row for one in kept for row in one.rows])
    await writing.add_snapshots([row for one in kept for row in one.snapshots])
    return [one for one in kept if one.messages]


async def _book_all(writing: Writing, kept: list[Kept], limits: Limits, now_us: int) -> None:
    changes, appended = book.Changes(), []
    for one in kept:
        if one.follows:
            appended.append((one, book.append(changes, one, now_us)))
        else:
            await book.rewrite(writing, changes, one.head, one.places, limits, now_us)
    await writing.add_booked([(one.head.ledger_id, rows) for one, rows in appended])
    for one, rows in appended:
        await book.give_verdicts(writing, changes, one.head, Booked(verdicts=rows.verdicts), now_us)
    await writing.put_checkpoints(changes.checkpoints)
    await writing.add_revisions(changes.revisions)


def _count(group: Sorted, heads: dict[str, Head]) -> None:
    """Count what was refused, and fields that the contract does not have: of those, as many names as a cell may have."""
    for row in group.refused:
        if row.cell in heads:
            counts = heads[row.cell].counts
            counts["refused"] = counts.get("refused", 0) + 1
    for cell, names in group.unknown_fields.items():
        counts = heads[cell].counts
        for field_name, number in names.items():
            name = f"unknown_field:{field_name[:100]}"
            if name in counts or len(counts) < COUNTS_PER_CELL:
                counts[name] = counts.get(name, 0) + number


async def record_group(
    writing: Writing,
    deliveries: Sequence[Delivery],
    zones_of: ZonesOf,
    now_us: int,
    limits: Limits,
) -> list[Receipt]:
    """Record deliveries within a transaction: store what is new, book it, keep what is refused; a receipt for each."""
    group, receipts = Sorted(now_us), [Receipt() for _ in deliveries]
    heads = await writing.lock_heads(sorted({d.cell for d in deliveries if zones_of(d.cell) is not None}))
    for delivery, receipt in zip(deliveries, receipts, strict=True):
        if delivery.kind == "link":
            head = heads.get(delivery.cell)
            booked_us = book.load(head.booking, limits).booked_us if head else 0
            note_link(group, head, booked_us, delivery, receipt)
        else:
            sort_delivery(group, delivery, receipt, zones_of)
    kept = await _keep_all(writing, group, heads, limits)
    await _book_all(writing, kept, limits, now_us)
    await writing.add_refused(group.refused)
    _count(group, heads)
    await writing.save_heads(heads.values())
    return receipts


class Recorder:
    """The Intake: groups what waits and records each group in one transaction; `run` does the work."""

    def __init__(self, store: Store, plants: Plants, now_us: Callable[[], int], limits: Limits) -> None:
        self._store = store
        self._plants = plants
        self._now_us = now_us
        self._limits = limits
        self._waiting: deque[_Waiting] = deque()
        self._wake = asyncio.Event()
        self._stopped = False

    def record(self, delivery: Delivery) -> "asyncio.Future[Receipt]":
        """Hand in one delivery; the future ends after the commit, with StoreUnavailable if nothing was kept."""
        future: asyncio.Future[Receipt] = asyncio.get_running_loop().create_future()
        if self._stopped:
            future.set_exception(StoreUnavailable("the service is stopping"))
            return future
        self._waiting.append((delivery, future))
        self._wake.set()
        return future

    async def run(self) -> None:
        """Record groups until cancelled; whatever then still waits is told that nothing of it was kept."""
        group: list[_Waiting] = []
        try:
            while True:
                if not self._waiting:
                    self._wake.clear()
                    await self._wake.wait()
                if len(self._waiting) < DELIVERIES_AT_ONCE:
                    await asyncio.sleep(BUSY_LINGER_S if len(group) >= BUSY else LINGER_S)
                group = self._take_group()
                await self._record(group)
        finally:
            self._stopped = True
            for _, future in (*group, *self._waiting):
                if not future.done():
                    future.set_exception(StoreUnavailable("the service is stopping"))

    def _take_group(self) -> list[_Waiting]:
        group: list[_Waiting] = []
        size = 0
        while self._waiting and len(group) < DELIVERIES_AT_ONCE and size < BYTES_AT_ONCE:
            group.append(self._waiting.popleft())
            size += len(group[-1][0].payload)
        return group

    async def _record(self, group: list[_Waiting]) -> None:
        try:
            receipts = await self._commit([delivery for delivery, _ in group])
        except StoreUnavailable as error:
            log.warning("nothing kept of %d deliveries: %s", len(group), error)
            for _, future in group:
                if not future.done():
                    future.set_exception(StoreUnavailable(str(error)))
        except Exception:
            log.exception("a group of %d deliveries failed; each is recorded by itself", len(group))
            await self._record_singly(group)
        else:
            for (_, future), receipt in zip(group, receipts, strict=True):
                if not future.done():
                    future.set_result(receipt)

    async def _record_singly(self, group: list[_Waiting]) -> None:
        """Record each delivery of a failed group by itself; one that fails alone is refused, so that nothing waits behind it."""
        for delivery, future in group:
            try:
                receipt = await self._record_one(delivery)
            except StoreUnavailable as error:
                if not future.done():
                    future.set_exception(StoreUnavailable(str(error)))
                continue
            if not future.done():
                future.set_result(receipt)

    async def _record_one(self, delivery: Delivery) -> Receipt:
        try:
            return (await self._commit([delivery]))[0]
        except StoreUnavailable:
            raise
        except Exception:
            log.exception("a delivery for %s cannot be recorded and is refused", delivery.cell)
        try:
            return await self._refuse(delivery)
        except StoreUnavailable:
            raise
        except Exception as error:
            log.exception("a delivery for %s cannot even be refused; nothing of it is kept", delivery.cell)
            raise StoreUnavailable(f"nothing kept: {type(error).__name__}") from error

    async def _commit(self, deliveries: list[Delivery]) -> list[Receipt]:
        async with self._store.writing() as writing:
            zones_of = (await self._plants.present(writing)).plant.cell_zones
            return await record_group(writing, deliveries, zones_of, self._now_us(), self._limits)

    async def _refuse(self, delivery: Delivery) -> Receipt:
        group, receipt = Sorted(self._now_us()), Receipt()
        group.refuse(delivery, receipt, 0, Refusal("internal_error", "the service failed on it; see its log"), None)
        async with self._store.writing() as writing:
            await writing.add_refused(group.refused)
        return receipt
