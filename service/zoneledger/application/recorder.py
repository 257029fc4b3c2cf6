"""The Intake: groups the deliveries that wait, and records each group in one transaction."""

import asyncio
import logging
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager

from zoneledger.application.accept import Sorted
from zoneledger.application.giving_way import uncollected
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.plants import Plants
from zoneledger.application.ports import Store, Writing
from zoneledger.application.record import record_group
from zoneledger.application.stored import Head
from zoneledger.application.tally import IntakeTally
from zoneledger.application.waiting import Group, Waiting, nothing_kept
from zoneledger.core.booking import Limits
from zoneledger.core.decoding import Refusal
from zoneledger.core.errors import StoreUnavailable

log = logging.getLogger(__name__)

#: How many messages are taken apart without a pause for others, but that a delivery is taken apart as a whole.
MESSAGES_AT_A_TIME = 200
#: How long nothing is taken apart after some were, while a group is recorded: its short statements have their turns meanwhile.
PAUSE_S = 0.001
#: How long a group that is not full waits for more, as each commit costs its statements and a sync of the disk, whatever
#: it holds; behind a group of `BUSY` deliveries a backlog is likely, and longer waits make fewer commits.
LINGER_S, BUSY_LINGER_S, BUSY = 0.003, 0.02, 100
#: Where nothing is delivered for so long after an outage of the store, the recorder tries by itself whether it takes something
#: in again. Longer than anybody waits who has something to deliver: a full disk may have room for a try, and none for that.
TRY_AGAIN_S = 40.0


def _nobody(_: Iterable[Head]) -> None:
    """Tell nobody of the heads that were committed."""


class Recorder:
    """The Intake: groups what waits and records each group in one transaction; `run` does the work.

    `committed` is told of the heads of each group once it is committed.
    """

    def __init__(
        self,
        store: Store,
        plants: Plants,
        now_us: Callable[[], int],
        limits: Limits,
        committed: Callable[[Iterable[Head]], None] = _nobody,
    ) -> None:
        self._store = store
        self._plants = plants
        self._now_us = now_us
        self._limits = limits
        self._committed = committed
        self._waiting: deque[Waiting] = deque()
        self._coming = Group()
        self._apart = asyncio.Event()
        self._apart.set()
        self._wake = asyncio.Event()
        self._stopped = False
        self._records = False
        self._outage: str | None = None
        self.tally = IntakeTally()

    @property
    def waiting(self) -> tuple[int, int]:
        """How many deliveries wait to be recorded, and of how many bytes."""
        waiting = [*self._coming.deliveries, *self._waiting]
        return len(waiting), sum(len(delivery.payload) for delivery, _ in waiting)

    @property
    def writes(self) -> bool:
        """Whether the store could be written to when it last had to be: a full disk can be read, and takes nothing in."""
        return self._outage is None

    @property
    def outage(self) -> str | None:
        """Why the store could not be written to when it last had to be, None where it could."""
        return self._outage

    def record(self, delivery: Delivery) -> "asyncio.Future[Receipt]":
        """Hand in one delivery; the future ends after the commit, with StoreUnavailable if nothing was kept."""
        future: asyncio.Future[Receipt] = asyncio.get_running_loop().create_future()
        if self._stopped:
            future.set_exception(StoreUnavailable("the service is stopping"))
            return future
        self._waiting.append((delivery, future))
        self._take_apart_soon()
        self._wake.set()
        return future

    def _take_apart_soon(self) -> None:
        """Take apart what waits, for one group ahead: while the database works for the one before it."""
        if self._apart.is_set() and self._waiting and not self._coming.is_full:
            self._apart.clear()
            asyncio.get_running_loop().call_later(PAUSE_S if self._records else 0.0, self._take_apart_some)

    def _take_apart_some(self) -> None:
        messages = 0
        while self._waiting and messages < MESSAGES_AT_A_TIME and not self._coming.is_full:
            messages += self._coming.add(self._waiting.popleft())
        self._apart.set()  # whoever waits for that looks again
        self._take_apart_soon()

    async def _all_taken_apart(self) -> None:
        """Wait until all that is here was taken apart, or a group is full."""
        while not self._apart.is_set():
            await self._apart.wait()

    async def run(self) -> None:
        """Record groups until cancelled; whatever then still waits is told that nothing of it was kept."""
        group, is_busy = list[Waiting](), False
        try:
            while True:
                if not self._waiting and not self._coming.deliveries and not await self._something_comes():
                    await self._try_to_write()
                    continue
                await self._all_taken_apart()
                if not self._coming.is_full:
                    await asyncio.sleep(BUSY_LINGER_S if is_busy else LINGER_S)
                    await self._all_taken_apart()
                group, self._coming = self._coming.deliveries, Group()
                self._records = True
                self._take_apart_soon()
                with uncollected():
                    await self._record(group)
                    self._records, is_busy = False, len(group) >= BUSY
                    for delivery, _ in group:
                        delivery.apart = None
                    group = []
        finally:
            self._stopped = True
            nothing_kept((*group, *self._coming.deliveries, *self._waiting), "the service is stopping")

    async def _something_comes(self) -> bool:
        """Wait for a delivery; during an outage only until the store is to be tried: False then."""
        self._wake.clear()
        try:
            async with asyncio.timeout(None if self.writes else TRY_AGAIN_S):
                await self._wake.wait()
        except TimeoutError:
            return False
        return True

    async def _try_to_write(self) -> None:
        """Make a ledger and take it back, which writes as a delivery does: who is not ready is sent none to try with."""
        try:
            async with self._writing() as writing:
                await writing.remove_ledger(await writing.begin_ledger("", self._now_us()), 1)
        except StoreUnavailable:
            return
        except Exception:
            log.exception("the store answers again, and fails")

    async def _record(self, group: list[Waiting]) -> None:
        try:
            receipts = await self._commit([delivery for delivery, _ in group])
        except StoreUnavailable as error:
            self.tally.not_kept += 1
            log.warning("nothing kept of %d deliveries: %s", len(group), error)
            nothing_kept(group, str(error))
        except Exception:
            log.exception("a group of %d deliveries failed; each is recorded by itself", len(group))
            await self._record_singly(group)
        else:
            for (_, future), receipt in zip(group, receipts, strict=True):
                if not future.done():
                    future.set_result(receipt)

    async def _record_singly(self, group: list[Waiting]) -> None:
        """Record each delivery of a failed group by itself; one that fails alone is refused, so that nothing waits behind it."""
        for delivery, future in group:
            try:
                receipt = await self._record_one(delivery)
            except StoreUnavailable as error:
                self.tally.not_kept += 1
                nothing_kept([(delivery, future)], str(error))
                continue
            if not future.done():
                future.set_result(receipt)

    async def _record_one(self, delivery: Delivery) -> Receipt:
        try:
            return (await self._commit([delivery]))[0]
        except StoreUnavailable:
            raise
        except Exception:
            told = {"cell": delivery.cell}
            log.exception("a delivery for %s cannot be recorded and is refused", delivery.cell, extra=told)
        try:
            return await self._refuse(delivery)
        except StoreUnavailable:
            raise
        except Exception as error:
            told = {"cell": delivery.cell}
            log.exception("a delivery for %s cannot even be refused; nothing of it is kept", delivery.cell, extra=told)
            raise StoreUnavailable(f"nothing kept: {type(error).__name__}") from error

    @asynccontextmanager
    async def _writing(self) -> AsyncIterator[Writing]:
        """Begin a transaction, and note whether the store has taken it."""
        try:
            async with self._store.writing() as writing:
                yield writing
        except StoreUnavailable as error:
            self._outage = str(error)
            raise
        if not self.writes:
            log.info("the store can be written to again")
        self._outage = None

    async def _commit(self, deliveries: list[Delivery]) -> list[Receipt]:
        began_s = asyncio.get_running_loop().time()
        async with self._writing() as writing:
            zones_of = (await self._plants.present(writing)).plant.cell_zones
            recorded = await record_group(writing, deliveries, zones_of, self._now_us(), self._limits)
        self.tally.note(recorded, asyncio.get_running_loop().time() - began_s)
        self._committed(recorded.heads)
        return recorded.receipts

    async def _refuse(self, delivery: Delivery) -> Receipt:
        group, receipt = Sorted(self._now_us()), Receipt()
        group.refuse(delivery, receipt, 0, Refusal("internal_error", "the service failed on it; see its log"), None)
        async with self._writing() as writing:
            await writing.add_refused([row for _, row in group.refused])
        self.tally.count(receipt)
        return receipt
