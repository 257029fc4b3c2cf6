"""What is looked for in the past, and is not there, costs no more where the past is longer: SQLite's own steps are counted."""

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from tests.contract.rows import A, activity, alarm, fastener
from tests.contract.stores import Stores
from tests.servers.fixtures import migrated_url
from tests.unit.application.plant import PLANT
from zoneledger.application.book import EVENTS_PER_CHECKPOINT, dump
from zoneledger.application.evidence import read_evidence
from zoneledger.application.ports import Reading, Store
from zoneledger.application.stored import Checkpoint, EventRow, PausesAsked
from zoneledger.application.windows import Window
from zoneledger.core.booking import CLOCK_FLOOR_US, Booking, Limits
from zoneledger.core.failures import Wanted
from zoneledger.core.messages import UnknownEvent
from zoneledger.core.rows import Booked

SHORT, LONG = 2_000, 20_000
EVERY_US = 1_000_000
STEPS_AT_ONCE = 100


async def _activities(reading: Reading, end_us: int) -> Any:
    return await reading.activities([(A, "1")], end_us, end_us + 1)


async def _raises(reading: Reading, end_us: int) -> Any:
    return await reading.last_raises([Wanted(A, "1", "told-by-snapshots-only", end_us)])


async def _pauses(reading: Reading, end_us: int) -> Any:
    return await reading.pauses([PausesAsked(A, "1", 5, end_us - 9 * EVERY_US, end_us)], end_us - EVERY_US, end_us)


async def _evidence(reading: Reading, end_us: int) -> Any:
    last_us = CLOCK_FLOOR_US + end_us
    window = Window(last_us - 9 * EVERY_US, last_us)
    found = await read_evidence(reading, PLANT.find(A), window, None, 100, last_us, Limits())  # type: ignore[arg-type]
    assert len(found.page) == 9
    return found


class _Steps:
    """Counts the steps that SQLite takes on connections that are opened from now on."""

    def __init__(self, stores: Stores, url: str) -> None:
        self.number = 0
        event.listen(stores.engines[url].read.sync_engine, "connect", self._watch)

    def _watch(self, connection: Any, _: Any) -> None:
        raw = connection.driver_connection
        connection.run_async(lambda _: raw.set_progress_handler(self._count, STEPS_AT_ONCE))

    def _count(self) -> None:
        self.number += STEPS_AT_ONCE


def _booked_upto(seq: int) -> str:
    booking = Booking()
    booking.add(UnknownEvent(boot=1, seq=seq, at_us=CLOCK_FLOOR_US + seq * EVERY_US, type="own"))
    return dump(booking)


async def _extend(store: Store, first: int, last: int) -> None:
    """Let zone 1 process without a load or an unload, and zone 2 make fasteners and raise alarms, once a second."""
    numbers = range(first, last)
    rows = Booked(
        activities=[activity(n, n * EVERY_US, n * EVERY_US + 1, name="process") for n in numbers],
        fasteners=[fastener(n, n * EVERY_US, zone="2") for n in numbers],
        alarms=[alarm(n, n * EVERY_US, zone="2") for n in numbers],
    )
    async with store.writing() as writing:
        head = (await writing.lock_heads([A]))[A]
        await writing.add_booked([(head.ledger_id, rows)])
        await writing.add_events(
            [EventRow(head.cell_id, 1, n, CLOCK_FLOOR_US + n * EVERY_US, 0, "own", "{}") for n in numbers]
        )
        every = [n for n in numbers if n % EVENTS_PER_CHECKPOINT == 0]
        checkpoints = [Checkpoint(1, n, _booked_upto(n)) for n in every]
        await writing.put_checkpoints([(head.ledger_id, row) for row in checkpoints])
        head.booking = _booked_upto(last - 1)
        await writing.save_heads([head])


@pytest.fixture
def sqlite_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an empty database of SQLite is."""
    return migrated_url("sqlite", request, tmp_path)


@pytest.mark.parametrize("read", [_activities, _raises, _pauses, _evidence])
async def test_a_longer_past_costs_no_more_steps(
    sqlite_url: str, stores: Stores, read: Callable[[Reading, int], Awaitable[Any]]
) -> None:
    store = await stores.open(sqlite_url)
    steps, taken = _Steps(stores, sqlite_url), []
    for first, last in ((0, SHORT), (SHORT, LONG)):
        await _extend(store, first, last)
        before = steps.number
        async with store.reading() as reading:
            await read(reading, last * EVERY_US)
        taken.append(steps.number - before)
    assert taken[1] <= taken[0] + 10 * STEPS_AT_ONCE
    assert taken[1] > 0
