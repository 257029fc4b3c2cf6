"""Refused messages offered again while things fail or happen at once: nothing lost, nothing counted twice, nobody in the way."""

import asyncio
import logging

import pytest

from tests.contract.payloads import dumped, message
from tests.contract.recording import (
    CELL,
    NOW_US,
    TWIN,
    all_kept,
    delivery,
    ledger_of,
    record,
    recording,
)
from tests.contract.refusing import MORNING, NARROW, listed, retries, retry_all, tally_of
from tests.contract.stores import Stores
from tests.fakes.failing_store import FailingStore, once, whenever
from tests.fakes.memory_store import MemoryStore
from zoneledger.application.ports import Store
from zoneledger.core.errors import StoreUnavailable


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.CRITICAL, "zoneledger.application")


async def test_one_that_makes_the_service_fail_stays_as_it_is_and_costs_no_other(store: Store) -> None:
    messages = [message(1, zone="2"), message(2, zone="2", note="poison"), message(3, zone="2")]
    await record(store, [delivery(dumped(*messages))], NARROW)
    before = await listed(store)
    failing = FailingStore(
        store, whenever("add_events", lambda rows: any("poison" in row.body for row in rows), RuntimeError("a bug"))
    )
    assert await retry_all(failing) == tally_of(3, 2, internal_error=1)
    assert await listed(store) == before[1:2]
    assert await retry_all(store) == tally_of(1, 1)


METHODS = [
    "lock_heads",
    "lock_refused",
    "add_events",
    "add_booked",
    "remove_refused",
    "change_refused",
    "add_refused",
    "save_heads",
    "commit",
]


@pytest.mark.parametrize("method", METHODS)
async def test_broken_off_anywhere_it_has_changed_nothing_and_may_be_asked_again(store: Store, method: str) -> None:
    good, again = message(1, zone="2"), message(2, zone="1", at="2026-11-25T12:00:06Z")
    await record(store, [delivery(dumped(good, again)), delivery(dumped(good), TWIN)], NARROW)
    before, rows = await all_kept(store), await listed(store)
    away = FailingStore(store, once(method, StoreUnavailable("gone")))
    with pytest.raises(StoreUnavailable):
        await retry_all(away, offering=retries(now_us=NOW_US + 500_000))
    assert await all_kept(store) == before
    assert await listed(store) == rows
    tally = await retry_all(away, offering=retries(now_us=NOW_US + 500_000))
    assert tally == tally_of(3, 1, ahead_of_clock=1, unknown_zone=1)


async def test_retries_at_once_while_the_same_messages_come_lose_nothing_and_count_nothing_twice(
    store_url: str, store: Store, stores: Stores
) -> None:
    other = store if store_url == "memory" else await stores.open_another(store_url)
    cells = (CELL, TWIN)
    sent = [delivery(dumped(*MORNING[i : i + 5]), cell) for i in range(0, len(MORNING), 5) for cell in cells]
    await record(store, sent, NARROW)
    async with recording(store) as recorder, asyncio.timeout(120):
        coming = [recorder.record(one) for one in (*sent, *sent)]
        offering = [retry_all(one, limit=4) for one in (store, other, store, other)]
        tallies = await asyncio.gather(*offering)
        receipts = await asyncio.gather(*coming)
    tallies.append(await retry_all(store))
    right = MemoryStore()
    await record(right, sent)
    kept = await all_kept(store)
    assert ledger_of(kept) == ledger_of(await all_kept(right))
    assert {row.row.cell for row in await listed(store)} == {TWIN}
    events = sum(len(kept[f"events {cell}"]) for cell in cells)
    snapshots = sum(len(kept[f"snapshots {cell}"]) for cell in cells)
    taken = sum(one.stored for one in tallies) + sum(one.stored for one in receipts)
    assert taken == events + snapshots - 14


async def test_what_another_retry_holds_is_told_and_left_to_it(postgres_url: str, stores: Stores) -> None:
    store, other = await stores.open(postgres_url), await stores.open_another(postgres_url)
    await record(store, [delivery(dumped(*MORNING), TWIN)], NARROW)
    ids = [row.id for row in await listed(store)]
    async with asyncio.timeout(60), other.writing() as writing:
        await writing.lock_refused(ids[:4])
        tally = await retry_all(store)
    assert tally.left_out == {"elsewhere": 4}
    assert tally.offered == len(MORNING) - 4
    assert set(ids[:4]) <= {row.id for row in await listed(store)}
