"""The Store port: what people say of time, added, and read by window, by page and by number."""

import asyncio

import pytest

from tests.contract.rows import LARGEST, TEXTS, YEAR_9999_US, A, B, said
from tests.contract.stores import Stores
from zoneledger.application.ports import Store, Writing
from zoneledger.application.stored import GivenRow


async def _add(store: Store, *rows: GivenRow) -> list[int]:
    async with store.writing() as writing:
        return [await writing.add_given(row) for row in rows]


async def _window(store: Store, cells: list[str], start_us: int, end_us: int) -> list[int]:
    async with store.reading() as reading:
        return [one.id for one in await reading.given(cells, start_us, end_us)]


async def _history(
    store: Store, cells: list[str], zone: str | None = None, after: int = 0, limit: int = 9
) -> list[int]:
    async with store.reading() as reading:
        return [one.id for one in await reading.given_history(cells, zone, after, limit)]


async def test_an_entry_comes_back_as_it_was_said(store: Store) -> None:
    rows = [said(note=text) for text in TEXTS]
    rows += [said(B, 0, YEAR_9999_US, zone="1", reason=None), said(A, LARGEST - 1, LARGEST)]
    numbers = await _add(store, *rows)
    undo = said(reason=None, undoes=numbers[0])
    (last,) = await _add(store, undo)
    async with store.reading() as reading:
        found = [await reading.given_entry(number) for number in (*numbers, last)]
    assert [(one.id, one.cell, one.row) for one in found if one] == [
        (number, row.cell, row) for number, row in zip((*numbers, last), (*rows, undo), strict=True)
    ]


async def test_of_an_entry_that_nobody_made_there_is_nothing(store: Store) -> None:
    (number,) = await _add(store, said())
    async with store.reading() as reading:
        for other in (0, number + 1, LARGEST):
            assert await reading.given_entry(other) is None


async def test_numbers_rise_in_the_order_in_which_entries_were_added(store: Store) -> None:
    numbers = [*await _add(store, said(), said(B)), *await _add(store, said(), said(zone="2"))]
    assert numbers == sorted(set(numbers))
    assert await _history(store, [A, B]) == numbers


async def test_the_entries_of_a_window_are_those_that_share_an_instant_with_it(store: Store) -> None:
    first, second, third, other = await _add(
        store, said(A, 0, 10), said(A, 5, 6, zone="1"), said(A, 10, 20), said(B, 0, 99)
    )
    assert await _window(store, [A], 0, 10) == [first, second]
    assert await _window(store, [A], 9, 11) == [first, third]
    assert await _window(store, [A], 20, 30) == []
    assert await _window(store, [A], 6, 7) == [first]
    assert await _window(store, [A, B], 15, 16) == [third, other]
    assert await _window(store, [], 0, 99) == []
    assert await _window(store, ["harbour/wing-1/none"], 0, 99) == []


async def test_the_history_comes_by_pages_of_a_cell_or_of_one_of_its_zones(store: Store) -> None:
    own, zone, again, other = await _add(store, said(), said(zone="1"), said(zone="1", reason=None), said(B, zone="1"))
    assert await _history(store, [A]) == [own, zone, again]
    assert await _history(store, [A], limit=2) == [own, zone]
    assert await _history(store, [A], after=zone) == [again]
    assert await _history(store, [A], "1") == [zone, again]
    assert await _history(store, [A], "") == [own]
    assert await _history(store, [A, B], "1", after=own, limit=9) == [zone, again, other]


async def test_an_entry_of_a_transaction_that_fails_is_not_kept(store: Store) -> None:
    async def fail() -> None:
        async with store.writing() as writing:
            await writing.add_given(said())
            raise ValueError("on purpose")

    with pytest.raises(ValueError, match="on purpose"):
        await fail()
    assert await _history(store, [A]) == []


async def test_of_two_that_add_at_once_the_second_sees_what_the_first_one_said(
    store_url: str, store: Store, stores: Stores
) -> None:
    other = store if store_url == "memory" else await stores.open_another(store_url)
    seen: list[int] = []

    async def add(one: Store) -> None:
        async with one.writing() as writing:
            await writing.lock_given()
            seen.append(await _number_of(writing))
            await asyncio.sleep(0)
            await writing.add_given(said())

    await asyncio.gather(*(add(one) for one in (store, other) * 5))
    assert seen == list(range(10))


async def _number_of(writing: Writing) -> int:
    return len(await writing.given_history([A], None, 0, 99))
