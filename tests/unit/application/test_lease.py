"""Work under a lease: one process does it, another takes over when the first ends, stands still or loses the store."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager

import pytest

from tests.fakes.memory_store import MemoryStore
from zoneledger.application import lease as module
from zoneledger.application.lease import Lease
from zoneledger.application.ports import Reading, Writing
from zoneledger.application.stored import Basis, Stamp
from zoneledger.core.errors import StoreUnavailable

LEASE_S = 0.3


@pytest.fixture(autouse=True)
def _soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LEASE_S", LEASE_S)
    monkeypatch.setattr(module, "RENEW_S", 0.02)


class _Process:
    """A process that works while it holds the lease."""

    def __init__(self, store: "MemoryStore | _SometimesAway", name: str) -> None:
        self.lease = Lease(store, "listen", name)
        self.working = False
        self.fails: asyncio.Future[Exception] = asyncio.get_running_loop().create_future()
        self.task = asyncio.ensure_future(self.lease.run(self._work))

    async def _work(self) -> None:
        self.working = True
        try:
            raise await asyncio.shield(self.fails)
        finally:
            self.working = False

    async def end(self) -> None:
        self.task.cancel()
        await asyncio.wait([self.task])


class _SometimesAway:
    """A memory store that one process cannot reach at times."""

    def __init__(self, store: MemoryStore) -> None:
        self._store = store
        self.away = False

    def reading(self) -> AbstractAsyncContextManager[Reading]:
        self._ask()
        return self._store.reading()

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[Writing]:
        self._ask()
        async with self._store.writing() as writing:
            yield writing

    async def stamp(self, basis: Basis) -> Stamp:
        self._ask()
        return await self._store.stamp(basis)

    def _ask(self) -> None:
        if self.away:
            raise StoreUnavailable("away")

    async def close(self) -> None:
        """Nothing to let go of."""


async def _until(holds: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not holds():  # noqa: ASYNC110 - a state, and no event, is waited for
            await asyncio.sleep(0.005)


async def test_one_of_two_works_and_the_other_takes_over_when_it_ends() -> None:
    store = MemoryStore()
    first = _Process(store, "first")
    await _until(lambda: first.working)
    second = _Process(store, "second")
    await _until(lambda: second.lease.held is False)
    assert first.lease.held
    assert not second.working
    await first.end()
    assert not first.working
    await _until(lambda: second.working)
    await second.end()


async def test_one_that_is_started_again_goes_on_at_once() -> None:
    store = MemoryStore()
    async with store.writing() as writing:
        await writing.take_lease("listen", "first", 3_600_000_000)
    other, again = _Process(store, "other"), _Process(store, "first")
    await _until(lambda: again.working and other.lease.held is False)
    assert not other.working
    await other.end()
    await again.end()


async def test_one_that_loses_the_store_stops_before_another_may_begin() -> None:
    store = MemoryStore()
    near = _SometimesAway(store)
    first = _Process(near, "first")
    await _until(lambda: first.working)
    second = _Process(store, "second")
    near.away = True
    both = []
    async with asyncio.timeout(10):
        while not second.working:
            both.append(first.working and second.working)
            await asyncio.sleep(0.005)
    assert not any(both)
    assert not first.working
    assert first.lease.held is None
    near.away = False
    await _until(lambda: first.lease.held is False)
    await second.end()
    await _until(lambda: first.working)
    await first.end()


async def test_one_that_loses_the_store_for_less_than_its_lease_works_on() -> None:
    store = _SometimesAway(MemoryStore())
    first = _Process(store, "first")
    await _until(lambda: first.working)
    store.away = True
    held = []
    for _ in range(10):
        await asyncio.sleep(LEASE_S / 60)
        held.append(first.working)
    store.away = False
    assert all(held)
    await first.end()


async def test_one_that_finds_another_holding_the_lease_stops() -> None:
    store = MemoryStore()
    first = _Process(store, "first")
    await _until(lambda: first.working)
    async with store.writing() as writing:
        await writing.give_up_lease("listen", "first")
        await writing.take_lease("listen", "second", 3_600_000_000)
    await _until(lambda: not first.working and first.lease.held is False)
    await first.end()


async def test_work_that_fails_ends_the_lease_and_is_told() -> None:
    store = MemoryStore()
    first = _Process(store, "first")
    await _until(lambda: first.working)
    first.fails.set_result(ValueError("broken"))
    with pytest.raises(ValueError, match="broken"):
        await first.task
    async with store.reading() as reading:
        assert await reading.lease("listen") is None
