"""Two services on one database at once, whatever keeps them apart elsewhere: a message is stored once, and nothing is overwritten."""

import asyncio

import pytest
from sqlalchemy.exc import IntegrityError

from tests.contract.payloads import dumped, fastener, snapshot
from tests.contract.recording import CELL, all_kept, delivery, record
from tests.contract.rows import event
from tests.contract.stores import Stores
from zoneledger.application.ports import Store

EVENTS = 30


@pytest.fixture
async def other(store_url: str, store: Store, stores: Stores) -> Store:
    """The same database as another process has it."""
    return store if store_url == "memory" else await stores.open_another(store_url)


async def test_of_two_writers_at_once_one_stores_a_key(store: Store, other: Store) -> None:
    async with store.writing() as writing:
        cell_id = (await writing.lock_heads([CELL]))[CELL].cell_id

    async def add(one: Store) -> None:
        async with one.writing() as writing:
            await writing.add_events([event(cell_id, 1, 1)])

    answers = await asyncio.gather(add(store), add(other), return_exceptions=True)
    assert sorted(isinstance(answer, (IntegrityError, KeyError)) for answer in answers) == [False, True]
    async with store.writing() as writing:
        assert [key for key, _ in await writing.events_after(cell_id, None, 9)] == [(1, 1)]


async def test_of_two_services_at_once_one_stores_a_message_and_both_count(store: Store, other: Store) -> None:
    messages = [snapshot(0, 0), *(fastener(seq, seq, position=str(seq)) for seq in range(1, EVENTS + 1))]
    deliveries = [delivery(dumped(message)) for message in messages]

    async def record_singly(one: Store) -> list[int]:
        receipts = [(await record(one, [single]))[0] for single in deliveries]
        assert all(receipt.stored + receipt.duplicate == 1 for receipt in receipts), receipts
        return [receipt.stored for receipt in receipts]

    stored = await asyncio.gather(record_singly(store), record_singly(other))
    assert [sum(each) for each in zip(*stored, strict=True)] == [1] * len(messages)
    kept = await all_kept(store)
    counts = kept["heads"][CELL].counts
    assert counts == {"events": EVENTS, "snapshots": 1, "duplicate": EVENTS + 1}
    fasteners = kept[f"booked {CELL}"][1]
    assert sorted(row.seq for row in fasteners) == list(range(1, EVENTS + 1))
