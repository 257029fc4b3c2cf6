"""Deliveries that wait for what becomes of them, and the groups in which they are recorded."""

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, field

from zoneledger.application.accept import take_apart
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.core.decoding import Refusal
from zoneledger.core.errors import StoreUnavailable

#: A group is no larger, so that what a transaction holds in memory is bounded, and nobody waits long for a turn of the loop.
DELIVERIES_AT_ONCE = 1000
BYTES_AT_ONCE = 2 * 1024 * 1024

Waiting = tuple[Delivery, asyncio.Future[Receipt]]


@dataclass(slots=True)
class Group:
    """Deliveries that were taken apart, to be recorded together."""

    deliveries: list[Waiting] = field(default_factory=list)
    size: int = 0

    @property
    def is_full(self) -> bool:
        return len(self.deliveries) >= DELIVERIES_AT_ONCE or self.size >= BYTES_AT_ONCE

    def add(self, waiting: Waiting) -> int:
        """Take a delivery apart and add it; return the number of its messages."""
        delivery, _ = waiting
        self.deliveries.append(waiting)
        self.size += len(delivery.payload)
        if delivery.kind == "link":
            return 1
        try:
            delivery.apart = take_apart(delivery)
        except Exception:  # is met again where it is recorded, and told there
            return 1
        return 1 if isinstance(delivery.apart, Refusal) else len(delivery.apart)


def nothing_kept(group: Iterable[Waiting], why: str) -> None:
    """Tell whoever delivered something that nothing of it was kept."""
    for _, future in group:
        if not future.done():
            future.set_exception(StoreUnavailable(why))
