"""The Store port: refused messages listed, counted, locked, changed and removed."""

import asyncio

import pytest

from tests.contract.rows import LARGEST, TEXTS, YEAR_9999_US, A, B, refused
from tests.contract.stores import Stores
from zoneledger.application.ports import Store
from zoneledger.application.stored import Listed, RefusedFilter, RefusedRow, RefusedSize

MANY = 40_000
CELLS = [A, B, A, A, B]
REASONS = ["not_json", "unknown_cell", "unknown_zone", "not_json", "not_json"]


async def _fill(store: Store) -> list[int]:
    """Keep five refused messages and return their numbers."""
    rows = [refused(cell, bytes([i]), reason) for i, (cell, reason) in enumerate(zip(CELLS, REASONS, strict=True))]
    async with store.writing() as writing:
        await writing.add_refused(rows)
    async with store.reading() as reading:
        return [row.id for row in await reading.refused(RefusedFilter(), 99)]


async def _places(store: Store, which: RefusedFilter, limit: int = 99) -> list[int]:
    """Return the places in CELLS of the refused messages that are meant."""
    async with store.reading() as reading:
        return [row.row.body[0] for row in await reading.refused(which, limit)]


async def _arrived_us(store: Store) -> int:
    async with store.reading() as reading:
        return (await reading.refused(RefusedFilter(), 1))[0].row.arrived_us


async def test_refused_messages_come_in_order_by_pages(store: Store) -> None:
    await _fill(store)
    async with store.reading() as reading:
        first = await reading.refused(RefusedFilter(), 3)
        rest = await reading.refused(RefusedFilter(after_id=first[-1].id), 3)
    assert [_body(row) for row in first + rest] == [bytes([i]) for i in range(5)]
    assert [row.cell for row in first] == CELLS[:3]
    assert [row.id for row in first + rest] == sorted({row.id for row in first + rest})


def _body(listed: Listed[RefusedRow]) -> bytes:
    return listed.row.body


async def test_those_that_are_meant_are_listed_and_no_others(store: Store) -> None:
    ids = await _fill(store)
    assert await _places(store, RefusedFilter(cell=A)) == [0, 2, 3]
    assert await _places(store, RefusedFilter(cell="harbour")) == []
    assert await _places(store, RefusedFilter(reason="not_json")) == [0, 3, 4]
    assert await _places(store, RefusedFilter(A, "not_json", after_id=ids[0])) == [3]
    assert await _places(store, RefusedFilter(reason="not_json", upto_id=ids[3])) == [0, 3]
    assert await _places(store, RefusedFilter(reason="not_json", upto_id=0)) == []
    assert await _places(store, RefusedFilter(reason="not_json"), 2) == [0, 3]
    assert await _places(store, RefusedFilter(ids=(ids[4], ids[1], LARGEST))) == [1, 4]
    assert await _places(store, RefusedFilter(cell=A, ids=(ids[4], ids[2]))) == [2]
    assert await _places(store, RefusedFilter(ids=())) == []
    arrived_us = await _arrived_us(store)
    assert await _places(store, RefusedFilter(A, arrived_us=(arrived_us, arrived_us + 1))) == [0, 2, 3]
    assert await _places(store, RefusedFilter(arrived_us=(arrived_us + 1, arrived_us + 9))) == []
    assert await _places(store, RefusedFilter(arrived_us=(arrived_us - 9, arrived_us))) == []
    assert await _places(store, RefusedFilter(ids=(*range(LARGEST - MANY, LARGEST), ids[0]))) == [0]


@pytest.mark.parametrize(
    "body", [b"", b"\0", b"\xff\xfe\0\x80", "\ud800".encode("utf-8", "surrogatepass"), b"x" * 262_144]
)
async def test_refused_bytes_come_back_as_they_were(store: Store, body: bytes) -> None:
    row = RefusedRow(TEXTS[1], TEXTS[3], YEAR_9999_US, 999, "not_json", TEXTS[4], body, LARGEST)
    async with store.writing() as writing:
        await writing.add_refused([row])
    async with store.reading() as reading:
        (found,) = await reading.refused(RefusedFilter(), 9)
        assert found.row == row
        assert await reading.refused_sizes(RefusedFilter(), 9) == [RefusedSize(found.id, TEXTS[1], len(body))]


async def test_the_last_number_is_that_of_what_came_last(store: Store) -> None:
    async with store.reading() as reading:
        assert await reading.last_refused_id() == 0
    ids = await _fill(store)
    async with store.reading() as reading:
        assert await reading.last_refused_id() == ids[-1]
        assert [one.id for one in await reading.refused_sizes(RefusedFilter(), 3)] == ids[:3]


async def test_they_are_counted_by_reason_and_by_cell_the_most_first(store: Store) -> None:
    await _fill(store)
    async with store.reading() as reading:
        assert await reading.count_refused("reason", RefusedFilter(), 9) == [
            ("not_json", 3),
            ("unknown_cell", 1),
            ("unknown_zone", 1),
        ]
        assert await reading.count_refused("reason", RefusedFilter(cell=B), 9) == [
            ("unknown_cell", 1),
            ("not_json", 1),
        ]
        assert await reading.count_refused("cell", RefusedFilter(), 9) == [(A, 3), (B, 2)]
        assert await reading.count_refused("cell", RefusedFilter(reason="unknown_cell"), 9) == [(B, 1)]
        assert await reading.count_refused("cell", RefusedFilter(), 1) == [(A, 3)]
        assert await reading.count_refused("cell", RefusedFilter(cell="harbour"), 9) == []


async def test_they_are_changed_and_removed_by_their_numbers(store: Store) -> None:
    ids = await _fill(store)
    async with store.writing() as writing:
        await writing.remove_refused([ids[0], ids[3]])
        await writing.remove_refused([])
        await writing.change_refused([(ids[1], "unknown_zone", TEXTS[4]), (ids[4], "contradicts", TEXTS[1])])
        await writing.change_refused([])
    async with store.reading() as reading:
        rows = await reading.refused(RefusedFilter(), 9)
    assert [row.id for row in rows] == [ids[1], ids[2], ids[4]]
    first, other, last = (row.row for row in rows)
    assert first == refused(B, b"\1", "unknown_zone")._replace(detail=TEXTS[4])
    assert other == refused(A, b"\2", "unknown_zone")
    assert last == refused(B, b"\4", "contradicts")._replace(detail=TEXTS[1])


async def test_what_another_writer_holds_is_left_out_and_not_waited_for(postgres_url: str, stores: Stores) -> None:
    store = await stores.open(postgres_url)
    other = await stores.open_another(postgres_url)
    ids = await _fill(store)
    async with store.writing() as writing:
        held = await writing.lock_refused([*ids[1:3], LARGEST])
        assert [row.id for row in held] == ids[1:3]
        async with asyncio.timeout(20), other.writing() as others:
            assert [row.id for row in await others.lock_refused(ids)] == [ids[0], *ids[3:]]
    async with other.writing() as others:
        assert [row.id for row in await others.lock_refused(ids)] == ids


async def test_locked_rows_come_whole_and_in_order(store: Store) -> None:
    ids = await _fill(store)
    async with store.writing() as writing:
        found = await writing.lock_refused(list(reversed(ids)))
        assert await writing.lock_refused([]) == []
    assert [(row.id, row.row) for row in found] == [
        (number, refused(cell, bytes([i]), reason))
        for i, (number, cell, reason) in enumerate(zip(ids, CELLS, REASONS, strict=True))
    ]
