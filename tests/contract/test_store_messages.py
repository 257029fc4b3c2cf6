"""The Store port: heads, events, snapshots, checkpoints, plants."""

import pytest
from sqlalchemy.exc import IntegrityError

from tests.contract.rows import BEFORE_1970_US, LARGEST, TEXTS, YEAR_9999_US, A, B, event
from zoneledger.application.ports import Store, Writing
from zoneledger.application.stored import Checkpoint, EventRow, Head, PlantVersion, SnapshotRow
from zoneledger.core.offsets import Offset

MANY = 40_000


async def _cell(writing: Writing, cell: str = A) -> int:
    return (await writing.lock_heads([cell]))[cell].cell_id


async def _ledger(writing: Writing, cell: str = A) -> int:
    return (await writing.lock_heads([cell]))[cell].ledger_id


async def test_a_new_store_is_empty(store: Store) -> None:
    async with store.reading() as reading:
        assert await reading.plant() is None
        assert await reading.plant(1) is None
        assert await reading.plant_version() == 0
        assert await reading.heads([A]) == {}


async def test_versions_of_the_plant_count_up_and_all_are_kept(store: Store) -> None:
    async with store.writing() as writing:
        await writing.lock_plants()
        assert [await writing.add_plant(document, 7) for document in TEXTS[:3]] == [1, 2, 3]
    async with store.reading() as reading:
        assert await reading.plant_version() == 3
        assert await reading.plant() == PlantVersion(3, TEXTS[2], 7)
        assert await reading.plant(1) == PlantVersion(1, TEXTS[0], 7)
        assert await reading.plant(4) is None


async def test_what_a_transaction_wrote_is_there_after_it(store: Store) -> None:
    async with store.writing() as writing:
        cell_id = await _cell(writing)
        await writing.add_events([event(cell_id, 1, 1, "{}")])
    async with store.writing() as writing:
        assert await writing.events_after(cell_id, None, 9) == [((1, 1), "{}")]


async def test_an_error_rolls_back_all_that_a_transaction_wrote(store: Store) -> None:
    with pytest.raises(LookupError):
        await _write_and_fail(store)
    async with store.reading() as reading:
        assert await reading.heads([A]) == {}
        assert await reading.plant_version() == 0


async def _write_and_fail(store: Store) -> None:
    async with store.writing() as writing:
        cell_id = await _cell(writing)
        await writing.add_plant("{}", 1)
        await writing.add_events([event(cell_id, 1, 1)])
        raise LookupError


async def test_a_transaction_reads_what_it_wrote(store: Store) -> None:
    async with store.writing() as writing:
        cell_id = await _cell(writing)
        await writing.add_events([event(cell_id, 1, 2)])
        assert await writing.events_at(cell_id, [(1, 1), (1, 2)]) == {(1, 2): "{}"}


@pytest.mark.parametrize("number", [1, 141, 142, 143, 284, 999])
async def test_events_are_there_in_the_order_in_which_they_were_added_however_many(store: Store, number: int) -> None:
    seqs = [*range(number, 0, -1)]
    async with store.writing() as writing:
        cell_id = await _cell(writing)
        await writing.add_events([event(cell_id, 1, seq, f'{{"seq":{seq}}}') for seq in seqs])
    async with store.reading() as reading:
        rows = await reading.events_by_arrival([A], 0, number + 1)
    assert [(row.row.seq, row.row.body) for row in rows] == [(seq, f'{{"seq":{seq}}}') for seq in seqs]


async def test_heads_are_made_once_and_keep_their_number(store: Store) -> None:
    async with store.writing() as writing:
        made = await writing.lock_heads([B, A])
        assert made.keys() == {A, B}
        assert made[A] == Head(made[A].cell_id, A, ledger_id=made[A].ledger_id)
        assert made[A].cell_id != made[B].cell_id
    async with store.writing() as writing:
        assert await writing.lock_heads([A]) == {A: made[A]}
        assert await writing.lock_heads([]) == {}
    async with store.reading() as reading:
        assert await reading.heads([A, "harbour/wing-1/none"]) == {A: made[A]}
        assert await reading.heads([]) == {}


async def test_all_of_a_head_is_saved(store: Store) -> None:
    async with store.writing() as writing:
        head = (await writing.lock_heads([A, B]))[A]
        head.booking, head.events_since_checkpoint = TEXTS[4], 255
        head.link, head.link_us, head.link_down_us = "down", BEFORE_1970_US, YEAR_9999_US
        head.counts = {"events": LARGEST, "unknown_field:" + TEXTS[4]: 1}
        head.clock, head.refused_clock = Offset(LARGEST // 600_000_000, -1, None), Offset(1, 7_200_000_000, 5)
        await writing.save_heads([head])
        await writing.save_heads([])
    async with store.reading() as reading:
        assert (await reading.heads([A]))[A] == head
        assert (await reading.heads([B]))[B].booking == ""


async def test_a_head_changes_only_when_it_is_saved(store: Store) -> None:
    async with store.writing() as writing:
        head = (await writing.lock_heads([A]))[A]
        head.booking, head.counts["events"] = "[]", 1
    async with store.reading() as reading:
        assert await reading.heads([A]) == {A: Head(head.cell_id, A, ledger_id=head.ledger_id)}


@pytest.mark.parametrize("body", TEXTS, ids=range(len(TEXTS)))
async def test_an_events_text_comes_back_as_it_was(store: Store, body: str) -> None:
    async with store.writing() as writing:
        cell_id = await _cell(writing)
        await writing.add_events([EventRow(cell_id, 0, 1, BEFORE_1970_US, YEAR_9999_US, body, body)])
    async with store.writing() as writing:
        assert await writing.events_at(cell_id, [(0, 1)]) == {(0, 1): body}


async def test_events_come_in_their_order_by_pages_and_by_cell(store: Store) -> None:
    keys = [(0, 1), (0, 2), (9, 1), (10, 1), (LARGEST, LARGEST)]
    async with store.writing() as writing:
        cell_id, other = await _cell(writing), await _cell(writing, B)
        await writing.add_events([event(cell_id, *key, body=str(key)) for key in reversed(keys)])
        await writing.add_events([event(other, 9, 2)])
        await writing.add_events([])
    async with store.writing() as writing:
        assert [key for key, _ in await writing.events_after(cell_id, None, 99)] == keys
        assert await writing.events_after(cell_id, (0, 2), 2) == [(key, str(key)) for key in keys[2:4]]
        assert await writing.events_after(cell_id, keys[-1], 2) == []
        assert await writing.events_after(other, (9, 1), 2) == [((9, 2), "{}")]


async def test_an_event_stored_twice_fails_and_leaves_nothing(store: Store) -> None:
    async with store.writing() as writing:
        cell_id = await _cell(writing)
        await writing.add_events([event(cell_id, 1, 1)])
    with pytest.raises((IntegrityError, KeyError)):
        await _add(store, [event(cell_id, 1, 2), event(cell_id, 1, 1)])
    async with store.writing() as writing:
        assert [key for key, _ in await writing.events_after(cell_id, None, 9)] == [(1, 1)]


async def _add(store: Store, rows: list[EventRow]) -> None:
    async with store.writing() as writing:
        await writing.add_events(rows)


async def test_many_events_are_found_by_their_keys_at_once(store: Store) -> None:
    keys = [(boot, seq) for boot in (1, LARGEST) for seq in range(1, MANY // 2 + 1)]
    async with store.writing() as writing:
        cell_id = await _cell(writing)
        await writing.add_events([event(cell_id, *key) for key in keys])
        found = await writing.events_at(cell_id, [*keys, (2, 1)])
        assert found.keys() == set(keys)
        assert await writing.events_at(cell_id, []) == {}
        assert len(await writing.events_after(cell_id, None, MANY + 1)) == MANY


async def test_many_heads_are_locked_saved_and_read_at_once(store: Store) -> None:
    cells = [f"harbour/wing-1/c-{i}" for i in range(MANY)]
    async with store.writing() as writing:
        heads = await writing.lock_heads(cells)
        assert len(heads) == MANY
        await writing.save_heads(heads.values())
        assert await writing.lock_heads(cells) == heads
    async with store.reading() as reading:
        assert await reading.heads(cells) == heads


async def test_snapshots_are_found_by_place_and_instant(store: Store) -> None:
    async with store.writing() as writing:
        cell_id, other = await _cell(writing), await _cell(writing, B)
        rows = [SnapshotRow(cell_id, 1, 0, at_us, body) for at_us, body in ((5, "b"), (5, "B"), (-7, "a"))]
        await writing.add_snapshots([*rows, SnapshotRow(other, 1, 0, 5, "b")])
        await writing.add_snapshots([])
    async with store.writing() as writing:
        assert await writing.snapshots_at(cell_id, [(1, 0, 5), (1, 1, 5)]) == set(rows[:2])
        assert await writing.snapshots_at(cell_id, []) == set()


async def test_snapshots_between_keys_are_half_open_and_sorted(store: Store) -> None:
    keys = [(1, 0), (1, 5), (2, 0), (LARGEST, LARGEST)]
    async with store.writing() as writing:
        cell_id, other = await _cell(writing), await _cell(writing, B)
        instants = (BEFORE_1970_US, YEAR_9999_US)
        rows = [SnapshotRow(cell_id, *key, at_us, TEXTS[4]) for key in keys for at_us in instants]
        await writing.add_snapshots(rows[::-1])
        await writing.add_snapshots([SnapshotRow(other, 1, 5, 0, "{}")])
    async with store.writing() as writing:
        assert await writing.snapshots_between(cell_id, None, None) == rows
        assert await writing.snapshots_between(cell_id, (1, 5), (2, 0)) == rows[2:4]
        assert await writing.snapshots_between(cell_id, (2, 0), None) == rows[4:]
        assert await writing.snapshots_between(cell_id, None, (1, 5)) == rows[:2]


async def test_many_snapshots_are_kept_and_found_at_once(store: Store) -> None:
    async with store.writing() as writing:
        cell_id = await _cell(writing)
        rows = [SnapshotRow(cell_id, 1, seq, seq, "{}") for seq in range(MANY)]
        await writing.add_snapshots(rows)
        assert await writing.snapshots_at(cell_id, [row[1:4] for row in rows]) == set(rows)


async def test_checkpoints_are_found_before_and_after_a_key(store: Store) -> None:
    async with store.writing() as writing:
        ledger_id, other = await _ledger(writing), await _ledger(writing, B)
        rows = [Checkpoint(1, 256, "a"), Checkpoint(9, 1, "b"), Checkpoint(10, LARGEST, TEXTS[4])]
        await writing.put_checkpoints([(ledger_id, row) for row in rows])
        await writing.put_checkpoints([(other, Checkpoint(2, 2, "other"))])
        await writing.put_checkpoints([])
    async with store.writing() as writing:
        assert await writing.checkpoint_before(ledger_id, (1, 256)) is None
        assert await writing.checkpoint_before(ledger_id, (1, 257)) == rows[0]
        assert await writing.checkpoint_before(ledger_id, (10, LARGEST)) == rows[1]
        assert await writing.next_checkpoints(ledger_id, None, 99) == sorted(rows)
        assert await writing.next_checkpoints(ledger_id, (9, 1), 99) == [Checkpoint(10, LARGEST, TEXTS[4])]
        assert await writing.next_checkpoints(ledger_id, None, 2) == sorted(rows)[:2]


async def test_a_checkpoint_replaces_that_at_its_key(store: Store) -> None:
    async with store.writing() as writing:
        ledger_id = await _ledger(writing)
        await writing.put_checkpoints([(ledger_id, Checkpoint(1, 256, "old")), (ledger_id, Checkpoint(1, 512, "kept"))])
    async with store.writing() as writing:
        await writing.put_checkpoints([(ledger_id, Checkpoint(1, 256, "new"))])
        kept = [Checkpoint(1, 256, "new"), Checkpoint(1, 512, "kept")]
        assert await writing.next_checkpoints(ledger_id, None, 99) == kept


async def test_events_are_listed_page_by_page_in_the_order_in_which_they_were_stored(store: Store) -> None:
    async with store.writing() as writing:
        cell_id, other = await _cell(writing), await _cell(writing, B)
        rows = [event(cell_id, 1, 3), event(other, 1, 1), event(cell_id, 1, 2), event(cell_id, 1, 1)]
        rows[3] = EventRow(cell_id, 1, 1, BEFORE_1970_US, YEAR_9999_US, TEXTS[1], TEXTS[4])
        await writing.add_events(rows[:2])
    async with store.writing() as writing:
        await writing.add_events(rows[2:])
    async with store.reading() as reading:
        listed = await reading.events_by_arrival(None, 0, 9)
        assert [(one.cell, one.row) for one in listed] == list(zip((A, B, A, A), rows, strict=True))
        ids = [one.id for one in listed]
        assert ids == sorted(set(ids))
        assert await reading.events_by_arrival(None, ids[0], 2) == listed[1:3]
        assert await reading.events_by_arrival([A], ids[0], 9) == listed[2:]
        assert await reading.events_by_arrival([B, "harbour/wing-1/none"], 0, 9) == listed[1:2]
        assert await reading.events_by_arrival(None, ids[-1], 9) == []
        assert await reading.events_by_arrival([], 0, 9) == []


async def test_snapshots_are_listed_page_by_page_in_the_order_in_which_they_were_stored(store: Store) -> None:
    async with store.writing() as writing:
        cell_id, other = await _cell(writing), await _cell(writing, B)
        rows = [
            SnapshotRow(owner, 1, seq, YEAR_9999_US, TEXTS[4])
            for owner, seq in ((cell_id, 7), (other, 0), (cell_id, 5))
        ]
        await writing.add_snapshots(rows)
    async with store.reading() as reading:
        listed = await reading.snapshots_by_arrival(None, 0, 9)
        assert [(one.cell, one.row) for one in listed] == list(zip((A, B, A), rows, strict=True))
        ids = [one.id for one in listed]
        assert ids == sorted(set(ids))
        assert await reading.snapshots_by_arrival(None, ids[0], 1) == listed[1:2]
        assert await reading.snapshots_by_arrival([A], 0, 9) == [listed[0], listed[2]]
        assert await reading.snapshots_by_arrival([], 0, 9) == []
