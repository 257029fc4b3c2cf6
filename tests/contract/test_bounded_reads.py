"""What is looked for in the past, and is not there, costs no more where the past is longer: SQLite's own steps are counted."""

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from tests.contract.rows import A, activity, alarm, fastener
from tests.contract.stores import Stores
from tests.servers.fixtures import migrated_url
from zoneledger.application.ports import Reading, Store
from zoneledger.application.stored import PausesAsked
from zoneledger.core.failures import Wanted
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


async def _extend(store: Store, first: int, last: int) -> None:
    """Let zone 1 process without a load or an unload, and zone 2 make fasteners and raise alarms, once a second."""
    numbers = range(first, last)
    rows = Booked(
        activities=[activity(n, n * EVERY_US, n * EVERY_US + 1, name="process") for n in numbers],
        fasteners=[fastener(n, n * EVERY_US, zone="2") for n in numbers],
        alarms=[alarm(n, n * EVERY_US, zone="2") for n in numbers],
    )
    async with store.writing() as writing:
        ledger_id = (await writing.lock_heads([A]))[A].ledger_id
        await writing.add_booked([(ledger_id, rows)])


@pytest.fixture
def sqlite_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an empty database of SQLite is."""
    return migrated_url("sqlite", request, tmp_path)


@pytest.mark.parametrize("read", [_activities, _raises, _pauses])
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
