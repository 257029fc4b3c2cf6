"""Leases on every store: one holder at a time, renewed by it, taken over once lapsed or given up."""

import asyncio

from tests.contract.stores import Stores
from zoneledger.application.ports import Store

MINUTE_US = 60_000_000


async def _take(store: Store, name: str, holder: str, for_us: int = MINUTE_US) -> bool:
    async with store.writing() as writing:
        return await writing.take_lease(name, holder, for_us)


async def _holder(store: Store, name: str) -> str | None:
    async with store.reading() as reading:
        found = await reading.lease(name)
    return found.holder if found and found.left_us > 0 else None


async def test_a_lease_is_held_by_one_until_it_lapses(store: Store) -> None:
    assert await _holder(store, "listen") is None
    assert await _take(store, "listen", "first")
    assert not await _take(store, "listen", "second")
    assert await _take(store, "listen", "first", -1)
    assert await _holder(store, "listen") is None
    assert await _take(store, "listen", "second")
    assert not await _take(store, "listen", "first")
    assert await _holder(store, "listen") == "second"


async def test_a_renewed_lease_is_held_for_as_long_as_asked_from_now(store: Store) -> None:
    assert await _take(store, "listen", "first", 1000 * MINUTE_US)
    assert await _take(store, "listen", "first", MINUTE_US)
    async with store.reading() as reading:
        found = await reading.lease("listen")
    assert found is not None
    assert 0 < found.left_us <= MINUTE_US + 1_000_000


async def test_only_its_holder_gives_a_lease_up(store: Store) -> None:
    await _take(store, "listen", "first")
    await _take(store, "tidy", "second")
    for holder, left in (("second", "first"), ("first", None)):
        async with store.writing() as writing:
            await writing.give_up_lease("listen", holder)
        assert await _holder(store, "listen") == left
    assert await _holder(store, "tidy") == "second"


async def test_of_many_that_ask_at_once_one_gets_the_lease(store_url: str, store: Store, stores: Stores) -> None:
    other = store if store_url == "memory" else await stores.open_another(store_url)
    asked = [_take(one, "listen", f"process {i}") for i, one in enumerate([store, other] * 5)]
    assert sum(await asyncio.wait_for(asyncio.gather(*asked), 60)) == 1
