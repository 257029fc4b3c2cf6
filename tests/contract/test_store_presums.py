"""Pre-sums on each store: read by window, dropped where a change bears on them, and safe from whoever is adding some."""

import asyncio

import pytest

from tests.contract.rows import A, B, revision
from tests.contract.stores import Stores
from zoneledger.application.ports import Store
from zoneledger.application.stored import Basis, Outdated, Presum, Stamp

LINE = "harbour/wing-1"
OTHER = "harbour/wing-10/cell-1"
SLOTS = [(0, 10), (10, 20), (20, 30)]


def _all() -> list[Presum]:
    places = [(LINE, ""), (LINE, A), (LINE, B), ("harbour/wing-10", ""), ("harbour/wing-10", OTHER)]
    return [Presum(line, cell, *slot, f"[{slot[0]}]") for line, cell in places for slot in SLOTS]


async def _put(store: Store, rows: list[Presum]) -> None:
    async with store.writing() as writing:
        await writing.lock_presums()
        await writing.put_presums(rows)


async def _there(store: Store) -> set[tuple[str, int]]:
    async with store.reading() as reading:
        found = [await reading.presummed(line, 0, 100) for line in (LINE, "harbour/wing-10")]
    return {(cell or f"line {i}", at) for i, rows in enumerate(found) for cell, at in rows}


async def test_those_that_lie_in_a_window_as_a_whole_are_read_in_order(store: Store) -> None:
    await _put(store, list(reversed(_all())))
    async with store.reading() as reading:
        assert await reading.presums(LINE, A, 0, 30) == [Presum(LINE, A, *slot, f"[{slot[0]}]") for slot in SLOTS]
        assert [row.start_us for row in await reading.presums(LINE, A, 1, 29)] == [10]
        assert [row.start_us for row in await reading.presums(LINE, "", 10, 30)] == [10, 20]
        assert await reading.presums("harbour", "", 0, 30) == []


async def test_one_that_begins_at_the_same_instant_takes_the_place_of_the_former(store: Store) -> None:
    await _put(store, _all())
    await _put(store, [Presum(LINE, A, 10, 20, "[99]")])
    async with store.reading() as reading:
        assert [row.total for row in await reading.presums(LINE, A, 0, 30)] == ["[0]", "[99]", "[20]"]


@pytest.mark.parametrize(
    ("unit", "gone"),
    [
        (f"{A}/1", {(A, 10)}),
        (A, {(A, 10), ("line 0", 10)}),
        (LINE, {(A, 10), (B, 10), ("line 0", 10)}),
        ("harbour/wing-2", set()),
    ],
)
async def test_a_change_drops_those_of_the_unit_of_what_it_is_part_of_and_of_a_lines_cells(
    store: Store, unit: str, gone: set[tuple[str, int]]
) -> None:
    await _put(store, _all())
    before = await _there(store)
    async with store.writing() as writing:
        await writing.drop_presums([Outdated(unit, 10, 11), Outdated(unit, 19, 20), Outdated(unit, 30, 2**60)])
    assert before - await _there(store) == gone


async def test_a_revision_drops_what_it_bears_on(store: Store) -> None:
    await _put(store, _all())
    before = await _there(store)
    async with store.writing() as writing:
        await writing.add_revisions([revision(A, 5, 15)])
    assert before - await _there(store) == {(A, 0), (A, 10), ("line 0", 0), ("line 0", 10)}


async def test_the_stamp_is_another_one_after_each_change_that_bears_on_it_and_no_other(store: Store) -> None:
    basis = Basis(((LINE, A),), (A, LINE), 10, 20)

    async def stamp() -> Stamp:
        async with store.reading() as reading:
            return await reading.stamp(basis)

    empty = await stamp()
    await _put(store, _all())
    full = await stamp()
    assert full.presums == 1
    async with store.writing() as writing:
        await writing.drop_presums([Outdated(A, 0, 5), Outdated(B, 0, 99), Outdated(f"{B}/1", 0, 99)])
        await writing.add_revisions([revision(B, 0, 99), revision(A, 20, 30)])
    assert await stamp() == full
    async with store.writing() as writing:
        await writing.drop_presums([Outdated(A, 10, 11)])
    dropped = await stamp()
    await _put(store, _all())
    again = await stamp()
    async with store.writing() as writing:
        await writing.add_revisions([revision(LINE, 0, 11)])
    revised = await stamp()
    await _put(store, _all())
    put = await stamp()
    async with store.writing() as writing:
        await writing.add_plant("{}", 1)
    assert empty == dropped  # nothing is there to be kept
    assert len({empty, full, again, revised, put, await stamp()}) == 6


async def test_who_drops_waits_for_who_adds_and_drops_that_too(store: Store) -> None:
    """Else a row that was summed before a change and stored after it would stay."""
    added, dropping = asyncio.Event(), asyncio.Event()

    async def add() -> None:
        async with store.writing() as writing:
            await writing.lock_presums()
            added.set()
            await dropping.wait()
            for _ in range(100):  # the other one has sent its statement by now, and waits
                await asyncio.sleep(0)
            await writing.put_presums(_all())

    async def drop() -> None:
        await added.wait()
        dropping.set()
        async with store.writing() as writing:
            await writing.drop_presums([Outdated(A, 10, 11)])

    await asyncio.wait_for(asyncio.gather(add(), drop()), 30)
    assert {(A, 0), (A, 20), (B, 10)} <= await _there(store)
    assert not {(A, 10), ("line 0", 10)} & await _there(store)


async def test_who_adds_waits_for_who_drops_and_looks_then(store_url: str, stores: Stores) -> None:
    if store_url == "memory":
        pytest.skip("one transaction runs at a time")
    one, other = await stores.open(store_url), await stores.open_another(store_url)
    dropped, order = asyncio.Event(), list[str]()

    async def drop() -> None:
        async with one.writing() as writing:
            await writing.drop_presums([Outdated(A, 0, 99)])
            dropped.set()
            for _ in range(1000):
                await asyncio.sleep(0)
            order.append("dropped")

    async def add() -> None:
        await dropped.wait()
        async with other.writing() as writing:
            await writing.lock_presums()
            order.append("locked")

    await asyncio.wait_for(asyncio.gather(drop(), add()), 30)
    assert order == ["dropped", "locked"]
