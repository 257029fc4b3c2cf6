"""The plant model is read once by all who want it at the same time, and an older version never takes a newer one's place."""

import asyncio
import threading

import pytest

from tests.fakes.memory_store import MemoryStore
from zoneledger.application.plants import DeclaredPlant, Plants
from zoneledger.application.ports import Store
from zoneledger.core.plant import Plant, Site

MANY = 20


class _Slow:
    """Reads documents that are names of sites; those begun are told, and each waits until it may go on."""

    def __init__(self) -> None:
        self.begun: list[str] = []
        self.may_go_on = threading.Event()
        self.threads: set[str] = set()

    def __call__(self, document: str) -> Plant:
        if document.startswith("{"):
            return Plant(())
        self.begun.append(document)
        self.threads.add(threading.current_thread().name)
        assert self.may_go_on.wait(20)
        return Plant((Site(document, "UTC", ()),))


async def _declared(*documents: str) -> Store:
    store = MemoryStore()
    for document in documents:
        async with store.writing() as writing:
            await writing.add_plant(document, 0)
    return store


async def _present(plants: Plants, store: Store) -> DeclaredPlant:
    async with store.reading() as reading:
        return await plants.present(reading)


async def test_many_who_want_a_version_wait_for_one_reading_in_whatever_loop() -> None:
    slow, store = _Slow(), await _declared("harbour")
    plants, elsewhere = Plants(slow), list[DeclaredPlant]()

    def ask_in_another_loop() -> None:
        elsewhere.append(asyncio.run(_present(plants, store)))

    thread = threading.Thread(target=ask_in_another_loop)
    thread.start()
    asking = [asyncio.ensure_future(_present(plants, store)) for _ in range(MANY)]
    await asyncio.wait(asking, timeout=0.05)
    gone = asking.pop()
    gone.cancel()
    slow.may_go_on.set()
    found = await asyncio.wait_for(asyncio.gather(*asking), 20)
    await asyncio.to_thread(thread.join)
    assert slow.begun == ["harbour"]
    assert {id(one) for one in [*found, *elsewhere]} == {id(found[0])}
    assert await _present(plants, store) is found[0]


async def test_a_look_that_began_before_a_newer_version_sees_its_own_and_the_newer_one_stays() -> None:
    slow = _Slow()
    slow.may_go_on.set()
    plants, earlier, later = Plants(slow), await _declared("first"), await _declared("first", "second")
    newer = await _present(plants, later)
    assert (newer.version, newer.document) == (2, "second")
    older = await _present(plants, earlier)
    assert (older.version, older.document) == (1, "first")
    assert await _present(plants, later) is newer
    assert slow.begun == ["second", "first"]


async def test_plants_are_read_while_all_other_threads_of_the_loop_are_busy() -> None:
    slow, store, over = _Slow(), await _declared("harbour"), threading.Event()
    slow.may_go_on.set()
    busy = [asyncio.ensure_future(asyncio.to_thread(over.wait, 20)) for _ in range(64)]
    await asyncio.sleep(0)
    try:
        assert (await asyncio.wait_for(_present(Plants(slow), store), 5)).version == 1
    finally:
        over.set()
        await asyncio.gather(*busy)


async def test_a_version_that_was_declared_here_is_not_read_again() -> None:
    slow, store = _Slow(), await _declared()
    slow.may_go_on.set()
    plants = Plants(slow)
    declared = await plants.declare(store, "harbour", 0)
    assert await _present(plants, store) is declared
    assert slow.begun == ["harbour"]


async def test_a_document_that_cannot_be_read_is_tried_again() -> None:
    store, tries = await _declared("harbour"), list[str]()

    def read(document: str) -> Plant:
        if not document.startswith("{"):
            tries.append(document)
            if len(tries) == 1:
                raise ValueError("not yet")
        return Plant(())

    plants = Plants(read)
    with pytest.raises(ValueError, match="not yet"):
        await _present(plants, store)
    assert (await _present(plants, store)).version == 1
