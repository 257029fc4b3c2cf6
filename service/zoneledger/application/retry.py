"""Offers refused messages again: what is taken leaves the refused list, what is refused again stays in it.

They are judged by the present plant model and ledger, but by the clock as it was when they came: a time that was ahead then is
wrong for good, and would be booked as if all between had gone on until then.
"""

import logging
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from zoneledger.application.accept import Sorted, ZonesOf, sort_delivery
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.plants import Plants
from zoneledger.application.ports import Store, Writing
from zoneledger.application.record import take_in
from zoneledger.application.stored import RefusedFilter, RefusedRow, RefusedSize
from zoneledger.application.waiting import BYTES_AT_ONCE
from zoneledger.core.booking import Limits
from zoneledger.core.errors import StoreUnavailable

log = logging.getLogger(__name__)

#: How many entries one transaction offers at most, so that it holds the heads of its cells for a moment only.
ROWS_AT_ONCE = 500

#: Reasons for which a payload is refused whole; under any other one message is kept, cut out of its payload.
WHOLE = frozenset({"too_large", "empty", "not_json", "too_many", "internal_error"})

#: Why an entry is left out: it is of the link topic, its bytes were cut, or somebody else offers it now or has offered it.
LINK, CUT, ELSEWHERE = "link", "cut", "elsewhere"


@dataclass(slots=True)
class Tally:
    """What came of entries of the refused list that were offered again.

    `offered` and `left_out` (by cause) count entries; `stored`, `duplicate` and `refused` (by reason) count the messages in
    them, which are more than one where a payload had been refused whole.
    """

    offered: int = 0
    stored: int = 0
    duplicate: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    left_out: Counter[str] = field(default_factory=Counter)

    def add(self, other: "Tally") -> None:
        """Add what came of other entries."""
        self.offered += other.offered
        self.stored += other.stored
        self.duplicate += other.duplicate
        self.refused.update(other.refused)
        self.left_out.update(other.left_out)

    def add_receipt(self, receipt: Receipt) -> None:
        """Add what came of one entry."""
        self.offered += 1
        self.stored += receipt.stored
        self.duplicate += receipt.duplicate
        self.refused.update(one.reason for one in receipt.refused)


@dataclass(frozen=True, slots=True)
class Retried:
    """What came of it, told after the commit; up to the entry `upto_id`, more of them follow `next_id` (None: no more)."""

    tally: Tally
    upto_id: int
    next_id: int | None


@dataclass(frozen=True, slots=True)
class _Offer:
    """An entry of the refused list, as a delivery that comes now."""

    id: int
    row: RefusedRow
    delivery: Delivery
    receipt: Receipt = field(default_factory=Receipt)

    def sort(self, group: Sorted, zones_of: ZonesOf) -> None:
        """Add it to a group."""
        place = None if self.row.reason in WHOLE else self.row.at_index
        sort_delivery(group, self.delivery, self.receipt, zones_of, place, self.row.arrived_us)


def _why_not(row: RefusedRow) -> str | None:
    """Return why an entry is not to be offered again, None where it is."""
    if row.origin.endswith("/link"):  # the controller's link may long be another
        return LINK
    return CUT if row.size > len(row.body) else None


async def _settle(writing: Writing, group: Sorted, offers: Sequence[_Offer]) -> None:
    """Let the refused list be what is refused now: an entry stays where its very bytes are, and goes where they are not."""
    again: dict[int, list[RefusedRow]] = {}
    for delivery, row in group.refused:
        again.setdefault(id(delivery), []).append(row)
    gone, changed, come = [], [], []
    for offer in offers:
        refused = again.get(id(offer.delivery), [])
        same = next((row for row in refused if row.body == offer.row.body), None)
        if same is None:
            gone.append(offer.id)
        elif (same.reason, same.detail) != (offer.row.reason, offer.row.detail):
            changed.append((offer.id, same.reason, same.detail))
        come += [row._replace(arrived_us=offer.row.arrived_us) for row in refused if row is not same]
    await writing.remove_refused(gone)
    await writing.change_refused(changed)
    await writing.add_refused(come)


async def offer_again(
    writing: Writing, found: Sequence[RefusedSize], zones_of: ZonesOf, now_us: int, limits: Limits
) -> Tally:
    """Offer entries of the refused list within a transaction, but for those that somebody else has locked or taken away."""
    # The heads first, as whoever records locks them: two writers never wait for each other.
    heads = await writing.lock_heads(sorted({one.cell for one in found if zones_of(one.cell) is not None}))
    tally, group, offers = Tally(), Sorted(now_us), list[_Offer]()
    for number, _, row in await writing.lock_refused([one.id for one in found]):
        why_not = _why_not(row)
        if why_not is None:
            offers.append(_Offer(number, row, Delivery(row.cell, row.body, row.origin)))
        else:
            tally.left_out[why_not] += 1
    elsewhere = len(found) - len(offers) - tally.left_out.total()
    if elsewhere:
        tally.left_out[ELSEWHERE] = elsewhere
    for offer in offers:
        offer.sort(group, zones_of)
    await take_in(writing, group, heads, limits)
    await _settle(writing, group, offers)
    await writing.save_heads(heads.values())
    for offer in offers:
        tally.add_receipt(offer.receipt)
    return tally


def _at_once(found: Sequence[RefusedSize]) -> Sequence[RefusedSize]:
    """Return as many of the first as one transaction offers: at least one."""
    size = 0
    for number, one in enumerate(found):
        size += one.kept_bytes
        if number and size > BYTES_AT_ONCE:
            return found[:number]
    return found


class Retries:
    """Offers refused messages again under the present plant model."""

    def __init__(self, plants: Plants, now_us: Callable[[], int], limits: Limits) -> None:
        self._plants = plants
        self._now_us = now_us
        self._limits = limits

    async def offer(self, store: Store, which: RefusedFilter, limit: int = ROWS_AT_ONCE) -> Retried:
        """Offer the first of those refused messages again: at most `limit`, and no more than one transaction should hold.

        Without `upto_id` those are meant that are there now. Raises StoreUnavailable when the database does not answer; the
        same may be asked again then.
        """
        async with store.reading() as reading:
            upto_id = await reading.last_refused_id() if which.upto_id is None else which.upto_id
            found = await reading.refused_sizes(which._replace(upto_id=upto_id), limit + 1)
        some = _at_once(found[:limit])
        tally = await self._offer_some(store, some) if some else Tally()
        return Retried(tally, upto_id, some[-1].id if len(some) < len(found) else None)

    async def _offer_some(self, store: Store, some: Sequence[RefusedSize]) -> Tally:
        try:
            return await self._commit(store, some)
        except StoreUnavailable:
            raise
        except Exception:
            log.exception("%d refused messages cannot be offered again at once; each is by itself", len(some))
        tally = Tally()
        for one in some:
            tally.add(await self._offer_one(store, one))
        return tally

    async def _offer_one(self, store: Store, one: RefusedSize) -> Tally:
        """Offer one by itself; where the service fails on it, it stays as it is."""
        try:
            return await self._commit(store, [one])
        except StoreUnavailable:
            raise
        except Exception:
            log.exception("the refused message %d of %s cannot be offered again and stays", one.id, one.cell)
            return Tally(offered=1, refused=Counter({"internal_error": 1}))

    async def _commit(self, store: Store, some: Sequence[RefusedSize]) -> Tally:
        async with store.writing() as writing:
            zones_of = (await self._plants.present(writing)).plant.cell_zones
            return await offer_again(writing, some, zones_of, self._now_us(), self._limits)
