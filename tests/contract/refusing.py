"""Messages that are refused until the plant is mended, and what offers them again."""

from collections import Counter

from tests.contract.payloads import fastener, message, snapshot
from tests.contract.recording import NOW_US, PLANT
from zoneledger.application.plants import Plants
from zoneledger.application.ports import Store
from zoneledger.application.retry import Retries, Tally
from zoneledger.application.stored import Listed, RefusedFilter, RefusedRow
from zoneledger.core.booking import Limits
from zoneledger.core.plant import Cell, Line, Plant, Site

#: PLANT before all of it was declared: without the twin, and without zone 2.
NARROW = Plant((Site("harbour", "Europe/Lisbon", (Line("wing-1", cells=(Cell("cell-1", ("1",)),)),)),))

#: A morning of which the narrow plant takes 14 messages, those of zone 1 alone.
MORNING = [
    snapshot(0, 0),
    *(message(seq, 10 * seq, zone="12"[seq % 2]) for seq in range(1, 30)),
    fastener(30, 300, zone="2", panel="p-1", position="7"),
    snapshot(30, 310),
]


def retries(plant: Plant = PLANT, now_us: int = NOW_US) -> Retries:
    """Return what offers refused messages again under a plant."""
    return Retries(Plants(lambda _: plant), lambda: now_us, Limits())


ALL = RefusedFilter()


async def retry_all(
    store: Store, which: RefusedFilter = ALL, limit: int = 500, offering: Retries | None = None
) -> Tally:
    """Offer refused messages again, page by page, and return what came of them all."""
    tally, offering = Tally(), offering or retries()
    while True:
        retried = await offering.offer(store, which, limit)
        tally.add(retried.tally)
        if retried.next_id is None:
            return tally
        which = which._replace(after_id=retried.next_id, upto_id=retried.upto_id)


async def listed(store: Store) -> list[Listed[RefusedRow]]:
    """Return the refused list."""
    async with store.reading() as reading:
        return await reading.refused(ALL, 10_000)


def tally_of(offered: int, stored: int = 0, duplicate: int = 0, **refused: int) -> Tally:
    """Return a tally with these numbers refused again, and nothing left out."""
    return Tally(offered, stored, duplicate, Counter(refused))
